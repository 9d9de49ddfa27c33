"""Which role a layer probably fills, by its name, its shape and its columns, and which of its columns mean ours."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from catchscreen.inputs.discovery import Found, Shape

NAME_POINTS: Final = 10
OUTER_POINTS: Final = 7
COLUMN_POINTS: Final = 3
LEAST_POINTS: Final = 6
COPY_WORDS: Final = ("copy", "old", "backup", "bak", "tmp", "test", "draft", "archive")


@dataclass(frozen=True, slots=True)
class Signs:
    """What a role is known by: the shapes that it may have, words in the name, words in the columns."""

    shapes: tuple[Shape, ...]
    names: tuple[str, ...]
    columns: tuple[str, ...] = ()


SIGNS: Final[Mapping[str, Signs]] = MappingProxyType(
    {
        "parcels": Signs(
            ("polygon",), ("parcel", "plot", "cadastr", "site", "lot", "propert", "asset"), ("parcel_id", "land_use")
        ),
        "elevation": Signs(("raster",), ("dtm", "dem", "elevation", "terrain", "ground", "height", "bare_earth")),
        "district": Signs(
            ("polygon",), ("district", "boundary", "study_area", "study", "area_of_interest", "aoi", "border")
        ),
        "buildings": Signs(
            ("polygon",), ("building", "roof", "footprint", "house"), ("height_m", "storeys", "building_id")
        ),
        "roads": Signs(
            ("polygon", "line"), ("road", "street", "highway", "footway", "carriageway"), ("road_class", "is_adopted")
        ),
        "land_cover": Signs(
            ("polygon", "raster"), ("land_cover", "landcover", "cover", "lulc", "land_use"), ("cover_class",)
        ),
        "surface_model": Signs(("raster",), ("dsm", "surface", "first_return")),
        "soils": Signs(("polygon",), ("soil", "geology"), ("infiltration_m_s", "texture", "hydrologic_group")),
        "groundwater": Signs(
            ("polygon", "point", "raster"), ("groundwater", "water_table", "gwl"), ("depth_m", "season")
        ),
        "constraints": Signs(
            ("polygon", "line", "point"),
            ("constraint", "protection_zone", "made_ground", "landfill", "contaminat", "karst", "mining", "hazard"),
            ("rule", "reason"),
        ),
        "sewer_zones": Signs(
            ("polygon",), ("sewer", "drainage_area", "drainage_zone"), ("sewer_kind", "outfall", "zone_id")
        ),
        "storm_overflows": Signs(("point",), ("overflow", "cso"), ("spills_per_year", "spills")),
        "outlets": Signs(("point",), ("outlet", "outfall", "pour_point")),
        "watercourses": Signs(("line", "polygon"), ("watercourse", "river", "stream", "canal", "water"), ("is_tidal",)),
        "culverts": Signs(("line",), ("culvert", "underpass", "bridge"), ("upstream_level_m",)),
        "walls": Signs(("line",), ("wall", "walls", "flood_wall"), ("wall_id",)),
        "kerbs": Signs(("line",), ("kerb", "kerbs", "curb"), ("kerb_id",)),
        "property_points": Signs(("point",), ("property", "properties", "address", "uprn"), ("property_id",)),
        "social_index": Signs(("polygon",), ("social", "deprivation", "index"), ("social_decile", "decile")),
        "utilities": Signs(("line", "polygon"), ("utilit", "cable", "pipe", "gas", "main"), ("diameter_mm",)),
        "trees": Signs(("point", "polygon"), ("tree", "canopy"), ("stem_diameter_mm", "canopy_m")),
        "heritage": Signs(("polygon", "point"), ("heritage", "listed", "conservation", "monument")),
        "supply_points": Signs(("point",), ("supply", "quarry", "supplier", "works"), ("product", "price_per_t")),
        "recorded_floods": Signs(("polygon", "point", "line"), ("flood", "incident")),
        "evidence": Signs(
            ("point",),
            ("evidence", "site_test", "infiltration_test", "borehole", "pit", "test"),
            ("tester_role", "reach_m"),
        ),
        "rain_table": Signs(
            ("table",), ("rain_table", "ddf", "depth_duration", "idf"), ("duration_min", "duration", "duration_h")
        ),
        "rain_series": Signs(
            ("table",), ("rain", "gauge", "precip"), ("rain_mm", "precipitation", "precip", "rain", "rh", "rd")
        ),
        "evaporation": Signs(("table",), ("evap", "pet"), ("evaporation_mm_per_day", "pet", "evaporation")),
        "owners": Signs(("table",), ("owner",), ("owner_class",)),
        "renewals": Signs(("table",), ("renewal", "resurfacing"), ("renewal_year",)),
    }
)

SYNONYMS: Final[Mapping[str, Mapping[str, tuple[str, ...]]]] = MappingProxyType(
    {
        "parcels": {
            "parcel_id": ("parcelid", "plot_id", "site_id", "ref", "id", "uid", "uprn", "gml_id", "objectid"),
            "land_use": ("landuse", "use", "current_use"),
            "owner_class": ("owner", "owner_type", "ownership"),
            "renewal_year": ("renewal", "resurfacing_year"),
        },
        "buildings": {
            "building_id": ("buildingid", "bldg_id", "id", "uid", "gml_id", "objectid"),
            "height_m": ("height", "bldg_height", "h"),
            "year_built": ("built", "year", "construction_year"),
            "use": ("building_use", "function"),
        },
        "roads": {"road_class": ("class", "type", "highway"), "width_m": ("width",), "is_adopted": ("adopted",)},
        "land_cover": {"cover_class": ("class", "cover", "landcover", "type")},
        "soils": {"texture": ("soil_texture", "soil_type"), "infiltration_m_s": ("k_m_s", "ksat_m_s")},
        "groundwater": {"depth_m": ("depth", "gw_depth", "depth_bgl")},
        "sewer_zones": {"zone_id": ("id", "name", "zone"), "sewer_kind": ("kind", "type", "system")},
        "storm_overflows": {"spills_per_year": ("spills", "spill_count"), "overflow_id": ("id", "name")},
        "culverts": {"kind": ("type",)},
        "social_index": {"social_decile": ("decile", "imd_decile", "rank_decile")},
        "trees": {"stem_diameter_mm": ("dbh_mm", "diameter_mm"), "canopy_m": ("canopy", "crown_m")},
        "recorded_floods": {"date": ("flood_date", "event_date"), "depth_m": ("depth",)},
    }
)
"""Role -> our column -> names that it commonly has elsewhere, the likeliest first."""


def plain_words(text: str) -> str:
    """Write a name in small letters with single underscores."""
    return re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")


def points_for(role: str, found: Found) -> int:
    """Return how much speaks for a layer in a role; 0 when its shape rules it out."""
    signs = SIGNS[role]
    if found.shape not in signs.shapes:
        return 0
    around, _, last = found.file.rpartition("/")
    # A layer's own name says more than its file's, a file's more than its folder's.
    name, outer = (last, around) if found.layer is None else (found.layer, last)
    name, outer = plain_words(name), plain_words(outer)
    points = 0
    if any(_begins_word(word, name) for word in signs.names):
        points = NAME_POINTS
    elif any(_begins_word(word, outer) for word in signs.names):
        points = OUTER_POINTS
    columns = {plain_words(column) for column in found.columns}
    points += COLUMN_POINTS * len(columns & set(signs.columns))
    if found.shape == "raster":
        fits = found.is_whole == (role == "land_cover")
        points = points + 1 if fits else points - COLUMN_POINTS
        if role == "elevation" and not found.is_whole and points < LEAST_POINTS:
            points = LEAST_POINTS
    if points and any(re.search(rf"(?:^|[_ ]){word}(?:[_ \d]|$)", name) for word in COPY_WORDS):
        points -= 2
    return points


def _begins_word(word: str, text: str) -> bool:
    """Tell whether some word of a text begins with the given one."""
    return re.search(rf"(?:^|[_ ]){word}", text) is not None


def best_role(found: Found) -> tuple[str, int]:
    """Return the role that most speaks for, and how much; "" when too little does."""
    scores = {role: points_for(role, found) for role in SIGNS}
    role = max(scores, key=lambda name: scores[name])
    return (role, scores[role]) if scores[role] >= LEAST_POINTS else ("", scores[role])


def map_columns(role: str, found: Found) -> dict[str, str]:
    """Return our column -> theirs, for those that are not called ours already."""
    there = {plain_words(column): column for column in found.columns}
    mapped: dict[str, str] = {}
    for ours, names in SYNONYMS.get(role, {}).items():
        if ours in found.columns:
            continue
        theirs = next(
            (there[name] for name in (ours, *names) if name in there and there[name] not in mapped.values()), None
        )
        if theirs is not None:
            mapped[ours] = theirs
    return mapped

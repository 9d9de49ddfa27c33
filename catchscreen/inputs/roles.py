"""What each role carries: its id, its geometry, its columns with their plausible ranges, and what its absence means.

Plausible ranges are wide: a value outside is far more likely a wrong unit or a typing error than a fact.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd

from catchscreen.brief_sources import Source
from catchscreen.inputs.columns import Column, flag, note_unusual, number, pick_columns, set_ids, text, words
from catchscreen.inputs.desk import Desk, GeometryKind, listed
from catchscreen.inputs.vector import read_layer
from catchscreen.units import MM_PER_M

_Layer = TypeVar("_Layer")

BUILDING_M2: Final = (8.0, 100_000.0)
CULVERT_M: Final = (3.0, 200.0)
ROOTS_PER_STEM: Final = 12.0
LARGEST_ROOT_RADIUS_M: Final = 15.0
YEAR: Final = (1000.0, 2100.0)

LAND_USES: Final = (
    "homes", "school", "offices", "retail", "industry", "depot", "health", "civic", "railway", "highway", "park",
    "pitch", "open", "unknown",
)  # fmt: skip
OWNER_CLASSES: Final = (
    "council", "public_body", "housing_association", "private_single", "private_many", "unknown",
)  # fmt: skip
LAND_USE_WORDS: Final = {
    "housing": "homes", "residential": "homes", "house": "homes", "education": "school", "schools": "school",
    "office": "offices", "commercial": "retail", "shop": "retail", "shops": "retail", "industrial": "industry",
    "warehouse": "industry", "hospital": "health", "healthcare": "health", "public": "civic", "rail": "railway",
    "road": "highway", "street": "highway", "recreation": "park", "sports": "pitch", "open_space": "open",
}  # fmt: skip

DECKS: Final = ("concrete", "steel", "light_steel", "timber", "fibre_cement", "asbestos_cement", "unknown")
UTILITIES: Final = (
    "main_sewer", "sewer", "high_voltage", "low_voltage", "gas_main", "water_main", "telecom", "other",
)  # fmt: skip
UTILITY_WORDS: Final = {
    "gas": "gas_main", "hv": "high_voltage", "electricity": "low_voltage", "water": "water_main", "drain": "sewer",
    "trunk_sewer": "main_sewer", "fibre": "telecom", "cable": "telecom",
}  # fmt: skip

REUSE_STATES: Final = ("existing", "planned", "none", "unknown")
"""A tank on the parcel that keeps water for use."""

PARCEL_COLUMNS: Final = (
    words("land_use", LAND_USES, also=LAND_USE_WORDS),
    words("owner_class", OWNER_CLASSES, also={"municipal": "council", "city": "council", "private": "private_single"}),
    number("renewal_year", 1990, 2100),
    number("social_decile", 1, 10),
    words("reuse", REUSE_STATES, also={"yes": "existing", "no": "none"}),
)


@dataclass(frozen=True, slots=True)
class Role:
    """How one plain vector role is read."""

    kinds: tuple[GeometryKind, ...]
    columns: tuple[Column, ...]
    reach_m: float = 0.0
    """How far outside the district its features still matter."""


PLAIN_ROLES: Final[Mapping[str, Role]] = MappingProxyType(
    {
        "buildings": Role(
            ("polygon",),
            (
                number("height_m", 0, 400, lengths=True),
                number("year_built", *YEAR),
                text("use"),
                words("deck", DECKS, also={"metal": "steel", "wood": "timber", "asbestos": "asbestos_cement"}),
                words("ballast", ("gravel", "slabs", "none", "unknown"), also={"paving": "slabs", "pavers": "slabs"}),
                number("spare_load_kn_m2", 0, 20, usual=(0, 5)),
                number("reroof_year", 1990, 2100),
                flag("is_listed"),
            ),
        ),
        "storm_overflows": Role(("point",), (number("spills_per_year", 0, 400, usual=(0, 150)), text("zone_id"))),
        "outlets": Role(("point",), ()),
        "watercourses": Role(("line", "polygon"), (text("name"), flag("is_tidal")), 1000.0),
        "culverts": Role(
            ("line",),
            (
                words("kind", ("culvert", "underpass"), otherwise="culvert", also={"bridge": "underpass"}),
                number("upstream_level_m", -500, 9000, lengths=True),
                number("downstream_level_m", -500, 9000, lengths=True),
                number("width_m", 0.05, 60),
                number("capacity_l_s", 0.1, 1e6, usual=(1, 100_000)),
            ),
        ),
        "walls": Role(("line",), (number("height_m", 0.05, 20, usual=(0.1, 6), lengths=True),)),
        "kerbs": Role(("line",), ()),
        "property_points": Role(("point",), (text("use"), number("threshold_level_m", -500, 9000))),
        "social_index": Role(("polygon",), (number("social_decile", 1, 10, names=("decile",)),)),
        "utilities": Role(
            ("line", "polygon"),
            (
                words("kind", UTILITIES, "other", UTILITY_WORDS),
                number("depth_m", 0, 30),
                number("diameter_mm", 5, 6000),
            ),
        ),
        "trees": Role(
            ("point", "polygon"),
            (
                number("stem_diameter_mm", 10, 5000),
                number("canopy_m", 0.2, 60),
                number("root_radius_m", 0.1, 30),
                flag("is_protected"),
            ),
        ),
        "heritage": Role(("polygon", "point"), (text("kind"), text("name"))),
        "supply_points": Role(
            ("point",), (text("product"), number("price_per_t", 0, 2000), number("tonnes_per_year", 0, 1e8)), np.inf
        ),
        "recorded_floods": Role(
            ("polygon", "point", "line"), (text("date"), number("depth_m", 0.0, 10, usual=(0.02, 3)), text("source"))
        ),
    }
)

ABSENT: Final[Mapping[str, str]] = MappingProxyType(
    {
        "district": "The district is taken as the convex hull of the parcels and 100 m around it.",
        "buildings": "Where buildings stand is unknown: roofs come from land cover, else as a range by land use.",
        "roads": "Where roads lie is unknown: road ground counts as unknown cover.",
        "land_cover": "What covers the ground is unknown: impermeable shares come from land use, with wide ranges.",
        "surface_model": "Roof slopes and heights are unknown.",
        "soils": "Infiltration rates are unknown: paving is sized at the low rate and marked unproven.",
        "groundwater": "The depth to groundwater is unknown.",
        "constraints": "Protection zones, contamination, unstable ground etc. are unknown: no evidence of absence.",
        "sewer_zones": "Which ground drains to which sewer is unknown: one zone with the default capacity.",
        "storm_overflows": "Which overflows spill, and how often, is unknown: the criterion is dropped for all.",
        "outlets": "Sub-catchments are made to a target size.",
        "watercourses": "Watercourses are unknown as outfalls.",
        "culverts": "Culverts and underpasses are unknown: embankments may act as dams in the model.",
        "walls": "Walls that hold water back or turn it aside are unknown: water passes where one may stand.",
        "kerbs": "Kerb lines are unknown: run-on from one side of a kerb to the other is not stopped.",
        "owner_class": "Who owns the parcels is unknown: the criterion takes its middle, with its whole range.",
        "renewal_year": "When ground and roofs are renewed is unknown: the criterion is dropped for all.",
        "property_points": "Where people live and work is unknown: hollows are not weighed by who is exposed.",
        "social_index": "Who would gain is unknown: the criterion is dropped for all.",
        "utilities": "Pipes and cables in the ground are unknown.",
        "trees": "Trees and their roots are unknown.",
        "heritage": "Protected buildings and areas are unknown.",
        "supply_points": "Where material comes from is unknown: haul is left out.",
        "rain_table": "No depth-duration table: plain depths in one hour are run, without return periods.",
        "rain_series": "No rain series: yearly volumes are not computed.",
        "evaporation": "Evaporation is unknown: a generic yearly course is used.",
        "recorded_floods": "No recorded flood to compare with.",
        "evidence": "No site test or survey: maps alone decide, and maps do not hold for a single plot.",
    }
)
"""Role (or parcel column) -> what it means that it was not given."""

EXPECTED_EVERYWHERE: Final = frozenset(
    ["buildings", "roads", "land_cover", "soils", "groundwater", "sewer_zones", "property_points", "social_index"]
)
"""Roles of what no district is without: a layer with nothing in it says that a file is wrong, not that there is none.

Of all other roles (trees, walls, constraints ...) an empty layer is an answer: there is none.
"""


def read_plain(role: str, source: Source, desk: Desk) -> gpd.GeoDataFrame:
    """Read a role that needs nothing but its columns.

    Raises
    ------
    InputsAtFault
        When the layer cannot be read or brought over.
    """
    spec = PLAIN_ROLES[role]
    layer = read_layer(source, desk, spec.kinds, reach_m=spec.reach_m)
    frame = pick_columns(layer, source, desk, spec.columns)
    if role == "trees":
        frame["root_radius_m"] = _root_radius(frame)
    _check_sizes(frame, source, desk)
    return note_if_empty(set_ids(frame, layer, source, desk), source, desk)


def _check_sizes(frame: gpd.GeoDataFrame, source: Source, desk: Desk) -> None:
    """Name buildings and culverts of unusual size."""
    if source.role == "buildings":
        note_unusual("area in m2", frame.geometry.area, BUILDING_M2, source, desk)
    elif source.role == "culverts":
        note_unusual("length in m", frame.geometry.length, CULVERT_M, source, desk)


def _root_radius(trees: gpd.GeoDataFrame) -> pd.Series:
    """Return the radius of the roots [m]: as given, else twelve stem diameters, at most 15 m (BS 5837, from memory)."""
    from_stem = (trees["stem_diameter_mm"] * ROOTS_PER_STEM / MM_PER_M).clip(upper=LARGEST_ROOT_RADIUS_M)
    return trees["root_radius_m"].fillna(from_stem)


def note_if_empty(frame: gpd.GeoDataFrame, source: Source, desk: Desk) -> gpd.GeoDataFrame:
    """Say when a layer has nothing in the district, and whether that counts as knowledge or as not given."""
    if not frame.empty:
        return frame
    if source.role in EXPECTED_EVERYWHERE:
        message = f"The layer has no feature in the district, so it counts as not given. {ABSENT[source.role]}"
        cure = "Give the part of the layer that covers the district, or check its crs and where."
        desk.note("unknown", "given-but-empty", source, message, cure=cure)
    else:
        message = "The layer has no feature in the district: given but empty, taken as none there."
        desk.note("note", "nothing-here", source, message)
    return frame


def none_if_empty(role: str, layer: _Layer) -> _Layer | None:
    """Return None for an empty layer of what every district has; any other layer, and any raster, as it is."""
    is_empty = role in EXPECTED_EVERYWHERE and isinstance(layer, gpd.GeoDataFrame) and layer.empty
    return None if is_empty else layer


def note_absent(desk: Desk) -> None:
    """List every role that was not given and what that means."""
    for role, meaning in ABSENT.items():
        given = bool(desk.brief.sources_of(role)) if hasattr(desk.brief, role) else True
        if not given:
            cure = f"Add [{role}] to the brief."
            desk.note("unknown", "no-layer", role, meaning, cure=cure)


STORM_SETTINGS: Final = ("return_periods_years", "durations_min", "uplift", "sizing_return_period_years")
"""Settings of [rain] that need depths by duration and return period."""


def note_idle_storms(desk: Desk) -> None:
    """List settings of storms that the brief makes and nothing heeds: without depths to take them from."""
    options = desk.brief.rain
    if desk.brief.sources_of("rain_table") or desk.brief.sources_of("rain_series") or options.intensity_formula:
        return
    idle: list[str] = [name for name in STORM_SETTINGS if name in options.model_fields_set]
    if idle:
        message = f"Plain depths are run, so {listed(idle)} in [rain] {'do' if len(idle) > 1 else 'does'} nothing."
        cure = "Add [rain_table] or intensity_formula, or set plain_depths_mm and sizing_depth_mm instead."
        desk.note("note", "idle-setting", "rain_table", message, cure=cure)

"""What lies on the ground: roads as polygons, land cover as polygons or a raster of codes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import shapely

from catchscreen.brief_sources import CoverSource, RoadSource, Source
from catchscreen.grid import Grid
from catchscreen.inputs.columns import as_text, flag, number, our_word, pick_columns, set_ids, words
from catchscreen.inputs.desk import Desk, listed, refuse
from catchscreen.inputs.raster import read_codes
from catchscreen.inputs.roles import note_if_empty
from catchscreen.inputs.tilesets import is_raster_source
from catchscreen.inputs.vector import read_layer
from catchscreen.records import Raster

COVER_CLASSES: Final = (
    "roof", "asphalt", "concrete", "block_paving", "gravel", "mixed_hard", "bare_soil", "garden", "grass", "woodland",
    "water", "unknown",
)  # fmt: skip
COVER_WORDS: Final = {
    "building": "roof", "buildings": "roof", "paved": "asphalt", "road": "asphalt", "tarmac": "asphalt",
    "paving": "block_paving", "blocks": "block_paving", "trees": "woodland", "wood": "woodland", "forest": "woodland",
    "lawn": "grass",
    "vegetation": "grass", "soil": "bare_soil", "bare": "bare_soil", "river": "water",
}  # fmt: skip
GROUND_USES: Final = ("car_park", "yard", "goods_yard", "fuel", "playground", "pitch", "driveway", "bay")
ROAD_WORDS: Final = {
    "road": "carriageway", "street": "carriageway", "lane": "carriageway", "pavement": "footway", "sidewalk": "footway",
    "footpath": "footway", "path": "footway", "cycleway": "footway", "pedestrian": "footway",
}  # fmt: skip
FOOTWAY_WIDTH_M: Final = 2.0
"""Width of a footway line without one (common practice)."""
SHARES: Final = (
    number("piped_fraction", 0, 1),
    number("to_ground_fraction", 0, 1),
    number("impermeable_fraction", 0, 1),
)
"""By these a layer may say more about a surface than its class does."""

ROAD_COLUMNS: Final = (
    words("road_class", ("carriageway", "footway"), otherwise="carriageway", also=ROAD_WORDS),
    flag("is_adopted"),
    number("utility_density", 0, 200),
    number("width_m", 0.5, 100, usual=(2.5, 30)),
    words("cover_class", COVER_CLASSES, otherwise="", also=COVER_WORDS),
    *SHARES,
)

COVER_COLUMNS: Final = (
    words("cover_class", COVER_CLASSES, also=COVER_WORDS),
    words("ground_use", GROUND_USES, otherwise="", also={"parking": "car_park"}),
    *SHARES,
)


def read_roads(source: Source, desk: Desk) -> gpd.GeoDataFrame:
    """Read roads and footways as polygons; lines are widened by their width, their class's or the brief's."""
    layer = read_layer(source, desk, ("polygon", "line"))
    theirs = source.columns.get("road_class", "road_class")
    raw = as_text(layer[theirs]) if theirs in layer.columns else None
    frame = pick_columns(layer, source, desk, ROAD_COLUMNS)
    frame = frame.set_geometry(_widened(frame, raw, source, desk))
    return note_if_empty(set_ids(frame, layer, source, desk), source, desk)


def _widened(frame: gpd.GeoDataFrame, raw: Any, source: Source, desk: Desk) -> gpd.GeoSeries:
    """Return polygons: lines as bands with round ends, so that they join at crossings."""
    shapes = frame.geometry.to_numpy()
    is_line = np.isin(shapely.get_type_id(shapes), (1, 2, 5))
    if is_line.any():
        width = _widths(frame, raw, source, desk)
        shapes = shapes.copy()
        shapes[is_line] = shapely.buffer(shapes[is_line], width[is_line] / 2.0)
        bands = width[is_line]
        message = f"{int(is_line.sum())} lines were widened to bands of {bands.min():g} to {bands.max():g} m."
        desk.note("note", "widened-lines", source, message, cure="Road polygons would be truer.")
    return gpd.GeoSeries(shapes, index=frame.index, crs=frame.crs)


def _widths(frame: gpd.GeoDataFrame, raw: Any, source: Source, desk: Desk) -> np.ndarray:
    """Return the width of each road [m]: its own, else its class's, else the brief's, else the usual one."""
    classes: Mapping[str, float] = source.class_width_m if isinstance(source, RoadSource) else {}
    common = source.width_m if isinstance(source, RoadSource) else None
    usual = np.where((frame["road_class"] == "footway").to_numpy(), FOOTWAY_WIDTH_M, desk.brief.surfaces.road_width_m)
    fallback = np.full(len(frame), common, dtype=np.float64) if common is not None else usual
    by_class = np.full(len(frame), np.nan)
    for key, width in classes.items():
        named = (frame["road_class"] == our_word(key)).to_numpy()
        if raw is not None:
            named = named | (raw == key).to_numpy()
        by_class[named] = width
    own = frame["width_m"].to_numpy(dtype=np.float64)
    chosen = np.where(np.isnan(own), by_class, own)
    return np.where(np.isnan(chosen), fallback, chosen)


def read_land_cover(
    source: Source, grid: Grid | None, desk: Desk
) -> tuple[gpd.GeoDataFrame | Raster | None, dict[int, str]]:
    """Read land cover: polygons with our classes, or a raster of codes with its class table.

    Raises
    ------
    InputsAtFault
        When a raster has no class table, or the table names classes that are not ours.
    """
    if is_raster_source(source):
        return _read_cover_raster(source, _classes_of(source), grid, desk)
    return read_cover_polygons(source, desk), {}


def read_cover_polygons(source: Source, desk: Desk) -> gpd.GeoDataFrame:
    """Read polygons of land cover, or the user's own that win over all else.

    Raises
    ------
    InputsAtFault
        When the class table names classes that are not ours.
    """
    classes = _classes_of(source)
    layer = read_layer(source, desk, ("polygon",))
    cover, *others = COVER_COLUMNS
    named = {our_word(key): our_word(value) for key, value in classes.items()}
    frame = pick_columns(layer, source, desk, (replace(cover, also={**cover.also, **named}), *others))
    return note_if_empty(set_ids(frame, layer, source, desk), source, desk)


def _classes_of(source: Source) -> Mapping[str, str]:
    """Return the class table of a source; words that are not ours are refused."""
    classes = source.classes if isinstance(source, CoverSource) else {}
    strange = sorted({value for value in classes.values() if our_word(value) not in COVER_CLASSES})
    if strange:
        message = f"classes holds {listed(strange)}."
        raise refuse("unknown-word", source, message, f"Our classes are: {', '.join(COVER_CLASSES)}.")
    return classes


def _read_cover_raster(
    source: Source, classes: Mapping[str, str], grid: Grid | None, desk: Desk
) -> tuple[Raster | None, dict[int, str]]:
    """Read a raster of cover codes."""
    bad = [key for key in classes if not key.lstrip("-").isdigit()]
    if bad:
        raise refuse(
            "wrong-type", source, f"classes holds the code {bad[0]!r}.", "Codes of a raster are whole numbers."
        )
    table = {int(key): our_word(value) for key, value in classes.items()}
    if grid is None:
        return None, table
    raster = read_codes(source, grid)
    codes = [int(code) for code in np.unique(raster.values[raster.valid])]
    unnamed = [str(code) for code in codes if code not in table]
    if not table:
        example = ", ".join(f'{code} = "..."' for code in unnamed[:4])
        cure = f"Add classes = {{ {example} }} with our classes: {', '.join(COVER_CLASSES)}."
        raise refuse("no-class-table", source, f"Nothing says what the codes {listed(unnamed, 12)} mean.", cure)
    if unnamed:
        message = f"The codes {listed(unnamed, 12)} are not in classes and count as unknown cover."
        desk.note("unknown", "unnamed-codes", source, message, cure="Add them to classes.")
        table |= dict.fromkeys((int(code) for code in unnamed), "unknown")
    return raster, table

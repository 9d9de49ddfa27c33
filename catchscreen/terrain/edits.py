"""Changes to the ground that the user asked for: lowered, raised, cut through; each with levels before and after."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.records import Inputs
from catchscreen.terrain.changes import Edit, cells_across, line_parts
from catchscreen.terrain.ways import CULVERT, UNDERPASS, cut_ways
from catchscreen.units import TICKS_PER_M

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class EditedGround:
    """The ground with all edits and, where there are culverts, with all but them; the edits in their order.

    open_ticks, blocked_ticks : (rows, cols) int32 [ticks]. culverts : those of the edits that are culverts.
    """

    open_ticks: NDArray[np.int32]
    blocked_ticks: NDArray[np.int32] | None
    edits: list[Edit]
    culverts: list[Edit]


def edit_ground(data: Inputs, options: TerrainOptions, run: Run) -> EditedGround:
    """Make the edits: watercourses lowered, buildings and walls raised, then underpasses and culverts cut through.

    In this order a passage under a building stays open, and so does a culvert below a wall.
    """
    ground = data.ground_ticks.copy()
    edits: list[Edit] = []
    if options.watercourse_lower_m > 0.0 and data.watercourses is not None:
        edits += _lower_watercourses(ground, data, data.watercourses, round(options.watercourse_lower_m * TICKS_PER_M))
    if options.raise_buildings and data.buildings is not None:
        edits += _raise_buildings(ground, data, data.buildings, round(options.building_raise_m * TICKS_PER_M))
    if options.raise_walls and data.walls is not None:
        edits += _raise_walls(ground, data, data.walls, options.wall_raise_m)
    edits += cut_ways(ground, data, UNDERPASS, run)
    blocked = ground.copy()
    culverts = cut_ways(ground, data, CULVERT, run)
    return EditedGround(ground, blocked if culverts else None, edits + culverts, culverts)


def _lower_watercourses(
    ground: NDArray[np.int32], data: Inputs, watercourses: gpd.GeoDataFrame, lower_by: int
) -> list[Edit]:
    """Lower the cells of watercourses, each once: of two on a cell the earlier one has it."""
    taken = ~data.ground_valid.ravel()
    edits = []
    for name, shape in zip(watercourses.index, watercourses.geometry, strict=True):
        cell = _cells_of(shape, data.grid)
        cell = cell[~taken[cell]]
        taken[cell] = True
        if cell.size:
            edits.append(_moved(ground, cell, -lower_by, ("watercourse", f"watercourse {name}", shape)))
    return edits


def _cells_of(shape: Any, grid: Grid) -> Ints:
    """Return the cells of a line, without a gap that a diagonal step could pass, or of a polygon."""
    if shape is None or shape.is_empty:
        return np.empty(0, dtype=np.int64)
    if shape.geom_type in ("Polygon", "MultiPolygon"):
        inside = rasterize([(shape, 1)], out_shape=grid.shape, transform=grid.transform, fill=0, dtype="uint8")
        return np.flatnonzero(inside)
    parts = [cells_across(part, grid) for part in line_parts(shape)]
    return np.unique(np.concatenate([np.empty(0, dtype=np.int64), *parts]))


def _raise_walls(ground: NDArray[np.int32], data: Inputs, walls: gpd.GeoDataFrame, usual_height_m: float) -> list[Edit]:
    """Raise the cells under walls by their height; where walls cross, the higher one counts."""
    given = walls["height_m"] if "height_m" in walls.columns else pd.Series(np.nan, index=walls.index)
    height = np.rint(given.fillna(usual_height_m).to_numpy(dtype=np.float64) * TICKS_PER_M).astype(np.int64)
    risen = np.zeros(ground.size, dtype=np.int64)
    on_ground = data.ground_valid.ravel()
    edits = []
    for number in np.argsort(-height, kind="stable"):
        shape = walls.geometry.iloc[number]
        cell = _cells_of(shape, data.grid)
        cell = cell[on_ground[cell] & (risen[cell] == 0)]
        risen[cell] = height[number]
        if cell.size:
            said = ("wall", f"wall {walls.index[number]}", shape)
            edits.append((number, _moved(ground, cell, int(height[number]), said)))
    return [edit for _, edit in sorted(edits, key=lambda pair: pair[0])]


def _moved(ground: NDArray[np.int32], cell: Ints, ticks: int, said: tuple[str, str, Any]) -> Edit:
    """Raise (or, below 0, lower) cells and return the edit; ``said`` is its kind, source and geometry."""
    flat = ground.reshape(-1)
    before = flat[cell].astype(np.int64)
    flat[cell] += ticks
    return Edit(*said, cell, before, before + ticks)


def _raise_buildings(ground: NDArray[np.int32], data: Inputs, buildings: gpd.GeoDataFrame, raise_by: int) -> list[Edit]:
    """Raise the cells whose centre lies in a building; where footprints overlap the later one has the cell."""
    outlines = buildings.geometry.to_numpy()
    burnt = list(_outlines_to_burn(outlines))
    if not burnt:
        return []
    owner = rasterize(burnt, out_shape=data.grid.shape, transform=data.grid.transform, fill=0, dtype="int32").ravel()
    cell = np.flatnonzero((owner > 0) & data.ground_valid.ravel())
    cell = cell[np.argsort(owner[cell], kind="stable")]
    number, start = np.unique(owner[cell], return_index=True)
    flat = ground.reshape(-1)
    before = flat[cell].astype(np.int64)
    flat[cell] += raise_by
    after = before + raise_by
    source = [f"building {name}" for name in buildings.index]
    parts = [slice(int(first), int(last)) for first, last in zip(start, [*start[1:], cell.size], strict=True)]
    return [
        Edit("building", source[own], outlines[own], cell[part], before[part], after[part])
        for own, part in zip(number - 1, parts, strict=True)
    ]


def _outlines_to_burn(outlines: NDArray[Any]) -> list[tuple[dict[str, Any], int]]:
    """Return each footprint as plain coordinates with its number from 1: faster than to read one object at a time."""
    parts, owner = shapely.get_parts(outlines, return_index=True)
    rings, part_of = shapely.get_rings(parts, return_index=True)
    points, ring_of = shapely.get_coordinates(rings, return_index=True)
    ring_start = np.searchsorted(ring_of, np.arange(rings.size + 1))
    listed = points.tolist()
    part_start = np.searchsorted(part_of, np.arange(parts.size + 1))
    burnt = []
    for part in np.flatnonzero(np.diff(part_start) > 0):
        numbers = range(int(part_start[part]), int(part_start[part + 1]))
        coordinates = [listed[ring_start[ring] : ring_start[ring + 1]] for ring in numbers]
        burnt.append(({"type": "Polygon", "coordinates": coordinates}, int(owner[part]) + 1))
    return burnt

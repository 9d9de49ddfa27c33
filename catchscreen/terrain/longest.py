"""The longest way of water in each sub-catchment: its length, its falls, its line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.terrain._kernels import dividing, ways
from catchscreen.terrain.catchments import Division
from catchscreen.terrain.hollows import unframed_cells
from catchscreen.terrain.routing import Routing
from catchscreen.units import TICKS_PER_M

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class LongestPaths:
    """The longest way in each sub-catchment, (n,) each: length [m], mean fall, fall between 10 and 85 %, the cells.

    level_m : level at the upper and the lower end, (n, 2). cells : flat numbers from the upper to the lower end, of all
    ways one after the other. first : (n + 1,) where each begins in ``cells``.
    """

    length_m: Floats
    fall: Floats
    fall_10_85: Floats
    level_m: Floats
    cells: Ints
    first: Ints


def longest_paths(division: Division, routing: Routing, grid: Grid) -> LongestPaths:
    """Find the longest way of water within each sub-catchment, from its farthest cell to its outlet.

    Levels are those of the filled surface, which falls all the way; the distance counts from the lower end.
    """
    distance = np.full(routing.code.shape, -1.0)
    dividing.distance_within(routing.code, division.label, step_lengths_m(grid), distance)
    start = dividing.farthest_cells(division.label, distance, division.outlet_cell.size)
    cells, first = ways.follow_all(start, routing.code, division.label)
    return measure_ways(unframed_cells(cells, grid.cols), first, distance.ravel()[cells], routing.filled.ravel()[cells])


def measure_ways(cells: Ints, first: Ints, along_m: Floats, ticks: NDArray[Any]) -> LongestPaths:
    """Return lengths and falls of ways, given distance to the lower end and level at each of their cells."""
    level = ticks / TICKS_PER_M
    upper, lower = first[:-1], first[1:] - 1
    length = along_m[upper]
    ends = np.column_stack([level[upper], level[lower]])
    has_length = length > 0.0
    run_m = np.where(has_length, length, 1.0)
    low, high = (_level_at(share * length, first, along_m, level) for share in (0.10, 0.85))
    fall = np.where(has_length, (ends[:, 0] - ends[:, 1]) / run_m, 0.0)
    fall_10_85 = np.where(has_length, (high - low) / (0.75 * run_m), 0.0)
    return LongestPaths(length, fall, fall_10_85, ends, cells, first)


def _level_at(wanted_m: Floats, first: Ints, along_m: Floats, level: Floats) -> Floats:
    """Return the level on each way at a distance from its lower end, straight between cells."""
    if wanted_m.size == 0:
        return wanted_m
    not_above = np.add.reduceat((along_m <= np.repeat(wanted_m, np.diff(first))).astype(np.int64), first[:-1])
    below = first[1:] - not_above
    above = np.maximum(below - 1, first[:-1])
    step_m = np.where(above < below, along_m[above] - along_m[below], 1.0)
    return (level[above] - level[below]) / step_m * (wanted_m - along_m[below]) + level[below]


def step_lengths_m(grid: Grid) -> Floats:
    """Return the length of a step in each direction code 0..8."""
    width, height = grid.cell_width_m, grid.cell_height_m
    diagonal = float(np.hypot(width, height))
    return np.array([0.0, width, height, width, height, diagonal, diagonal, diagonal, diagonal])


def longest_frame(paths: LongestPaths, subcatchment_ids: list[str], grid: Grid) -> gpd.GeoDataFrame:
    """Return the longest ways as lines through cell centres, downhill; a sub-catchment of one cell has none."""
    sizes = np.diff(paths.first)
    has_line = np.flatnonzero(sizes >= 2)
    cells = paths.cells[np.repeat(sizes >= 2, sizes)]
    points = np.column_stack(grid.xy_of_cells(cells))
    lines = shapely.linestrings(points, indices=np.repeat(np.arange(has_line.size), sizes[has_line]))
    columns = {
        "length_m": paths.length_m[has_line],
        "upper_level_m": paths.level_m[has_line, 0],
        "lower_level_m": paths.level_m[has_line, 1],
        "mean_fall_fraction": paths.fall[has_line],
        "slope_10_85_fraction": paths.fall_10_85[has_line],
    }
    index = np.array(subcatchment_ids, dtype=object)[has_line].astype(str)
    frame = gpd.GeoDataFrame(columns, index=index, geometry=lines, crs=grid.crs)
    frame.index.name = "subcatchment_id"
    return frame

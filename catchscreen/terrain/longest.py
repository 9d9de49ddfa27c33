"""The longest way of water in each sub-catchment: its length, its falls, its line."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.terrain._kernels import dividing
from catchscreen.terrain.catchments import Division
from catchscreen.terrain.hollows import unframed_cells
from catchscreen.terrain.routing import Routing
from catchscreen.units import TICKS_PER_M

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LongestPaths:
    """The longest way in each sub-catchment, (n,) each: length [m], mean fall, fall between 10 and 85 %, the cells.

    level_m : level at the upper and the lower end, (n, 2). cells : flat numbers from the upper to the lower end.
    """

    length_m: Floats
    fall: Floats
    fall_10_85: Floats
    level_m: Floats
    cells: list[NDArray[np.int64]]


def longest_paths(division: Division, routing: Routing, grid: Grid) -> LongestPaths:
    """Find the longest way of water within each sub-catchment, from its farthest cell to its outlet.

    Levels are those of the filled surface, which falls all the way; the distance counts from the lower end.
    """
    distance = np.full(routing.code.shape, -1.0)
    dividing.distance_within(routing.code, division.label, step_lengths_m(grid), distance)
    start = dividing.farthest_cells(division.label, distance, division.outlet_cell.size)
    length, fall, fall_10_85 = np.zeros(start.size), np.zeros(start.size), np.zeros(start.size)
    ends = np.zeros((start.size, 2))
    cells = []
    flat_distance, flat_filled = distance.ravel(), routing.filled.ravel()
    for number, cell in enumerate(start):
        way = dividing.follow_within(int(cell), routing.code, division.label)
        along = flat_distance[way][::-1]
        level = flat_filled[way][::-1] / TICKS_PER_M
        length[number] = along[-1]
        ends[number] = level[-1], level[0]
        if along[-1] > 0.0:
            fall[number] = (level[-1] - level[0]) / along[-1]
            low, high = np.interp([0.10 * along[-1], 0.85 * along[-1]], along, level)
            fall_10_85[number] = (high - low) / (0.75 * along[-1])
        cells.append(unframed_cells(way, grid.cols))
    return LongestPaths(length, fall, fall_10_85, ends, cells)


def step_lengths_m(grid: Grid) -> Floats:
    """Return the length of a step in each direction code 0..8."""
    width, height = grid.cell_width_m, grid.cell_height_m
    diagonal = float(np.hypot(width, height))
    return np.array([0.0, width, height, width, height, diagonal, diagonal, diagonal, diagonal])


def longest_frame(paths: LongestPaths, subcatchment_ids: list[str], grid: Grid) -> gpd.GeoDataFrame:
    """Return the longest ways as lines through cell centres, downhill; a sub-catchment of one cell has none."""
    sizes = np.array([way.size for way in paths.cells], dtype=np.int64)
    has_line = np.flatnonzero(sizes >= 2)
    cells = np.concatenate([paths.cells[number] for number in has_line] or [np.empty(0, dtype=np.int64)])
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

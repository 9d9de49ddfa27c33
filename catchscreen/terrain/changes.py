"""One change to the ground, with levels before and after, and the layer of all of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString

from catchscreen.grid import Grid
from catchscreen.units import TICKS_PER_M

Ints = NDArray[np.int64]

EDIT_COLUMNS: Final = (
    "kind",
    "level_before_m",
    "level_after_m",
    "lowest_before_m",
    "lowest_after_m",
    "cells",
    "source",
    "capacity_l_s",
)


@dataclass(frozen=True, slots=True)
class Edit:
    """One change: the line or outline, how many cells it touched, the sums and the least of their levels [ticks].

    capacity_l_s : what a culvert carries, where the user says so.
    """

    kind: str
    source: str
    geometry: Any
    cells: int
    sum_before: int
    sum_after: int
    least_before: int
    least_after: int
    capacity_l_s: float = math.nan

    @classmethod
    def of_levels(cls, said: tuple[str, str, Any], before: Ints, after: Ints, capacity_l_s: float = math.nan) -> Edit:
        """Return the edit that changed some levels [ticks] to others; ``said`` is its kind, source and geometry."""
        sums, least = (int(before.sum()), int(after.sum())), (int(before.min()), int(after.min()))
        return cls(*said, before.size, *sums, *least, capacity_l_s)


def edits_frame(edits: list[Edit], crs: Any) -> gpd.GeoDataFrame:
    """Return the layer of edits: index edit_id, mean and lowest level of the cells before and after, source."""
    cells = np.array([edit.cells for edit in edits], dtype=np.int64)
    columns: dict[str, Any] = {"kind": np.array([edit.kind for edit in edits], dtype=object)}
    for moment in ("before", "after"):
        total = np.array([getattr(edit, f"sum_{moment}") for edit in edits], dtype=np.int64)
        least = np.array([getattr(edit, f"least_{moment}") for edit in edits], dtype=np.int64)
        columns[f"level_{moment}_m"] = total / (cells * float(TICKS_PER_M))
        columns[f"lowest_{moment}_m"] = least / float(TICKS_PER_M)
    columns["cells"] = cells
    columns["source"] = np.array([edit.source for edit in edits], dtype=object)
    columns["capacity_l_s"] = np.array([edit.capacity_l_s for edit in edits], dtype=np.float64)
    index = [f"edit-{number:05d}" for number in range(1, len(edits) + 1)]
    ordered = {name: columns[name] for name in EDIT_COLUMNS}
    frame = gpd.GeoDataFrame(ordered, index=index, geometry=[edit.geometry for edit in edits], crs=crs)
    frame.index.name = "edit_id"
    return frame


def line_parts(geometry: Any) -> list[LineString]:
    """Return the simple lines of a line or multi-line that have a length."""
    if geometry is None or geometry.is_empty:
        return []
    parts = shapely.get_parts(shapely.line_merge(geometry))
    return [part for part in parts if part.geom_type == "LineString" and part.length > 0]


def cells_along(line: LineString, grid: Grid) -> tuple[Ints, NDArray[np.float64]]:
    """Return the cells that a line passes, each once and beside the next, with the chainage [m] of its centre."""
    cell = _passed(line, grid)
    cell = cell[np.sort(np.unique(cell, return_index=True)[1])]
    along = shapely.line_locate_point(line, shapely.points(*grid.xy_of_cells(cell)))
    return cell, np.maximum.accumulate(along)


def cells_across(line: LineString, grid: Grid) -> Ints:
    """Return the cells of a line, ascending, such that no diagonal step passes between them: a wall without a gap."""
    cell = _passed(line, grid)
    row, col = np.divmod(cell, grid.cols)
    corner = (np.abs(np.diff(row)) == 1) & (np.abs(np.diff(col)) == 1)
    return np.unique(np.concatenate([cell, (row[1:] * grid.cols + col[:-1])[corner]]))


def _passed(line: LineString, grid: Grid) -> Ints:
    """Return the cells under points close together along a line, in its direction, those beside the grid left out."""
    spacing = 0.25 * min(grid.cell_width_m, grid.cell_height_m)
    steps = max(2, int(np.ceil(line.length / spacing)) + 1)
    chainage = np.linspace(0.0, line.length, steps)
    points = shapely.get_coordinates(shapely.line_interpolate_point(line, chainage))
    cell = grid.cells_of_xy(points[:, 0], points[:, 1])
    return cell[cell >= 0]

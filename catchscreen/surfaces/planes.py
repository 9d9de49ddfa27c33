"""Roofs' windows of the surface model, and the planes in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchscreen.surfaces._kernels.coverage import cover_windows
from catchscreen.surfaces._kernels.planes import grow_planes, local_gradients, settle_cells
from catchscreen.surfaces.overlay import Floats, Ints, Packed

MAX_PLANES = 16
"""No more planes than this are looked for on one roof."""


@dataclass(frozen=True, slots=True)
class Windows:
    """The cells around each of some polygons, end to end.

    box : (n, 4) first row, first col, rows, cols of each window. start : (n + 1,) where its cells begin, row by row.
    level : (cells,) the raster's values, NaN where it has none. share : (cells,) how much of each is covered.
    """

    box: Ints
    start: Ints
    level: Floats
    share: Floats

    @property
    def number(self) -> Ints:
        """The window's number of each cell."""
        return np.repeat(np.arange(len(self.box)), np.diff(self.start))

    @property
    def row(self) -> Ints:
        """Each cell's row in its window."""
        return self._place // self.box[self.number, 3]

    @property
    def col(self) -> Ints:
        """Each cell's column in its window."""
        return self._place % self.box[self.number, 3]

    @property
    def _place(self) -> Ints:
        """Each cell's place in its window."""
        return np.arange(self.level.size) - self.start[self.number]


@dataclass(frozen=True, slots=True)
class PlaneFits:
    """Planes in windows.

    plane_of : (cells,) number of each cell's plane, -1 for cells on none (plant, edges, noise). planes : (n, most, 4)
    a, b, c of z = a x + b y + c with x = col * width, y = -row * height; and the RMS error [m]. count : (n,) planes
    found. size : (n, most) cells of each.
    """

    plane_of: Ints
    planes: Floats
    count: Ints
    size: Ints


def open_windows(packed: Packed, levels: Floats) -> Windows:
    """Cut out the cells around each polygon (coordinates in cells of the raster ``levels``)."""
    rows, cols = levels.shape
    low = np.maximum(np.floor(packed.bounds[:, :2]), 0.0).astype(np.int64)
    high = np.minimum(np.ceil(packed.bounds[:, 2:]), [cols, rows]).astype(np.int64)
    extent = np.maximum(high - low, 0)
    box = np.ascontiguousarray(np.column_stack([low[:, ::-1], extent[:, ::-1]]))
    box[(box[:, 2:] == 0).any(axis=1), 2:] = 0
    start = np.r_[0, np.cumsum(box[:, 2] * box[:, 3])].astype(np.int64)
    share = cover_windows(packed.xy, packed.ring_start, packed.polygon_start, box, start)
    windows = Windows(box, start, share, share)
    number = windows.number
    level = levels[box[number, 0] + windows.row, box[number, 1] + windows.col]
    return Windows(box, start, level, share)


def fit_planes(
    windows: Windows,
    inside: NDArray[np.bool_],
    cell: tuple[float, float],
    tolerance: float,
    min_cells: int,
    most: int = MAX_PLANES,
) -> PlaneFits:
    """Divide the cells that count of each window into planes.

    Parameters
    ----------
    inside : (cells,) the windows' cells that count
    cell : width and height of a cell [m]
    tolerance : a plane's cells lie this near to it [m]
    min_cells : fewest cells of a plane
    most : most planes of a window
    """
    place = (windows.start, np.ascontiguousarray(windows.box[:, 3]), cell)
    gradient, error = local_gradients(windows.level, inside, *place)
    number = windows.number
    smooth = np.flatnonzero(error <= tolerance)
    # Window by window the smoothest cell first, of equals the first cell.
    seeds = smooth[np.lexsort((error[smooth], number[smooth]))]
    seed_start = np.searchsorted(number[seeds], np.arange(len(windows.box) + 1)).astype(np.int64)
    rule = (tolerance, min_cells, most)
    plane_of, planes, count = grow_planes(windows.level, inside, gradient, seeds, seed_start, *place, rule)
    plane_of[plane_of < 0] = -1
    settle_cells(windows.level, inside, plane_of, planes, *place, tolerance)
    on = np.flatnonzero(plane_of >= 0)
    code = number[on] * most + plane_of[on]
    size = np.bincount(code, minlength=len(windows.box) * most)
    a, b, c, _ = planes.reshape(-1, 4)[code].T
    rest = windows.level[on] - (a * windows.col[on] * cell[0] - b * windows.row[on] * cell[1] + c)
    squares = np.bincount(code, weights=rest * rest, minlength=size.size)
    planes[:, :, 3] = np.sqrt(squares / np.maximum(size, 1)).reshape(-1, most)
    return PlaneFits(plane_of, planes, count, size.reshape(-1, most))

"""Exact share of raster cells under polygons: no cell-centre rule, the smallest polygon gets its value."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.surfaces._kernels.coverage import sum_by_class, sum_by_label
from catchscreen.surfaces.overlay import Floats, Ints, Packed, Shapes, chunks_in_threads, in_chunks, pack


def pack_in_cells(shapes: Shapes, grid: Grid, origin: tuple[float, float] = (0.0, 0.0)) -> Packed:
    """Flatten polygons with coordinates in cells of the grid: columns to the right, rows down.

    Parameters
    ----------
    shapes : (n,) polygons relative to ``origin`` [m], none empty
    """
    packed = pack(shapes)
    left, top = grid.left - origin[0], grid.top - origin[1]
    xy = np.empty_like(packed.xy)
    xy[:, 0] = (packed.xy[:, 0] - left) / grid.cell_width_m
    xy[:, 1] = (top - packed.xy[:, 1]) / grid.cell_height_m
    bounds = np.empty_like(packed.bounds)
    bounds[:, 0::2] = (packed.bounds[:, 0::2] - left) / grid.cell_width_m
    bounds[:, 1] = (top - packed.bounds[:, 3]) / grid.cell_height_m
    bounds[:, 3] = (top - packed.bounds[:, 1]) / grid.cell_height_m
    return Packed(xy, packed.ring_start, packed.polygon_start, bounds)


def class_areas(
    shapes: Shapes, codes: NDArray[np.uint8], grid: Grid, class_count: int, origin: tuple[float, float] = (0.0, 0.0)
) -> Floats:
    """Return the area of each class under each polygon.

    Parameters
    ----------
    shapes : (n,) polygons relative to ``origin`` [m], none empty
    codes : (rows, cols) uint8 class codes 0..class_count-1

    Returns
    -------
    numpy.ndarray
        (n, class_count) float64 [m2]; ground off the grid is in no class.
    """
    packed = pack_in_cells(shapes, grid, origin)
    cells = in_chunks(lambda part: sum_by_class(*part_of(packed, part), codes, class_count), len(shapes), 512)
    return cells * grid.cell_area_m2


def part_of(packed: Packed, part: slice) -> tuple[Floats, Ints, Ints, Floats]:
    """Return the arrays of some polygons as kernels take them."""
    polygon_start = packed.polygon_start[part.start : part.stop + 1]
    return packed.xy, packed.ring_start, polygon_start, packed.bounds[part]


def label_cells(packed: Packed, labels: Ints, label_count: int) -> tuple[Ints, Ints, Floats]:
    """Return (polygon, label, covered cells) of each label 0..label_count-1 under each polygon, sorted by both numbers.

    Parameters
    ----------
    packed : polygons with coordinates in cells
    labels : (rows, cols) int64 labels
    """
    parts = chunks_in_threads(lambda part: _label_cells(packed, part, labels, label_count), len(packed.bounds), 8192)
    code, cells = (np.concatenate([part[k] for part in parts]) for k in range(2))
    order = np.argsort(code, kind="stable")
    return code[order] // label_count, code[order] % label_count, cells[order]


def _label_cells(packed: Packed, part: slice, labels: Ints, label_count: int) -> tuple[Ints, Floats]:
    """Return polygon * label_count + label and covered cells of some polygons."""
    room = 4 * (part.stop - part.start) + 64
    while True:
        code, cells = np.empty(room, np.int64), np.empty(room)
        used = sum_by_label(*part_of(packed, part), labels, label_count, code, cells)
        if used <= room:
            return code[:used] + part.start * label_count, cells[:used]
        room = used


def class_fractions(
    shapes: Shapes, codes: NDArray[np.uint8], grid: Grid, class_count: int, origin: tuple[float, float] = (0.0, 0.0)
) -> Floats:
    """Return the share of each polygon's own area under each class, (n, class_count) float64, as `class_areas`."""
    return class_areas(shapes, codes, grid, class_count, origin) / shapely.area(shapes)[:, None]

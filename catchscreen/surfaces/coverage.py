"""Exact share of raster cells under polygons: no cell-centre rule, the smallest polygon gets its value."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.compiled import parallel_lock
from catchscreen.grid import Grid
from catchscreen.surfaces._kernels.coverage import sum_by_class
from catchscreen.surfaces.overlay import Floats, Packed, Shapes, pack


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
    with parallel_lock:
        cells = sum_by_class(packed.xy, packed.ring_start, packed.polygon_start, packed.bounds, codes, class_count)
    return cells * grid.cell_area_m2


def class_fractions(
    shapes: Shapes, codes: NDArray[np.uint8], grid: Grid, class_count: int, origin: tuple[float, float] = (0.0, 0.0)
) -> Floats:
    """Return the share of each polygon's own area under each class, (n, class_count) float64, as `class_areas`."""
    return class_areas(shapes, codes, grid, class_count, origin) / shapely.area(shapes)[:, None]

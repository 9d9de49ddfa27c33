"""Polygons of the regions of equal code in a raster, exactly on its cell edges."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.rings import _kernels

Shapes = NDArray[np.object_]


def label_regions(codes: NDArray[Any]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Give numbers to the regions of side-connected cells of equal code, in row order of their first cells.

    Parameters
    ----------
    codes : (rows, cols) whole numbers below 2**31; below 0 where there is nothing.

    Returns
    -------
    label : (rows, cols) int32, -1 where there is nothing. code_of : (regions,) int32.
    """
    return _kernels.label_regions(np.ascontiguousarray(codes, dtype=np.int32))


def polygons_of_regions(
    codes: NDArray[Any], grid: Grid, corner: tuple[int, int] = (0, 0), origin: tuple[float, float] = (0.0, 0.0)
) -> tuple[Shapes, NDArray[np.int32]]:
    """Return one valid polygon [m] per region of side-connected cells of equal code, and each region's code.

    The polygons tile what has a code. Where a region meets itself in a corner only, its ring is taken apart there into
    an outer ring and holes. Points are where a side turns; each ring starts at the same place whatever lies elsewhere.

    Parameters
    ----------
    codes : (rows, cols) whole numbers below 2**31; below 0 where there is nothing.
    corner : row and column of the first of these cells in the grid.
    origin : (x, y) [m], taken off the coordinates.
    """
    framed = np.full((codes.shape[0] + 2, codes.shape[1] + 2), -1, dtype=np.int32)
    framed[1:-1, 1:-1] = codes
    label, code_of = _kernels.label_regions(framed)
    if code_of.size == 0:
        return np.empty(0, dtype=object), code_of
    corners, rings = _kernels.trace_regions(label)
    region, hole = rings[:-1, 1], rings[:-1, 2]
    # Each region has one outer ring: it goes first, its holes follow.
    order = np.lexsort((hole, region))
    frame = (grid.left - origin[0], grid.top - origin[1], grid.cell_width_m, grid.cell_height_m)
    points, starts = _kernels.place_rings(corners, rings, order, corner, frame)
    first_ring = np.append(np.flatnonzero(hole[order] == 0), order.size)
    polygons = shapely.from_ragged_array(shapely.GeometryType.POLYGON, points, (starts, first_ring))
    return np.asarray(polygons, dtype=object), code_of

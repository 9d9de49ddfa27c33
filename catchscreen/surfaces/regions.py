"""Polygons of the regions of equal class in a land-cover raster, exactly on its cell edges."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely

from catchscreen.grid import Grid
from catchscreen.records import Raster
from catchscreen.surfaces._kernels.regions import label_regions, trace_regions
from catchscreen.surfaces.overlay import Ints, Shapes

TILE_CELLS = 128
"""Regions are traced tile by tile: a street network as one polygon would make every later overlay slow."""


def polygons_of_classes(
    raster: Raster, classes: Mapping[int, str], origin: tuple[float, float]
) -> tuple[Shapes, list[str]]:
    """Return the polygons of all cells with a named class, and each polygon's class.

    Parameters
    ----------
    raster : Raster of integer class codes
    classes : code -> class name; cells of other codes and of no value get no polygon
    origin : (x, y) [m], taken off the coordinates

    Returns
    -------
    polygons : (n,) shapely polygons [m], disjoint
    names : (n,) class names
    """
    names = sorted(set(classes.values()))
    codes = np.full(raster.grid.shape, -1, dtype=np.int64)
    for code, name in classes.items():
        codes[(raster.values == code) & raster.valid] = names.index(name)
    shapes: list[Shapes] = []
    found: list[Ints] = []
    for row in range(0, raster.grid.rows, TILE_CELLS):
        for col in range(0, raster.grid.cols, TILE_CELLS):
            tile = np.ascontiguousarray(codes[row : row + TILE_CELLS, col : col + TILE_CELLS])
            polygons, tile_codes = _polygons_of_tile(tile, (row, col), raster.grid, origin)
            shapes.append(polygons)
            found.append(tile_codes)
    return np.concatenate(shapes), [names[code] for code in np.concatenate(found)]


def polygons_of_window(codes: Ints, corner: tuple[int, int], grid: Grid) -> Shapes:
    """Return the polygons [m] of the regions of equal code (from 0) in a window; ``corner``: its first row and col."""
    return _polygons_of_tile(codes, corner, grid, (0.0, 0.0))[0]


def _polygons_of_tile(
    codes: Ints, corner: tuple[int, int], grid: Grid, origin: tuple[float, float]
) -> tuple[Shapes, Ints]:
    """Trace one tile (its first row and col in ``corner``)."""
    label, code_of = label_regions(codes)
    if code_of.size == 0:
        return np.empty(0, object), code_of
    corners, ring_start, region, hole = trace_regions(label)
    # Each region has one outer ring: it goes first, its holes follow.
    order = np.lexsort((hole, region))
    lengths = np.diff(ring_start)[order]
    starts = np.r_[0, np.cumsum(lengths)]
    source = np.repeat(ring_start[:-1][order] - starts[:-1], lengths) + np.arange(starts[-1])
    xy = np.empty((source.size, 2))
    xy[:, 0] = (grid.left - origin[0]) + (corners[source, 0] + corner[1]) * grid.cell_width_m
    xy[:, 1] = (grid.top - origin[1]) - (corners[source, 1] + corner[0]) * grid.cell_height_m
    polygon_start = np.r_[np.flatnonzero(~hole[order]), region.size]
    return shapely.from_ragged_array(shapely.GeometryType.POLYGON, xy, (starts, polygon_start)), code_of

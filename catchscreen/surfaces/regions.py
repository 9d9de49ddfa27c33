"""Polygons of the regions of equal class in a land-cover raster, exactly on its cell edges."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from catchscreen.records import Raster
from catchscreen.rings import polygons_of_regions
from catchscreen.surfaces.overlay import Shapes

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
    found: list[NDArray[np.int32]] = []
    for row in range(0, raster.grid.rows, TILE_CELLS):
        for col in range(0, raster.grid.cols, TILE_CELLS):
            tile = codes[row : row + TILE_CELLS, col : col + TILE_CELLS]
            polygons, tile_codes = polygons_of_regions(tile, raster.grid, (row, col), origin)
            shapes.append(polygons)
            found.append(tile_codes)
    return np.concatenate(shapes), [names[code] for code in np.concatenate(found)]

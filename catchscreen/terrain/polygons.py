"""Labels into polygons whose sides are cell edges."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes

from catchscreen.grid import Grid


def polygons_of(label: NDArray[np.int32], count: int, grid: Grid) -> list[Any]:
    """Return one polygon or multi-polygon per label 0..count-1, exactly the cells that carry it; empty where none does.

    Parameters
    ----------
    label : (rows, cols) int32, below 0 where there is nothing.
    """
    parts: list[list[Any]] = [[] for _ in range(count)]
    found = shapes(label, mask=label >= 0, connectivity=4, transform=grid.transform)
    for outline, value in found:
        rings = outline["coordinates"]
        parts[int(value)].append(shapely.Polygon(rings[0], rings[1:]))
    return [_join(pieces) for pieces in parts]


def _join(pieces: list[Any]) -> Any:
    """Return the pieces of one label as one geometry; they touch at corners only."""
    joined = pieces[0] if len(pieces) == 1 else shapely.MultiPolygon(pieces)
    return joined if joined.is_valid else shapely.make_valid(joined)

"""Labels into polygons whose sides are cell edges."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.rings import polygons_of_regions


def polygons_of(label: NDArray[np.int32], count: int, grid: Grid) -> list[Any]:
    """Return one polygon or multi-polygon per label 0..count-1, exactly the cells that carry it; empty where none does.

    Parts of a label touch at corners only.

    Parameters
    ----------
    label : (rows, cols) int32, below 0 where there is nothing.
    """
    parts, owner = polygons_of_regions(label, grid)
    joined = np.full(count, shapely.MultiPolygon(), dtype=object)
    order = np.argsort(owner, kind="stable")
    parts, owner = parts[order], owner[order]
    number, first, many = np.unique(owner, return_index=True, return_counts=True)
    joined[number] = parts[first]
    of_many = np.repeat(many > 1, many)
    if of_many.any():
        shapely.multipolygons(parts[of_many], indices=owner[of_many], out=joined)
    return list(joined)

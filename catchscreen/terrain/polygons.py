"""Labels into polygons whose sides are cell edges."""

from __future__ import annotations

from itertools import chain
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
    if count == 0:
        return []
    owner: list[int] = []
    rings: list[list[tuple[float, float]]] = []
    part_of: list[int] = []
    for outline, value in shapes(label, mask=label >= 0, connectivity=4, transform=grid.transform):
        part_of.extend([len(owner)] * len(outline["coordinates"]))
        rings.extend(outline["coordinates"])
        owner.append(int(value))
    if not owner:
        return [shapely.MultiPolygon()] * count
    ring_of = np.repeat(np.arange(len(rings)), [len(ring) for ring in rings])
    points = np.array(list(chain.from_iterable(rings)), dtype=np.float64)
    parts = shapely.polygons(shapely.linearrings(points, indices=ring_of), indices=part_of)
    return _join(parts, np.array(owner, dtype=np.int64), count)


def _join(parts: NDArray[Any], owner: NDArray[np.int64], count: int) -> list[Any]:
    """Return the parts of each label as one geometry; they touch at corners only."""
    order = np.argsort(owner, kind="stable")
    parts, owner = parts[order], owner[order]
    joined = np.full(count, shapely.MultiPolygon(), dtype=object)
    shapely.multipolygons(parts, indices=owner, out=joined)
    number, first, many = np.unique(owner, return_index=True, return_counts=True)
    joined[number[many == 1]] = parts[first[many == 1]]
    wrong = ~shapely.is_valid(joined)
    joined[wrong] = shapely.make_valid(joined[wrong])
    return list(joined)

"""Labels kept tile by tile into polygons: the same as from the whole grid."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.rings import polygons_of_regions
from catchscreen.tiles import Tile, Tiling, each_tile

Ints = NDArray[np.int64]


def polygons_of_tiles(
    read: Callable[[Tile], NDArray[np.int32]], tiling: Tiling, count: int, grid: Grid
) -> list[shapely.Geometry]:
    """Return one polygon or multi-polygon per label 0..count-1: those of ``polygons.polygons_of``, normalized.

    Outlines are joined over the seams in whole columns and rows, where nothing is rounded; what is held is outlines.

    Parameters
    ----------
    read : the labels of a tile, (rows, cols) int32, below 0 where there is nothing.
    """
    places = replace(grid, left=0.0, top=0.0, cell_width_m=1.0, cell_height_m=1.0)

    def outline(tile: Tile) -> tuple[NDArray[Any], NDArray[np.int32]]:
        return polygons_of_regions(read(tile), places, (tile.first_row, tile.first_col))

    pieces = [piece for _, piece in each_tile(outline, tiling)]
    parts = np.concatenate([part for part, _ in pieces])
    owner = np.concatenate([own for _, own in pieces])
    on_seam = _reaches_seam(parts, tiling)
    joined, joined_owner = _join_over_seams(parts[on_seam], owner[on_seam])
    parts = np.concatenate([parts[~on_seam], joined])
    owner = np.concatenate([owner[~on_seam], joined_owner])
    order = np.argsort(owner, kind="stable")
    whole = np.full(count, shapely.MultiPolygon(), dtype=object)
    shapely.multipolygons(parts[order], indices=owner[order], out=whole)
    number, first, many = np.unique(owner[order], return_index=True, return_counts=True)
    whole[number[many == 1]] = parts[order][first[many == 1]]
    return list(shapely.normalize(shapely.transform(whole, lambda at: _coordinates(at, grid))))


def _coordinates(at: NDArray[np.float64], grid: Grid) -> NDArray[np.float64]:
    """Turn columns and (below 0) rows of cell corners into coordinates."""
    return np.column_stack([grid.left + at[:, 0] * grid.cell_width_m, grid.top + at[:, 1] * grid.cell_height_m])


def _reaches_seam(parts: NDArray[Any], tiling: Tiling) -> NDArray[np.bool_]:
    """Tell which outlines have a point on a line between tiles: only these can have more of them beyond it."""
    if not parts.size:
        return np.empty(0, dtype=np.bool_)
    left, bottom, right, top = shapely.bounds(parts).T
    sides = ((left, tiling.cols), (right, tiling.cols), (-top, tiling.rows), (-bottom, tiling.rows))
    reaches = np.zeros(parts.size, dtype=np.bool_)
    for side, end in sides:
        reaches |= (side % tiling.size == 0) & (side > 0) & (side < end)
    return reaches


def _join_over_seams(parts: NDArray[Any], owner: Ints) -> tuple[NDArray[Any], Ints]:
    """Return the outlines of each label joined where they share a side, without the points left on the seams."""
    if not parts.size:
        return parts, owner
    order = np.argsort(owner, kind="stable")
    parts, owner = parts[order], owner[order]
    number, first = np.unique(owner, return_index=True)
    whole = np.empty(number.size, dtype=object)
    for place_of, own in enumerate(np.split(parts, first[1:])):
        whole[place_of] = shapely.union_all(own)
    pieces, label = shapely.get_parts(whole, return_index=True)
    rings, piece_of = shapely.get_rings(pieces, return_index=True)
    points, ring_of = shapely.get_coordinates(rings, return_index=True)
    kept = _is_corner(points, ring_of)
    points, ring_of = points[kept], ring_of[kept]
    return shapely.polygons(shapely.linearrings(points, indices=ring_of), indices=piece_of), number[label]


def _is_corner(points: NDArray[np.float64], ring_of: Ints) -> NDArray[np.bool_]:
    """Tell which points of closed rings turn; of each ring's two equal end points the last one is dropped."""
    start = np.flatnonzero(np.diff(ring_of, prepend=-1))
    last = np.append(start[1:], ring_of.size) - 1
    before = np.arange(ring_of.size) - 1
    before[start] = last - 1
    after = np.arange(ring_of.size) + 1
    after[last] = start + 1
    straight = (points == points[np.minimum(before, ring_of.size - 1)]) & (points == points[after])
    corner = ~straight.any(axis=1)
    corner[last] = False
    return corner

"""Polygons as flat arrays, and the areas that pairs of them share."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.compiled import parallel_lock
from catchscreen.surfaces._kernels.overlap import orient_rings, shared_areas

Shapes = NDArray[np.object_]
"""An array of shapely polygons or multipolygons."""
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

THREAD_ITEMS = 200
"""Fewer overlays than this for each thread are not worth one."""

NOTHING_M2 = 1e-9
"""Shared ground below this is rounding: touching walls, not an overlap."""


@dataclass(frozen=True, slots=True)
class Packed:
    """Polygons as flat arrays: outer rings counter-clockwise, holes clockwise.

    xy : (vertices, 2). ring_start : first vertex of each ring, and one past the last. polygon_start : first ring of
    each polygon. bounds : (polygons, 4) min x, min y, max x, max y.
    """

    xy: Floats
    ring_start: Ints
    polygon_start: Ints
    bounds: Floats


def pack(shapes: Shapes) -> Packed:
    """Flatten polygons and multipolygons (none empty).

    Parameters
    ----------
    shapes : (n,) shapely polygons or multipolygons [m]

    Returns
    -------
    Packed
        Copies; the shapes stay as they are.
    """
    if len(shapes) == 0:
        return Packed(np.empty((0, 2)), np.zeros(1, np.int64), np.zeros(1, np.int64), np.empty((0, 4)))
    _, xy, offsets = shapely.to_ragged_array(shapes, include_z=False)
    xy = np.array(xy[:, :2], dtype=np.float64, order="C")
    ring_start = np.asarray(offsets[0], dtype=np.int64)
    part_start = np.asarray(offsets[1], dtype=np.int64)
    polygon_start = part_start[np.asarray(offsets[2], dtype=np.int64)] if len(offsets) == 3 else part_start
    orient_rings(xy, ring_start, part_start)
    return Packed(xy, ring_start, np.ascontiguousarray(polygon_start), np.ascontiguousarray(shapely.bounds(shapes)))


def shared_area_of_pairs(a: Packed, b: Packed, pair_a: Ints, pair_b: Ints) -> Floats:
    """Return the shared area [m2] of each pair (number in ``a``, number in ``b``)."""
    with parallel_lock:
        return shared_areas(
            np.ascontiguousarray(pair_a, dtype=np.int64),
            np.ascontiguousarray(pair_b, dtype=np.int64),
            *(a.xy, a.ring_start, a.polygon_start, a.bounds),
            *(b.xy, b.ring_start, b.polygon_start, b.bounds),
        )


def overlapping_pairs(a_shapes: Shapes, b_shapes: Shapes) -> tuple[Ints, Ints, Floats]:
    """Return (number in a, number in b, shared area [m2]) of every pair that shares ground, sorted by both numbers."""
    if len(a_shapes) == 0 or len(b_shapes) == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0)
    a_number, b_number = shapely.STRtree(b_shapes).query(a_shapes)
    order = np.lexsort((b_number, a_number))
    a_number, b_number = a_number[order].astype(np.int64), b_number[order].astype(np.int64)
    packed = pack(a_shapes)
    areas = shared_area_of_pairs(packed, packed if b_shapes is a_shapes else pack(b_shapes), a_number, b_number)
    kept = areas > NOTHING_M2
    return a_number[kept], b_number[kept], areas[kept]


def mended(shapes: Shapes) -> Shapes:
    """Make invalid polygons valid (a shift of coordinates can close a gap that was a rounding wide)."""
    broken = np.flatnonzero(~shapely.is_valid(shapes) & ~shapely.is_missing(shapes))
    if broken.size:
        shapes = shapes.copy()
        shapes[broken] = polygonal(shapely.make_valid(shapes[broken], method="structure", keep_collapsed=False))
    return shapes


def polygonal(shapes: Shapes) -> Shapes:
    """Keep the polygons of each geometry: points and lines left by an overlay hold no ground (None stays empty)."""
    shapes = np.asarray(shapes, dtype=object)
    kinds = shapely.get_type_id(shapes)
    odd = np.flatnonzero((kinds != 3) & (kinds != 6))
    if odd.size:
        shapes = shapes.copy()
        for k in odd:
            parts = shapely.get_parts(shapely.get_parts(shapes[k])) if kinds[k] == 7 else []
            polygons = [part for part in parts if shapely.get_type_id(part) == 3]
            shapes[k] = shapely.multipolygons(polygons) if polygons else shapely.Polygon()
    return shapes


def in_threads(function: Callable[..., Shapes], *arrays: Shapes) -> Shapes:
    """Run an overlay of arrays, element by element, on several threads (shapely frees the interpreter lock)."""
    count = len(arrays[0])
    threads = min(os.cpu_count() or 1, count // THREAD_ITEMS)
    if threads < 2:
        return function(*arrays)
    for array in arrays:
        shapely.bounds(array)  # settles what shapes compute when first asked, before two threads ask at once
    edges = np.linspace(0, count, 4 * threads + 1).astype(int)
    parts = [tuple(array[begin:end] for array in arrays) for begin, end in pairwise(edges)]
    with ThreadPoolExecutor(threads) as pool:
        return np.concatenate(list(pool.map(lambda part: function(*part), parts)))


def union_of(shapes: Shapes) -> shapely.Geometry:
    """Return the union of some polygons (one is returned as it is)."""
    return shapes[0] if len(shapes) == 1 else shapely.union_all(shapes)


def runs_of(numbers: Ints) -> tuple[Ints, Ints]:
    """Return where each run of equal numbers begins and ends (one past)."""
    starts = np.flatnonzero(np.diff(numbers, prepend=numbers[:1] - 1)).astype(np.int64)
    return starts, np.append(starts, numbers.size)[1:].astype(np.int64)

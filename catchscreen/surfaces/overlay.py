"""Polygons as flat arrays, and the areas that pairs of them share."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.compiled import thread_count
from catchscreen.surfaces._kernels.overlap import orient_rings, shared_areas

Shapes = NDArray[np.object_]
"""An array of shapely polygons or multipolygons."""
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Result = TypeVar("Result")

THREAD_ITEMS = 200
"""Fewer overlays than this for each thread are not worth one."""

FAR_GRID_M = 2.0**-26
"""Coordinates of up to ten thousand kilometres hold multiples of this (15 nm) exactly."""

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
    parts, polygon_part = shapes, np.arange(len(shapes) + 1)
    if (shapely.get_type_id(shapes) == 6).any():
        parts, number = shapely.get_parts(shapes, return_index=True)
        polygon_part = np.searchsorted(number, polygon_part)
    holes = shapely.get_num_interior_rings(parts)
    part_start = np.r_[0, np.cumsum(holes + 1)].astype(np.int64)
    length = np.empty(int(part_start[-1]), np.int64)
    length[part_start[:-1][holes == 0]] = shapely.get_num_coordinates(parts[holes == 0])
    if (holes > 0).any():
        # Only where a polygon has holes are its rings asked for one by one.
        ringed = np.repeat(holes > 0, holes + 1)
        length[ringed] = shapely.get_num_points(shapely.get_rings(parts[holes > 0]))
    ring_start = np.r_[0, np.cumsum(length)].astype(np.int64)
    xy = np.ascontiguousarray(shapely.get_coordinates(parts))
    orient_rings(xy, ring_start, part_start)
    return Packed(xy, ring_start, part_start[polygon_part], np.ascontiguousarray(shapely.bounds(shapes)))


def shared_area_of_pairs(a: Packed, b: Packed, pair_a: Ints, pair_b: Ints) -> Floats:
    """Return the shared area [m2] of each pair (number in ``a``, number in ``b``)."""
    first = (a.xy, a.ring_start, a.polygon_start, a.bounds)
    second = (b.xy, b.ring_start, b.polygon_start, b.bounds)
    pairs = np.ascontiguousarray(pair_a, dtype=np.int64), np.ascontiguousarray(pair_b, dtype=np.int64)
    return in_chunks(lambda part: shared_areas(pairs[0][part], pairs[1][part], *first, *second), pair_a.size, 8192)


def in_chunks(function: Callable[[slice], Floats], count: int, size: int) -> Floats:
    """Join what ``function`` returns for chunks of ``size`` of ``count`` things; kernels free the interpreter lock.

    The chunks are the same whatever the number of threads, and independent of each other.
    """
    return np.concatenate(chunks_in_threads(function, count, size))


def chunks_in_threads(function: Callable[[slice], Result], count: int, size: int) -> list[Result]:
    """Return what ``function`` returns for chunks of ``size`` of ``count`` things (at least one, perhaps empty)."""
    parts = [slice(begin, min(count, begin + size)) for begin in range(0, max(count, 1), size)]
    if len(parts) == 1 or thread_count() == 1:
        return [function(part) for part in parts]
    with ThreadPoolExecutor(thread_count()) as pool:
        return list(pool.map(function, parts))


def overlapping_pairs(
    a_shapes: Shapes, b_shapes: Shapes, packed: tuple[Packed, Packed] | None = None
) -> tuple[Ints, Ints, Floats]:
    """Return (number in a, number in b, shared area [m2]) of every pair that shares ground, sorted by both numbers.

    ``packed``: both, where they are packed already.
    """
    if len(a_shapes) == 0 or len(b_shapes) == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0)
    a_number, b_number = sorted_pairs(*shapely.STRtree(b_shapes).query(a_shapes))
    packed = packed or (pack(a_shapes), pack(b_shapes))
    areas = shared_area_of_pairs(*packed, a_number, b_number)
    kept = areas > NOTHING_M2
    return a_number[kept], b_number[kept], areas[kept]


def overlaps_of_earlier(shapes: Shapes) -> tuple[Ints, Ints, Floats]:
    """Return (later, earlier, shared area [m2]) of every pair of shapes that share ground, sorted by both numbers."""
    if len(shapes) == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0)
    later, earlier = sorted_pairs(*shapely.STRtree(shapes).query(shapes))
    kept = earlier < later
    later, earlier = later[kept], earlier[kept]
    packed = pack(shapes)
    areas = shared_area_of_pairs(packed, packed, later, earlier)
    kept = areas > NOTHING_M2
    return later[kept], earlier[kept], areas[kept]


def sorted_pairs(first: Ints, second: Ints) -> tuple[Ints, Ints]:
    """Sort pairs of numbers by both."""
    factor = int(second.max(initial=0)) + 1
    code = np.sort(first.astype(np.int64) * factor + second)
    return code // factor, code % factor


def mended(shapes: Shapes) -> Shapes:
    """Make invalid polygons valid (a shift of coordinates can close a gap that was a rounding wide)."""
    broken = np.flatnonzero(~shapely.is_valid(shapes) & ~shapely.is_missing(shapes))
    if broken.size:
        shapes = shapes.copy()
        shapes[broken] = polygonal(shapely.make_valid(shapes[broken], method="structure", keep_collapsed=False))
    return shapes


def polygonal(shapes: Shapes) -> Shapes:
    """Keep the polygons of each geometry: points and lines left by an overlay hold no ground (None stays empty)."""
    given = np.asarray(shapes, dtype=object)
    kinds = shapely.get_type_id(given)
    odd = np.flatnonzero((kinds != 3) & (kinds != 6))
    if odd.size:
        shapes = given.copy()
        shapes[odd] = shapely.Polygon()
        mixed = odd[kinds[odd] == 7]
        parts, number = shapely.get_parts(given[mixed], return_index=True)
        polygons, part = shapely.get_parts(parts, return_index=True)
        solid = shapely.get_type_id(polygons) == 3
        left, place = np.unique(number[part[solid]], return_inverse=True)
        shapes[mixed[left]] = shapely.multipolygons(polygons[solid], indices=place)
        return shapes
    return given


def without_dust(shapes: Shapes) -> Shapes:
    """Drop the parts of multipolygons that are rounding (at most ``NOTHING_M2`` each)."""
    many = np.flatnonzero(shapely.get_type_id(shapes) == 6)
    parts, number = shapely.get_parts(shapes[many], return_index=True)
    solid = shapely.area(parts) > NOTHING_M2
    dusty = np.unique(number[~solid])
    kept = solid & np.isin(number, dusty)
    if dusty.size:
        shapes = shapes.copy()
        shapes[many[dusty]] = shapely.Polygon()
        left, place = np.unique(number[kept], return_inverse=True)
        shapes[many[left]] = shapely.multipolygons(parts[kept], indices=place)
    return shapes


def settled(shapes: Shapes, origin: tuple[float, float]) -> tuple[Shapes, Shapes]:
    """Make shapes relative to ``origin`` ready to be shifted there; return them, and them shifted.

    Far from the origin a coordinate holds fewer digits, so that needles of a nanometre, left by overlays, would cross
    themselves there. Such shapes are put on a grid that the far coordinates can hold: the needles go, and no ground
    worth naming moves (less than 1e-5 m2 of a shape).
    """
    far = _shifted(shapes, origin)
    crossed = np.flatnonzero(~in_threads(shapely.is_valid, far) & ~shapely.is_missing(far))
    shapes = shapes.copy()
    shapes[crossed] = in_threads(lambda part: shapely.set_precision(part, FAR_GRID_M), shapes[crossed])
    far[crossed] = _shifted(shapes[crossed], origin)
    return shapes, far


def _shifted(shapes: Shapes, origin: tuple[float, float]) -> Shapes:
    """Return shapes relative to ``origin`` in the coordinates of the result."""
    shift = far_shift(origin)
    return np.asarray(shapely.transform(shapes, lambda xy: xy + shift), dtype=object)


def far_shift(origin: tuple[float, float]) -> Floats:
    """Return what is added to coordinates relative to ``origin``: whole steps of the grid."""
    return np.asarray(np.round(np.array(origin) / FAR_GRID_M) * FAR_GRID_M, dtype=np.float64)


def in_threads(function: Callable[..., Shapes], *arrays: Shapes) -> Shapes:
    """Run an overlay of arrays, element by element, on several threads (shapely frees the interpreter lock)."""
    count = len(arrays[0])
    threads = min(thread_count(), count // THREAD_ITEMS)
    if threads < 2:
        return function(*arrays)
    for array in arrays:
        shapely.bounds(array)  # settles what shapes compute when first asked, before two threads ask at once
    edges = np.linspace(0, count, 4 * threads + 1).astype(int)
    parts = [tuple(array[begin:end] for array in arrays) for begin, end in pairwise(edges)]
    with ThreadPoolExecutor(threads) as pool:
        return np.concatenate(list(pool.map(lambda part: function(*part), parts)))


def unions_of_runs(shapes: Shapes, starts: Ints, ends: Ints) -> Shapes:
    """Return the union of each run ``shapes[start:end]`` (a run of one is its shape as it is).

    Where the shapes of a run do not touch each other their polygons are its union as they are. Between runs there may
    be shapes of none.
    """
    size = ends - starts
    first = np.cumsum(size) - size
    shapes = shapes[np.repeat(starts - first, size) + np.arange(size.sum())]
    starts, ends = first, first + size
    joined = shapes[starts]
    apart = (size > 1) & ~_touching(shapes, starts, ends)
    if apart.any():
        rows = np.flatnonzero(np.repeat(apart, size))
        parts, number = shapely.get_parts(shapes[rows], return_index=True)
        place = np.repeat(np.cumsum(apart)[apart] - 1, size[apart])
        joined[apart] = shapely.multipolygons(parts, indices=place[number])
    size[apart] = 1
    width = 2
    while width < 2 * int(size.max(initial=1)):
        rows = np.flatnonzero((size > width // 2) & (size <= width))
        if rows.size:
            place = np.minimum(starts[rows, None] + np.arange(width), shapes.size - 1)
            table = shapes[place]
            table[np.arange(width) >= size[rows, None]] = None
            joined[rows] = polygonal(in_threads(_union_rows, table))
        width *= 2
    return joined


def _touching(shapes: Shapes, starts: Ints, ends: Ints) -> NDArray[np.bool_]:
    """Say of each run whether any two of its shapes touch; the runs follow each other without a gap."""
    run = np.repeat(np.arange(starts.size), ends - starts)
    many = np.flatnonzero((ends - starts > 1)[run])
    if many.size == 0:
        return np.zeros(starts.size, dtype=bool)
    first, second = shapely.STRtree(shapes[many]).query(shapes[many])
    kept = (first < second) & (run[many[first]] == run[many[second]])
    first, second = many[first[kept]], many[second[kept]]
    shapely.prepare(shapes[first])
    touch = shapely.intersects(shapes[first], shapes[second])
    result = np.zeros(starts.size, dtype=bool)
    result[run[first[touch]]] = True
    return result


def _union_rows(table: Shapes) -> Shapes:
    """Return the union of each row (None counts for nothing)."""
    return np.asarray(shapely.union_all(table, axis=1), dtype=object)


def runs_of(numbers: Ints) -> tuple[Ints, Ints]:
    """Return where each run of equal numbers begins and ends (one past)."""
    starts = np.flatnonzero(np.diff(numbers, prepend=numbers[:1] - 1)).astype(np.int64)
    return starts, np.append(starts, numbers.size)[1:].astype(np.int64)

"""Clip and subtract polygons by a kernel where their outlines cross properly; what it leaves open is for GEOS."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.surfaces._kernels.chains import AREA_ERROR_M2, clip_all
from catchscreen.surfaces._kernels.clipping import REST, SHARED
from catchscreen.surfaces.overlay import Floats, Ints, Packed, Shapes, chunks_in_threads, polygonal

CHUNK = 1024


def clipped(packed: tuple[Packed, Packed], pairs: tuple[Ints, Ints], areas: Floats) -> tuple[Shapes, Ints]:
    """Return what each pair (number in the first, number in the second) shares.

    Parameters
    ----------
    areas : (n,) the area that they share [m2], by which the result is checked

    Returns
    -------
    shapes : (n,) valid polygons or multipolygons without parts that are rounding, empty where nothing is left, None
        where the kernel cannot tell
    undone : numbers of these, which need a general overlay
    """
    start = np.arange(pairs[0].size + 1, dtype=np.int64)
    return _clip(packed, (pairs[0], start, pairs[1]), areas, SHARED)


def subtracted(packed: tuple[Packed, Packed], subjects: Ints, blockers: tuple[Ints, Ints]) -> tuple[Shapes, Ints]:
    """Return what is left of each subject without its blockers, as `clipped`.

    Parameters
    ----------
    packed : the polygons of which ``subjects`` and of which the blockers are numbers
    blockers : (n + 1,) where each subject's blockers begin, and the last end; their numbers
    """
    return _clip(packed, (subjects, *blockers), np.empty(0), REST)


def _clip(
    packed: tuple[Packed, Packed], jobs: tuple[Ints, Ints, Ints], areas: Floats, kept: int
) -> tuple[Shapes, Ints]:
    """Clip in chunks that are the same whatever the number of threads."""
    subjects, start, others = (np.ascontiguousarray(part, dtype=np.int64) for part in jobs)

    def clip(part: slice) -> Shapes:
        row = slice(start[part.start], start[part.stop])
        chosen = (subjects[part], start[part.start : part.stop + 1] - row.start, others[row])
        return _clip_chunk(packed, chosen, areas[row], kept)

    shapes = np.concatenate(chunks_in_threads(clip, subjects.size, CHUNK))
    return shapes, np.flatnonzero(shapely.is_missing(shapes)).astype(np.int64)


def _clip_chunk(packed: tuple[Packed, Packed], jobs: tuple[Ints, Ints, Ints], areas: Floats, kept: int) -> Shapes:
    """Clip some subjects; None stands where the kernel could not, or what it made could not be mended."""
    subjects, start, others = jobs
    first, second = packed
    room = 2 * int(_corners_of(first, subjects).sum() + _corners_of(second, others).sum()) + 64
    xy, ring_start, polygon_start = np.empty((room, 2)), np.empty(room, np.int64), np.empty(room, np.int64)
    pool = (second.xy, second.ring_start, second.polygon_start, second.bounds)
    own = (subjects, first.xy, first.ring_start, first.polygon_start)
    counts = clip_all(*own, start, others, areas, *pool, kept, xy, ring_start, polygon_start)
    shapes = _shapes_of(counts[:-1], xy, ring_start, polygon_start)
    # What touches itself is mended where that moves no ground.
    rows = np.flatnonzero(~shapely.is_valid(shapes) & ~shapely.is_missing(shapes))
    whole = polygonal(shapely.make_valid(shapes[rows], method="structure", keep_collapsed=False))
    whole[np.abs(shapely.area(whole) - shapely.area(shapes[rows])) > AREA_ERROR_M2] = None
    shapes[rows] = whole
    return shapes


def _corners_of(packed: Packed, number: Ints) -> Ints:
    """Return how many vertices some polygons have."""
    corner = packed.ring_start[packed.polygon_start]
    return corner[number + 1] - corner[number]


def _shapes_of(counts: Ints, xy: NDArray[np.float64], ring_start: Ints, polygon_start: Ints) -> Shapes:
    """Return one shape for each count of polygons, None for a count below zero."""
    total = int(counts[counts > 0].sum())
    rings = int(polygon_start[total])
    kind = shapely.GeometryType.POLYGON
    offsets = (ring_start[: rings + 1], polygon_start[: total + 1])
    polygons = shapely.from_ragged_array(kind, xy[: ring_start[rings]], offsets)
    begin = np.cumsum(np.maximum(counts, 0)) - np.maximum(counts, 0)
    shapes = np.full(counts.size, None, dtype=object)
    shapes[counts == 0] = shapely.Polygon()
    single = counts == 1
    shapes[single] = polygons[begin[single]]
    many = np.flatnonzero(counts > 1)
    if many.size:
        number = np.repeat(np.arange(many.size), counts[many])
        row = np.repeat(begin[many] - np.r_[0, np.cumsum(counts[many])[:-1]], counts[many]) + np.arange(number.size)
        shapes[many] = shapely.multipolygons(polygons[row], indices=number)
    return shapes

"""Polygons clipped or subtracted one after the other, as rings in flat arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.surfaces._kernels.clipping import REST, SHARED, combine, copy_point, holds_point, ring_area
from catchscreen.surfaces._kernels.crossings import UNDECIDED, shared_box
from catchscreen.surfaces._kernels.overlap import shared_area

AREA_ERROR_M2 = 1e-8
MOST_CORNERS = 8192
MOST_RINGS = 512


@kernel
def area_in_box(
    a_xy: NDArray[np.float64],
    a_rings: NDArray[np.int64],
    b_xy: NDArray[np.float64],
    b_rings: NDArray[np.int64],
    box: tuple[float, float, float, float],
) -> float:
    """Return the area that two polygons share; ``box`` holds it. The one with more edges goes outside, as there."""
    a_count, b_count = a_rings.size - 1, b_rings.size - 1
    part = (box[0], box[1], box[2])
    if a_rings[a_count] - a_rings[0] < b_rings[b_count] - b_rings[0]:
        return shared_area(b_xy, b_rings, (0, b_count), a_xy, a_rings, (0, a_count), part)
    return shared_area(a_xy, a_rings, (0, a_count), b_xy, b_rings, (0, b_count), part)


@kernel
def clip_in_turn(
    a_xy: NDArray[np.float64],
    a_rings: NDArray[np.int64],
    b_xy: NDArray[np.float64],
    b_ring_start: NDArray[np.int64],
    b_polygon_start: NDArray[np.int64],
    b_bounds: NDArray[np.float64],
    others: NDArray[np.int64],
    known: NDArray[np.float64],
    kept: int,
    work: NDArray[np.float64],
    work_rings: NDArray[np.int64],
) -> tuple[int, int]:
    """Leave what A shares with each of the polygons ``others`` in turn (``kept`` is SHARED), or A without them (REST).

    ``known``: what A shares with each; empty where that is not known. The last result stands in one half of the work
    arrays (2, corners, 2) and (2, rings).

    Returns
    -------
    half : which one
    rings : how many; UNDECIDED where an outline could not be followed with certainty
    """
    count = a_rings.size - 1
    begin = a_rings[0]
    half = 0
    if a_rings[count] - begin > work.shape[1] or count >= work_rings.shape[1]:
        return half, UNDECIDED
    for vertex in range(begin, a_rings[count]):
        copy_point(work[0], vertex - begin, a_xy, vertex)
    for ring in range(count + 1):
        work_rings[0, ring] = a_rings[ring] - begin
    a_xy, a_rings = work[0], work_rings[0, : count + 1]
    area = 0.0
    for ring in range(count):
        area += ring_area(a_xy, a_rings[ring], a_rings[ring + 1])
    for k in range(others.size):
        other = others[k]
        first, last = b_polygon_start[other], b_polygon_start[other + 1]
        box = shared_box(a_xy, a_rings, b_bounds[other])
        if box[0] >= box[2] or box[1] >= box[3]:
            if kept == REST:
                continue
            return half, 0
        rings = b_ring_start[first : last + 1]
        common = known[k] if known.size > 0 else area_in_box(a_xy, a_rings, b_xy, rings, box)
        half = 1 - half
        area = common if kept == SHARED else area - common
        # Where no way can be found with B moved one way, the other may do.
        for sign in (1.0, -1.0):
            count, found = combine(a_xy, a_rings, b_xy, rings, box, kept, (sign, sign), work[half], work_rings[half])
            if count != UNDECIDED and abs(found - area) <= AREA_ERROR_M2:
                break
            count = UNDECIDED
        if count == UNDECIDED:
            return half, UNDECIDED
        a_xy, a_rings = work[half], work_rings[half, : count + 1]
        if count == 0:
            break
    return half, count


@kernel
def find_outer_rings(xy: NDArray[np.float64], rings: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return for each outer ring itself, for each hole the smallest around it (UNDECIDED if none is)."""
    count = rings.size - 1
    area = np.empty(count)
    for ring in range(count):
        area[ring] = ring_area(xy, rings[ring], rings[ring + 1])
    outer = np.full(count, UNDECIDED, np.int64)
    for ring in range(count):
        if area[ring] > 0.0:
            outer[ring] = ring
            continue
        for other in range(count):
            if area[other] <= -area[ring] or (outer[ring] != UNDECIDED and area[other] >= area[outer[ring]]):
                continue
            # A hole may touch the ring around it: one of its corners is enough.
            for vertex in range(rings[ring], rings[ring + 1] - 1):
                if holds_point(xy, rings[other : other + 2], xy[vertex, 0], xy[vertex, 1], (1.0, 1.0)):
                    outer[ring] = other
                    break
    return outer


@kernel
def clip_all(
    subjects: NDArray[np.int64],
    a_xy: NDArray[np.float64],
    a_ring_start: NDArray[np.int64],
    a_polygon_start: NDArray[np.int64],
    start: NDArray[np.int64],
    others: NDArray[np.int64],
    known: NDArray[np.float64],
    b_xy: NDArray[np.float64],
    b_ring_start: NDArray[np.int64],
    b_polygon_start: NDArray[np.int64],
    b_bounds: NDArray[np.float64],
    kept: int,
    xy: NDArray[np.float64],
    ring_start: NDArray[np.int64],
    polygon_start: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Clip each subject by its ``others[start:next start]`` and write the polygons that are left, end to end.

    Returns
    -------
    (subjects + 1,) how many polygons each leaves, UNDECIDED where the kernel cannot tell or has no room; last, how many
    subjects had no room.
    """
    work = np.empty((2, MOST_CORNERS, 2))
    work_rings = np.empty((2, MOST_RINGS), np.int64)
    counts = np.full(subjects.size + 1, UNDECIDED, np.int64)
    counts[-1] = 0
    ring_count = polygon_count = 0
    ring_start[0] = polygon_start[0] = 0
    for k in range(subjects.size):
        rings = a_ring_start[a_polygon_start[subjects[k]] : a_polygon_start[subjects[k] + 1] + 1]
        part = slice(start[k], start[k + 1])
        half, count = clip_in_turn(
            a_xy,
            rings,
            b_xy,
            b_ring_start,
            b_polygon_start,
            b_bounds,
            others[part],
            known[part],
            kept,
            work,
            work_rings,
        )
        if count == UNDECIDED:
            continue
        left, left_rings = work[half], work_rings[half, : count + 1]
        size = ring_start[ring_count]
        if size + left_rings[count] > xy.shape[0] or max(ring_count, polygon_count) + count >= ring_start.size:
            counts[-1] += 1
            continue
        outer = find_outer_rings(left, left_rings)
        if outer.size > 0 and outer.min() == UNDECIDED:
            continue
        counts[k] = 0
        for ring in range(count):
            if outer[ring] != ring:
                continue
            # The outer ring first, then its holes.
            for turn in range(count + 1):
                own = ring if turn == 0 else turn - 1
                if outer[own] != ring or (turn > 0 and own == ring):
                    continue
                for vertex in range(left_rings[own], left_rings[own + 1]):
                    copy_point(xy, size, left, vertex)
                    size += 1
                ring_count += 1
                ring_start[ring_count] = size
            polygon_count += 1
            polygon_start[polygon_count] = ring_count
            counts[k] += 1
    return counts

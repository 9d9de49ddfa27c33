"""Shared and remaining ground of two polygons, as rings.

The outlines are followed from crossing to crossing (after Weiler and Atherton 1977). What the infinitely small move of
the second polygon (`crossings`) adds or takes has no area. Where crossings do not alternate between in and out the
kernels say so and leave the case to a general overlay.

References
----------
Weiler, K., Atherton, P. (1977). Hidden surface removal using polygon area sorting. Computer Graphics 11(2), 214-222.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.surfaces._kernels.crossings import (
    UNDECIDED,
    find_crossings,
    link_crossings,
    side_of,
    sign_when_moved,
)

DUST_M2 = 1e-9
REST = 0
SHARED = 1
MOST_CROSSINGS = 256


@kernel
def ring_of(rings: NDArray[np.int64], vertex: int) -> int:
    """Return the ring in which a vertex lies."""
    ring = 0
    while rings[ring + 1] <= vertex:
        ring += 1
    return ring


@kernel
def copy_point(out: NDArray[np.float64], place: int, xy: NDArray[np.float64], vertex: int) -> None:
    """Copy one point (number by number: whole rows take the compiler far longer)."""
    out[place, 0] = xy[vertex, 0]
    out[place, 1] = xy[vertex, 1]


@kernel
def add_stretch(
    out: NDArray[np.float64],
    size: int,
    xy: NDArray[np.float64],
    ring: tuple[int, int],
    ends: tuple[int, int],
    way: tuple[bool, bool],
) -> int:
    """Add a ring's corners from one crossing to the next (on the edges ``ends``); ``way``: backwards, all round."""
    corners = ring[1] - ring[0] - 1
    backwards, all_round = way
    steps = (ends[0] - ends[1] if backwards else ends[1] - ends[0]) % corners
    if steps == 0 and all_round:
        steps = corners
    spot = ends[0] - ring[0] + (0 if backwards else 1)
    for _ in range(steps):
        spot %= corners
        copy_point(out, size, xy, ring[0] + spot)
        size += 1
        spot += -1 if backwards else 1
    return size


@kernel
def close_ring(out: NDArray[np.float64], begin: int, size: int) -> int:
    """Close the ring that begins at ``begin``, equal neighbours once; return the new size, ``begin`` if it was dust."""
    kept = begin + 1
    for k in range(begin + 1, size):
        # There and back again is no ground.
        if kept - begin > 1 and out[k, 0] == out[kept - 2, 0] and out[k, 1] == out[kept - 2, 1]:
            kept -= 1
        elif out[k, 0] != out[kept - 1, 0] or out[k, 1] != out[kept - 1, 1]:
            copy_point(out, kept, out, k)
            kept += 1
    while kept - begin > 1 and out[kept - 1, 0] == out[begin, 0] and out[kept - 1, 1] == out[begin, 1]:
        kept -= 1
    copy_point(out, kept, out, begin)
    return kept + 1 if abs(ring_area(out, begin, kept + 1)) > DUST_M2 else begin


@kernel
def ring_area(xy: NDArray[np.float64], begin: int, end: int) -> float:
    """Return the area of a closed ring, negative where it runs clockwise."""
    doubled = 0.0
    for k in range(begin + 1, end - 2):
        doubled += (xy[k, 0] - xy[begin, 0]) * (xy[k + 1, 1] - xy[begin, 1])
        doubled -= (xy[k + 1, 0] - xy[begin, 0]) * (xy[k, 1] - xy[begin, 1])
    return 0.5 * doubled


@kernel
def holds_point(
    xy: NDArray[np.float64], rings: NDArray[np.int64], x: float, y: float, move: tuple[float, float]
) -> bool:
    """Whether a point lies in rings, once it is moved: an odd number of edges is to its right."""
    inside = False
    for ring in range(rings.size - 1):
        for k in range(rings[ring], rings[ring + 1] - 1):
            x1, y1, x2, y2 = xy[k, 0], xy[k, 1], xy[k + 1, 0], xy[k + 1, 1]
            if (y1 > y or (y1 == y and move[1] < 0.0)) == (y2 > y or (y2 == y and move[1] < 0.0)):
                continue
            side = sign_when_moved(side_of(x1, y1, x2, y2, x, y), x2 - x1, y2 - y1, move)
            if side * (y2 - y1) > 0.0:
                inside = not inside
    return inside


@kernel
def add_whole_rings(
    xy: NDArray[np.float64],
    rings: NDArray[np.int64],
    crossed: NDArray[np.bool_],
    other: tuple[NDArray[np.float64], NDArray[np.int64], tuple[float, float]],
    way: tuple[bool, bool],
    out: NDArray[np.float64],
    out_rings: NDArray[np.int64],
    found: int,
) -> int:
    """Add the rings that cross nothing and lie in the other polygon, or out of it; ``way``: inside, backwards.

    ``other``: corners and rings of the other, and the move.
    """
    for ring in range(rings.size - 1):
        begin, end = rings[ring], rings[ring + 1]
        if crossed[ring] or holds_point(other[0], other[1], xy[begin, 0], xy[begin, 1], other[2]) != way[0]:
            continue
        first = out_rings[found]
        for k in range(end - begin):
            copy_point(out, first + k, xy, end - 1 - k if way[1] else begin + k)
        found += 1
        out_rings[found] = first + end - begin
    return found


@kernel
def combine(
    a_xy: NDArray[np.float64],
    a_rings: NDArray[np.int64],
    b_xy: NDArray[np.float64],
    b_rings: NDArray[np.int64],
    box: tuple[float, float, float, float],
    kept: int,
    move: tuple[float, float],
    out: NDArray[np.float64],
    out_rings: NDArray[np.int64],
) -> tuple[int, float]:
    """Write the rings of the ground that A shares with B (``kept`` is SHARED), or of A without B (REST).

    ``box`` holds the ground that both might share. ``move``: the signs of the infinitely small move of B, along x and,
    by far less, y. Outer rings run counter-clockwise, holes clockwise, in and out. Returns how many rings there are, or
    UNDECIDED, and their area.
    """
    shared = kept == SHARED
    edges = np.empty((MOST_CROSSINGS, 5), np.int64)
    places = np.empty((MOST_CROSSINGS, 4))
    count = find_crossings(a_xy, a_rings, b_xy, b_rings, box, move, edges, places)
    a_count, b_count = a_rings.size - 1, b_rings.size - 1
    corners = a_rings[a_count] - a_rings[0] + b_rings[b_count] - b_rings[0]
    if count < 0 or corners + 3 * count > out.shape[0] or a_count + b_count + count >= out_rings.size:
        return UNDECIDED, 0.0
    links = np.empty((4, count), np.int64)
    for side in range(2):
        # One call in a loop, not two: the compiler copies what is called into each place.
        outline = (a_xy, a_rings, b_xy) if side == 0 else (b_xy, b_rings, a_xy)
        if not link_crossings(edges, places, count, side, outline, links[2 * side], links[2 * side + 1]):
            return UNDECIDED, 0.0
    a_crossed, b_crossed = np.zeros(a_count, np.bool_), np.zeros(b_count, np.bool_)
    visited = np.zeros(count, np.bool_)
    onward = links[2] if shared else links[3]
    out_rings[0] = 0
    found = 0
    for start in range(count):
        if visited[start] or (edges[start, 2] == 1) != shared:
            continue
        begin = size = out_rings[found]
        here = start
        while not visited[here]:
            visited[here] = True
            turn = links[0, here]
            a_ring, b_ring = ring_of(a_rings, edges[here, 0]), ring_of(b_rings, edges[turn, 1])
            a_crossed[a_ring] = b_crossed[b_ring] = True
            out[size, 0], out[size, 1] = places[here, 2], places[here, 3]
            ends = (edges[here, 0], edges[turn, 0])
            way = (False, edges[turn, 3] <= edges[here, 3])
            size = add_stretch(out, size + 1, a_xy, (a_rings[a_ring], a_rings[a_ring + 1]), ends, way)
            out[size, 0], out[size, 1] = places[turn, 2], places[turn, 3]
            here = onward[turn]
            ends = (edges[turn, 1], edges[here, 1])
            way = (not shared, (edges[here, 4] <= edges[turn, 4]) == shared)
            size = add_stretch(out, size + 1, b_xy, (b_rings[b_ring], b_rings[b_ring + 1]), ends, way)
        if here != start:
            return UNDECIDED, 0.0
        size = close_ring(out, begin, size)
        if size > begin:
            found += 1
            out_rings[found] = size
    for side in range(2):
        xy, rings, other_xy, other_rings = (
            (a_xy, a_rings, b_xy, b_rings) if side == 0 else (b_xy, b_rings, a_xy, a_rings)
        )
        sign = -1.0 if side == 0 else 1.0
        other = (other_xy, other_rings, (sign * move[0], sign * move[1]))
        way = (side == 1 or shared, side == 1 and not shared)
        found = add_whole_rings(xy, rings, a_crossed if side == 0 else b_crossed, other, way, out, out_rings, found)
    area = 0.0
    for ring in range(found):
        area += ring_area(out, out_rings[ring], out_rings[ring + 1])
    return found, area

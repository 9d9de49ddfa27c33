"""Shared and remaining ground of two polygons, as rings.

The outlines are followed from crossing to crossing (after Weiler and Atherton 1977). Where a corner lies on the other
outline, or too near to be told (the filter of Shewchuk 1997), the second polygon counts as moved by two infinitely
small lengths, one infinitely smaller than the other (after Edelsbrunner and Muecke 1990): then no corner lies on an
outline any more, and what the move adds or takes has no area. Where crossings do not alternate between in and out the
kernels say so and leave the case to a general overlay.

References
----------
Weiler, K., Atherton, P. (1977). Hidden surface removal using polygon area sorting. Computer Graphics 11(2), 214-222.
Shewchuk, J. R. (1997). Adaptive precision floating-point arithmetic and fast robust geometric predicates. Discrete &
Computational Geometry 18, 305-363.
Edelsbrunner, H., Muecke, E. P. (1990). Simulation of simplicity: a technique to cope with degenerate cases in geometric
algorithms. ACM Transactions on Graphics 9(1), 66-104.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel

SIGN_ERROR = 3.3306690738754716e-16
DUST_M2 = 1e-9
UNDECIDED = -1
REST = 0
SHARED = 1
MOST_CROSSINGS = 256


@kernel
def side_of(px: float, py: float, qx: float, qy: float, x: float, y: float) -> float:
    """Return twice the area of the triangle: positive where (x, y) is certainly left of p to q, 0 where not certain."""
    first = (px - x) * (qy - y)
    second = (py - y) * (qx - x)
    doubled = first - second
    return doubled if abs(doubled) > SIGN_ERROR * (abs(first) + abs(second)) else 0.0


@kernel
def sign_when_moved(side: float, x_step: float, y_step: float, move: tuple[float, float]) -> float:
    """Return the sign of a side; of one that is 0 what it is once the point moves (its y by far less than its x)."""
    if side == 0.0:
        side = -y_step * move[0] if y_step != 0.0 else x_step * move[1]
    return np.sign(side)


@kernel
def share_along(x1: float, y1: float, x2: float, y2: float, x: float, y: float) -> float:
    """Return how far along a line from the first to the second point a third one lies."""
    x_step, y_step = x2 - x1, y2 - y1
    return ((x - x1) * x_step + (y - y1) * y_step) / (x_step * x_step + y_step * y_step)


@kernel
def cross_edges(
    a: tuple[float, float, float, float], b: tuple[float, float, float, float], move: tuple[float, float]
) -> tuple[float, float, float, float, float]:
    """Return how far along two edges (x, y, x, y) they cross, where, and 1 where A goes to the left of B, else -1.

    The last is 0 where they do not cross with B moved, 2 where nobody can tell.
    """
    a_begin = side_of(b[0], b[1], b[2], b[3], a[0], a[1])
    a_end = side_of(b[0], b[1], b[2], b[3], a[2], a[3])
    if a_begin * a_end > 0.0:
        return 0.0, 0.0, 0.0, 0.0, 0.0
    b_begin = side_of(a[0], a[1], a[2], a[3], b[0], b[1])
    b_end = side_of(a[0], a[1], a[2], a[3], b[2], b[3])
    if b_begin * b_end > 0.0:
        return 0.0, 0.0, 0.0, 0.0, 0.0
    # Seen from B it is A that moves, the other way.
    back = (-move[0], -move[1])
    first = sign_when_moved(a_begin, b[2] - b[0], b[3] - b[1], back)
    last = sign_when_moved(a_end, b[2] - b[0], b[3] - b[1], back)
    b_first = sign_when_moved(b_begin, a[2] - a[0], a[3] - a[1], move)
    b_last = sign_when_moved(b_end, a[2] - a[0], a[3] - a[1], move)
    if first == last or b_first == b_last:
        return 0.0, 0.0, 0.0, 0.0, 0.0
    if first * last * b_first * b_last == 0.0:
        return 0.0, 0.0, 0.0, 0.0, 2.0
    along = a_begin / (a_begin - a_end)
    b_along = b_begin / (b_begin - b_end)
    x, y = a[0] + along * (a[2] - a[0]), a[1] + along * (a[3] - a[1])
    # A corner on the other outline is the crossing itself, and as far along for each of its two edges.
    if b_begin == 0.0 or b_end == 0.0:
        x, y = (b[0], b[1]) if b_begin == 0.0 else (b[2], b[3])
        along = share_along(a[0], a[1], a[2], a[3], x, y)
    if a_begin == 0.0 or a_end == 0.0:
        x, y = (a[0], a[1]) if a_begin == 0.0 else (a[2], a[3])
        along = 0.0 if a_begin == 0.0 else 1.0
        b_along = share_along(b[0], b[1], b[2], b[3], x, y)
    if b_begin == 0.0 or b_end == 0.0:
        b_along = 0.0 if b_begin == 0.0 else 1.0
    return along, b_along, x, y, last


@kernel
def shared_box(
    xy: NDArray[np.float64], rings: NDArray[np.int64], box: NDArray[np.float64]
) -> tuple[float, float, float, float]:
    """Return the box (left, bottom, right, top) that a polygon shares with another box; it may be inside out."""
    left = low = np.inf
    right = high = -np.inf
    for k in range(rings[0], rings[rings.size - 1]):
        left, right = min(left, xy[k, 0]), max(right, xy[k, 0])
        low, high = min(low, xy[k, 1]), max(high, xy[k, 1])
    return max(left, box[0]), max(low, box[1]), min(right, box[2]), min(high, box[3])


@kernel
def edges_in_box(
    xy: NDArray[np.float64],
    rings: NDArray[np.int64],
    box: tuple[float, float, float, float],
    found: NDArray[np.int64],
) -> int:
    """Write the first vertices of the edges that may reach into a box; return how many."""
    count = 0
    for ring in range(rings.size - 1):
        for k in range(rings[ring], rings[ring + 1] - 1):
            if (xy[k, 0] < box[0] and xy[k + 1, 0] < box[0]) or (xy[k, 0] > box[2] and xy[k + 1, 0] > box[2]):
                continue
            if (xy[k, 1] < box[1] and xy[k + 1, 1] < box[1]) or (xy[k, 1] > box[3] and xy[k + 1, 1] > box[3]):
                continue
            found[count] = k
            count += 1
    return count


@kernel
def find_crossings(
    a_xy: NDArray[np.float64],
    a_rings: NDArray[np.int64],
    b_xy: NDArray[np.float64],
    b_rings: NDArray[np.int64],
    box: tuple[float, float, float, float],
    move: tuple[float, float],
    edges: NDArray[np.int64],
    places: NDArray[np.float64],
) -> int:
    """Write the crossings of two outlines, by edge of A; return how many, or UNDECIDED.

    Rings are given by their first vertices and one past the last. ``box`` holds the ground
    that both might share. ``edges`` (room, 5): first vertex of
    the edge of A and of B, 1 where A goes into B. ``places`` (room, 4): how far along the two edges, and x and y.
    """
    count = 0
    near = np.empty(b_rings[b_rings.size - 1] - b_rings[0], np.int64)
    near_count = edges_in_box(b_xy, b_rings, box, near)
    for a_ring in range(a_rings.size - 1):
        for i in range(a_rings[a_ring], a_rings[a_ring + 1] - 1):
            x1, y1, x2, y2 = a_xy[i, 0], a_xy[i, 1], a_xy[i + 1, 0], a_xy[i + 1, 1]
            left, right, low, high = min(x1, x2), max(x1, x2), min(y1, y2), max(y1, y2)
            if left > box[2] or right < box[0] or low > box[3] or high < box[1]:
                continue
            for j in near[:near_count]:
                u1, u2 = b_xy[j, 0], b_xy[j + 1, 0]
                if (u1 < left and u2 < left) or (u1 > right and u2 > right):
                    continue
                v1, v2 = b_xy[j, 1], b_xy[j + 1, 1]
                if (v1 < low and v2 < low) or (v1 > high and v2 > high):
                    continue
                along, b_along, x, y, way = cross_edges((x1, y1, x2, y2), (u1, v1, u2, v2), move)
                if way == 0.0:
                    continue
                if way == 2.0 or count == edges.shape[0]:
                    return UNDECIDED
                edges[count, 0], edges[count, 1], edges[count, 2] = i, j, way > 0.0
                places[count, 0], places[count, 1], places[count, 2], places[count, 3] = along, b_along, x, y
                count += 1
    return count


@kernel
def order_of_two(
    edges: NDArray[np.int64],
    places: NDArray[np.float64],
    pair: tuple[int, int],
    side: int,
    xy: NDArray[np.float64],
    other_xy: NDArray[np.float64],
) -> float:
    """Return below 0 where the first of two crossings comes first along the outline of ``side``, 0 where none can tell.

    Two edges of the other outline that cross an edge at their common corner, a hair beside it, cross it in the order
    in which they turn away from its direction.
    """
    first, second = pair
    if edges[first, side] != edges[second, side]:
        return float(edges[first, side] - edges[second, side])
    if places[first, side] != places[second, side]:
        return places[first, side] - places[second, side]
    own = edges[first, side]
    x_way, y_way = xy[own + 1, 0] - xy[own, 0], xy[own + 1, 1] - xy[own, 1]
    turns = np.empty(2)
    corners = np.empty(2, np.int64)
    for k in range(2):
        edge, place = edges[pair[k], 1 - side], places[pair[k], 1 - side]
        if 0.0 < place < 1.0:
            return 0.0
        corners[k] = edge + (1 if place == 1.0 else 0)
        end = edge + (0 if place == 1.0 else 1)
        x, y = other_xy[end, 0] - other_xy[corners[k], 0], other_xy[end, 1] - other_xy[corners[k], 1]
        turns[k] = (x * x_way + y * y_way) / abs(x_way * y - y_way * x)
    same = other_xy[corners[0], 0] == other_xy[corners[1], 0] and other_xy[corners[0], 1] == other_xy[corners[1], 1]
    return turns[0] - turns[1] if same else 0.0


@kernel
def link_crossings(
    edges: NDArray[np.int64],
    places: NDArray[np.float64],
    count: int,
    side: int,
    outlines: tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]],
    after: NDArray[np.int64],
    before: NDArray[np.int64],
) -> bool:
    """Write the crossing after and before each along the outline of A (side 0) or B (1); whether in and out alternate.

    The place of each in the order along the outline goes to its column 3 + ``side`` of ``edges``.

    ``outlines``: corners and rings of that outline, corners of the other.
    """
    xy, rings, other_xy = outlines
    order = np.arange(count)
    for k in range(1, count):
        own = order[k]
        spot = k
        while spot > 0:
            apart = order_of_two(edges, places, (order[spot - 1], own), side, xy, other_xy)
            if not apart > 0.0:
                break
            order[spot] = order[spot - 1]
            spot -= 1
        order[spot] = own
    begin = 0
    for ring in range(rings.size - 1):
        end = begin
        while end < count and edges[order[end], side] < rings[ring + 1]:
            end += 1
        for k in range(begin, end - 1):
            first, last = order[k], order[k + 1]
            previous = order[k - 1] if k > begin else order[end - 1]
            if (
                edges[previous, 2] == edges[first, 2]
                and order_of_two(edges, places, (first, last), side, xy, other_xy) == 0.0
            ):
                # Two edges that lie on each other are crossed at once: in the order that goes in and out.
                order[k], order[k + 1] = last, first
        for k in range(begin, end):
            follows = order[k + 1] if k + 1 < end else order[begin]
            after[order[k]] = follows
            before[follows] = order[k]
            edges[order[k], 3 + side] = k
            if edges[order[k], 2] == edges[follows, 2]:
                return False
        begin = end
    return True


@kernel
def ring_of(rings: NDArray[np.int64], vertex: int) -> int:
    """Return the ring in which a vertex lies."""
    ring = 0
    while rings[ring + 1] <= vertex:
        ring += 1
    return ring


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
        out[size] = xy[ring[0] + spot]
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
            out[kept] = out[k]
            kept += 1
    while kept - begin > 1 and out[kept - 1, 0] == out[begin, 0] and out[kept - 1, 1] == out[begin, 1]:
        kept -= 1
    out[kept] = out[begin]
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
            out[first + k] = xy[end - 1 - k] if way[1] else xy[begin + k]
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
    if not link_crossings(edges, places, count, 0, (a_xy, a_rings, b_xy), links[0], links[1]):
        return UNDECIDED, 0.0
    if not link_crossings(edges, places, count, 1, (b_xy, b_rings, a_xy), links[2], links[3]):
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
            out[size] = places[here, 2:]
            ends = (edges[here, 0], edges[turn, 0])
            way = (False, edges[turn, 3] <= edges[here, 3])
            size = add_stretch(out, size + 1, a_xy, (a_rings[a_ring], a_rings[a_ring + 1]), ends, way)
            out[size] = places[turn, 2:]
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
    back = (-move[0], -move[1])
    found = add_whole_rings(a_xy, a_rings, a_crossed, (b_xy, b_rings, back), (shared, False), out, out_rings, found)
    found = add_whole_rings(b_xy, b_rings, b_crossed, (a_xy, a_rings, move), (True, not shared), out, out_rings, found)
    area = 0.0
    for ring in range(found):
        area += ring_area(out, out_rings[ring], out_rings[ring + 1])
    return found, area

"""Crossings of two outlines, and their order along both.

Where a corner lies on the other outline, or too near to be told (the filter of Shewchuk 1997), the second polygon
counts as moved by two infinitely small lengths, one infinitely smaller than the other (after Edelsbrunner and Muecke
1990): then no corner lies on an outline any more.

References
----------
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
UNDECIDED = -1


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

"""Area that two polygons share, without building the shared geometry.

A point (x, y) lies in polygon A when the signed count of A's edges above it is one: leftward edges count +1, rightward
edges -1 (holes run the other way round and cancel). The product of the two counts is 1 in both polygons, so the shared
area is a sum over pairs of edges of the signed area under the lower of both, above the bottom of the common box. The
sum is continuous in the coordinates: touching and coincident walls need no special case.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel


@kernel
def positive_part(width: float, first: float, last: float) -> float:
    """Return the integral over ``width`` of the positive part of a line from ``first`` to ``last``."""
    if first >= 0.0 and last >= 0.0:
        return 0.5 * width * (first + last)
    if first <= 0.0 and last <= 0.0:
        return 0.0
    if first > 0.0:
        return 0.5 * width * first * first / (first - last)
    return 0.5 * width * last * last / (last - first)


@kernel
def under_lower(width: float, a_first: float, a_last: float, b_first: float, b_last: float) -> float:
    """Return the integral over ``width`` of the positive part of the lower of two lines."""
    first = a_first - b_first
    last = a_last - b_last
    if first <= 0.0 and last <= 0.0:
        return positive_part(width, a_first, a_last)
    if first >= 0.0 and last >= 0.0:
        return positive_part(width, b_first, b_last)
    share = first / (first - last)
    middle = a_first + (a_last - a_first) * share
    if first < 0.0:
        return positive_part(width * share, a_first, middle) + positive_part(width * (1.0 - share), middle, b_last)
    return positive_part(width * share, b_first, middle) + positive_part(width * (1.0 - share), middle, a_last)


@kernel
def edge_rightward(
    xy: NDArray[np.float64], k: int, corner: tuple[float, float]
) -> tuple[float, float, float, float, float]:
    """Return the edge from vertex ``k`` as it runs to the right (x, y, x, y), and 1 or, where it was turned, -1."""
    x1 = xy[k, 0] - corner[0]
    y1 = xy[k, 1] - corner[1]
    x2 = xy[k + 1, 0] - corner[0]
    y2 = xy[k + 1, 1] - corner[1]
    if x1 > x2:
        return x2, y2, x1, y1, -1.0
    return x1, y1, x2, y2, 1.0


@kernel
def edge_against_polygon(
    edge: tuple[float, float, float, float],
    xy: NDArray[np.float64],
    ring_start: NDArray[np.int64],
    first_ring: int,
    last_ring: int,
    corner: tuple[float, float],
) -> float:
    """Sum the signed areas under one edge (left to right, relative to ``corner``) and every edge of a polygon."""
    left, left_y, right, right_y = edge
    slope = (right_y - left_y) / (right - left)
    total = 0.0
    for ring in range(first_ring, last_ring):
        for k in range(ring_start[ring], ring_start[ring + 1] - 1):
            x1, y1, x2, y2, sign = edge_rightward(xy, k, corner)
            begin = max(left, x1)
            end = min(right, x2)
            if begin >= end or (y1 <= 0.0 and y2 <= 0.0):
                continue
            other = (y2 - y1) / (x2 - x1)
            total += sign * under_lower(
                end - begin,
                left_y + slope * (begin - left),
                left_y + slope * (end - left),
                y1 + other * (begin - x1),
                y1 + other * (end - x1),
            )
    return total


@kernel
def shared_area(
    a_xy: NDArray[np.float64],
    a_rings: NDArray[np.int64],
    a_range: tuple[int, int],
    b_xy: NDArray[np.float64],
    b_rings: NDArray[np.int64],
    b_range: tuple[int, int],
    box: tuple[float, float, float],
) -> float:
    """Return the area that polygon A (its rings ``a_range``) shares with B; ``box`` is left, bottom, right."""
    total = 0.0
    width = box[2] - box[0]
    corner = (box[0], box[1])
    for ring in range(a_range[0], a_range[1]):
        for k in range(a_rings[ring], a_rings[ring + 1] - 1):
            x1, y1, x2, y2, sign = edge_rightward(a_xy, k, corner)
            # An edge beside the common box or under it has no shared ground below.
            if x1 == x2 or x2 <= 0.0 or x1 >= width or (y1 <= 0.0 and y2 <= 0.0):
                continue
            total += sign * edge_against_polygon((x1, y1, x2, y2), b_xy, b_rings, b_range[0], b_range[1], corner)
    return abs(total)


@kernel
def shared_areas(
    pair_a: NDArray[np.int64],
    pair_b: NDArray[np.int64],
    a_xy: NDArray[np.float64],
    a_rings: NDArray[np.int64],
    a_polygons: NDArray[np.int64],
    a_bounds: NDArray[np.float64],
    b_xy: NDArray[np.float64],
    b_rings: NDArray[np.int64],
    b_polygons: NDArray[np.int64],
    b_bounds: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the shared area of each pair of polygons."""
    areas = np.zeros(pair_a.size)
    for k in range(pair_a.size):
        a = pair_a[k]
        b = pair_b[k]
        left = max(a_bounds[a, 0], b_bounds[b, 0])
        bottom = max(a_bounds[a, 1], b_bounds[b, 1])
        right = min(a_bounds[a, 2], b_bounds[b, 2])
        top = min(a_bounds[a, 3], b_bounds[b, 3])
        if right <= left or top <= bottom:
            continue
        xy, rings, other_xy, other_rings = a_xy, a_rings, b_xy, b_rings
        first, last, other_first, other_last = a_polygons[a], a_polygons[a + 1], b_polygons[b], b_polygons[b + 1]
        # The polygon with more edges goes outside: most of its edges miss the common box and cost one comparison.
        if a_rings[last] - a_rings[first] < b_rings[other_last] - b_rings[other_first]:
            xy, rings, other_xy, other_rings = b_xy, b_rings, a_xy, a_rings
            first, last, other_first, other_last = other_first, other_last, first, last
        box = (left, bottom, right)
        areas[k] = shared_area(xy, rings, (first, last), other_xy, other_rings, (other_first, other_last), box)
    return areas


@kernel
def orient_rings(xy: NDArray[np.float64], ring_start: NDArray[np.int64], part_start: NDArray[np.int64]) -> None:
    """Turn outer rings counter-clockwise and holes clockwise, in place; a part's first ring is its outer one."""
    for part in range(part_start.size - 1):
        for ring in range(part_start[part], part_start[part + 1]):
            begin = ring_start[ring]
            end = ring_start[ring + 1]
            doubled = 0.0
            for k in range(begin, end - 1):
                doubled += (xy[k, 0] - xy[begin, 0]) * (xy[k + 1, 1] - xy[begin, 1])
                doubled -= (xy[k + 1, 0] - xy[begin, 0]) * (xy[k, 1] - xy[begin, 1])
            if (doubled < 0.0) == (ring == part_start[part]):
                low = begin
                high = end - 1
                while low < high:
                    for axis in range(2):
                        kept = xy[low, axis]
                        xy[low, axis] = xy[high, axis]
                        xy[high, axis] = kept
                    low += 1
                    high -= 1

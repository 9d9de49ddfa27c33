"""Area that three polygons share: the sum over edges of `overlap`, taken over triples of edges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.surfaces._kernels.overlap import edge_against_polygon, edge_rightward


@kernel
def edges_against_polygon(
    a: tuple[float, float, float, float],
    b: tuple[float, float, float, float],
    xy: NDArray[np.float64],
    ring_start: NDArray[np.int64],
    rings: tuple[int, int],
    corner: tuple[float, float],
) -> float:
    """Sum the signed areas under the lowest of two edges (left to right) and every edge of a polygon."""
    begin = max(a[0], b[0])
    end = min(a[2], b[2])
    if begin >= end:
        return 0.0
    a_slope = (a[3] - a[1]) / (a[2] - a[0])
    b_slope = (b[3] - b[1]) / (b[2] - b[0])
    a_first = a[1] + a_slope * (begin - a[0])
    a_last = a[1] + a_slope * (end - a[0])
    b_first = b[1] + b_slope * (begin - b[0])
    b_last = b[1] + b_slope * (end - b[0])
    first = a_first - b_first
    last = a_last - b_last
    if first <= 0.0 and last <= 0.0:
        return edge_against_polygon((begin, a_first, end, a_last), xy, ring_start, rings[0], rings[1], corner)
    if first >= 0.0 and last >= 0.0:
        return edge_against_polygon((begin, b_first, end, b_last), xy, ring_start, rings[0], rings[1], corner)
    share = first / (first - last)
    middle = begin + share * (end - begin)
    level = a_first + share * (a_last - a_first)
    if middle <= begin or middle >= end:
        return edge_against_polygon(
            (begin, min(a_first, b_first), end, min(a_last, b_last)), xy, ring_start, rings[0], rings[1], corner
        )
    left = (begin, min(a_first, b_first), middle, level)
    right = (middle, level, end, min(a_last, b_last))
    return edge_against_polygon(left, xy, ring_start, rings[0], rings[1], corner) + edge_against_polygon(
        right, xy, ring_start, rings[0], rings[1], corner
    )


@kernel
def shared_area_of_three(
    a_xy: NDArray[np.float64],
    a_rings: NDArray[np.int64],
    a_range: tuple[int, int],
    xy: NDArray[np.float64],
    rings: NDArray[np.int64],
    b_range: tuple[int, int],
    c_range: tuple[int, int],
    box: tuple[float, float, float],
) -> float:
    """Return the area that polygon A shares with B and C, both of the second set; ``box`` is left, bottom, right."""
    total = 0.0
    width = box[2] - box[0]
    corner = (box[0], box[1])
    for ring in range(a_range[0], a_range[1]):
        for k in range(a_rings[ring], a_rings[ring + 1] - 1):
            x1, y1, x2, y2, sign = edge_rightward(a_xy, k, corner)
            if x1 == x2 or x2 <= 0.0 or x1 >= width or (y1 <= 0.0 and y2 <= 0.0):
                continue
            for other in range(b_range[0], b_range[1]):
                for m in range(rings[other], rings[other + 1] - 1):
                    u1, v1, u2, v2, turn = edge_rightward(xy, m, corner)
                    if u1 == u2 or u2 <= 0.0 or u1 >= width or (v1 <= 0.0 and v2 <= 0.0):
                        continue
                    edge = (u1, v1, u2, v2)
                    total += sign * turn * edges_against_polygon((x1, y1, x2, y2), edge, xy, rings, c_range, corner)
    return abs(total)


@kernel
def shared_areas_of_three(
    triple: NDArray[np.int64],
    a_xy: NDArray[np.float64],
    a_rings: NDArray[np.int64],
    a_polygons: NDArray[np.int64],
    a_bounds: NDArray[np.float64],
    xy: NDArray[np.float64],
    rings: NDArray[np.int64],
    polygons: NDArray[np.int64],
    bounds: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the area of each row (polygon of the first set, two of the second) of ``triple`` (n, 3)."""
    areas = np.zeros(triple.shape[0])
    for k in range(triple.shape[0]):
        a, b, c = triple[k, 0], triple[k, 1], triple[k, 2]
        left = max(a_bounds[a, 0], bounds[b, 0], bounds[c, 0])
        bottom = max(a_bounds[a, 1], bounds[b, 1], bounds[c, 1])
        right = min(a_bounds[a, 2], bounds[b, 2], bounds[c, 2])
        top = min(a_bounds[a, 3], bounds[b, 3], bounds[c, 3])
        if right <= left or top <= bottom:
            continue
        areas[k] = shared_area_of_three(
            a_xy,
            a_rings,
            (a_polygons[a], a_polygons[a + 1]),
            xy,
            rings,
            (polygons[b], polygons[b + 1]),
            (polygons[c], polygons[c + 1]),
            (left, bottom, right),
        )
    return areas

"""Shared areas of polygons, by hand and against shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from catchscreen.surfaces._kernels.overlap import shared_area, shared_areas
from catchscreen.surfaces.overlay import overlapping_pairs, pack, polygonal, runs_of, shared_area_of_pairs

SQUARE = shapely.box(0, 0, 10, 10)
RING = SQUARE.difference(shapely.box(3, 3, 6, 6))

BY_HAND = {
    "quarter": (SQUARE, shapely.box(5, 5, 15, 15), 25.0),
    "touching walls": (SQUARE, shapely.box(10, 0, 20, 10), 0.0),
    "touching corner": (SQUARE, shapely.box(10, 10, 20, 20), 0.0),
    "same polygon": (SQUARE, SQUARE, 100.0),
    "half with three walls in common": (SQUARE, shapely.box(0, 0, 5, 10), 50.0),
    "hole filled by the other": (RING, shapely.box(3, 3, 6, 6), 0.0),
    "over a hole": (RING, shapely.box(2, 2, 7, 7), 16.0),
    "triangle on a square": (SQUARE, shapely.Polygon([(0, 0), (20, 0), (0, 20)]), 100.0),
    "triangle cut by a side": (SQUARE, shapely.Polygon([(5, 0), (15, 0), (5, 10)]), 37.5),
    "two parts": (SQUARE, shapely.MultiPolygon([shapely.box(-1, -1, 1, 1), shapely.box(8, 8, 12, 9)]), 3.0),
    "sliver": (SQUARE, shapely.box(9.999999, 0, 20, 10), 1e-5),
}


@pytest.mark.parametrize("name", BY_HAND)
@pytest.mark.parametrize("far", [0.0, 3.0e6])
def test_shared_area_by_hand(name, far):
    """Areas are counted in squares by hand; far from the origin the same within what coordinates can hold."""
    a, b, expected = BY_HAND[name]
    a, b = (shapely.transform(shape, lambda xy: xy + far) for shape in (a, b))
    one = np.zeros(1, np.int64)
    tolerance = 1e-12 if far == 0.0 else 2e-8
    for first, second in ((a, b), (b, a)):
        packed = pack(np.array([first])), pack(np.array([second]))
        assert shared_area_of_pairs(*packed, one, one)[0] == pytest.approx(expected, abs=tolerance)


def test_kernels_give_the_same_uncompiled():
    for a, b, expected in BY_HAND.values():
        p, q = pack(np.array([a])), pack(np.array([b]))
        box = (max(p.bounds[0, 0], q.bounds[0, 0]), max(p.bounds[0, 1], q.bounds[0, 1]))
        right = min(p.bounds[0, 2], q.bounds[0, 2])
        rings = (0, p.ring_start.size - 1), (0, q.ring_start.size - 1)
        if right > box[0]:
            area = shared_area.py_func(p.xy, p.ring_start, rings[0], q.xy, q.ring_start, rings[1], (*box, right))
            assert area == pytest.approx(expected, abs=1e-12)
        arrays = (p.xy, p.ring_start, p.polygon_start, p.bounds, q.xy, q.ring_start, q.polygon_start, q.bounds)
        one = np.zeros(1, np.int64)
        assert shared_areas.py_func(one, one, *arrays) == pytest.approx([expected], abs=1e-12)


@given(st.integers(0, 10_000))
def test_shared_areas_equal_shapely(seed):
    """Random star-shaped polygons, some with a hole, some of two parts."""
    rng = np.random.default_rng(seed)

    def star(x, y, size):
        angle = np.sort(rng.uniform(0, 2 * np.pi, 9))
        radius = size * rng.uniform(0.4, 1.0, 9)
        return shapely.Polygon(np.c_[x + radius * np.cos(angle), y + radius * np.sin(angle)]).buffer(0)

    shapes = np.array([star(*rng.uniform(0, 60, 2), rng.uniform(2, 25)) for _ in range(8)], dtype=object)
    shapes[0] = shapes[0].difference(shapes[0].buffer(-2.0).buffer(1.0))
    shapes[1] = shapes[1].union(shapely.box(200, 200, 210, 210))
    shapes = shapes[~shapely.is_empty(shapes)]
    a, b, area = overlapping_pairs(shapes, shapes[::-1])
    expected = shapely.area(shapely.intersection(shapes[:, None], shapes[None, ::-1]))
    found = np.zeros_like(expected)
    found[a, b] = area
    np.testing.assert_allclose(found, expected, atol=2e-9)


def test_packing_turns_rings_and_leaves_the_shapes():
    clockwise = shapely.Polygon([(0, 0), (0, 10), (10, 10), (10, 0)], [[(1, 1), (2, 1), (2, 2), (1, 2)]])
    before = clockwise.wkt
    packed = pack(np.array([clockwise]))
    assert clockwise.wkt == before
    assert packed.ring_start.tolist() == [0, 5, 10]
    outer, hole = (shapely.linearrings(packed.xy[k : k + 5]) for k in (0, 5))
    assert shapely.is_ccw(outer)
    assert not shapely.is_ccw(hole)


def test_points_and_lines_of_an_overlay_hold_no_ground():
    mixed = shapely.GeometryCollection(
        [shapely.box(0, 0, 1, 1), shapely.Point(3, 3), shapely.LineString([(0, 0), (1, 1)])]
    )
    found = polygonal(np.array([mixed, shapely.Point(0, 0), None, SQUARE], dtype=object))
    assert shapely.area(found).tolist() == [1.0, 0.0, 0.0, 100.0]


def test_runs_of_equal_numbers():
    starts, ends = runs_of(np.array([4, 4, 7, 9, 9, 9]))
    assert list(zip(starts.tolist(), ends.tolist(), strict=True)) == [(0, 2), (2, 3), (3, 6)]
    assert [part.size for part in runs_of(np.empty(0, np.int64))] == [0, 0]

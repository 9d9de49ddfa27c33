"""Areas by precedence without geometry, against the geometry."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given
from hypothesis import strategies as st

from catchscreen.surfaces._kernels.triples import shared_area_of_three, shared_areas_of_three
from catchscreen.surfaces.overlay import pack
from catchscreen.surfaces.precedence import areas_by_precedence

SQUARE = shapely.box(0, 0, 10, 10)


@pytest.mark.parametrize(
    ("b", "c", "expected"),
    [
        (shapely.box(5, 5, 15, 15), shapely.box(0, 0, 7, 7), 4.0),
        (shapely.box(5, 5, 15, 15), shapely.box(0, 0, 5, 5), 0.0),
        (SQUARE, SQUARE, 100.0),
        (shapely.Polygon([(0, 0), (10, 0), (0, 10)]), shapely.Polygon([(0, 0), (10, 0), (10, 10)]), 25.0),
        (SQUARE.difference(shapely.box(2, 2, 4, 4)), shapely.box(1, 1, 5, 5), 12.0),
    ],
)
def test_area_shared_by_three_by_hand(b, c, expected):
    """Squares counted by hand; the two triangles meet in one of base 10 and height 5."""
    first, second = pack(np.array([SQUARE])), pack(np.array([b, c]))
    arrays = [(p.xy, p.ring_start, p.polygon_start, p.bounds) for p in (first, second)]
    triple = np.array([[0, 0, 1]])
    for function in (shared_areas_of_three, shared_areas_of_three.py_func):
        assert function(triple, *arrays[0], *arrays[1]) == pytest.approx([expected], abs=1e-12)
    rings = [
        (int(p[k]), int(p[k + 1]))
        for p, k in ((first.polygon_start, 0), (second.polygon_start, 0), (second.polygon_start, 1))
    ]
    if expected:
        box = (
            *tuple(max(first.bounds[0, k], *second.bounds[:, k]) for k in (0, 1)),
            min(first.bounds[0, 2], *second.bounds[:, 2]),
        )
        area = shared_area_of_three.py_func(
            first.xy, first.ring_start, rings[0], second.xy, second.ring_start, *rings[1:], box
        )
        assert area == pytest.approx(expected, abs=1e-12)


@given(st.integers(0, 10_000))
def test_areas_equal_those_of_the_overlaid_polygons(seed):
    """Shapely takes the earlier polygons away one after the other, then cuts by owners."""
    rng = np.random.default_rng(seed)
    size = rng.uniform(2, 14, (12, 2))
    corner = rng.uniform(0, 30, (12, 2))
    features = shapely.box(*corner.T, *(corner + size).T)
    features = np.array(
        [shapely.affinity.rotate(shape, angle) for shape, angle in zip(features, rng.uniform(0, 90, 12), strict=True)]
    )
    owners = np.array(
        [shapely.box(0, 0, 17, 22), shapely.box(17, 0, 40, 25), shapely.Polygon([(0, 22), (17, 22), (9, 40)])]
    )
    found = np.zeros((12, 3))
    feature, owner, area = areas_by_precedence(features, owners)
    found[feature, owner] = area
    taken = shapely.Polygon()
    for number, shape in enumerate(features):
        left = shape.difference(taken)
        np.testing.assert_allclose(found[number], shapely.area(shapely.intersection(owners, left)), atol=1e-6)
        taken = taken.union(shape)


def test_no_features_no_areas():
    feature, owner, area = areas_by_precedence(np.array([shapely.box(50, 50, 51, 51)]), np.array([SQUARE]))
    assert (feature.size, owner.size, area.size) == (0, 0, 0)

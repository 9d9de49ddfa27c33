"""Clipping by kernel against shapely, on outlines that cross, touch, share walls, and hold holes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from catchscreen.surfaces import overlay
from catchscreen.surfaces._kernels import clipping as kernels
from catchscreen.surfaces.clipping import clipped, subtracted
from catchscreen.surfaces.overlay import pack, polygonal, shared_area_of_pairs
from catchscreen.surfaces.partition import take_away

SQUARE = "POLYGON ((0 0, 4 0, 4 4, 0 4, 0 0))"
CASES = {
    "corner over corner": "POLYGON ((3 3, 6 3, 6 6, 3 6, 3 3))",
    "through": "POLYGON ((-1 1, 5 1, 5 2, -1 2, -1 1))",
    "inside": "POLYGON ((1 1, 2 1, 2 2, 1 2, 1 1))",
    "around": "POLYGON ((-1 -1, 5 -1, 5 5, -1 5, -1 -1))",
    "the same": SQUARE,
    "beside, sharing a wall": "POLYGON ((4 0, 8 0, 8 4, 4 4, 4 0))",
    "beside, sharing part of a wall": "POLYGON ((4 1, 8 1, 8 3, 4 3, 4 1))",
    "within, sharing a wall": "POLYGON ((0 1, 2 1, 2 3, 0 3, 0 1))",
    "within, sharing a corner": "POLYGON ((0 0, 2 0, 2 2, 0 2, 0 0))",
    "touching corners": "POLYGON ((4 4, 6 4, 6 6, 4 6, 4 4))",
    "corner on a wall": "POLYGON ((4 2, 6 1, 6 3, 4 2))",
    "tip from inside on a wall": "POLYGON ((4 2, 2 1, 2 3, 4 2))",
    "wall to wall": "POLYGON ((1 0, 3 0, 3 4, 1 4, 1 0))",
    "comb": "POLYGON ((-1 1, 5 1, 5 3.5, 4.5 3.5, 4.5 1.5, 3 1.5, 3 3.5, 2 3.5, 2 1.5, 1 1.5, 1 3.5, -1 3.5, -1 1))",
    "with a hole across": "POLYGON ((2 -2, 8 -2, 8 6, 2 6, 2 -2), (3 1, 6 1, 6 3, 3 3, 3 1))",
    "with a hole inside": "POLYGON ((-1 -1, 5 -1, 5 5, -1 5, -1 -1), (1 1, 2 1, 2 2, 1 2, 1 1))",
    "with a hole at a wall": "POLYGON ((-1 -1, 5 -1, 5 5, -1 5, -1 -1), (0 1, 2 1, 2 2, 0 2, 0 1))",
    "two parts": "MULTIPOLYGON (((-1 -1, 1 -1, 1 1, -1 1, -1 -1)), ((3 3, 5 3, 5 5, 3 5, 3 3)))",
    "far": "POLYGON ((10 10, 11 10, 11 11, 10 10))",
}


@pytest.fixture(params=["compiled", "python"])
def _both_ways(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run a test with the kernels compiled and as plain Python."""
    if request.param == "python":
        from catchscreen.surfaces import clipping
        from catchscreen.surfaces._kernels import chains, crossings

        for module in (kernels, crossings, chains, clipping):
            for name, value in list(vars(module).items()):
                if hasattr(value, "py_func"):
                    monkeypatch.setattr(module, name, value.py_func)


def apart(made: np.ndarray, expected: np.ndarray) -> np.ndarray:
    """Return by how much shapes differ: overlays of shapes that are almost equal go wrong, sums over edges do not."""
    expected = polygonal(expected)
    number = np.arange(len(made))
    shared = shared_area_of_pairs(pack(made), pack(expected), number, number)
    return shapely.area(made) + shapely.area(expected) - 2.0 * shared


def agree(made: shapely.Geometry, expected: shapely.Geometry) -> None:
    """Fail where a shape is not valid or is other ground than it should be."""
    assert made.is_valid
    assert abs(apart(np.array([made], dtype=object), np.array([expected], dtype=object))[0]) < 1e-7


@pytest.mark.usefixtures("_both_ways")
@pytest.mark.parametrize("case", CASES)
def test_simple_cases_are_as_shapely_has_them(case: str) -> None:
    a, b = shapely.from_wkt([SQUARE, CASES[case]])
    for first, second in ((a, b), (b, a)):
        packed = pack(np.array([first], dtype=object)), pack(np.array([second], dtype=object))
        zero = np.zeros(1, np.int64)
        shared, undone = clipped(packed, (zero, zero), shared_area_of_pairs(*packed, zero, zero))
        assert undone.size == 0
        agree(shared[0], first.intersection(second))
        rest, undone = subtracted(packed, zero, (np.array([0, 1]), zero))
        assert undone.size == 0
        agree(rest[0], first.difference(second))


def stars(rng: np.random.Generator, count: int, *, grid: float) -> np.ndarray:
    """Make star-shaped polygons about the origin, some with a hole; with a grid they share corners and walls."""
    shapes = []
    for _ in range(count):
        corners = int(rng.integers(3, 12))
        angle = np.sort(rng.uniform(0.0, 2.0 * np.pi, corners))
        reach = rng.uniform(2.0, 9.0, corners)
        middle = rng.uniform(-5.0, 5.0, 2)
        xy = middle + reach[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
        shape = shapely.make_valid(shapely.polygons(np.round(xy / grid) * grid if grid else xy))
        if rng.random() < 0.3:
            shape = shape.difference(shapely.box(*(middle - 0.5), *(middle + 0.5)))
        shapes.append(shapely.union_all([part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]))
    kept = [shape for shape in shapes if shape.area > 1e-3]
    return np.array(kept, dtype=object)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0.0, 1.0, 0.5]))
def test_any_two_polygons_are_clipped_and_subtracted_as_by_shapely(seed: int, grid: float) -> None:
    rng = np.random.default_rng(seed)
    shapes = stars(rng, 12, grid=grid)
    first, second = (part.ravel() for part in np.meshgrid(np.arange(len(shapes)), np.arange(len(shapes))))
    packed = pack(shapes)
    shared, undone = clipped((packed, packed), (first, second), shared_area_of_pairs(packed, packed, first, second))
    rest, left = subtracted((packed, packed), first, (np.arange(first.size + 1), second))
    for made, open_ones, expected in (
        (shared, undone, shapely.intersection(shapes[first], shapes[second])),
        (rest, left, shapely.difference(shapes[first], shapes[second])),
    ):
        done = np.setdiff1d(np.arange(first.size), open_ones)
        # Chance alone leaves hardly a case open; a grid makes walls coincide in every way.
        assert done.size >= (0.9 if grid else 0.99) * first.size
        assert shapely.is_valid(made[done]).all()
        np.testing.assert_allclose(shapely.area(made[done]), shapely.area(expected[done]), atol=2e-8)
        assert np.abs(apart(made[done], expected[done])).max() < 1e-7


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0.0, 1.0]))
def test_what_many_leave_of_a_polygon_is_what_their_union_leaves(seed: int, grid: float) -> None:
    rng = np.random.default_rng(seed)
    shapes = stars(rng, 30, grid=grid)
    own, blockers = shapes[:6], shapes[6:]
    number = np.repeat(np.arange(own.size), 5)
    blocker = rng.integers(0, blockers.size, number.size)
    rest = own.copy()
    take_away(rest, number, blockers, blocker)
    for k in range(own.size):
        agree(rest[k], own[k].difference(shapely.union_all(blockers[blocker[number == k]])))


def test_threads_change_no_byte(monkeypatch: pytest.MonkeyPatch) -> None:
    shapes = stars(np.random.default_rng(5), 80, grid=0.5)
    first, second = (part.ravel() for part in np.meshgrid(np.arange(len(shapes)), np.arange(len(shapes))))
    packed = pack(shapes)
    made = {}
    for threads in (1, 2, 3):
        monkeypatch.setattr(overlay, "thread_count", lambda threads=threads: threads)
        shared, _ = clipped((packed, packed), (first, second), shared_area_of_pairs(packed, packed, first, second))
        rest, _ = subtracted((packed, packed), first, (np.arange(first.size + 1), second))
        made[threads] = shapely.to_wkb(np.concatenate([shared, rest])).tolist()
    assert made[1] == made[2] == made[3]

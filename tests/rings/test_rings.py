"""Rings around regions, held against polygons that an independent library makes cell by cell and joins."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from rasterio.features import shapes

from catchscreen.grid import Grid
from catchscreen.rings import _kernels, label_regions, polygons_of_regions
from catchscreen.terrain.polygons import polygons_of


def grid_of(codes, width=2.0, height=4.0):
    return Grid(*codes.shape, 500.0, 900.0, width, height, CRS.from_epsg(32628))


def joined_by_library(codes, count, grid):
    parts = [[] for _ in range(count)]
    for outline, value in shapes(codes, mask=codes >= 0, connectivity=4, transform=grid.transform):
        parts[int(value)].append(shapely.geometry.shape(outline))
    return [shapely.union_all(own) for own in parts]


@st.composite
def any_codes(draw, most=24):
    """Codes of few kinds, blown up or not, so that regions have holes, islands in holes and many corners that touch."""
    shape = draw(st.tuples(st.integers(1, most), st.integers(1, most)))
    kinds = draw(st.integers(1, 5))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    codes = rng.integers(draw(st.sampled_from([-1, 0])), kinds, shape)
    times = draw(st.sampled_from([1, 1, 2]))
    return np.repeat(np.repeat(codes, times, axis=0), times, axis=1).astype(np.int32), kinds


@settings(max_examples=150, deadline=None)
@given(any_codes())
def test_labels_become_what_an_independent_library_makes_of_them(drawn):
    codes, kinds = drawn
    grid = grid_of(codes)
    ours = polygons_of(codes, kinds, grid)
    for code, (own, expected) in enumerate(zip(ours, joined_by_library(codes, kinds, grid), strict=True)):
        assert own.is_valid, shapely.is_valid_reason(own)
        assert own.area == (codes == code).sum() * grid.cell_area_m2
        assert own.symmetric_difference(expected).area == 0.0
    assert shapely.union_all(ours).area == (codes >= 0).sum() * grid.cell_area_m2


@settings(max_examples=100, deadline=None)
@given(any_codes(12))
def test_regions_are_the_parts_in_row_order(drawn):
    codes, _ = drawn
    grid = grid_of(codes)
    parts, code_of = polygons_of_regions(codes, grid)
    label, same_codes = label_regions(codes)
    np.testing.assert_array_equal(code_of, same_codes)
    np.testing.assert_array_equal(shapely.area(parts), np.bincount(label[label >= 0]) * grid.cell_area_m2)
    _, first = np.unique(label[label >= 0], return_index=True)
    assert (np.diff(first) > 0).all()
    assert all(part.geom_type == "Polygon" for part in parts)
    np.testing.assert_array_equal(code_of[label[label >= 0]], codes[codes >= 0])


def test_two_holes_that_touch_in_a_corner_stay_two():
    codes = np.zeros((4, 4), dtype=np.int32)
    codes[1, 1] = codes[2, 2] = -1
    (own,), _ = polygons_of_regions(codes, grid_of(codes))
    assert own.is_valid
    assert len(own.interiors) == 2


def test_an_island_in_a_hole_is_a_part_of_its_own():
    codes = np.zeros((5, 5), dtype=np.int32)
    codes[1:4, 1:4] = 1
    codes[2, 2] = 0
    outer, middle = polygons_of(codes, 2, grid_of(codes))
    assert outer.geom_type == "MultiPolygon"
    assert [part.area for part in outer.geoms] == [16 * 8.0, 8.0]
    assert middle.geom_type == "Polygon"


def test_a_label_without_cells_is_empty_and_none_is_none():
    codes = np.array([[0, 2]], dtype=np.int32)
    assert [shape.is_empty for shape in polygons_of(codes, 3, grid_of(codes))] == [False, True, False]
    assert polygons_of(np.full((2, 2), -1, dtype=np.int32), 0, grid_of(codes)) == []


def test_only_corners_are_points():
    codes = np.zeros((30, 40), dtype=np.int32)
    (own,), _ = polygons_of_regions(codes, grid_of(codes), corner=(10, 5), origin=(500.0, 900.0))
    assert shapely.get_num_coordinates(own) == 5
    assert own.bounds == (10.0, -160.0, 90.0, -40.0)


def test_each_ring_starts_at_the_same_place_whatever_lies_elsewhere():
    codes = np.random.default_rng(0).integers(0, 3, (20, 20)).astype(np.int32)
    many, code_of = polygons_of_regions(codes, grid_of(codes))
    for code in range(3):
        alone, _ = polygons_of_regions(np.where(codes == code, 0, -1), grid_of(codes))
        assert list(shapely.to_wkb(many[code_of == code])) == list(shapely.to_wkb(alone))


def test_the_work_grows_with_the_cells_not_with_the_labels(monkeypatch):
    """Kernels and the library that makes the polygons are called as often for four thousand labels as for four."""
    calls = []
    for module, name in ((_kernels, "label_regions"), (_kernels, "trace_regions"), (shapely, "from_ragged_array")):
        own = getattr(module, name)
        monkeypatch.setattr(module, name, lambda *args, own=own, name=name: (calls.append(name), own(*args))[1])
    row, col = np.indices((128, 128))
    seen = []
    for size in (64, 2):
        calls.clear()
        label = (row // size * (128 // size) + col // size).astype(np.int32)
        count = int(label.max()) + 1
        assert len(polygons_of(label, count, grid_of(label))) == count
        seen.append(list(calls))
    assert seen[0] == seen[1] == ["label_regions", "trace_regions", "from_ragged_array"]


@pytest.mark.parametrize("seed", range(8))
def test_kernels_give_the_same_uncompiled(seed):
    codes = np.full((9, 12), -1, dtype=np.int32)
    codes[1:-1, 1:-1] = np.random.default_rng(seed).integers(-1, 2, (7, 10))
    found = _kernels.label_regions(codes)
    for ours, other in zip(found, _kernels.label_regions.py_func(codes), strict=True):
        np.testing.assert_array_equal(ours, other)
    np.testing.assert_array_equal(_kernels.list_meetings(found[0]), _kernels.list_meetings.py_func(found[0]))
    assert _kernels.count_sides(found[0]) == _kernels.count_sides.py_func(found[0])
    corners, rings = _kernels.trace_regions(found[0])
    for ours, other in zip((corners, rings), _kernels.trace_regions.py_func(found[0]), strict=True):
        np.testing.assert_array_equal(ours, other)
    args = (corners, rings, np.arange(len(rings) - 1)[::-1].copy(), (1, 2), (0.5, 9.0, 2.0, 3.0))
    for ours, other in zip(_kernels.place_rings(*args), _kernels.place_rings.py_func(*args), strict=True):
        np.testing.assert_array_equal(ours, other)

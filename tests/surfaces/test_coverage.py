"""Exact coverage of cells, by hand and against exactextract."""

from __future__ import annotations

import exactextract
import geopandas as gpd
import numpy as np
import pytest
import shapely
from exactextract.raster import NumPyRasterSource
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS

from catchscreen.grid import Grid
from catchscreen.surfaces._kernels.coverage import (
    burn_labels,
    cover_window,
    cover_windows,
    mean_under,
    sum_by_class,
    sum_by_label,
)
from catchscreen.surfaces.coverage import class_areas, class_fractions, label_cells, pack_in_cells


def grid_of(rows, cols, *, cell=1.0, left=0.0, bottom=0.0):
    return Grid(rows, cols, left, bottom + rows * cell, cell, cell, CRS.from_epsg(32628))


BY_HAND = {
    # 2 x 2 cells of 1 m, given as rows from the top; the polygon in metres from the lower left corner.
    "whole": (shapely.box(0, 0, 2, 2), [[1, 1], [1, 1]]),
    "middle": (shapely.box(0.5, 0.5, 1.5, 1.5), [[0.25, 0.25], [0.25, 0.25]]),
    "on a cell edge": (shapely.box(1, 0, 2, 1), [[0, 0], [0, 1]]),
    "triangle": (shapely.Polygon([(0, 0), (2, 0), (0, 2)]), [[0.5, 0], [1, 0.5]]),
    "hole": (shapely.box(0, 0, 2, 2).difference(shapely.box(0, 0, 1, 0.5)), [[1, 1], [0.5, 1]]),
    "parts": (shapely.MultiPolygon([shapely.box(0, 0, 0.5, 0.5), shapely.box(1.5, 1, 2, 2)]), [[0, 0.5], [0.25, 0]]),
    "half a square metre": (shapely.box(1.25, 1.25, 1.35, 1.35), [[0, 0.01], [0, 0]]),
    "beyond every side": (shapely.box(-5, -5, 7, 1.5), [[0.5, 0.5], [1, 1]]),
    "beside the grid": (shapely.box(3, 0, 4, 2), [[0, 0], [0, 0]]),
    # Under y = (x + 2) / 2: column 0 rises from 1 to 1.5, column 1 from 1.5 to 2; the lower cells are full.
    "slanting in from the left": (shapely.Polygon([(-2, 0), (2, 0), (2, 2)]), [[0.25, 0.75], [1, 1]]),
}


@pytest.mark.parametrize("name", BY_HAND)
def test_cell_shares_by_hand(name):
    shape, expected = BY_HAND[name]
    packed = pack_in_cells(np.array([shape]), grid_of(2, 2))
    rings = (0, int(packed.polygon_start[1]))
    for function in (cover_window, cover_window.py_func):
        shares = np.abs(function(packed.xy, packed.ring_start, rings, (0, 0, 2, 2)))[:, :2]
        np.testing.assert_allclose(shares, expected, atol=1e-14)


def test_sums_by_hand_compiled_and_not():
    """Two polygons over columns of class 0, 1, 1: 1.5 and 0 cells of class 0, 1 and 4 of class 1."""
    grid = grid_of(2, 3)
    codes = np.tile(np.array([0, 1, 1], np.uint8), (2, 1))
    packed = pack_in_cells(np.array([shapely.box(0.25, 0, 1.5, 2), shapely.box(1, 0, 3, 2)]), grid)
    arrays = (packed.xy, packed.ring_start, packed.polygon_start, packed.bounds)
    for function in (sum_by_class, sum_by_class.py_func):
        np.testing.assert_allclose(function(*arrays, codes, 2), [[1.5, 1.0], [0.0, 4.0]], atol=1e-14)
    for function in (sum_by_label, sum_by_label.py_func):
        found, cells = np.full(3, -1), np.empty(3)
        assert function(*arrays, codes.astype(np.int64), 2, found, cells) == 3
        assert found.tolist() == [0, 1, 3]
        np.testing.assert_allclose(cells, [1.5, 1.0, 4.0], atol=1e-14)
        # Without room for all, they are counted.
        assert function(*arrays, codes.astype(np.int64), 2, found[:1], cells[:1]) == 3
    windows = np.array([[0, 0, 2, 2], [0, 1, 2, 2]])
    for function in (cover_windows, cover_windows.py_func):
        flat = function(*arrays[:3], windows, np.array([0, 4, 8]))
        np.testing.assert_allclose(flat, [0.75, 0.5, 0.75, 0.5, 1.0, 1.0, 1.0, 1.0], atol=1e-14)
    values = np.array([[1.0, 2.0, np.nan], [1.0, 2.0, 4.0]])
    for function in (mean_under, mean_under.py_func):
        # 1.5 cells of 1 and 1 cell of 2; two cells of 2 and one of 4.
        np.testing.assert_allclose(function(*arrays, values), [3.5 / 2.5, 8.0 / 3.0], atol=1e-14)
    for function in (burn_labels, burn_labels.py_func):
        assert function(*arrays, 2, 3).tolist() == [[0, 0, 1], [0, 0, 1]]


def test_more_labels_than_there_was_room_for():
    """One polygon over 400 cells of 400 labels takes each label's whole cell."""
    grid = grid_of(20, 20)
    labels = np.arange(400)[::-1].reshape(20, 20).copy()
    packed = pack_in_cells(np.array([shapely.box(0, 0, 20, 20)]), grid)
    polygon, label, cells = label_cells(packed, labels, 400)
    assert label.tolist() == list(range(400))
    np.testing.assert_allclose(cells, 1.0, atol=1e-12)
    assert not polygon.any()


@given(st.integers(0, 10_000), st.sampled_from([(0.0, 1.0), (415_000.0, 0.5), (0.0, 7.3)]))
def test_class_fractions_equal_exactextract(seed, place):
    """Random polygons, some with holes, parts or only partly on the raster; exactextract is the outside answer."""
    left, cell = place
    rng = np.random.default_rng(seed)
    grid = grid_of(30, 40, cell=cell, left=left, bottom=10.0 * left)
    codes = rng.integers(0, 5, grid.shape).astype(np.uint8)
    bounds = grid.bounds
    centre = rng.uniform(bounds[:2], bounds[2:], (6, 2))
    shapes = []
    for k in range(6):
        angle = np.sort(rng.uniform(0, 2 * np.pi, 11))
        radius = cell * rng.uniform(0.3, 12.0) * rng.uniform(0.4, 1.0, 11)
        star = shapely.Polygon(centre[k] + np.c_[radius * np.cos(angle), radius * np.sin(angle)]).buffer(0)
        shapes.append(star.difference(star.buffer(-cell)) if k == 2 else star)
    shapes[3] = shapes[3].union(shapes[4])
    shapes = np.array([shape for shape in shapes if shape.intersects(shapely.box(*bounds)) and shape.area > 0])
    ours = class_areas(shapes, codes, grid, 5)
    source = NumPyRasterSource(
        codes, xmin=bounds[0], ymin=bounds[1], xmax=bounds[2], ymax=bounds[3], srs_wkt=grid.crs.to_wkt()
    )
    layer = gpd.GeoDataFrame(geometry=list(shapes), crs=grid.crs)
    table = exactextract.exact_extract(source, layer, ["count", "unique", "frac"], output="pandas")
    for k in range(len(shapes)):
        expected = np.zeros(5)
        expected[np.asarray(table["unique"][k], dtype=int)] = table["frac"][k]
        covered = table["count"][k] * grid.cell_area_m2
        np.testing.assert_allclose(ours[k] / covered, expected, atol=1e-9)
        assert ours[k].sum() == pytest.approx(shapes[k].intersection(shapely.box(*bounds)).area, rel=1e-9, abs=1e-9)


def test_fractions_of_a_polygon_on_the_raster_sum_to_one():
    codes = np.random.default_rng(3).integers(0, 4, (50, 50)).astype(np.uint8)
    shapes = shapely.buffer(shapely.points([[20, 20], [30, 25.5]]), [9.3, 0.01])
    np.testing.assert_allclose(class_fractions(shapes, codes, grid_of(50, 50), 4).sum(axis=1), 1.0, atol=1e-9)

"""Class regions of a raster as polygons on cell edges."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS

from catchscreen.grid import Grid
from catchscreen.records import Raster
from catchscreen.surfaces.regions import polygons_of_classes

CLASSES = {1: "asphalt", 2: "grass"}


def polygons(values, cell=1.0):
    values = np.asarray(values, dtype=np.int64)
    grid = Grid(*values.shape, 0.0, values.shape[0] * cell, cell, cell, CRS.from_epsg(32628))
    return polygons_of_classes(Raster(grid, values, values != 9), CLASSES, (0.0, 0.0))


def test_a_ring_round_a_cell_has_a_hole():
    shapes, names = polygons([[1, 1, 1], [1, 2, 1], [1, 1, 1]])
    assert names == ["asphalt", "grass"]
    assert shapes[0].equals(shapely.box(0, 0, 3, 3).difference(shapely.box(1, 1, 2, 2)))
    assert shapes[1].equals(shapely.box(1, 1, 2, 2))


def test_a_region_that_meets_itself_in_a_corner_stays_valid():
    """The ones form a horseshoe whose ends meet in a corner: an outer ring and a hole that touch there."""
    shapes, names = polygons([[1, 1, 1], [1, 2, 1], [1, 1, 2]])
    own = shapes[names.index("asphalt")]
    assert own.is_valid
    assert own.area == pytest.approx(7.0)
    assert len(own.interiors) == 1


def test_cells_of_other_codes_and_without_value_get_no_polygon():
    shapes, names = polygons([[1, 9, 5], [5, 5, 2]])
    assert names == ["asphalt", "grass"]
    assert shapely.area(shapes).tolist() == [1.0, 1.0]


@given(st.integers(0, 10_000))
def test_regions_are_valid_disjoint_and_complete(seed):
    rng = np.random.default_rng(seed)
    values = rng.integers(1, 3, (9, 13))
    shapes, names = polygons(values, cell=2.0)
    assert shapely.is_valid(shapes).all()
    assert shapely.union_all(shapes).area == pytest.approx(9 * 13 * 4.0, abs=1e-9)
    for code, name in CLASSES.items():
        own = shapes[np.array(names) == name]
        assert shapely.area(own).sum() == pytest.approx((values == code).sum() * 4.0, abs=1e-9)

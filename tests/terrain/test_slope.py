from __future__ import annotations

import numpy as np
import pytest
from pyproj import CRS

from catchscreen.grid import Grid
from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.slope import aspect_deg, gradients, slope_fraction


def window(rows, cell_m):
    level = np.rint(np.array(rows) * 10_000).astype(np.int32)
    grid = Grid(*level.shape, 0.0, 0.0, cell_m, cell_m, CRS.from_epsg(32628))
    return frame_levels(level, np.ones(level.shape, dtype=bool)), grid


def test_slope_worked_example():
    """Slope after Horn (1981): 50 45 50 / 30 30 30 / 8 10 10 at 5 m, rise over run 3.80032, 75.25762 degrees.

    The worked example is in the test suite of xarray-spatial.
    """
    level, grid = window([[50, 45, 50], [30, 30, 30], [8, 10, 10]], 5.0)
    east, south = gradients(level, grid)
    assert (float(east[1, 1]), float(south[1, 1])) == pytest.approx((0.05, -3.8), abs=1e-6)
    slope = float(slope_fraction(level, grid)[1, 1])
    assert slope == pytest.approx(3.80033, abs=2e-5)
    assert np.degrees(np.arctan(slope)) == pytest.approx(75.25762, abs=1e-4)


@pytest.mark.parametrize(("cell_m", "slope_deg"), [(1.0, None), (10.0, 39.1237)])
def test_aspect_worked_example(cell_m, slope_deg):
    """Aspect 92.64 degrees for 101 92 85 / 101 92 85 / 101 91 84; slope 39.1237 at 10 m (tests of xarray-spatial)."""
    level, grid = window([[101, 92, 85], [101, 92, 85], [101, 91, 84]], cell_m)
    assert aspect_deg(level, grid)[1, 1] == pytest.approx(92.6425, abs=1e-3)
    if slope_deg:
        assert np.degrees(np.arctan(slope_fraction(level, grid)[1, 1])) == pytest.approx(slope_deg, abs=1e-3)


def test_plane_of_ten_percent_keeps_its_slope_to_the_edge():
    """Rows 3, 2, 1 at 10 m: 5.7106 degrees, facing south (tests of xarray-spatial), at the edge too."""
    level, grid = window([[3, 3, 3], [2, 2, 2], [1, 1, 1]], 10.0)
    slope = slope_fraction(level, grid)
    np.testing.assert_allclose(np.degrees(np.arctan(slope)), 5.7106, atol=1e-4)
    np.testing.assert_allclose(aspect_deg(level, grid), 180.0)


def test_unknown_ground_has_no_slope_and_does_not_tilt_its_neighbours():
    row, col = np.mgrid[0:9, 0:9]
    level = (row * 200 + col * 500).astype(np.int32)
    valid = np.random.default_rng(0).random(level.shape) > 0.1
    grid = Grid(9, 9, 0.0, 0.0, 1.0, 1.0, CRS.from_epsg(32628))
    slope = slope_fraction(frame_levels(level, valid), grid)
    assert (np.isnan(slope) == ~valid).all()
    np.testing.assert_allclose(slope[valid], np.hypot(0.02, 0.05), rtol=1e-5)


def test_flat_ground_has_no_aspect():
    level, grid = window(np.ones((3, 3)), 1.0)
    assert np.isnan(aspect_deg(level, grid)).all()

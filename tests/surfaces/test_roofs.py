"""Roofs whose planes are known because they were made."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from catchscreen.options import SurfaceOptions
from catchscreen.progress import Run
from catchscreen.records import Raster
from catchscreen.surfaces import account
from catchscreen.surfaces._kernels.planes import grow_plane, grow_planes, local_gradients, settle_cells, solve_plane
from catchscreen.surfaces.planes import Windows, fit_planes

ROOF = shapely.box(5, 5, 25, 17)


def roof_patch(scenes, height, *, options=None, changes=None, shape=ROOF):
    """Account for one house; ``height(x, y)`` is its roof's height above the ground at 10 m."""
    data = scenes.inputs(
        [shapely.box(0, 0, 30, 22)],
        cells=(22, 30),
        buildings=scenes.frame([shape], ["b"], "building_id", year_built=[1990]),
    )
    y, x = np.indices((22, 30))
    x, y = x + 0.5, 22 - (y + 0.5)
    inside = shapely.contains_xy(shape, x, y)
    model = Raster(data.grid, np.where(inside, 10.0 + height(x, y), 10.0), np.ones((22, 30), dtype=bool))
    data = scenes.replace(data, **({"surface_model": model} | (changes(data) if changes else {})))
    cover = account(data, scenes.terrain(data), options or SurfaceOptions(), Run())
    return cover.patches[cover.patches["ground"] == "roof"].iloc[0], cover


def test_a_flat_roof(scenes):
    """20 x 12 m at 6 m: within the edge strips 19 x 11 m are usable."""
    patch, cover = roof_patch(scenes, lambda x, y: 6.0 + 0.0 * x)
    assert patch["roof_state"] == "fitted"
    assert patch["pitch_deg"] == pytest.approx(0.0, abs=1e-6)
    assert patch["flat_fraction"] == pytest.approx(1.0)
    assert patch["height_m"] == pytest.approx(6.0)
    assert patch["usable_area_m2"] == pytest.approx(19.0 * 11.0)
    assert cover.roofs.loc["b", "usable_area_m2"] == pytest.approx(19.0 * 11.0)


def test_a_gable_has_two_planes_of_its_pitch(scenes):
    """Ridge along x at y = 11, slope 0.7: 35 degrees each, too steep for any green roof."""
    patch, _ = roof_patch(scenes, lambda x, y: 9.0 - 0.7 * np.abs(y - 11.0))
    assert patch["plane_count"] == 2
    assert patch["pitch_deg"] == pytest.approx(np.degrees(np.arctan(0.7)), abs=0.5)
    assert patch["aspect_deg"] % 180.0 == pytest.approx(0.0, abs=1.0)
    assert patch["flat_fraction"] == 0.0
    assert patch["usable_area_m2"] == 0.0


def test_a_flat_part_beside_a_pitched_one(scenes):
    """Left of x = 17 flat at 5 m, right of it rising 0.7 to the east: 12 of 20 m are flat."""
    patch, _ = roof_patch(scenes, lambda x, y: 5.0 + 0.7 * np.maximum(0.0, x - 17.0))
    assert patch["plane_count"] == 2
    assert patch["flat_fraction"] == pytest.approx(0.6, abs=0.06)
    assert patch["usable_area_m2"] == pytest.approx(0.6 * 19.0 * 11.0, rel=0.1)


def test_plant_on_a_flat_roof_is_taken_off(scenes):
    """A plant room of 4 m2 in 240 m2, 2 m high, is too small for a plane."""
    patch, _ = roof_patch(scenes, lambda x, y: 6.0 + 2.0 * ((np.abs(x - 12) < 1) & (np.abs(y - 10) < 1)))
    cells = 20 * 12
    assert patch["plant_fraction"] == pytest.approx(4.0 / cells, rel=0.2)
    assert patch["usable_area_m2"] == pytest.approx(19.0 * 11.0 * (1.0 - 4.0 / cells), rel=0.01)


@pytest.mark.parametrize("noise_m", [0.05, 0.10])
def test_scatter_of_lidar_leaves_the_pitch(scenes, noise_m):
    rng = np.random.default_rng(4)
    patch, _ = roof_patch(scenes, lambda x, y: 9.0 - 0.5 * np.abs(y - 11.0) + rng.normal(0, noise_m, x.shape))
    assert patch["roof_state"] == "fitted"
    assert patch["pitch_deg"] == pytest.approx(np.degrees(np.arctan(0.5)), abs=2.0)
    assert patch["plane_error_m"] == pytest.approx(noise_m, rel=0.35)


def test_what_cannot_be_known_is_said(scenes):
    rng = np.random.default_rng(4)
    rough, _ = roof_patch(scenes, lambda x, y: 6.0 + rng.uniform(0, 5, x.shape))
    assert (rough["roof_state"], "canopy, plant or noise" in rough["roof_reason"]) == ("unknown", True)
    low, _ = roof_patch(scenes, lambda x, y: 0.2 + 0.0 * x)
    assert "no building" in low["roof_reason"]
    few, _ = roof_patch(scenes, lambda x, y: 6.0 + 0.0 * x, options=SurfaceOptions(roof_min_points=400))
    # Of 20 x 12 cells the four in the corners lie less than half within the edge strips.
    assert few["roof_reason"] == "236 points of the surface model, 400 are needed"
    assert np.isnan(few["usable_area_m2"])
    newer, _ = roof_patch(scenes, lambda x, y: 6.0 + 0.0 * x, options=SurfaceOptions(surface_model_year=1985))
    assert newer["roof_reason"] == "built after the surface model was flown"

    def tree(data):
        return {"trees": scenes.frame([shapely.Point(15, 11)], ["t"], "tree_id", canopy_m=[9.0])}

    covered, _ = roof_patch(scenes, lambda x, y: 6.0 + 0.0 * x, changes=tree)
    assert covered["roof_reason"] == "tree canopy covers it"
    none, cover = roof_patch(scenes, lambda x, y: 6.0 + 0.0 * x, changes=lambda data: {"surface_model": None})
    assert none["roof_reason"] == "no surface model"
    assert cover.roofs.loc["b", "roof_state"] == "unknown"


def gable(copies=1):
    """Windows of 8 x 10 cells: z = 1 + 0.5 x on the left, 1 + 0.5 (9 - x) on the right."""
    col = np.arange(10.0)
    level = np.tile(1.0 + 0.5 * np.minimum(col, 9.0 - col), 8 * copies)
    box = np.tile([0, 0, 8, 10], (copies, 1))
    return Windows(box, np.arange(copies + 1) * 80, level, np.ones(level.size)), np.ones(level.size, dtype=bool)


def test_each_window_is_fitted_on_its_own():
    fits = fit_planes(*gable(3), (1.0, 1.0), 0.3, 6)
    assert fits.count.tolist() == [2, 2, 2]
    np.testing.assert_allclose(np.abs(fits.planes[:, :2, 0]), 0.5, atol=0.02)
    assert (fits.plane_of >= 0).all()
    assert fits.size.sum(axis=1).tolist() == [80, 80, 80]
    assert (fits.planes[0] == fits.planes[2]).all()


def test_plane_kernels_give_the_same_uncompiled():
    windows, inside = gable()
    place = (windows.start, np.array([10]), (1.0, 1.0))
    found = []
    for mode in (lambda kernel: kernel, lambda kernel: kernel.py_func):
        gradient, error = mode(local_gradients)(windows.level, inside, *place)
        assert gradient[4 * 10 + 2] == pytest.approx([0.5, 0.0])
        assert error[4 * 10 + 2] == pytest.approx(0.0, abs=1e-12)
        rule, seeds = (0.3, 6, 16), np.argsort(error, kind="stable")
        plane_of, planes, count = mode(grow_planes)(
            windows.level, inside, gradient, seeds, np.array([0, 80]), *place, rule
        )
        mode(settle_cells)(windows.level, inside, plane_of, planes, *place, 0.3)
        alone = np.full(80, -1)
        size, a, b, _ = mode(grow_plane)(
            (windows.level, inside, alone), 10, 22, (0.5, 0.0), (1.0, 1.0), 0.3, np.empty(80, np.int64)
        )
        # The left half; the ridge lies halfway between two columns.
        assert (size, (alone == -2).sum()) == (40, 40)
        assert (a, b) == pytest.approx((0.5, 0.0))
        assert count.tolist() == [2]
        found.append((plane_of, planes))
    np.testing.assert_array_equal(found[0][0], found[1][0])
    np.testing.assert_allclose(found[0][1], found[1][1], atol=1e-12)
    sums = np.array([3.0, 1.0, 1.0, 3.0, 1.0, 0.0, 1.0, 2.0, 3.0])  # the points (1, 0, 2), (0, 1, 3), (0, 0, -2)
    for function in (solve_plane, solve_plane.py_func):
        a, b, c, solved = function(sums)
        assert solved
        assert (a, b, c) == pytest.approx((4.0, 5.0, -2.0))

"""Patches and what drains onto them, by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from catchscreen.options import SurfaceOptions
from catchscreen.progress import Run
from catchscreen.surfaces import account
from catchscreen.surfaces._kernels.tracing import reach_patch
from catchscreen.surfaces.patches import mean_width_m, wide_parts


def southward(rows, cols):
    """Every cell drains to the cell south of it."""
    receiver = np.arange(rows * cols).reshape(rows, cols) + cols
    receiver[-1] = -1
    return receiver


def yard(scenes, *, receiver=None, **layers):
    """A parcel 20 x 30 m: car park in the south, a lawn, a path strip 2 m wide in the north and a house."""
    cover = scenes.frame(
        [shapely.box(0, 0, 20, 10), shapely.box(0, 10, 20, 12), shapely.box(0, 12, 20, 14), shapely.box(0, 14, 20, 30)],
        ["park", "lawn", "path", "meadow"],
        "cover_id",
        cover_class=["asphalt", "grass", "concrete", "grass"],
        ground_use=["car_park", "", "", ""],
    )
    rows = np.linspace(12.0, 10.0, 30)[:, None] * np.ones((30, 40))
    data = scenes.inputs(
        [shapely.box(0, 0, 20, 30), shapely.box(20, 0, 40, 30)],
        cells=(30, 40),
        level=rows,
        land_cover=cover,
        buildings=scenes.frame([shapely.box(4, 20, 14, 28)], ["house"], "building_id"),
        **layers,
    )
    land = scenes.terrain(data, receiver=southward(30, 40) if receiver is None else receiver)
    return account(data, land, SurfaceOptions(), Run())


def test_patches_are_wide_enough_and_named_by_place(scenes):
    """The path is 2 m wide, less than 2.4 m: no patch. The house has 80 m2."""
    patches = yard(scenes).patches
    assert patches["ground"].to_list() == ["paved", "roof"]
    paved = patches.iloc[0]
    assert paved["area_m2"] == pytest.approx(200.0)
    assert paved["width_m"] == pytest.approx(10.0)
    assert paved["ground_use"] == "car_park"
    assert paved["subcatchment_id"] == "S001"
    assert patches.index[0] == "P001.paved.2-1"


def test_flow_links_the_path_across_a_narrow_lawn(scenes):
    """The path's 40 m2 drain south over 2 m of lawn, less than 3 m; with no flow at all nothing is linked."""
    cover = yard(scenes)
    gravity = cover.links[cover.links["way"] == "gravity"]
    assert gravity["surface_id"].to_list() == ["P001.concrete"]
    assert gravity["area_m2"].to_list() == pytest.approx([40.0])
    still = yard(scenes, receiver=np.full((30, 40), -1, dtype=np.int64))
    assert still.links[still.links["way"] == "gravity"].empty


@pytest.mark.parametrize("role", ["kerbs", "walls"])
def test_a_kerb_or_wall_stops_what_would_run_on(scenes, role):
    """A line along the lawn from x = 0 to 12 keeps 12 of the path's 20 m off the car park: 8 x 2 m2 stay.

    A line elsewhere, or one that runs with the flow between two columns of cells, stops nothing.
    """

    def gravity(line):
        layer = scenes.frame([line], ["k"], "line_id")
        cover = yard(scenes, **{role: layer})
        links = cover.links[cover.links["way"] == "gravity"]
        return links["area_m2"].sum(), cover.patches["planted_run_on_m2"].iloc[0]

    run_on, planted = gravity(shapely.LineString([(0, 11.2), (12, 11.2)]))
    assert run_on == pytest.approx(16.0)
    assert planted < 260.0
    assert gravity(shapely.LineString([(25, 11), (30, 11)]))[0] == pytest.approx(40.0)
    assert gravity(shapely.LineString([(8, 10), (8, 14)]))[0] == pytest.approx(40.0)


def test_planted_ground_that_drains_onto_a_patch_is_counted_apart(scenes):
    """All grass north of the car park runs down to it over at most the 2 m path: lawn 40, meadow 320 - 80 of house.

    The cells north of the house pass under its 8 m, more than the 3 m allowed: 10 x 2 of them stay out.
    """
    patches = yard(scenes).patches
    assert patches["planted_run_on_m2"].iloc[0] == pytest.approx(40.0 + 240.0 - 20.0)


def test_a_higher_roof_near_by_could_be_piped(scenes):
    cover = yard(scenes)
    piped = cover.links[cover.links["way"] == "roof_pipe"]
    assert piped["surface_id"].to_list() == ["P001.roof.house"]
    assert piped["area_m2"].to_list() == pytest.approx([80.0])


def test_flow_is_followed_within_gap_and_parcel():
    """Cells in a row, flow to the right: surface 0 at cells 0 and 1, a gap, patch 0, patch 1."""
    receiver = np.array([1, 2, 3, 4, -1])
    surface = np.array([0, 0, -1, -1, -1], np.int32)
    patch = np.array([-1, -1, -1, 0, 1], np.int32)
    for function in (reach_patch, reach_patch.py_func):
        home = np.zeros(5, np.int64)
        assert function(receiver, surface, home, patch, 1).tolist() == [0, 0, -1, -1, -1]
        assert function(receiver, surface, home, patch, 0).tolist() == [-1, -1, -1, -1, -1]
        other = np.array([0, 0, 1, 1, 1])
        assert function(receiver, surface, other, patch, 1).tolist() == [-1, -1, -1, -1, -1]


def test_narrow_tongues_are_cut_off_and_corners_kept():
    """A 10 x 10 m square with a tongue 1 m wide and 5 m long keeps its 100 m2; a strip of 2.4 m is wide enough."""
    shapes = np.array([shapely.box(0, 0, 10, 10).union(shapely.box(10, 4, 15, 5)), shapely.box(0, 0, 2.4, 30)])
    number, parts = wide_parts(shapes, 2.4)
    assert number.tolist() == [0, 1]
    np.testing.assert_allclose(shapely.area(parts), [100.0, 72.0], atol=1e-3)


def test_width_of_rectangles_is_their_shorter_side():
    np.testing.assert_allclose(mean_width_m(np.array([shapely.box(0, 0, 3, 40), shapely.box(0, 0, 7, 7)])), [3.0, 7.0])


def test_a_slit_where_layers_do_not_meet_is_no_outline():
    """A slit 6 m deep and a nanometre wide would make a square of 10 m one of 32 m outline: 3.7 m wide."""
    slit = shapely.Polygon([(5, 0), (5 + 1e-9, 0), (5, 6)])
    np.testing.assert_allclose(mean_width_m(np.array([shapely.box(0, 0, 10, 10).difference(slit)])), [10.0], atol=0.01)

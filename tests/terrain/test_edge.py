"""Where the data end: which sub-catchments are cut, and what buffer may be missing."""

from __future__ import annotations

import numpy as np
import pytest

from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import delineate

WHOLE = TerrainOptions(subcatchment_target_ha=100.0)


def plane_with_hill(top_m):
    """Ground that falls 1 in 20 to the south from 30 m, with one cell of another level far from its northern edge."""
    level = 30.0 - 0.05 * np.mgrid[0:60, 0:40][0]
    level[40, 20] = top_m
    return level


def test_the_buffer_is_how_far_ground_climbs_to_the_highest_level(make_inputs):
    """From 30 m at the northern edge, at 1 in 20, to the 40 m of the hill: 200 m. 38 cells of 1 m take water in.

    Along the other sides water runs along the edge or out of the data; the two corners lie at the edge and drain to it.
    """
    terrain = delineate(make_inputs(plane_with_hill(40.0)), WHOLE, Run())
    cut = terrain.subcatchments[terrain.subcatchments["edge_inflow_m"] > 0]
    assert cut["edge_inflow_m"].sum() == 38.0
    np.testing.assert_allclose(cut["missing_buffer_m"], 200.0, rtol=1e-4)
    assert cut["touches_data_edge"].all()


def test_ground_that_leaves_the_data_at_its_highest_gives_no_estimate(make_inputs):
    terrain = delineate(make_inputs(plane_with_hill(28.0)), WHOLE, Run())
    cut = terrain.subcatchments[terrain.subcatchments["edge_inflow_m"] > 0]
    assert len(cut) >= 1
    assert cut["missing_buffer_m"].isna().all()


def test_a_round_hill_takes_in_nothing(make_inputs):
    """All water leaves: the edge touches the sub-catchments and cuts none."""
    row, col = np.mgrid[0:41, 0:41]
    terrain = delineate(make_inputs(50.0 - 0.1 * np.hypot(row - 20, col - 20)), WHOLE, Run())
    assert terrain.subcatchments["touches_data_edge"].all()
    assert terrain.subcatchments["edge_inflow_m"].sum() == 0.0
    assert terrain.subcatchments["missing_buffer_m"].tolist() == [0.0] * len(terrain.subcatchments)


@pytest.mark.parametrize(("top_m", "said"), [(40.0, "about 200 m"), (28.0, "not to be estimated")])
def test_the_user_is_told_which_are_cut_and_by_how_much(top_m, said, make_inputs):
    run = Run()
    delineate(make_inputs(plane_with_hill(top_m)), WHOLE, run)
    (issue,) = [issue for issue in run.issues if issue.code == "catchment_cut_by_data_edge"]
    assert said in issue.message


def test_cells_twice_as_long_take_in_water_along_twice_the_length(make_inputs):
    """Half as steep in metres, twice the edge: 400 m and 76 m."""
    terrain = delineate(make_inputs(plane_with_hill(40.0), cell_m=2.0), WHOLE, Run())
    cut = terrain.subcatchments[terrain.subcatchments["edge_inflow_m"] > 0]
    assert cut["edge_inflow_m"].sum() == 76.0
    np.testing.assert_allclose(cut["missing_buffer_m"], 400.0, rtol=1e-4)

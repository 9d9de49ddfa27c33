from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from catchscreen.errors import InputsAtFault
from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import delineate


def points(data, *places):
    """Outlet points: id, col, row."""
    grid = data.grid
    geometry = [
        shapely.Point(grid.left + (c + 0.5) * grid.cell_width_m, grid.top - (r + 0.5) * grid.cell_height_m)
        for _, c, r in places
    ]
    return gpd.GeoDataFrame(index=[place[0] for place in places], geometry=geometry, crs=grid.crs)


def two_valleys(make_inputs, **layers):
    """Two straight valleys that fall to the south, in columns 10 and 30, with a ridge in column 20."""
    row, col = np.mgrid[0:60, 0:41]
    level = 30.0 - 0.05 * row + 0.2 * np.minimum(np.abs(col - 10), np.abs(col - 30))
    return make_inputs(level, **layers)


def assert_tiles_the_ground(terrain):
    frame = terrain.subcatchments
    assert ((terrain.subcatchment_label >= 0) == terrain.valid).all()
    assert frame.geometry.is_valid.all()
    assert frame["cells"].sum() == terrain.valid.sum()
    assert (frame["cells"].to_numpy() == np.bincount(terrain.subcatchment_label[terrain.valid])).all()
    np.testing.assert_allclose(frame.geometry.area, frame["area_m2"], rtol=1e-12)
    joined = shapely.union_all(frame.geometry.to_numpy())
    assert joined.area == pytest.approx(terrain.valid.sum() * terrain.grid.cell_area_m2, rel=1e-12)
    assert list(frame.index) == sorted(frame.index)
    for name, below in frame["downstream_id"].items():
        assert not below or (below in frame.index and below != name)


@pytest.mark.parametrize("gaps", [False, True])
@pytest.mark.parametrize("target_ha", [0.05, 0.4, 50.0])
def test_subcatchments_tile_the_ground(target_ha, gaps, make_inputs, hills):
    level = hills(90, 120, seed=5)
    valid = np.random.default_rng(2).random(level.shape) > 0.03 if gaps else None
    terrain = delineate(make_inputs(level, valid), TerrainOptions(subcatchment_target_ha=target_ha), Run())
    assert_tiles_the_ground(terrain)
    joined = shapely.union_all(terrain.subcatchments.geometry.to_numpy())
    assert joined.equals(shapely.box(*terrain.grid.bounds)) != gaps
    assert len(terrain.subcatchments) <= 3 + 1.1 / target_ha / 0.3


def test_each_cell_drains_within_its_subcatchment_to_its_outlet(make_inputs, hills):
    """Following the receivers from any cell leads to the next label below, as downstream_id says."""
    data = make_inputs(hills(90, 120, seed=6))
    terrain = delineate(data, TerrainOptions(subcatchment_target_ha=0.1), Run())
    label, receiver = terrain.subcatchment_label.ravel(), terrain.receiver.ravel()
    moving = np.flatnonzero(receiver >= 0)
    crossing = moving[label[receiver[moving]] != label[moving]]
    below = terrain.subcatchments["downstream_id"].to_numpy()
    ids = terrain.subcatchments.index.to_numpy()
    assert crossing.size > 0
    for cell in crossing:
        assert below[label[cell]] == ids[label[receiver[cell]]]


def test_outlets_divide_and_nest(make_inputs):
    data = two_valleys(make_inputs)
    outlets = points(data, ("lower", 10, 50), ("upper", 10, 20), ("east", 30, 40))
    terrain = delineate(two_valleys(make_inputs, outlets=outlets), TerrainOptions(outlet_snap_m=0.0), Run())
    assert_tiles_the_ground(terrain)
    frame = terrain.subcatchments.set_index("outlet_id", drop=False)
    ids = dict(zip(terrain.subcatchments["outlet_id"], terrain.subcatchments.index, strict=True))
    assert frame.loc["upper", "downstream_id"] == ids["lower"]
    assert frame.loc["upper", "kind"] == "given"
    upstream = terrain.outlets["contributing_area_m2"]
    assert upstream["lower"] == frame.loc["lower", "area_m2"] + frame.loc["upper", "area_m2"]
    assert upstream["east"] == frame.loc["east", "area_m2"]
    assert frame.loc[["lower", "upper", "east"], "snap_distance_m"].tolist() == [0.0, 0.0, 0.0]
    others = frame[frame["kind"] != "given"]
    assert 1 <= len(others) <= 2
    assert others["snap_distance_m"].isna().all()


def test_snapping_reports_distance_and_area_ratio(make_inputs):
    """A point three cells beside the valley floor.

    The strongest flow within 5 m is at row 34 with 35 rows of ground above it. Row 30 has 31 of them, over 80 %, and
    is the nearest.
    """
    data = two_valleys(make_inputs)
    outlets = points(data, ("o", 13, 30))
    terrain = delineate(two_valleys(make_inputs, outlets=outlets), TerrainOptions(outlet_snap_m=5.0), Run())
    row = terrain.subcatchments[terrain.subcatchments["kind"] == "given"].iloc[0]
    assert row["snap_distance_m"] == 3.0
    point = terrain.outlets.loc["o"].geometry
    assert (point.x, point.y) == (data.grid.left + 10.5, data.grid.top - 30.5)
    before = terrain.accumulation_cells[30, 13]
    assert row["snap_area_ratio"] == terrain.accumulation_cells[30, 10] / before


def test_ambiguous_snap_is_refused_by_name(make_inputs):
    """A point on the ridge, one cell nearer to the west valley; the east valley is a little larger."""
    row, col = np.mgrid[0:60, 0:43]
    level = 30.0 - 0.05 * row + 0.2 * np.minimum(np.abs(col - 10), np.abs(col - 30))
    data = make_inputs(level)
    outlets = points(data, ("fine", 10, 50), ("torn", 19, 30))
    with pytest.raises(InputsAtFault) as caught:
        delineate(make_inputs(level, outlets=outlets), TerrainOptions(outlet_snap_m=15.0), Run())
    assert [(fault.code, fault.feature) for fault in caught.value.faults] == [("outlet_snap_ambiguous", "torn")]


def test_two_outlets_on_one_cell_are_refused(make_inputs):
    data = two_valleys(make_inputs)
    outlets = points(data, ("a", 10, 50), ("b", 10, 50))
    with pytest.raises(InputsAtFault, match="outlets a and b"):
        delineate(two_valleys(make_inputs, outlets=outlets), TerrainOptions(outlet_snap_m=0.0), Run())


def test_outlet_off_the_ground_is_left_out_and_noted(make_inputs):
    data = two_valleys(make_inputs)
    outlets = points(data, ("far", 500, 500), ("near", 10, 50))
    run = Run()
    terrain = delineate(two_valleys(make_inputs, outlets=outlets), TerrainOptions(), run)
    assert [issue.feature for issue in run.issues if issue.role == "outlets"] == ["far"]
    assert "far" not in terrain.outlets.index
    assert "near" in terrain.outlets.index


def test_longest_path_slope_and_times(make_inputs):
    """A plane of 2 % that falls to the east, 1 x 101 cells of 10 m: the way is 1,000 m and falls 20 m."""
    level = 50.0 - 0.2 * np.arange(101)[None, :]
    terrain = delineate(make_inputs(level, cell_m=10.0), TerrainOptions(), Run())
    row = terrain.subcatchments.iloc[0]
    assert len(terrain.subcatchments) == 1
    assert row["longest_path_m"] == pytest.approx(1000.0)
    assert row["slope_10_85_fraction"] == pytest.approx(0.02)
    assert row["time_of_concentration_min"] == pytest.approx(0.0195 * 1000**0.77 * 0.02**-0.385)
    assert (
        row["time_of_concentration_low_min"]
        <= row["time_of_concentration_min"]
        <= row["time_of_concentration_high_min"]
    )
    other = delineate(make_inputs(level, cell_m=10.0), TerrainOptions(time_of_concentration="nrcs_lag"), Run())
    assert other.subcatchments.iloc[0]["time_of_concentration_min"] == row["time_nrcs_lag_min"]


def test_mean_slope_is_that_of_the_sides_not_of_the_way(make_inputs):
    """A valley with sides of 1 in 5 whose floor falls 1 in 20: the sides climb at the root of 1/5^2 + 1/20^2 = 0.2062.

    The floor has sides that cancel, and its neighbours half of that: 5 % there, 0.1118 beside it.
    """
    row, col = np.mgrid[0:400, 0:201]
    level = 100.0 - 0.05 * row + 0.2 * np.abs(col - 100)
    terrain = delineate(make_inputs(level), TerrainOptions(subcatchment_target_ha=100.0), Run())
    (own,) = terrain.subcatchments.itertuples()
    assert terrain.slope_fraction[200, 100] == pytest.approx(0.05, abs=1e-6)
    assert terrain.slope_fraction[200, 40] == pytest.approx(np.hypot(0.2, 0.05), abs=1e-6)
    assert own.mean_slope_fraction == pytest.approx(np.nanmean(terrain.slope_fraction.astype(np.float64)), abs=1e-6)
    assert own.mean_slope_fraction == pytest.approx(0.2062, abs=0.003)
    # The way's lower 85 % runs along the floor and down from one side: far less steep than the ground.
    assert 0.04 < own.slope_10_85_fraction < 0.11


def test_every_method_is_shown_and_the_range_is_theirs(make_inputs):
    level = 50.0 - 0.2 * np.arange(101)[None, :]
    names = ("kirpich", "velocity", "nrcs_lag", "bransby_williams")
    for method in names:
        options = TerrainOptions(time_of_concentration=method)
        row = delineate(make_inputs(level, cell_m=10.0), options, Run()).subcatchments.iloc[0]
        every = [row[f"time_{name}_min"] for name in names]
        assert row["time_of_concentration_method"] == method
        assert row["time_of_concentration_min"] == row[f"time_{method}_min"]
        assert row["time_of_concentration_low_min"] == min(every)
        assert row["time_of_concentration_high_min"] == max(every)
        assert len(set(every)) == 4


def test_entry_time_is_the_floor(make_inputs):
    terrain = delineate(make_inputs(10.0 - np.arange(8)[None, :] * 0.5), TerrainOptions(), Run())
    assert terrain.subcatchments["time_of_concentration_min"].tolist() == [3.0]


def test_flow_paths_follow_the_water(make_inputs, hills):
    data = make_inputs(hills(100, 130, seed=9))
    terrain = delineate(data, TerrainOptions(flow_path_min_ha=0.03, subcatchment_target_ha=0.2), Run())
    net = terrain.accumulation_cells >= 300
    covered = np.zeros(net.shape, dtype=bool)
    for name, path in terrain.flow_paths.iterrows():
        x, y = np.array(path.geometry.coords).T
        cells = data.grid.cells_of_xy(x, y)
        assert (terrain.receiver.ravel()[cells[:-1]] == cells[1:]).all(), name
        own = cells[:-1]
        assert (terrain.subcatchment_label.ravel()[own] == terrain.subcatchment_label.ravel()[own[0]]).all()
        assert path["subcatchment_id"] == terrain.subcatchments.index[terrain.subcatchment_label.ravel()[own[0]]]
        assert path["contributing_area_m2"] == terrain.accumulation_cells.ravel()[own[-1]]
        covered.ravel()[cells] = True
    lone_outlets = net & ~covered
    assert (terrain.receiver[lone_outlets] == -1).all()
    assert not (covered & ~net).any()


def test_frames_keep_their_columns_when_empty(make_inputs):
    terrain = delineate(make_inputs(10.0 - np.arange(8)[None, :] * 0.5), TerrainOptions(), Run())
    for name, columns in (
        ("hollows", ("depth_m", "volume_m3", "spills_into_id", "tree_number", "geometry")),
        ("flow_paths", ("contributing_area_m2", "subcatchment_id", "geometry")),
        ("edits", ("kind", "level_before_m", "cells", "geometry")),
    ):
        frame = getattr(terrain, name)
        assert len(frame) == 0
        assert set(columns) <= set(frame.columns)
        assert frame.crs == terrain.grid.crs


def test_ten_thousand_outlets_cost_no_more_than_ten(make_inputs, hills):
    """Counted in labels, not in seconds: one pass labels them all, and they tile the ground."""
    level = hills(260, 260, seed=1)
    data = make_inputs(level)
    rng = np.random.default_rng(0)
    cells = rng.choice(260 * 260, 10_000, replace=False)
    outlets = points(data, *[(f"o{n:05d}", int(cell % 260), int(cell // 260)) for n, cell in enumerate(cells)])
    terrain = delineate(make_inputs(level, outlets=outlets), TerrainOptions(outlet_snap_m=0.0), Run())
    assert_tiles_the_ground(terrain)
    assert (terrain.subcatchments["kind"] == "given").sum() == 10_000

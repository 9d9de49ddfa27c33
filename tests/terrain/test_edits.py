from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import delineate
from catchscreen.terrain.changes import cells_along
from catchscreen.terrain.ways import culvert_bed, underpass_bed


def lines(data, *rows):
    """Culvert rows: id, kind, coordinates as (col, row) of cell centres, and levels."""
    grid = data.grid
    geometry = [
        shapely.LineString([(grid.left + col + 0.5, grid.top - row - 0.5) for col, row in points])
        for _, _, points, _ in rows
    ]
    columns = {"kind": [row[1] for row in rows]}
    for key in ("upstream_level_m", "downstream_level_m", "width_m"):
        columns[key] = [row[3].get(key, np.nan) for row in rows]
    return gpd.GeoDataFrame(columns, index=[row[0] for row in rows], geometry=geometry, crs=grid.crs)


def valley_with_bank(make_inputs, *ways):
    """A valley that falls 1 in 5 to the south, with a bank of 3 m across it at rows 20 to 23."""
    row, col = np.mgrid[0:40, 0:31]
    level = 20.0 - 0.2 * row + 0.2 * np.abs(col - 15)
    level[20:24] += 3.0
    data = make_inputs(level)
    return make_inputs(level, culverts=lines(data, *ways)) if ways else data


def test_culvert_through_a_bank_joins_the_valley(make_inputs):
    closed = delineate(valley_with_bank(make_inputs), TerrainOptions(), Run())
    assert closed.hollows["volume_m3"].max() > 50
    way = ("C1", "culvert", [(15, 18), (15, 25)], {})
    opened = delineate(valley_with_bank(make_inputs, way), TerrainOptions(), Run())
    assert len(opened.hollows) == 0
    assert opened.accumulation_cells[26, 15] > 31 * 20
    edit = opened.edits.iloc[0]
    assert (edit["kind"], edit["source"], edit["cells"]) == ("culvert", "culvert C1", 4)
    assert edit["level_before_m"] == pytest.approx(18.7, abs=1e-4)
    assert edit["level_after_m"] == pytest.approx(15.7, abs=1e-4)
    ground = opened.conditioned_ticks[18:26, 15]
    assert (np.diff(ground) < 0).all()


def test_a_bank_across_a_valley_is_a_suspect(make_inputs):
    """Without its culvert the bank is proposed, with the volume behind it; with it nothing is left to ask."""
    run = Run()
    closed = delineate(valley_with_bank(make_inputs), TerrainOptions(suspect_min_volume_m3=20.0), run)
    assert len(closed.suspects) == 1
    suspect = closed.suspects.iloc[0]
    assert suspect["hollow_id"] == closed.hollows["volume_m3"].idxmax()
    assert 0 < suspect["volume_behind_m3"] <= closed.hollows["volume_m3"].max()
    assert suspect["volume_behind_m3"] > 0.8 * closed.hollows["volume_m3"].max()
    (upper_x, upper_y), (lower_x, lower_y) = suspect.geometry.coords
    assert upper_y > closed.grid.top - 20 > closed.grid.top - 24 > lower_y
    assert abs(upper_x - lower_x) <= 2
    assert [issue.code for issue in run.issues if issue.role == "culverts"] == ["suspected_missing_culvert"]
    assert (closed.conditioned_ticks == valley_with_bank(make_inputs).ground_ticks).all()
    way = ("C1", "culvert", [(15, 18), (15, 25)], {})
    opened = delineate(valley_with_bank(make_inputs, way), TerrainOptions(suspect_min_volume_m3=20.0), Run())
    assert len(opened.suspects) == 0
    assert opened.suspects.columns.tolist() == closed.suspects.columns.tolist()


def test_culvert_levels_are_used_and_never_raise_the_ground(make_inputs):
    way = (
        "C1",
        "culvert",
        [(15, 18), (15, 25)],
        {"upstream_level_m": 16.0, "downstream_level_m": 14.5, "width_m": 3.0},
    )
    data = valley_with_bank(make_inputs, way)
    terrain = delineate(data, TerrainOptions(), Run())
    assert (terrain.conditioned_ticks <= data.ground_ticks).all()
    assert terrain.conditioned_ticks[18, 15] == 160_000
    assert terrain.conditioned_ticks[25, 15] == 145_000
    assert (terrain.conditioned_ticks[21, 14:17] < 160_000).all()
    assert terrain.conditioned_ticks[21, 12] == data.ground_ticks[21, 12]


def test_underpass_keeps_its_hollow(make_inputs):
    """A road that sags by 1 m below a bank: the deck goes, the sag stays, so does the hollow in it."""
    row = np.arange(41)
    road = 10.0 + 0.05 * np.abs(row - 20)
    level = np.repeat(road[:, None] + 4.0, 21, axis=1)
    level[:, 9:12] = road[:, None]
    level[17:24, 9:12] = 15.0
    plain = make_inputs(level)
    way = ("U1", "underpass", [(10, 2), (10, 38)], {"width_m": 3.0})
    terrain = delineate(make_inputs(level, culverts=lines(plain, way)), TerrainOptions(), Run())
    bed = terrain.conditioned_ticks[:, 10] / 10_000
    np.testing.assert_allclose(bed[:17], road[:17])
    np.testing.assert_allclose(bed[24:], road[24:])
    np.testing.assert_allclose(bed[17:24], road[16], atol=1e-4)
    assert len(terrain.hollows) == 1
    hollow = terrain.hollows.iloc[0]
    assert hollow["floor_level_m"] == pytest.approx(road[16])
    assert hollow["spill_level_m"] == pytest.approx(11.0)
    assert terrain.edits.iloc[0]["kind"] == "underpass"


def test_culvert_bed_is_straight_monotone_and_below_ground():
    profile = np.array([100, 180, 60, 190, 80], dtype=np.int64)
    chainage = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    bed = culvert_bed(profile, chainage, (np.nan, np.nan))
    assert bed.tolist() == [100, 95, 60, 60, 60]
    assert culvert_bed(profile[::-1].copy(), chainage, (np.nan, np.nan)).tolist() == bed[::-1].tolist()


def test_underpass_bed_bridges_only_the_deck():
    profile = np.array([50, 40, 30, 90, 95, 20, 25, 45], dtype=np.int64)
    bed = underpass_bed(profile, np.arange(8.0), (np.nan, np.nan))
    assert bed.tolist() == [50, 40, 30, 27, 23, 20, 25, 45]


@pytest.mark.parametrize("seed", range(5))
def test_cells_along_a_line_touch_each_other(seed, make_inputs):
    data = make_inputs(np.zeros((30, 40)))
    points = np.random.default_rng(seed).uniform([1, 1], [39, 29], (4, 2))
    points += (data.grid.left, data.grid.top - 30)
    cell, chainage = cells_along(shapely.LineString(points), data.grid)
    row, col = np.divmod(cell, 40)
    first_steps = np.maximum(np.abs(np.diff(row)), np.abs(np.diff(col)))
    assert np.unique(cell).size == cell.size
    assert (np.diff(chainage) >= 0).all()
    assert np.median(first_steps) == 1


def test_a_way_that_lowers_nothing_is_noted(make_inputs):
    way = ("C9", "culvert", [(15, 2), (15, 8)], {"upstream_level_m": 30.0, "downstream_level_m": 29.0})
    run = Run()
    terrain = delineate(valley_with_bank(make_inputs, way), TerrainOptions(), run)
    assert len(terrain.edits) == 0
    assert [issue.feature for issue in run.issues if issue.code == "way_changes_nothing"] == ["C9"]


def test_buildings_are_raised_and_listed(make_inputs):
    data = make_inputs(20.0 - 0.01 * np.mgrid[0:30, 0:30][0])
    grid = data.grid
    box = shapely.box(grid.left + 10, grid.top - 20, grid.left + 15, grid.top - 12)
    outside = shapely.box(grid.left + 100, grid.top - 20, grid.left + 110, grid.top - 12)
    buildings = gpd.GeoDataFrame(index=["B1", "B2", "B3"], geometry=[box, outside, None], crs=grid.crs)
    with_buildings = make_inputs(20.0 - 0.01 * np.mgrid[0:30, 0:30][0], buildings=buildings)
    terrain = delineate(with_buildings, TerrainOptions(), Run())
    risen = terrain.conditioned_ticks - data.ground_ticks
    assert (risen[12:20, 10:15] == 5_000).all()
    assert (risen != 0).sum() == 40
    assert terrain.edits["source"].tolist() == ["building B1"]
    assert terrain.edits["level_after_m"].iloc[0] - terrain.edits["level_before_m"].iloc[0] == pytest.approx(0.5)
    np.testing.assert_allclose(terrain.slope_fraction, 0.01, rtol=1e-3)
    flat = delineate(with_buildings, TerrainOptions(raise_buildings=False), Run())
    assert len(flat.edits) == 0
    assert flat.edits.columns.tolist() == terrain.edits.columns.tolist()


CHANNEL = (10.0, 9.0, 8.9, 9.1, 8.5, 3.0, 6.0, 2.0)


def in_a_channel(levels):
    return np.vstack([np.full(len(levels), 100.0), levels, np.full(len(levels), 100.0)])


def test_carving_opens_what_a_shallow_cut_opens(make_inputs):
    """8.9 lies behind a rise of 9.1: one cell cut by 0.2 m opens it. 3.0 lies behind 6.0: 3 m is too deep to cut."""
    terrain = delineate(make_inputs(in_a_channel(CHANNEL)), TerrainOptions(depressions="carve"), Run())
    np.testing.assert_allclose(terrain.conditioned_ticks[1] / 10_000, (10.0, 9.0, 8.9, 8.9, 8.5, 3.0, 6.0, 2.0))
    assert terrain.edits[["kind", "cells"]].to_numpy().tolist() == [["cut", 1]]
    assert terrain.edits["level_before_m"].tolist() == [9.1]
    assert terrain.edits["level_after_m"].tolist() == [8.9]
    deep = delineate(
        make_inputs(in_a_channel(CHANNEL)), TerrainOptions(depressions="carve", carve_deepest_m=4.0), Run()
    )
    assert (deep.filled_ticks == deep.conditioned_ticks).all()


def test_a_cut_is_no_longer_than_allowed(make_inputs):
    """8.9 lies behind two cells of 9.1 and 9.0: one cell may not open it, two may; both lie within 0.3 m."""
    channel = (10.0, 9.3, 8.9, 9.1, 9.0, 8.5, 8.0)
    for longest_m, cuts in ((1.0, []), (2.0, [["cut", 2]])):
        options = TerrainOptions(depressions="carve", carve_longest_m=longest_m)
        terrain = delineate(make_inputs(in_a_channel(channel)), options, Run())
        assert terrain.edits[["kind", "cells"]].to_numpy().tolist() == cuts


def test_mixed_carves_the_small_and_keeps_the_real(make_inputs, keep_all):
    real = keep_all.model_copy(update={"depressions": "mixed", "carve_deepest_m": 4.0, "hollow_min_volume_m3": 1.0})
    terrain = delineate(make_inputs(in_a_channel(CHANNEL)), real, Run())
    assert terrain.conditioned_ticks[1, 3] == 89_000
    assert terrain.conditioned_ticks[1, 6] == 60_000
    assert terrain.hollows["volume_m3"].tolist() == [3.0]


def test_carving_without_limits_leaves_nothing_to_fill(make_inputs, hills):
    options = TerrainOptions(depressions="carve", carve_longest_m=1e4, carve_deepest_m=1e3)
    terrain = delineate(make_inputs(hills(60, 70, seed=3, smooth=1.0)), options, Run())
    assert (terrain.filled_ticks == terrain.conditioned_ticks).all()
    assert len(terrain.edits) > 5

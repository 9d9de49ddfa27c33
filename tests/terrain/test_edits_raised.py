"""Walls raised and watercourses lowered, in their order among the other edits."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import delineate
from catchscreen.terrain.changes import cells_across


def at(data, *places):
    """A line through cell centres given as (col, row)."""
    return shapely.LineString([(data.grid.left + col + 0.5, data.grid.top - row - 0.5) for col, row in places])


def plane(make_inputs, **layers):
    """Ground that falls 1 in 10 to the south."""
    return make_inputs(30.0 - 0.1 * np.mgrid[0:40, 0:40][0], **layers)


def test_a_wall_turns_water_aside_and_is_listed_with_its_levels(make_inputs):
    data = plane(make_inputs)
    walls = gpd.GeoDataFrame(
        {"height_m": [0.6, np.nan]},
        index=["W1", "W2"],
        geometry=[at(data, (5, 20), (25, 20)), at(data, (30, 30), (35, 30))],
        crs=data.grid.crs,
    )
    terrain = delineate(plane(make_inputs, walls=walls), TerrainOptions(wall_raise_m=1.5), Run())
    risen = terrain.conditioned_ticks - data.ground_ticks
    assert (risen[20, 5:26] == 6_000).all()
    assert (risen[30, 30:36] == 15_000).all()
    assert (risen != 0).sum() == 21 + 6
    edits = terrain.edits
    assert edits["kind"].tolist() == ["wall", "wall"]
    assert edits["source"].tolist() == ["wall W1", "wall W2"]
    assert edits["level_before_m"].tolist() == pytest.approx([28.0, 27.0])
    assert edits["level_after_m"].tolist() == pytest.approx([28.6, 28.5])
    assert terrain.accumulation_cells[21, 15] == 2  # itself and the top of the wall
    assert max(terrain.accumulation_cells[20, 4], terrain.accumulation_cells[20, 26]) > 200
    left_alone = delineate(plane(make_inputs, walls=walls), TerrainOptions(raise_walls=False), Run())
    assert (left_alone.conditioned_ticks == data.ground_ticks).all()


@pytest.mark.parametrize("ends", [((3, 5), (34, 31)), ((34, 4), (5, 30)), ((2, 20), (37, 20)), ((10, 2), (13, 37))])
def test_water_finds_no_diagonal_gap_in_a_wall(ends, make_inputs):
    """No step from cell to cell, straight or diagonal, crosses the wall's line except over its own cells."""
    data = plane(make_inputs)
    line = at(data, *ends)
    wall = np.zeros(1600, dtype=bool)
    wall[cells_across(line, data.grid)] = True
    row, col = np.divmod(np.arange(1600), 40)
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        near = (row + down < 40) & (col + right < 40) & (col + right >= 0)
        start = np.arange(1600)[near]
        goal = start + down * 40 + right
        dry = ~wall[start] & ~wall[goal]
        x0, y0 = data.grid.xy_of_cells(start[dry])
        x1, y1 = data.grid.xy_of_cells(goal[dry])
        steps = shapely.linestrings(np.stack([np.column_stack([x0, y0]), np.column_stack([x1, y1])], axis=1))
        assert not shapely.crosses(steps, line).any()


def test_where_walls_cross_the_higher_one_counts(make_inputs):
    data = plane(make_inputs)
    walls = gpd.GeoDataFrame(
        {"height_m": [0.5, 2.0]},
        index=["low", "high"],
        geometry=[at(data, (5, 20), (25, 20)), at(data, (15, 10), (15, 30))],
        crs=data.grid.crs,
    )
    terrain = delineate(plane(make_inputs, walls=walls), TerrainOptions(), Run())
    assert terrain.conditioned_ticks[20, 15] - data.ground_ticks[20, 15] == 20_000
    assert terrain.edits["source"].tolist() == ["wall low", "wall high"]
    assert terrain.edits["cells"].tolist() == [20, 21]


def test_watercourses_are_lowered_only_where_the_user_says_so(make_inputs):
    data = plane(make_inputs)
    pond = shapely.box(data.grid.left + 20, data.grid.top - 12, data.grid.left + 24, data.grid.top - 8)
    rivers = gpd.GeoDataFrame(index=["R1", "R2"], geometry=[at(data, (10, 0), (10, 39)), pond], crs=data.grid.crs)
    kept = delineate(plane(make_inputs, watercourses=rivers), TerrainOptions(), Run())
    assert (kept.conditioned_ticks == data.ground_ticks).all()
    lowered = delineate(plane(make_inputs, watercourses=rivers), TerrainOptions(watercourse_lower_m=0.4), Run())
    fallen = data.ground_ticks - lowered.conditioned_ticks
    assert (fallen[:, 10] == 4_000).all()
    assert (fallen[8:12, 20:24] == 4_000).all()
    assert (fallen != 0).sum() == 40 + 16
    assert lowered.edits["kind"].tolist() == ["watercourse", "watercourse"]
    np.testing.assert_allclose(lowered.edits["level_before_m"] - lowered.edits["level_after_m"], 0.4)
    assert lowered.accumulation_cells[39, 10] > kept.accumulation_cells[39, 10]


def test_a_watercourse_within_another_is_lowered_once(make_inputs):
    data = plane(make_inputs)
    line = at(data, (10, 5), (10, 30))
    rivers = gpd.GeoDataFrame(index=["R1", "R2"], geometry=[line, line], crs=data.grid.crs)
    terrain = delineate(plane(make_inputs, watercourses=rivers), TerrainOptions(watercourse_lower_m=1.0), Run())
    assert (data.ground_ticks - terrain.conditioned_ticks)[5:31, 10].tolist() == [10_000] * 26
    assert terrain.edits["source"].tolist() == ["watercourse R1"]


def test_a_culvert_below_a_wall_and_a_building_stays_open(make_inputs):
    """Raised first, cut last: its bed lies below the ground as it was."""
    data = plane(make_inputs)
    walls = gpd.GeoDataFrame(
        {"height_m": [2.0]}, index=["W1"], geometry=[at(data, (0, 20), (39, 20))], crs=data.grid.crs
    )
    house = shapely.box(data.grid.left + 8, data.grid.top - 28, data.grid.left + 16, data.grid.top - 24)
    buildings = gpd.GeoDataFrame(index=["B1"], geometry=[house], crs=data.grid.crs)
    ways = gpd.GeoDataFrame(
        {"kind": ["culvert"]}, index=["C1"], geometry=[at(data, (12, 18), (12, 30))], crs=data.grid.crs
    )
    terrain = delineate(plane(make_inputs, walls=walls, buildings=buildings, culverts=ways), TerrainOptions(), Run())
    bed = terrain.conditioned_ticks[18:31, 12]
    assert (np.diff(bed) < 0).all()
    assert terrain.accumulation_cells[30, 12] > 400
    assert terrain.edits["kind"].tolist() == ["building", "wall", "culvert"]


def test_a_footprint_with_a_courtyard_and_one_of_two_parts(make_inputs):
    """Raised are the cells whose centres lie in a footprint: not the courtyard, and both of two parts."""
    data = plane(make_inputs)
    left, top = data.grid.left, data.grid.top
    ring = shapely.box(left + 5, top - 15, left + 15, top - 5) - shapely.box(left + 8, top - 12, left + 12, top - 8)
    two = shapely.MultiPolygon([shapely.box(left + c, top - 30, left + c + 3, top - 25) for c in (20, 30)])
    buildings = gpd.GeoDataFrame(index=["ring", "two"], geometry=[ring, two], crs=data.grid.crs)
    terrain = delineate(plane(make_inputs, buildings=buildings), TerrainOptions(), Run())
    risen = terrain.conditioned_ticks != data.ground_ticks
    assert not risen[8:12, 8:12].any()
    assert terrain.edits["cells"].tolist() == [100 - 16, 30]
    assert risen.sum() == 114

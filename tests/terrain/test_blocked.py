"""Hollows with culverts open and blocked."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import delineate


def valley_with_bank(make_inputs, ways=()):
    """A valley that falls 1 in 5 to the south with a bank of 3 m across it, and a pit of 1 m elsewhere.

    ``ways`` : id, kind, (col, row) of both ends, capacity in l/s, level of the upper end.
    """
    row, col = np.mgrid[0:40, 0:61]
    level = 20.0 - 0.2 * row + 0.2 * np.abs(col - 15)
    level[20:24, :40] += 3.0
    level[8:16, 48:56] -= 2.0
    plain = make_inputs(level)
    if not ways:
        return plain
    grid = plain.grid
    lines = [
        shapely.LineString([(grid.left + c + 0.5, grid.top - r - 0.5) for c, r in ends]) for _, _, ends, _, _ in ways
    ]
    columns = {
        "kind": [way[1] for way in ways],
        "capacity_l_s": [way[3] for way in ways],
        "upstream_level_m": [way[4] for way in ways],
    }
    culverts = gpd.GeoDataFrame(columns, index=[way[0] for way in ways], geometry=lines, crs=grid.crs)
    return make_inputs(level, culverts=culverts)


CULVERT = ("C1", "culvert", ((15, 18), (15, 25)), 30.0, np.nan)


def test_what_stands_behind_a_blocked_culvert_is_what_stands_without_it(make_inputs):
    without = delineate(valley_with_bank(make_inputs), TerrainOptions(), Run())
    terrain = delineate(valley_with_bank(make_inputs, [CULVERT]), TerrainOptions(), Run())
    dammed = without.hollows.loc[without.hollows["volume_m3"].idxmax()]
    assert len(terrain.blocked) == 1
    row = terrain.blocked.iloc[0]
    for column in ("depth_m", "area_m2", "volume_m3", "spill_level_m", "floor_level_m", "contributing_area_m2"):
        assert row[column] == dammed[column]
    assert row.geometry.equals(dammed.geometry)
    assert (row["volume_open_m3"], row["hollow_ids"], row["culvert_sources"]) == (0.0, "", "culvert C1")
    edit = terrain.edits.iloc[0]
    assert (edit["capacity_l_s"], edit["blocked_id"]) == (30.0, "B0001")


def test_a_hollow_that_no_culvert_drains_is_in_both_states_alike_and_not_listed(make_inputs):
    terrain = delineate(valley_with_bank(make_inputs, [CULVERT]), TerrainOptions(), Run())
    assert len(terrain.hollows) == 1
    assert terrain.hollows["blocked_id"].tolist() == [""]
    assert terrain.hollows.geometry.iloc[0].intersection(terrain.blocked.geometry.iloc[0]).area == 0.0


def test_capacity_is_said_as_runoff_from_the_contributing_area(make_inputs):
    """30 l/s over A m2 is 30 x 3600 / A mm/h; with one of two culverts unknown the sum is unknown."""
    terrain = delineate(valley_with_bank(make_inputs, [CULVERT]), TerrainOptions(), Run())
    row = terrain.blocked.iloc[0]
    assert row["capacity_l_s"] == 30.0
    assert row["capacity_mm_h"] == pytest.approx(30.0 * 3600.0 / row["contributing_area_m2"])
    second = ("C2", "culvert", ((13, 18), (13, 25)), np.nan, np.nan)
    both = delineate(valley_with_bank(make_inputs, [CULVERT, second]), TerrainOptions(), Run()).blocked.iloc[0]
    assert both["culvert_sources"] == "culvert C1, culvert C2"
    assert np.isnan(both["capacity_l_s"])


def test_a_culvert_that_starts_high_leaves_a_hollow_that_both_states_show(make_inputs):
    """An upper end 0.6 m above the ground that it drains: what lies below it stays in the open state."""
    row, col = np.mgrid[0:40, 0:61]
    level = 20.0 - 0.2 * row + 0.2 * np.abs(col - 15)
    level[20:24] += 3.0
    level[14:18, 12:19] -= 1.5
    plain = make_inputs(level)
    line = shapely.LineString([(plain.grid.left + 15.5, plain.grid.top - r - 0.5) for r in (18, 25)])
    culverts = gpd.GeoDataFrame({"kind": ["culvert"]}, index=["C1"], geometry=[line], crs=plain.grid.crs)
    terrain = delineate(make_inputs(level, culverts=culverts), TerrainOptions(), Run())
    inner = terrain.hollows
    row = terrain.blocked.iloc[0]
    assert len(inner) == 1
    assert row["hollow_ids"] == inner.index[0]
    assert row["volume_open_m3"] == inner["volume_m3"].iloc[0] > 0.0
    assert row["volume_m3"] > 2.0 * row["volume_open_m3"]
    assert inner["blocked_id"].tolist() == ["B0001"]


def test_underpasses_are_never_blocked(make_inputs):
    way = ("U1", "underpass", ((15, 18), (15, 25)), np.nan, np.nan)
    terrain = delineate(valley_with_bank(make_inputs, [way]), TerrainOptions(), Run())
    assert terrain.blocked is None
    both = delineate(valley_with_bank(make_inputs, [way, CULVERT]), TerrainOptions(), Run())
    assert both.blocked is None or len(both.blocked) == 0

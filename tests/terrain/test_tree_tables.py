"""The tree of hollows as tables, and the statement of what the filters leave out."""

from __future__ import annotations

import numpy as np
import pytest

from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import delineate

CHANNEL = (9.0, 5.0, 2.0, 4.0, 3.0, 6.0, 1.0, 8.0, 0.0)
"""Pits of 2, 3 and 1 with passes of 4 and 6 between them; all spill over 8 to the right, which is 0."""


def in_a_channel(levels):
    return np.vstack([np.full(len(levels), 100.0), levels, np.full(len(levels), 100.0)])


def test_two_halves_merge_and_the_whole_spills(make_inputs, keep_all):
    """Worked by hand. Pit 2 holds 2 up to the pass of 4, pit 3 holds 1; merged they hold, up to 6, 1 + 4 + 2 + 3 = 10
    over the cells 5, 2, 4, 3. Pit 1 holds 5 up to 6. All three up to 8: 3 + 6 + 4 + 5 + 2 + 7 = 27 over six cells.
    """
    terrain = delineate(make_inputs(in_a_channel(CHANNEL)), keep_all, Run())
    parts = terrain.hollow_parts
    assert len(terrain.hollows) == 1
    whole = terrain.hollows.index[0]
    by_volume = {round(row.volume_m3, 6): name for name, row in parts.iterrows()}
    assert sorted(by_volume) == [1.0, 2.0, 5.0, 10.0, 27.0]
    assert by_volume[27.0] == whole
    assert set(parts["hollow_id"]) == {whole}
    into = parts["merges_into_id"]
    assert into[by_volume[2.0]] == into[by_volume[1.0]] == by_volume[10.0]
    assert into[by_volume[10.0]] == into[by_volume[5.0]] == whole
    assert into[whole] == ""
    spills = parts["spills_into_id"]
    assert spills[by_volume[2.0]] == by_volume[1.0]
    assert spills[by_volume[1.0]] == by_volume[2.0]
    assert spills[whole] == ""
    assert parts.loc[by_volume[10.0], ["depth_m", "area_m2", "spill_level_m"]].tolist() == [4.0, 4.0, 6.0]


def test_the_curve_at_ten_steps(make_inputs, keep_all):
    """The same whole: floor 1, spill 8, steps of 0.7. At 1.7 one cell under 0.7; at 8 six cells under 27."""
    terrain = delineate(make_inputs(in_a_channel(CHANNEL)), keep_all, Run())
    curve = terrain.hollow_curves
    levels = np.array(CHANNEL[1:7])
    assert len(curve) == 11
    for row in curve.itertuples():
        depth = np.maximum(row.level_m - levels, 0.0)
        assert row.volume_m3 == pytest.approx(depth.sum())
        if row.level_m < 8.0:
            assert row.area_m2 == (levels <= row.level_m).sum()
    assert curve["volume_m3"].iloc[[0, -1]].tolist() == [0.0, pytest.approx(27.0)]


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_tables_agree_with_the_layer_on_random_ground(seed, make_inputs, hills, keep_all):
    terrain = delineate(make_inputs(hills(60, 70, seed=seed, smooth=1.5)), keep_all, Run())
    parts, hollows = terrain.hollow_parts, terrain.hollows
    assert parts.index.is_unique
    assert len(parts) > len(hollows)
    for column in ("depth_m", "area_m2", "volume_m3", "spill_level_m", "floor_level_m", "spill_x", "spill_y"):
        np.testing.assert_allclose(parts.loc[hollows.index, column], hollows[column], rtol=1e-12)
    inner = parts[parts["merges_into_id"] != ""]
    above = parts.loc[inner["merges_into_id"]]
    assert (above["volume_m3"].to_numpy() >= inner["volume_m3"].to_numpy()).all()
    assert (above["hollow_id"].to_numpy() == inner["hollow_id"].to_numpy()).all()
    last = terrain.hollow_curves.groupby("hollow_id").last()
    np.testing.assert_allclose(last.loc[hollows.index, "volume_m3"], hollows["volume_m3"])
    np.testing.assert_allclose(last.loc[hollows.index, "area_m2"], hollows["area_m2"])


def test_no_hollow_gives_empty_tables(make_inputs):
    terrain = delineate(make_inputs(20.0 - np.mgrid[0:20, 0:20][0]), TerrainOptions(), Run())
    assert len(terrain.hollow_parts) == len(terrain.hollow_curves) == 0
    assert terrain.hollow_curves.columns.tolist() == ["hollow_id", "level_m", "area_m2", "volume_m3"]


def test_the_filters_are_stated_with_what_they_leave_out(make_inputs):
    """A kept pit of 36 m2 by 1 m, and two pits of one cell by 0.5 m, filled: 1 m3 in all, holding nothing."""
    level = 20.0 - 0.001 * np.mgrid[0:40, 0:40][0]
    level[10:16, 10:16] = 18.5
    level[30, 10] = level[30, 30] = level[31, 10] - 0.5
    run = Run()
    terrain = delineate(make_inputs(level), TerrainOptions(), run)
    (issue,) = [issue for issue in run.issues if issue.code == "hollow_filters"]
    assert issue.message == (
        "hollows count from 0.1 m deep, 25 m2 wide and 5 m3; 2 smaller depressions outside of them, of 1 m3 in all, are"
        " filled and hold nothing"
    )
    assert len(terrain.hollows) == 1
    assert (terrain.hollow_label.ravel()[terrain.hollow_label.ravel() >= 0] == 0).all()
    assert terrain.tree_label[30, 10] == terrain.tree_label[30, 30] == -1


def test_only_shallow_hollows_are_drawn_for_and_only_around_them(make_inputs, monkeypatch):
    """Of bowls of 0.3 m and 2 m the first alone is drawn for, in windows of the bowl and 30 m beside it."""
    from catchscreen.terrain import steadiness

    row, col = np.mgrid[0:120, 0:200]
    level = np.full(row.shape, 20.0)
    for centre, depth_m in ((50, 0.3), (150, 2.0)):
        away = np.hypot(row - 60, col - centre)
        level -= np.where(away < 12, depth_m * (1 - (away / 12) ** 2), 0.0)
    seen = []
    plain = steadiness.route

    def watched(ground, weights):
        seen.append(ground.shape)
        return plain(ground, weights)

    monkeypatch.setattr(steadiness, "route", watched)
    terrain = delineate(make_inputs(level), TerrainOptions(noise_draws=5), Run())
    assert len(seen) == 5
    assert all(24 + 60 - 4 <= side <= 24 + 60 + 4 for shape in seen for side in shape)
    assert terrain.hollows.sort_values("depth_m")["persistence_fraction"].iloc[-1] == 1.0

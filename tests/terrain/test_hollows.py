from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import label as components

from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import delineate
from catchscreen.terrain.hollows import CURVE_LEVELS, level_curve, merge
from catchscreen.terrain.steadiness import correlated_error

HIGH = 100.0


def channel(*levels):
    """A channel one cell wide between high banks; water leaves at its two ends."""
    return np.vstack([np.full(len(levels), HIGH), levels, np.full(len(levels), HIGH)])


def options_with(volume_m3):
    return TerrainOptions(hollow_min_depth_m=0.0, hollow_min_area_m2=0.0, hollow_min_volume_m3=volume_m3)


def test_upper_hollow_spills_into_the_lower(make_inputs, keep_all):
    """12 | 7 | 9 | 3 | 6 to 2. The hollow at 7 spills at 9 (holds 2), that at 3 at 6 (holds 3), off the data."""
    terrain = delineate(make_inputs(channel(10, 12, 7, 9, 3, 6, 2)), keep_all, Run())
    hollows = terrain.hollows
    assert hollows.index.tolist() == ["H0001", "H0002"]
    assert hollows["spill_level_m"].tolist() == [9.0, 6.0]
    assert hollows["floor_level_m"].tolist() == [7.0, 3.0]
    assert hollows["volume_m3"].tolist() == [2.0, 3.0]
    assert hollows["depth_m"].tolist() == [2.0, 3.0]
    assert hollows["area_m2"].tolist() == [1.0, 1.0]
    assert hollows["spills_into_id"].tolist() == ["H0002", ""]
    assert terrain.hollow_tree.parent.tolist() == [-1, -1]
    assert terrain.hollow_tree.spills_into.tolist() == [1, -1]


def test_three_hollows_merge_and_spill(make_inputs, keep_all):
    """5 | 8 | 2 | 6 | 3 | 7 | 4 | 9: the hollows at 2 and 3 merge at 6, with the one at 4 at 7, and all spill at 8.

    By hand: 2 holds 4 and 3 holds 3 up to 6; both together 5 + 1 + 4 = 10 up to 7; 4 holds 3 up to 7; all hold
    6 + 2 + 5 + 1 + 4 = 18 up to 8.
    """
    terrain = delineate(make_inputs(channel(5, 8, 2, 6, 3, 7, 4, 9)), keep_all, Run())
    tree = terrain.hollow_tree
    assert tree.parent.tolist() == [3, 3, 4, 4, -1]
    assert tree.spills_into.tolist() == [1, 0, 1, 2, -1]
    assert (tree.spill_ticks / 10_000).tolist() == [6, 6, 7, 7, 8]
    assert (tree.floor_ticks / 10_000).tolist() == [2, 3, 4, 2, 2]
    ends = tree.curve_start[1:] - 1
    assert (tree.curve_volume_ticks[ends] / 10_000).tolist() == [4, 3, 3, 10, 18]
    assert tree.curve_cells[ends].tolist() == [1, 1, 1, 3, 5]
    assert terrain.hollows["volume_m3"].tolist() == [18.0]
    assert terrain.hollows.geometry.iloc[0].area == 5.0
    assert (terrain.hollows["spill_x"].iloc[0], terrain.hollows["spill_y"].iloc[0]) == (500_001.5, 4_999_998.5)


def test_small_pits_in_a_kept_hollow_are_part_of_its_floor(make_inputs):
    """Hollows from 3.5 m3: only one of each merging pair is large enough, so one of 18 m3 is left."""
    terrain = delineate(make_inputs(channel(5, 8, 2, 6, 3, 7, 4, 9)), options_with(3.5), Run())
    assert terrain.hollow_tree.parent.tolist() == [-1]
    assert terrain.hollows["volume_m3"].tolist() == [18.0]
    assert terrain.hollow_tree.curve_volume_ticks[-1] == 180_000


def test_a_small_pit_outside_holds_nothing_and_passes_its_water_on(make_inputs):
    """Hollows from 2.5 m3: the pit at 7 is filled, its ground belongs to the hollow at 3."""
    terrain = delineate(make_inputs(channel(10, 12, 7, 9, 3, 6, 2)), options_with(2.5), Run())
    assert terrain.hollows["volume_m3"].tolist() == [3.0]
    assert terrain.hollow_label[1].tolist() == [-1, 0, 0, 0, 0, -1, -1]
    assert terrain.hollows["own_area_m2"].iloc[0] == (terrain.hollow_label == 0).sum()


def test_filters_are_of_depth_area_and_volume(make_inputs):
    level = channel(10, 12, 7, 9, 3, 6, 2)
    loose = {"hollow_min_depth_m": 0.0, "hollow_min_area_m2": 0.0, "hollow_min_volume_m3": 0.0}
    for key, value in (("hollow_min_depth_m", 2.5), ("hollow_min_area_m2", 1.5), ("hollow_min_volume_m3", 2.5)):
        terrain = delineate(make_inputs(level), TerrainOptions(**{**loose, key: value}), Run())
        assert len(terrain.hollows) == (0 if key == "hollow_min_area_m2" else 1)


@pytest.mark.parametrize("seed", range(4))
def test_tree_volumes_against_counting(seed, route_grid):
    """On ground whose levels all differ, a hollow is the patch below its spill level that holds its floor cell.

    Where one cell is the pass between three basins, the first two merge at a level at which the third is not yet
    parted: such a hollow is its two parts, and is counted with the one that it merges into.
    """
    level = np.random.default_rng(seed).permutation(23 * 19).reshape(23, 19).astype(np.int32) * 3
    routing = route_grid(level)
    every = merge(routing)
    assert every.parent.size > 10
    same_level = every.parent[np.flatnonzero(every.spill == np.append(every.spill, -1)[every.parent])]
    for hollow in np.setdiff1d(np.arange(every.parent.size), same_level):
        below, _ = components(routing.level < every.spill[hollow], structure=np.ones((3, 3)))
        patch = below == below.ravel()[every.floor_cell[hollow]]
        assert every.cells[hollow] == patch.sum()
        assert every.volume[hollow] == (every.spill[hollow] - routing.level[patch].astype(np.int64)).sum()
        assert every.floor[hollow] == routing.level[patch].min()


@pytest.mark.parametrize("seed", range(3))
def test_held_water_equals_the_fill(seed, make_inputs, keep_all):
    """With every hollow kept, the outermost hollows hold exactly what filling adds, ties and gaps included."""
    rng = np.random.default_rng(seed)
    level = rng.integers(0, 6, (40, 50)).astype(np.float64)
    valid = rng.random(level.shape) > 0.05
    terrain = delineate(make_inputs(level, valid), keep_all, Run())
    added = (terrain.filled_ticks.astype(np.int64) - terrain.conditioned_ticks)[valid].sum() / 10_000
    assert terrain.hollows["volume_m3"].sum() == pytest.approx(added, abs=1e-9)
    wet = (terrain.filled_ticks > terrain.conditioned_ticks) & valid
    assert terrain.hollows["area_m2"].sum() == wet.sum()
    assert terrain.hollows.geometry.area.sum() == wet.sum()


def test_curve_is_exact_between_its_levels():
    ground = np.array([2, 3, 3, 5, 9], dtype=np.int64)
    levels, cells, volume = level_curve(ground, 7)
    assert levels.tolist() == [2, 3, 5, 7]
    assert cells.tolist() == [1, 3, 4, 4]
    assert volume.tolist() == [0, 1, 7, 15]


def test_long_curves_keep_floor_spill_and_exact_points():
    ground = np.sort(np.random.default_rng(0).integers(0, 50_000, 5_000))
    levels, cells, volume = level_curve(ground, 50_001)
    assert levels.size <= CURVE_LEVELS
    assert (levels[0], levels[-1]) == (ground[0], 50_001)
    for at in (0, 17, -1):
        assert cells[at] == (ground <= levels[at]).sum()
        assert volume[at] == np.maximum(levels[at] - ground, 0).sum()


@pytest.mark.parametrize("seed", range(3))
def test_chain_of_labels_is_sound(seed, make_inputs, hills):
    """Tree labels point to hollows without hollows inside, and their outermost hollow is the hollow label."""
    level = hills(120, 110, seed=seed, smooth=2.0, height=2.0)
    options = TerrainOptions(hollow_min_depth_m=0.05, hollow_min_area_m2=4.0, hollow_min_volume_m3=0.5)
    terrain = delineate(make_inputs(level), options, Run())
    tree = terrain.hollow_tree
    assert (tree.parent >= 0).any()
    inner = np.setdiff1d(np.arange(tree.parent.size), tree.parent)
    used = np.unique(terrain.tree_label[terrain.tree_label >= 0])
    assert np.isin(used, inner).all()
    assert np.isin(tree.spills_into[tree.spills_into >= 0], inner).all()
    outer = np.arange(tree.parent.size)
    while (tree.parent[outer] >= 0).any():
        outer = np.where(tree.parent[outer] >= 0, tree.parent[outer], outer)
    number = terrain.hollows["tree_number"].to_numpy()
    known = terrain.tree_label >= 0
    assert ((terrain.hollow_label >= 0) == known).all()
    assert (number[terrain.hollow_label[known]] == outer[terrain.tree_label[known]]).all()
    for hollow in range(tree.parent.size):
        assert outer[hollow] == hollow or tree.spill_ticks[tree.parent[hollow]] >= tree.spill_ticks[hollow]
        target = tree.spills_into[hollow]
        if target >= 0 and tree.parent[hollow] >= 0:
            assert outer[target] == outer[hollow]


def bowls(*depths_m):
    """Bowls of 12 m radius and some depths in level ground, 60 m apart."""
    row, col = np.mgrid[0:60, 0 : 60 * len(depths_m)]
    level = np.full(row.shape, 20.0)
    for number, depth_m in enumerate(depths_m):
        away = np.hypot(row - 30, col - 30 - 60 * number)
        level -= np.where(away < 12, depth_m * (1 - (away / 12) ** 2), 0.0)
    return level


def test_shallow_hollows_persist_less_than_deep_ones(make_inputs):
    """With an error of 0.1 m over 30 m: 2 m deep is not drawn for, 0.5 m nearly always stays, 0.11 m often does not."""
    data = make_inputs(bowls(0.11, 0.5, 2.0))
    options = TerrainOptions(noise_draws=12)
    share = delineate(data, options, Run()).hollows["persistence_fraction"].to_numpy()
    assert share[2] == 1.0
    assert share[1] > 0.9
    assert share[0] < share[1]
    again = delineate(data, options, Run()).hollows["persistence_fraction"].to_numpy()
    assert (share == again).all()
    assert delineate(data, TerrainOptions(), Run()).hollows["persistence_fraction"].isna().all()


def test_what_else_is_in_the_data_does_not_change_a_persistence(make_inputs):
    """The draws belong to the spill point and the window: a second bowl 60 m away leaves the first one's share."""
    options = TerrainOptions(noise_draws=6, noise_range_m=10.0)
    alone, beside = (
        delineate(make_inputs(bowls(*depths_m)), options, Run()).hollows.iloc[0]
        for depths_m in ((0.13, 0.0), (0.13, 0.4))
    )
    assert (alone["spill_x"], alone["spill_y"]) == (beside["spill_x"], beside["spill_y"])
    assert 0.0 < alone["persistence_fraction"] < 1.0
    assert alone["persistence_fraction"] == beside["persistence_fraction"]


def test_error_has_the_stated_spread(make_inputs):
    grid = make_inputs(np.zeros((400, 400))).grid
    error = correlated_error((400, 400), np.random.default_rng(0), grid, 0.1, 10.0) / 10_000
    assert error.std() == pytest.approx(0.1, rel=0.1)
    near = np.corrcoef(error[:, :-2].ravel(), error[:, 2:].ravel())[0, 1]
    far = np.corrcoef(error[:, :-12].ravel(), error[:, 12:].ravel())[0, 1]
    assert near > 0.8
    assert abs(far) < 0.15

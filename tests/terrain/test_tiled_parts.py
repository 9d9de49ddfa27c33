"""Pieces of the terrain stage over tiles, each beside what it must equal."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.terrain import flows, snapping
from catchscreen.terrain._kernels import banks, cutting
from catchscreen.terrain.carving import carve_depressions
from catchscreen.terrain.conditioning import HIGHEST_TICKS, frame_levels
from catchscreen.terrain.frames import slope_sums
from catchscreen.terrain.hollows import level_curve
from catchscreen.terrain.moving import cells_within
from catchscreen.terrain.routing import route
from catchscreen.terrain.tiled import route_tiles
from catchscreen.terrain.tiled_carving import carve_tiles
from catchscreen.terrain.tiled_curves import Curve
from catchscreen.terrain.tiled_flows import TiledFlows
from catchscreen.terrain.tiled_holes import ReadyGround, wall_off_holes
from catchscreen.terrain.tiled_reading import Patched, gather
from catchscreen.tiles import NO_LEVEL, Room, Tiling

SQUARE = (2.0, 2.0, 1.0)


def grid_of(level, cell_m=1.0):
    return Grid(*level.shape, 0.0, float(level.shape[0]), cell_m, cell_m, CRS.from_epsg(32628))


def routed(level, valid, size):
    framed = frame_levels(level, valid)
    return route(framed, SQUARE), route_tiles(framed[1:-1, 1:-1], size, SQUARE, Room(), keep_graph=True)


@pytest.mark.parametrize("size", [16, 23, 64])
@pytest.mark.parametrize("gaps", [0.02, 0.3, 0.6])
def test_holes_are_walls_as_in_the_whole(gaps, size):
    """With gaps over 30 % of the cells patches, islands in holes and holes in islands cross all tiles."""
    rng = np.random.default_rng(round(100 * gaps))
    valid = rng.random((75, 67)) > gaps
    valid[20:50, 10:60] = False
    valid[25:45, 15:55] = rng.random((20, 40)) > gaps
    level = np.where(valid, rng.integers(0, 900, valid.shape), NO_LEVEL).astype(np.int32)
    expected = frame_levels(level, valid, "wall")[1:-1, 1:-1]
    found = ReadyGround(level, wall_off_holes(level, size, Room()))
    np.testing.assert_array_equal(found[:, :], expected)
    np.testing.assert_array_equal(found[13:40, 5:61], expected[13:40, 5:61])
    assert (expected == NO_LEVEL - 1).any()


def test_levels_that_are_none_are_refused():
    level = np.full((20, 20), HIGHEST_TICKS + 1, dtype=np.int32)
    with pytest.raises(ValueError, match=r"9\.5 km"):
        ReadyGround(level, None)[0:5, 0:5]


@pytest.mark.parametrize("size", [16, 500])
def test_gathered_values_are_those_of_the_cells(size, tmp_path):
    rng = np.random.default_rng(1)
    whole = rng.integers(0, 10**6, (300, 290)).astype(np.int32)
    tiling = Tiling(300, 290, size)
    store = Room(tmp_path).make("values", tiling, np.int32)
    for tile in tiling:
        store.write(tile, whole[tile.window])
    cell = rng.integers(0, whole.size, 4_000)
    np.testing.assert_array_equal(gather(store, cell), whole.ravel()[cell])
    assert gather(store, cell[:0]).size == 0


@pytest.mark.parametrize("in_memory", [True, False])
def test_lent_room_is_apart_and_cleared(in_memory, tmp_path):
    room = Room() if in_memory else Room(tmp_path)
    tiling = Tiling(20, 20, 16)
    own = room.make("values", tiling, np.int32)
    own.write(tiling.tile(0, 0), np.full((16, 16), 7))
    with room.within("again") as lent:
        other = lent.make("values", tiling, np.int32)
        other.write(tiling.tile(0, 0), np.full((16, 16), 8))
        assert (own.read(tiling.tile(0, 0)) == 7).all()
        assert (other.read(tiling.tile(0, 0)) == 8).all()
    assert (own.read(tiling.tile(0, 0)) == 7).all()
    assert not any(path.is_dir() for path in tmp_path.iterdir())


def test_patches_lie_over_each_other():
    """The upper one sees the lower one's levels, and changes none of them."""
    whole = np.arange(30 * 25, dtype=np.int32).reshape(30, 25)
    below = Patched(whole)
    below.put(np.array([26, 27, 700]), np.array([-1, -2, -3]))
    above = Patched(below)
    above.put(np.array([27, 28]), np.array([-20, -30]))
    assert above.at(np.array([25, 26, 27, 28, 700])).tolist() == [25, -1, -20, -30, -3]
    assert above[1:2, 0:5].tolist() == [[25, -1, -20, -30, 29]]
    assert below[1:2, 0:5].tolist() == [[25, -1, -2, 28, 29]]
    assert (above[2:28, :] == whole[2:28]).all()
    assert whole[1, 1] == 26


@pytest.mark.parametrize("radius_m", [0.0, 4.0, 15.0])
def test_each_outlet_is_put_where_it_is_in_the_whole(radius_m, hills):
    """One point in every seventh cell, rivals among them; ways between cells within 15 m go through other tiles."""
    level = np.rint(hills(70, 66, seed=3, smooth=2.0) * 10_000).astype(np.int32)
    valid = np.random.default_rng(2).random(level.shape) > 0.01
    grid = grid_of(level)
    whole, tiled = routed(level, valid, 16)
    x, y = grid.xy_of_cells(np.arange(0, level.size, 7))
    outlets = gpd.GeoDataFrame(geometry=gpd.points_from_xy(x + 0.2, y - 0.1), crs=grid.crs)
    places = [
        snapping._best_cells(outlets, way, grid, radius_m) for way in (flows.WholeFlows(whole), TiledFlows(tiled))
    ]
    assert places[0] == places[1]
    assert radius_m == 0.0 or any(place is not None and place[3] is not None for place in places[0])


@pytest.mark.parametrize("size", [16, 23])
def test_cells_drain_through_others_over_tiles(size, hills):
    level = np.rint(hills(60, 61, seed=9, smooth=3.0) * 1_000).astype(np.int32)
    whole, tiled = routed(level, np.ones(level.shape, dtype=bool), size)
    rng = np.random.default_rng(0)
    start = rng.integers(0, level.size, 800)
    receiver = whole.receivers().ravel()
    goal = start.copy()
    for _ in range(40):
        goal = np.where(receiver[goal] >= 0, receiver[goal], goal)
    goal[::4] = rng.integers(0, level.size, goal[::4].size)
    expected = flows.WholeFlows(whole).drain_through(start, goal)
    assert 100 < expected.sum() < 800
    np.testing.assert_array_equal(TiledFlows(tiled).drain_through(start, goal), expected)


@pytest.mark.parametrize("depressions", ["carve", "mixed"])
@pytest.mark.parametrize(("longest_m", "deepest_m"), [(1.0, 0.05), (9.0, 0.2), (400.0, 10.0)])
def test_cuts_equal_those_of_the_whole(longest_m, deepest_m, depressions):
    """Cuts up to a cell, up to nine, and up to longer than the ground: these use one another's cells."""
    rng = np.random.default_rng(4)
    level = (rng.integers(0, 3_000, (55, 48)) + 40 * np.arange(55)[:, None]).astype(np.int32)
    valid = rng.random(level.shape) > 0.01
    grid = grid_of(level)
    options = TerrainOptions(
        depressions=depressions,
        carve_longest_m=longest_m,
        carve_deepest_m=deepest_m,
        hollow_min_depth_m=0.1,
        hollow_min_area_m2=3.0,
        hollow_min_volume_m3=0.1,
    )
    whole, tiled = routed(level, valid, 16)
    expected, cuts = carve_depressions(whole.level, whole, grid, options)
    source = frame_levels(level, valid)[1:-1, 1:-1]
    found, tiled_cuts = carve_tiles(source, tiled, grid, options)
    np.testing.assert_array_equal(found[:, :], expected[1:-1, 1:-1])
    assert len(cuts) > 0
    assert tiled_cuts == cuts


def test_listed_ways_are_cut_in_their_order():
    """Cells 0 to 5 at levels 2, 4, 1, 3, 9, 0. The pit at 2 (level 1) cuts 3 and stops at 4, too deep; the one at 0
    (level 2) cuts 1 and ends at cell 2; the last (level 2) finds cell 1 cut already."""
    for function in (cutting.cut_ways, cutting.cut_ways.py_func):
        level = np.array([2, 4, 1, 3, 9, 0], dtype=np.int32)
        pit, start = np.array([2, 0, 0]), np.array([0, 3, 5, 7])
        way = np.array([3, 4, 5, 1, 2, 1, 2])
        count, before = function(level, pit, way, start, 4, 5)
        assert count.tolist() == [0, 1, 0]
        assert level.tolist() == [2, 2, 1, 3, 9, 0]
        assert before[3] == 4


def test_the_first_low_ground_beyond_a_bank():
    """A hollow at 2 behind a bank at 9 that spills at 5: low ground (water at 3 or less) lies three cells east.

    One cell west the ground is as low, but no bank stands between; north and south the bank goes on.
    """
    level = np.full((3, 7), 9, dtype=np.int32)
    level[1] = (1, 2, 2, 9, 9, 2, 1)
    filled = np.maximum(level, np.array([1, 5, 5, 5, 5, 2, 1], dtype=np.int32))
    steps = np.arange(1, 6)[:, None] * np.array([0, 0, -1, 1]), np.arange(1, 6)[:, None] * np.array([1, -1, 0, 0])
    for function in (banks.first_low_ground, banks.first_low_ground.py_func):
        assert function((level, filled, level), np.array([8, 9]), steps, 5, 3.0) == (2, 9, 12, 9)
        assert function((level, filled, level), np.array([8, 9]), steps, 9, 3.0)[0] == -1
        assert function((level, filled, level), np.array([8]), steps, 5, 3.0) == (3, 8, 12, 9)


@pytest.mark.parametrize("many", [3, 40, 300, 4_000])
def test_a_curve_is_the_same_from_any_parts(many):
    """Few levels are all listed; of more than 255 so many evenly spaced ones; levels above the spill do not count."""
    rng = np.random.default_rng(many)
    level = rng.integers(0, many, 5_000) * 7
    spill = int(0.8 * 7 * many) + 1
    expected = level_curve(np.sort(level), spill)
    curve = Curve(int(level.min()), spill)
    for part in np.array_split(level, 23):
        curve.add(*np.unique(part, return_counts=True))
    for one, other in zip(curve.listed(), expected, strict=True):
        np.testing.assert_array_equal(one, other)
    assert (expected[0].size == 256) == (many > 300)


def test_cells_within_an_outline_are_those_whose_centre_it_holds():
    grid = Grid(40, 50, 100.3, 900.7, 0.7, 1.3, CRS.from_epsg(32628))
    outline = shapely.Polygon([(95.0, 880.0), (118.2, 897.3), (140.0, 845.0), (111.1, 860.2)])
    x, y = grid.xy_of_cells(np.arange(2_000))
    expected = np.flatnonzero(shapely.contains_xy(outline, x, y))
    np.testing.assert_array_equal(cells_within(outline, grid), expected)
    assert cells_within(shapely.box(0.0, 0.0, 5.0, 5.0), grid).size == 0


def test_slopes_add_up_to_the_same_in_any_order():
    rng = np.random.default_rng(0)
    label = rng.integers(-1, 4, (80, 90)).astype(np.int32)
    slope = np.where(rng.random(label.shape) > 0.1, rng.gamma(1.0, 0.1, label.shape), np.nan).astype(np.float32)
    total, cells = slope_sums(label, slope, 4)
    parts = [slope_sums(label[k::7], slope[k::7], 4) for k in (3, 0, 6, 1, 5, 2, 4)]
    np.testing.assert_array_equal(sum(part[0] for part in parts), total)
    np.testing.assert_array_equal(sum(part[1] for part in parts), cells)
    for own in range(4):
        mean = np.nanmean(slope[label == own].astype(np.float64))
        assert total[own] / (1 << 20) / cells[own] == pytest.approx(mean, abs=5e-7)

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from pyproj import CRS

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.terrain.catchments import divide
from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.hollows import find_hollows
from catchscreen.terrain.routing import route
from catchscreen.terrain.tiled import route_tiles
from catchscreen.terrain.tiled_catchments import divide_tiles
from catchscreen.terrain.tiled_hollows import find_hollows_tiled, label_hollows
from catchscreen.tiles import Room

SQUARE = (2.0, 2.0, 1.0)
FILTERS = (
    TerrainOptions(hollow_min_depth_m=0.0, hollow_min_area_m2=0.0, hollow_min_volume_m3=0.0),
    TerrainOptions(hollow_min_depth_m=0.05, hollow_min_area_m2=6.0, hollow_min_volume_m3=0.5),
)


def ground(kind, hills):
    rng = np.random.default_rng(6)
    level = {
        "hills": np.rint(hills(66, 58, seed=4, smooth=2.0, tilt=0.0) * 1000),
        "steps": rng.integers(0, 5, (66, 58)) * 1000,
        "noise": rng.permutation(66 * 58).reshape(66, 58),
        "bowl": np.floor(np.hypot(*np.mgrid[-33:33, -29:29])) * 1000 + rng.integers(0, 900, (66, 58)),
    }[kind]
    return level.astype(np.int32), rng.random(level.shape) > (0.04 if kind == "hills" else 0.0)


def both(level, valid, size, holes="outlet", room=None):
    framed = frame_levels(level, valid, holes)
    return route(framed, SQUARE), route_tiles(framed[1:-1, 1:-1], size, SQUARE, room or Room(), keep_graph=True)


@pytest.mark.parametrize("options", FILTERS, ids=["all", "filtered"])
@pytest.mark.parametrize("size", [16, 29, 500])
@pytest.mark.parametrize("kind", ["hills", "steps", "noise", "bowl"])
def test_tree_volumes_and_curves_equal_the_whole(kind, size, options, hills, tmp_path):
    level, valid = ground(kind, hills)
    grid = Grid(*level.shape, 0.0, 0.0, 1.0, 1.0, CRS.from_epsg(32628))
    whole, tiled = both(level, valid, size, room=Room(tmp_path))
    expected = find_hollows(whole, grid, options)
    found, basins = find_hollows_tiled(tiled, grid, options)
    assert expected.kept.size > 0
    for part in fields(expected.merging):
        np.testing.assert_array_equal(
            getattr(found.merging, part.name), getattr(expected.merging, part.name), part.name
        )
    for part in fields(expected.tree):
        np.testing.assert_array_equal(getattr(found.tree, part.name), getattr(expected.tree, part.name), part.name)
    for name in ("kept", "outer", "outer_of_basin", "home_of_basin", "holds_basin"):
        np.testing.assert_array_equal(getattr(found, name), getattr(expected, name), name)
    label = whole.graph.label[1:-1, 1:-1] - whole.graph.outlets
    home = np.where(label >= 0, np.append(expected.home_of_basin, -1)[np.maximum(label, -1)], -1)
    np.testing.assert_array_equal(label_hollows(tiled, basins, found.home_of_basin, "home"), home)


def test_ground_without_a_way_out_has_the_same_tree(hills):
    level, valid = ground("noise", hills)
    framed = frame_levels(level, valid)
    wall = np.zeros(level.shape, dtype=bool)
    wall[10:50, [10, 49]] = wall[[10, 49], 10:50] = True
    framed[1:-1, 1:-1][wall] = 2**31 - 2
    grid = Grid(*level.shape, 0.0, 0.0, 1.0, 1.0, CRS.from_epsg(32628))
    expected = find_hollows(route(framed, SQUARE), grid, FILTERS[0])
    tiled = route_tiles(framed[1:-1, 1:-1], 16, SQUARE, Room(), keep_graph=True)
    found, _ = find_hollows_tiled(tiled, grid, FILTERS[0])
    np.testing.assert_array_equal(found.merging.volume, expected.merging.volume)
    np.testing.assert_array_equal(found.tree.curve_volume_ticks, expected.tree.curve_volume_ticks)


def test_hollows_need_what_was_kept(hills):
    level, valid = ground("hills", hills)
    tiled = route_tiles(frame_levels(level, valid)[1:-1, 1:-1], 16, SQUARE, Room())
    grid = Grid(*level.shape, 0.0, 0.0, 1.0, 1.0, CRS.from_epsg(32628))
    with pytest.raises(ValueError, match="keep_graph=True"):
        find_hollows_tiled(tiled, grid, FILTERS[0])


@pytest.mark.parametrize("given", [0, 1, 12, 300])
@pytest.mark.parametrize(("kind", "size", "target"), [("hills", 16, 200), ("steps", 23, 60), ("noise", 500, 1)])
def test_subcatchments_equal_the_whole(kind, size, target, given, hills, tmp_path):
    level, valid = ground(kind, hills)
    whole, tiled = both(level, valid, size, room=Room(tmp_path))
    cols = level.shape[1]
    cell = np.random.default_rng(given).choice(np.flatnonzero(valid), given, replace=False)
    found, label = divide_tiles(tiled, cell, target)
    row, col = np.divmod(cell, cols)
    framed = (row + 1) * (cols + 2) + col + 1
    expected = divide(whole, framed, target)
    np.testing.assert_array_equal(np.asarray(label)[valid], expected.label[1:-1, 1:-1][valid])
    assert (np.asarray(label)[~valid] < 0).all()
    outlet_row, outlet_col = np.divmod(expected.outlet_cell, cols + 2)
    np.testing.assert_array_equal(found.outlet_cell, (outlet_row - 1) * cols + outlet_col - 1)
    for name in ("kind", "downstream", "given", "cells"):
        np.testing.assert_array_equal(getattr(found, name), getattr(expected, name), name)

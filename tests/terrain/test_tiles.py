from __future__ import annotations

import numpy as np
import pytest

from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.routing import route
from catchscreen.terrain.tiled import route_tiles
from catchscreen.tiles import Room, Tiling

SQUARE = (2.0, 2.0, 1.0)


def grounds(hills):
    rng = np.random.default_rng(4)
    plain = np.rint(hills(70, 90, seed=2) * 10_000)
    lake = plain.copy()
    lake[15:60, 20:80] = lake[15:60, 20:80].min()
    closed = plain.copy()
    closed[20:55, 10:85] = plain.min() - 5_000
    return {
        "hills": plain,
        "whole metres": np.floor(plain / 10_000) * 10_000,
        "noise": rng.permutation(64 * 71).reshape(64, 71),
        "steps": rng.integers(0, 3, (67, 50)),
        "flat": np.zeros((50, 70)),
        "plateau over many tiles": lake,
        "closed plateau over many tiles": closed,
    }


def assert_same(level, valid, size, room, holes="outlet"):
    framed = frame_levels(level.astype(np.int32), valid, holes)
    whole = route(framed, SQUARE)
    tiled = route_tiles(framed[1:-1, 1:-1], size, SQUARE, room)
    for name in ("code", "filled", "basin", "total"):
        np.testing.assert_array_equal(
            np.asarray(getattr(tiled, name))[valid], getattr(whole, name)[1:-1, 1:-1][valid], err_msg=name
        )
    row, col = np.divmod(whole.outlet_cell, level.shape[1] + 2)
    np.testing.assert_array_equal(tiled.outlet_cell, (row - 1) * level.shape[1] + col - 1)


@pytest.mark.parametrize(("size", "gaps"), [(16, 0.1), (33, 0.0)])
@pytest.mark.parametrize(
    "name",
    ["hills", "whole metres", "noise", "steps", "flat", "plateau over many tiles", "closed plateau over many tiles"],
)
def test_tiles_equal_the_whole(name, gaps, size, hills):
    level = grounds(hills)[name]
    valid = np.random.default_rng(11).random(level.shape) >= gaps
    assert_same(level, valid, size, Room())


@pytest.mark.parametrize("size", [1, 5, 1000])
def test_tiles_of_any_size(size, hills):
    level = np.rint(hills(13, 17, seed=3, smooth=1.0) * 10)
    valid = np.random.default_rng(1).random(level.shape) >= 0.1
    assert_same(level, valid, size, Room())


def test_holes_as_walls_over_tiles(hills):
    level = np.rint(hills(60, 60, seed=5) * 100)
    valid = np.ones(level.shape, dtype=bool)
    valid[20:40, 25:38] = False
    valid[28:31, 30:33] = True
    assert_same(level, valid, 16, Room(), holes="wall")


def test_out_of_core(tmp_path, hills):
    level = np.rint(hills(80, 75, seed=6) * 1000).astype(np.int32)
    assert_same(level, np.ones(level.shape, dtype=bool), 32, Room(tmp_path))
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "basin.cells",
        "code.cells",
        "filled.cells",
        "total.cells",
    ]


def test_tiling_covers_the_grid_once():
    tiling = Tiling(70, 45, 16)
    seen = np.zeros((70, 45), dtype=int)
    for tile in tiling:
        seen[tile.window] += 1
    assert (seen == 1).all()
    assert (tiling.down, tiling.across) == (5, 3)

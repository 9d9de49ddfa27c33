from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from catchscreen.terrain import tiled_graph
from catchscreen.terrain._kernels.directions import WALL
from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.routing import route
from catchscreen.terrain.tiled import route_tiles
from catchscreen.tiles import Room, Tiling, each_tile, framed_window, seam_pairs

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


@st.composite
def any_ground(draw):
    """Small grounds of few levels, so that plateaus and hollows cross tiles, with gaps, walls and any cell shape."""
    shape = draw(st.tuples(st.integers(1, 28), st.integers(1, 28)))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    levels = draw(st.integers(1, 12))
    smooth = draw(st.sampled_from([0.0, 1.0, 3.0]))
    rough = gaussian_filter(rng.normal(size=shape), smooth)
    level = np.rint(rough / (np.abs(rough).max() + 1e-9) * levels).astype(np.int32)
    gaps = draw(st.sampled_from([0.0, 0.05, 0.3]))
    valid = rng.random(shape) >= gaps
    framed = frame_levels(level, valid, draw(st.sampled_from(["outlet", "wall"])))
    walls = valid & (rng.random(shape) < draw(st.sampled_from([0.0, 0.2])))
    framed[1:-1, 1:-1][walls] = WALL
    return framed


@settings(max_examples=60, deadline=None)
@given(any_ground(), st.sampled_from([1, 2, 3, 5, 8, 16]), st.sampled_from([SQUARE, (1.25, 5.0, 1.0)]))
def test_any_ground_over_any_tiles_equals_the_whole(framed, size, weights):
    whole = route(framed, weights)
    tiled = route_tiles(framed[1:-1, 1:-1], size, weights, Room())
    ground = framed[1:-1, 1:-1] < WALL
    for name in ("code", "filled", "basin", "total"):
        found, expected = np.asarray(getattr(tiled, name)), getattr(whole, name)[1:-1, 1:-1]
        np.testing.assert_array_equal(found[ground], expected[ground], err_msg=name)


def test_a_tile_shows_no_more_than_its_border(hills):
    """What the whole solves grows with the tiles' perimeters, not with the hollows inside: pits are 1 cell in 20."""
    rng = np.random.default_rng(2)
    level = np.rint(hills(128, 128, seed=1) * 1000)
    level[rng.random(level.shape) < 0.05] -= 9000
    framed = frame_levels(level.astype(np.int32), np.ones(level.shape, dtype=bool))
    tiled = route_tiles(framed[1:-1, 1:-1], 64, SQUARE, Room())
    assert route(framed, SQUARE).graph.closed > 500
    assert tiled.graph.count < 4 * 4 * 64


@pytest.mark.parametrize("name", ["hills", "noise", "steps", "closed plateau over many tiles"])
def test_passes_thinned_as_they_come_give_the_same_tree(name, hills, monkeypatch):
    monkeypatch.setattr(tiled_graph, "_WORTH_THINNING", 1)
    level = grounds(hills)[name]
    assert_same(level, np.random.default_rng(3).random(level.shape) >= 0.05, 8, Room())


def test_the_whole_takes_few_bytes_for_each_label_on_a_border(tmp_path, monkeypatch):
    """In a work folder: what tiles show is read tile by tile, and hardly more than a spanning tree is in memory."""
    monkeypatch.setattr(tiled_graph, "_WORTH_THINNING", 1 << 10)
    level = np.random.default_rng(5).permutation(600 * 600).reshape(600, 600).astype(np.int32)
    taken = []
    solve = tiled_graph.TiledGraph.solve

    def watched(graph, levels):
        tracemalloc.start()
        solution = solve(graph, levels)
        taken.append((tracemalloc.get_traced_memory()[1], graph.count))
        tracemalloc.stop()
        return solution

    monkeypatch.setattr(tiled_graph.TiledGraph, "solve", watched)
    route_tiles(frame_levels(level, np.ones(level.shape, dtype=bool))[1:-1, 1:-1], 40, SQUARE, Room(tmp_path))
    ((peak, labels),) = taken
    assert labels > 10_000
    assert peak < 100 * labels


@pytest.mark.parametrize("size", [1, 4, 7, 30])
def test_seams_in_a_file_are_those_in_memory(size, tmp_path):
    tiling = Tiling(23, 31, size)
    values = np.random.default_rng(0).integers(0, 1000, (23, 31)).astype(np.int32)
    both = [Room(folder).make_seams("seen", tiling, -1, np.int32) for folder in (None, tmp_path)]
    for seams in both:
        first = tiling.tile(0, 0)
        frame = np.full((first.shape[0] + 2, first.shape[1] + 2), 5, dtype=np.int32)
        seams.frame(first, frame)
        assert set(np.unique(frame)) <= {-1, 5}
        assert all(seams.put(tile, values[tile.window]) for tile in tiling)
        assert not any(seams.put(tile, values[tile.window]) for tile in tiling)
    for tile in tiling:
        framed = [np.full((tile.shape[0] + 2, tile.shape[1] + 2), -1, dtype=np.int32) for _ in both]
        for seams, own in zip(both, framed, strict=True):
            seams.frame(tile, own)
            own[1:-1, 1:-1] = values[tile.window]
        np.testing.assert_array_equal(framed[0], framed[1])
        np.testing.assert_array_equal(framed[0], framed_window(values, tile, -1))
    for pairs in seam_pairs(tiling):
        for seams in both:
            np.testing.assert_array_equal(seams.at(pairs.row, pairs.col), values[pairs.row, pairs.col])
            other = seams.at(pairs.other_row, pairs.other_col)
            np.testing.assert_array_equal(other, values[pairs.other_row, pairs.other_col])
    both[1].remove()
    assert not list(tmp_path.iterdir())


def test_a_work_folder_is_left_with_results_only(tmp_path, hills):
    level = np.rint(hills(60, 60, seed=2)).astype(np.int32)
    route_tiles(frame_levels(level, np.ones(level.shape, dtype=bool))[1:-1, 1:-1], 16, SQUARE, Room(tmp_path))
    assert {path.suffix for path in tmp_path.iterdir()} == {".cells"}


@pytest.mark.parametrize("in_files", [False, True])
def test_a_store_gives_back_windows_over_many_tiles(in_files, tmp_path):
    tiling = Tiling(23, 31, 8)
    values = np.random.default_rng(0).integers(0, 1000, (23, 31)).astype(np.int32)
    store = Room(tmp_path if in_files else None).make("values", tiling, np.int32)
    assert not np.asarray(store).any()
    for tile in tiling:
        store.write(tile, values[tile.window])
    np.testing.assert_array_equal(store, values)
    np.testing.assert_array_equal(store[5:20, 3:30], values[5:20, 3:30])
    tile = tiling.tile(1, 2)
    np.testing.assert_array_equal(store.read(tile), values[tile.window])
    np.testing.assert_array_equal(store.framed(tile, -1, 2), values[6:18, 14:26])
    corner = store.framed(tiling.tile(0, 0), -1)
    assert (corner[0] == -1).all()
    np.testing.assert_array_equal(corner[1:, 1:], values[:9, :9])


def test_seams_know_each_pair_of_neighbours_across_once():
    tiling = Tiling(9, 11, 4)
    number = np.arange(99).reshape(9, 11)
    found = [
        (number[row, col], number[other_row, other_col])
        for pairs in seam_pairs(tiling)
        for row, col, other_row, other_col in zip(pairs.row, pairs.col, pairs.other_row, pairs.other_col, strict=True)
    ]
    expected = {
        (number[row, col], number[row + down, col + right])
        for row in range(9)
        for col in range(11)
        for down, right in ((0, 1), (1, -1), (1, 0), (1, 1))
        if 0 <= row + down < 9
        and 0 <= col + right < 11
        and (row // 4, col // 4) != ((row + down) // 4, (col + right) // 4)
    }
    assert len(found) == len(set(found))
    assert set(found) == expected


def test_work_on_tiles_comes_back_in_order_and_its_errors_come_through():
    tiling = Tiling(9, 9, 2)
    assert [tile for tile, _ in each_tile(lambda tile: tile.down, tiling)] == list(tiling)

    def refuse(tile):
        raise ValueError(f"tile {tile.down}")

    with pytest.raises(ValueError, match="tile 0"):
        list(each_tile(refuse, tiling))


def test_tiling_covers_the_grid_once():
    tiling = Tiling(70, 45, 16)
    seen = np.zeros((70, 45), dtype=int)
    for tile in tiling:
        seen[tile.window] += 1
    assert (seen == 1).all()
    assert (tiling.down, tiling.across) == (5, 3)


def test_each_level_is_read_once_in_whole_tiles(hills, tmp_path):
    level = np.rint(hills(60, 75, seed=2) * 100).astype(np.int32)

    windows = []

    class Watched:
        shape = level.shape

        def __getitem__(self, window):
            windows.append(window)
            return level[window]

    route_tiles(Watched(), 16, SQUARE, Room(tmp_path))
    assert sorted(windows, key=str) == sorted((tile.window for tile in Tiling(60, 75, 16)), key=str)


@pytest.mark.parametrize("at", [0, 7])
def test_a_source_that_breaks_off_ends_the_run_with_its_error(at, hills):
    level = np.rint(hills(60, 75, seed=2) * 100).astype(np.int32)

    class Broken:
        shape = level.shape
        reads = 0

        def __getitem__(self, window):
            self.reads += 1
            if self.reads > at:
                raise OSError("it breaks off")
            return level[window]

    with pytest.raises(OSError, match="breaks off"):
        route_tiles(Broken(), 16, SQUARE, Room())

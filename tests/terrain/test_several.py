from __future__ import annotations

import numpy as np
import pytest
from pyproj import CRS

from catchscreen.grid import Grid
from catchscreen.terrain._kernels.directions import OUTLET, PIT
from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.routing import direction_weights, route
from catchscreen.terrain.several import share_factors, share_totals, share_totals_tiled, units_per_cell
from catchscreen.terrain.slope import slope_fraction
from catchscreen.terrain.tiled import route_tiles
from catchscreen.terrain.wetness import LOWEST_SLOPE, wetness_index, wetness_index_tiled
from catchscreen.tiles import Room

WAYS = ((0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (1, -1), (-1, -1), (-1, 1))
UNIT = 65_536


def grid_of(shape, cell_m=(1.0, 1.0)):
    return Grid(*shape, 0.0, 0.0, *cell_m, CRS.from_epsg(32628))


def shared(level, valid=None, cell_m=(1.0, 1.0)):
    level = np.asarray(level, dtype=np.int32)
    valid = np.ones(level.shape, dtype=bool) if valid is None else valid
    grid = grid_of(level.shape, cell_m)
    routing = route(frame_levels(level, valid), direction_weights(grid))
    return share_totals(routing.filled, routing.code, share_factors(grid)), routing


def naive(routing):
    """Share by recursion from each cell upwards, in whole numbers; square cells."""
    filled, code = routing.filled, routing.code
    known = {}

    def parts(cell):
        here = int(filled[cell])
        weight = {}
        for way, (down, right) in enumerate(WAYS):
            drop = here - int(filled[cell[0] + down, cell[1] + right])
            if drop > 0:
                weight[way] = drop * (2 if way < 4 else 1)
        return weight

    def points(cell, way):
        return not parts(cell) and code[cell] == way + 1

    def gives(cell, way):
        if code[cell] >= OUTLET:
            return 0
        weight = parts(cell)
        if not weight:
            return total(cell)
        have = total(cell)
        amount = {w: have * (v * UNIT // sum(weight.values())) // UNIT for w, v in weight.items()}
        largest = max(weight, key=lambda w: (weight[w], -w))
        amount[largest] += have - sum(amount.values())
        return amount.get(way, 0)

    def total(cell):
        if cell not in known:
            known[cell] = UNIT
            around = [((cell[0] - down, cell[1] - right), way) for way, (down, right) in enumerate(WAYS)]
            rows, cols = filled.shape
            inside = [(c, w) for c, w in around if 0 < c[0] < rows - 1 and 0 < c[1] < cols - 1 and code[c] <= PIT]
            known[cell] = UNIT + sum(gives(c, w) for c, w in inside if w in parts(c) or points(c, w))
        return known[cell]

    rows, cols = filled.shape
    return [[total((r, c)) if code[r, c] <= PIT else 0 for c in range(1, cols - 1)] for r in range(1, rows - 1)]


@pytest.mark.parametrize("seed", range(4))
def test_every_cell_equals_the_plain_rule(seed):
    rng = np.random.default_rng(seed)
    level = rng.integers(0, (6, 40)[seed % 2], (9, 11))
    total, routing = shared(level, rng.random(level.shape) > 0.1)
    assert total.tolist() == naive(routing)


@pytest.mark.parametrize("gaps", [0.0, 0.1])
def test_nothing_is_lost_to_the_unit(gaps, hills):
    level = np.floor(hills(80, 70, seed=3) * 100)
    valid = np.random.default_rng(1).random(level.shape) >= gaps
    total, routing = shared(level, valid)
    outlet = routing.code[1:-1, 1:-1] == OUTLET
    assert total[outlet].sum() == valid.sum() * UNIT
    assert (total[valid] >= UNIT).all()
    assert (total[~valid] == 0).all()


def test_a_plane_shares_a_half_and_two_quarters():
    """On a plane that falls south, a cell gives a half south and a quarter to each side of it (Quinn et al. 1991).

    Away from the sides each row therefore has one cell's worth more than the row above.
    """
    rows, cols = 12, 41
    level = np.repeat((rows - np.arange(rows))[:, None] * 100, cols, axis=1)
    total, _ = shared(level)
    assert total[:, cols // 2].tolist() == [(row + 1) * UNIT for row in range(rows)]
    assert total.sum(axis=1).tolist() == [(row + 1) * cols * UNIT for row in range(rows)]
    one = share_factors(grid_of(level.shape))
    assert (one[2] / (one[2] + 2 * one[5]), one[5] / (one[2] + 2 * one[5])) == (0.5, 0.25)


def test_a_cone_spreads_evenly_to_all_sides():
    row, col = np.mgrid[-20:21, -20:21]
    total, _ = shared(np.rint(5000 - 100 * np.hypot(row, col)))
    for turned in (total[::-1], total[:, ::-1], total.T):
        np.testing.assert_allclose(turned, total, rtol=5e-4)


def test_mirrored_ground_gives_the_mirrored_result():
    """To the unit where no two shares are equal; elsewhere the rest of the division goes to another neighbour."""
    rng = np.random.default_rng(8)
    slope = np.arange(40)[:, None] * 1_000_000 + rng.permutation(40 * 50).reshape(40, 50) * 337
    total, _ = shared(slope)
    mirrored, _ = shared(slope[:, ::-1])
    np.testing.assert_array_equal(mirrored[:, ::-1], total)
    rough = rng.permutation(40 * 50).reshape(40, 50)
    total, _ = shared(rough)
    mirrored, _ = shared(rough[:, ::-1])
    np.testing.assert_allclose(mirrored[:, ::-1], total, rtol=1e-3)


def test_long_cells_share_by_slope_and_contour():
    """Cells 1 m wide and 2 m tall on a slope to the east: the east side is four times as much as each corner."""
    level = np.repeat(np.arange(9)[None, ::-1] * 1000, 9, axis=0)
    total, _ = shared(level, cell_m=(1.0, 2.0))
    assert total[4, 1] == UNIT + UNIT
    assert share_factors(grid_of(level.shape, (1.0, 2.0)))[[1, 5]].tolist() == [4.0, 1.0]
    assert total[0, 1] == UNIT + UNIT // 6 + (UNIT - UNIT // 5)


@pytest.mark.parametrize("size", [16, 23, 1000])
@pytest.mark.parametrize("kind", ["hills", "steps", "whole metres"])
def test_tiles_equal_the_whole(kind, size, hills, tmp_path):
    rng = np.random.default_rng(5)
    level = {
        "hills": np.rint(hills(70, 61, seed=9) * 1000),
        "steps": rng.integers(0, 4, (70, 61)),
        "whole metres": np.floor(hills(70, 61, seed=2)) * 10_000,
    }[kind]
    valid = rng.random(level.shape) > 0.05
    total, _ = shared(level, valid)
    framed = frame_levels(level.astype(np.int32), valid)
    tiled = route_tiles(framed[1:-1, 1:-1], size, (2.0, 2.0, 1.0), Room(tmp_path))
    np.testing.assert_array_equal(share_totals_tiled(tiled, share_factors(grid_of(level.shape))), total)


def test_units_times_shares_fit_into_a_word():
    for cells in (1, 10**6, 2**30 - 1, 2**30, 10**9 + 1, 2**40):
        assert cells * units_per_cell(cells) * 2**16 < 2**63
    assert units_per_cell(10**8) == UNIT


def test_wetness_of_a_plane_and_of_a_flat():
    """On a plane ln(a / tan b) with a = row x cell size; a level cell counts as falling 1 in 1000."""
    rows, cols, cell = 12, 41, 5.0
    level = np.repeat((rows - np.arange(rows))[:, None] * 5000, cols, axis=1)
    valid = np.ones(level.shape, dtype=bool)
    valid[0, 0] = False
    grid = grid_of(level.shape, (cell, cell))
    total, routing = shared(level, valid, (cell, cell))
    index = wetness_index(total, UNIT, slope_fraction(routing.level, grid), grid)
    expected = np.log(np.arange(1, rows + 1) * cell / 0.1)
    np.testing.assert_allclose(index[:, cols // 2], expected, rtol=1e-5)
    assert np.isnan(index[0, 0])
    flat, flat_routing = shared(np.zeros((3, 3)))
    grid = grid_of((3, 3))
    index = wetness_index(flat, UNIT, slope_fraction(flat_routing.level, grid), grid)
    np.testing.assert_allclose(index, np.log(flat / UNIT / LOWEST_SLOPE), rtol=1e-5)


def test_wetness_over_tiles_equals_the_whole(hills, tmp_path):
    level = np.rint(hills(50, 44, seed=4) * 1000)
    valid = np.random.default_rng(0).random(level.shape) > 0.05
    grid = grid_of(level.shape)
    total, routing = shared(level, valid)
    whole = wetness_index(total, UNIT, slope_fraction(routing.level, grid), grid)
    tiled = route_tiles(routing.level[1:-1, 1:-1], 16, (2.0, 2.0, 1.0), Room(tmp_path), keep_graph=True)
    found = wetness_index_tiled(tiled, share_totals_tiled(tiled, share_factors(grid)), grid)
    np.testing.assert_array_equal(found, whole)
    assert np.isfinite(whole[valid]).all()
    bare = route_tiles(routing.level[1:-1, 1:-1], 16, (2.0, 2.0, 1.0), Room())
    with pytest.raises(ValueError, match="keep_graph=True"):
        wetness_index_tiled(bare, share_totals_tiled(bare, share_factors(grid)), grid)

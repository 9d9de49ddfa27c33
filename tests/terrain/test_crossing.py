"""Steps on plateaus that cross tiles: kernels as plain Python and compiled, and against a plain search."""

from __future__ import annotations

import numpy as np
import pytest

from catchscreen.terrain._kernels import crossing
from catchscreen.terrain._kernels.crossing import FAR, WAITING
from catchscreen.terrain._kernels.directions import OUTLET, PIT, UNDECIDED, VOID
from catchscreen.terrain.routing import steepest_directions
from catchscreen.terrain.walking import cells_with

STEPS = [(down, right) for down in (-1, 0, 1) for right in (-1, 0, 1) if (down, right) != (0, 0)]


def ground(seed, shape=(11, 13), levels=3):
    level = np.full((shape[0] + 4, shape[1] + 4), VOID, dtype=np.int32)
    level[1:-1, 1:-1] = np.random.default_rng(seed).integers(0, levels, (shape[0] + 2, shape[1] + 2))
    return level, steepest_directions(level, (2.0, 2.0, 1.0))


def both(kernel, *args):
    """Run a kernel compiled and as plain Python on copies; return what both give, and what they made of the copies."""
    found = []
    for way in (kernel, kernel.py_func):
        copies = [arg.copy() if isinstance(arg, np.ndarray) else arg for arg in args]
        given = way(*copies)
        given = () if given is None else given if isinstance(given, tuple) else (given,)
        found.append([*given, *(copy for copy in copies if isinstance(copy, np.ndarray))])
    for ours, plain in zip(*found, strict=True):
        np.testing.assert_array_equal(ours, plain)
    return found[0]


def plain_steps(level, value, sources):
    """Steps by trying all neighbours again until nothing changes."""
    value = value.copy()
    for cell, amount in sources:
        value.ravel()[cell] = min(value.ravel()[cell], amount)
    while True:
        before = value.copy()
        for row in range(1, level.shape[0] - 1):
            for col in range(1, level.shape[1] - 1):
                for down, right in STEPS:
                    near = value[row + down, col + right]
                    same = level[row + down, col + right] == level[row, col]
                    if value[row, col] >= 0 and near >= 0 and same and near + 1 < value[row, col]:
                        value[row, col] = near + 1
        if np.array_equal(before, value):
            return value


@pytest.mark.parametrize("seed", range(12))
def test_marked_cells_are_those_whose_plateau_goes_on(seed):
    level, code = ground(seed)
    undecided = cells_with(code, UNDECIDED)
    cell, start, rest, _, marked, _ = both(crossing.mark_crossing, level, code, undecided)
    expected = np.zeros(level.shape, dtype=bool)
    inner = np.zeros(level.shape, dtype=bool)
    inner[2:-2, 2:-2] = True
    seen = (code == UNDECIDED) & ~inner
    while True:
        before = seen.sum()
        for row, col in np.argwhere(seen):
            for down, right in STEPS:
                near = row + down, col + right
                if inner[near] and code[near] == UNDECIDED and level[near] == level[row, col]:
                    expected[near] = seen[near] = True
        if seen.sum() == before:
            break
    np.testing.assert_array_equal(marked == WAITING, expected)
    np.testing.assert_array_equal(np.sort(cell), np.flatnonzero(expected[1:-1, 1:-1]))
    assert start[0] == 0
    assert start[-1] == cell.size
    np.testing.assert_array_equal(rest, np.flatnonzero((code == UNDECIDED) & inner & ~expected))


@pytest.mark.parametrize("seed", range(8))
def test_steps_from_exits_then_from_the_frame_are_the_fewest(seed):
    wide, wide_code = ground(seed, levels=2)
    cell, _, _ = crossing.mark_crossing(wide, wide_code, cells_with(wide_code, UNDECIDED))
    level, code = np.ascontiguousarray(wide[1:-1, 1:-1]), np.ascontiguousarray(wide_code[1:-1, 1:-1])
    value = np.full(level.shape, -1, dtype=np.int32)
    value.ravel()[cell] = FAR
    exits = (code > UNDECIDED) & (code <= OUTLET)
    found = both(crossing.spread_from_exits, level, code, cell, value)[-1]
    with_exits = np.where(exits, 0, value)
    expected = plain_steps(level, with_exits, [])
    np.testing.assert_array_equal(found[value >= 0], expected[value >= 0])

    rng = np.random.default_rng(seed)
    frame = np.ones(level.shape, dtype=bool)
    frame[1:-1, 1:-1] = False
    found[frame] = rng.integers(0, 5, frame.sum())
    rim = cell[
        np.isin(
            cell,
            np.flatnonzero(np.pad(np.zeros((level.shape[0] - 4, level.shape[1] - 4), bool), 2, constant_values=True)),
        )
    ]
    roots = cell[rng.random(cell.size) < 0.05]
    after = both(crossing.spread_from_frame, level, found, rim, roots, cell.size)[1]
    expected = plain_steps(level, found, [(root, 0) for root in roots])
    inner = (value >= 0) & ~frame
    np.testing.assert_array_equal(after[inner], expected[inner])
    assert (after[frame] == -1).all()


@pytest.mark.parametrize("seed", range(8))
def test_cells_follow_the_least_value_in_the_order_of_directions(seed):
    wide, wide_code = ground(seed, levels=2)
    cell, _, _ = crossing.mark_crossing(wide, wide_code, cells_with(wide_code, UNDECIDED))
    level, code = np.ascontiguousarray(wide[1:-1, 1:-1]), np.ascontiguousarray(wide_code[1:-1, 1:-1])
    value = np.full(level.shape, -1, dtype=np.int32)
    value.ravel()[cell] = np.random.default_rng(seed).integers(0, 4, cell.size)
    after = both(crossing.follow_least, level, value, cell, code)[-1]
    offsets = [None, (0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (1, -1), (-1, -1), (-1, 1)]
    for row, col in zip(*np.unravel_index(cell, level.shape), strict=True):
        own = int(value[row, col])
        if own == 0:
            assert after[row, col] == PIT
            continue
        best, expected = own, WAITING
        for way in range(1, 9):
            near = row + offsets[way][0], col + offsets[way][1]
            decided = value[near] < 0 and UNDECIDED < code[near] <= OUTLET
            other = 0 if decided else int(value[near])
            if level[near] == level[row, col] and 0 <= other < best:
                best, expected = other, way
        assert after[row, col] == expected

"""The passes between neighbouring basins, as few as the spanning tree can need.

A pass belongs to its higher cell. A cell whose lower neighbours hang together round it is no pass: they join all that
it could join, lower down, and a tree has no use for the highest pass of a ring. So only saddles are looked at, cells
with a neighbour of the same level, and cells beside what is no ground.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.blocks import steps_in
from catchscreen.terrain._kernels.directions import FORWARD, LOWEST, OVER_EDGE, VOID, WALL

SLOTS_BITS = 12
EMPTY = np.uint64(0xFFFFFFFFFFFFFFFF)
_SPREAD = np.uint64(0x9E3779B97F4A7C15)

_FORWARD_OF = np.array([0, 0, 2, 0, 2, 3, 1, 3, 1], dtype=np.int64)
"""For each direction the place in FORWARD of the pair it makes; from the neighbour's side for W, N, NW and NE."""


@kernel
def _mark_saddles(level: NDArray[np.int32], row: int, mark: NDArray[np.uint8]) -> None:
    """Mark the cells of a framed row that may be passes.

    mark : (cols,) uint8, written.
    """
    inner = mark.size
    here = level[row, 1 : inner + 1]
    east = level[row, 2 : inner + 2]
    west = level[row, 0:inner]
    north = level[row - 1, 1 : inner + 1]
    south = level[row + 1, 1 : inner + 1]
    north_east = level[row - 1, 2 : inner + 2]
    north_west = level[row - 1, 0:inner]
    south_east = level[row + 1, 2 : inner + 2]
    south_west = level[row + 1, 0:inner]
    for col in range(inner):
        own = here[col]
        e, w, n, s = east[col], west[col], north[col], south[col]
        ne, nw, se, sw = north_east[col], north_west[col], south_east[col], south_west[col]
        high = max(e, w, n, s, ne, nw, se, sw)
        equal = (
            (e == own) | (w == own) | (n == own) | (s == own) | (ne == own) | (nw == own) | (se == own) | (sw == own)
        )
        le, lw, ln, ls = np.int32(e < own), np.int32(w < own), np.int32(n < own), np.int32(s < own)
        # a corner joins the sides next to it when it is lower, and these two join each other across it anyway
        cse = np.int32(se < own) | (ls & le)
        csw = np.int32(sw < own) | (ls & lw)
        cnw = np.int32(nw < own) | (ln & lw)
        cne = np.int32(ne < own) | (ln & le)
        parts = (le & ~cne) + (ls & ~cse) + (lw & ~csw) + (ln & ~cnw)
        parts += (cne & ~ln) + (cse & ~le) + (csw & ~ls) + (cnw & ~lw)
        mark[col] = np.uint8((own < WALL) & (equal | (parts > 1) | (high >= WALL)))


@kernel
def _list_ways(
    cells: NDArray[np.int64],
    ground: tuple[NDArray[np.int32], NDArray[np.int32]],
    step: NDArray[np.int64],
    outlets: int,
    ways: NDArray[np.int64],
) -> int:
    """List, as cell * 16 + direction, where cells are the higher ones of a pass; return how many; without branches."""
    level, label = ground
    found = 0
    for u in range(cells.size):
        i = cells[u]
        own, one = level[np.uint64(i)], label[np.uint64(i)]
        for way in range(1, 9):
            j = i + step[way]
            low, two = level[np.uint64(j)], label[np.uint64(j)]
            lower = (low < own) | (low == VOID) | ((low == own) & (j > i))
            ways[found] = i * 16 + way
            found += int((two != one) & (max(one, two) >= outlets) & lower)
    return found


@kernel
def _write_pass(
    found: int,
    table: NDArray[np.uint64],
    slot: np.int64,
    out: tuple[NDArray[np.uint64], NDArray[np.int64], NDArray[np.uint64]],
) -> None:
    """Write the pass that a slot of the table holds to a place in the lists."""
    out[2][found] = table[slot]
    out[0][found] = table[slot + 1]
    out[1][found] = np.int64(table[slot + 2])


@kernel
def list_passes(
    level: NDArray[np.int32],
    label: NDArray[np.int32],
    outlets: int,
    rows: tuple[int, int],
    found: int,
    table: NDArray[np.uint64],
    out: tuple[NDArray[np.uint64], NDArray[np.int64], NDArray[np.uint64]],
) -> tuple[int, int]:
    """List passes that the spanning tree may need in some rows, as far as there is room.

    A table of fixed size, where a new pair of basins throws out the old one, removes most repeats of a pair; the
    spanning tree removes the rest.

    Parameters
    ----------
    level, label : framed int32. rows : first and the one after the last. found : passes listed before.
    table : (4 x slots,) uint64, EMPTY at first; what it holds in the end is not in the lists yet.
    out : key, place and nodes, (room,) written. A pass is known by the key of its height (level, level of the lower
    cell) and its place: cell * 8 + forward direction, or cell * 8 + OVER_EDGE off the data. It joins two nodes, the
    lower number in the upper half: 0 outside, else label - outlets + 1.

    Returns
    -------
    how many passes are listed, and the row to go on with (once there is room for 8 passes a cell of it).
    """
    height, width = level.shape
    step = steps_in(width)[:9]
    ground = (level.ravel(), label.ravel())
    mark = np.empty(width - 2, dtype=np.uint8)
    cells = np.empty(mark.size, dtype=np.int64)
    ways = np.empty(8 * mark.size + 1, dtype=np.int64)
    for row in range(max(rows[0], 1), min(rows[1], height - 1)):
        if out[0].size - found < ways.size:
            return found, row
        _mark_saddles(level, row, mark)
        saddles = 0
        for col in range(mark.size):
            cells[saddles] = row * width + 1 + col
            saddles += int(mark[col])
        for u in range(_list_ways(cells[:saddles], ground, step, outlets, ways)):
            i, way = ways[u] >> 4, ways[u] & 15
            j = i + step[way]
            low = ground[0][j]
            spot = (i if FORWARD[_FORWARD_OF[way]] == way else j) * 8 + _FORWARD_OF[way]
            if low == VOID:
                low = np.int32(LOWEST)
                spot = i * 8 + OVER_EDGE
            key = (np.uint64(np.int64(ground[0][i]) - LOWEST) << np.uint64(32)) | np.uint64(np.int64(low) - LOWEST)
            one = np.uint64(max(ground[1][i] - outlets + 1, 0))
            two = np.uint64(max(ground[1][j] - outlets + 1, 0))
            name = (min(one, two) << np.uint64(32)) | max(one, two)
            slot = ((name * _SPREAD) >> np.uint64(64 - SLOTS_BITS)) << np.uint64(2)
            held = table[slot]
            if held == name:
                lowest = table[slot + np.uint64(1)]
                if key > lowest or (key == lowest and np.uint64(spot) >= table[slot + np.uint64(2)]):
                    continue
            elif held != EMPTY:
                _write_pass(found, table, np.int64(slot), out)
                found += 1
            table[slot] = name
            table[slot + np.uint64(1)] = key
            table[slot + np.uint64(2)] = np.uint64(spot)
    return found, rows[1]


@kernel
def list_held(
    found: int, table: NDArray[np.uint64], out: tuple[NDArray[np.uint64], NDArray[np.int64], NDArray[np.uint64]]
) -> int:
    """List the passes that the table still holds; return how many there are in all."""
    for slot in range(0, table.size, 4):
        if table[slot] != EMPTY:
            _write_pass(found, table, np.int64(slot), out)
            found += 1
    return found

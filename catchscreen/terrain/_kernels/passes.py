"""The passes between neighbouring basins, as few as the spanning tree can need.

A pass belongs to its higher cell. A cell whose lower neighbours hang together round it is no pass: they join all that
it could join, lower down, and a tree has no use for the highest pass of a ring. So only saddles are looked at, cells
with a neighbour of the same level, and cells beside what is no ground.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import FORWARD, LOWEST, OVER_EDGE, VOID, WALL

SLOTS_BITS = 13
EMPTY = np.uint64(0xFFFFFFFFFFFFFFFF)
_SPREAD = np.uint64(0x9E3779B97F4A7C15)

_FORWARD_OF = np.array([0, 0, 2, 0, 2, 3, 1, 3, 1], dtype=np.int64)
"""For each direction the place in FORWARD of the pair it makes; from the neighbour's side for W, N, NW and NE."""


@kernel
def mark_saddles(level: NDArray[np.int32], first: int, last: int, mark: NDArray[np.uint8]) -> None:
    """Mark the cells of some framed rows that may be passes, and no cells of the frame.

    mark : (last - first, cols + 2) uint8, 0 at first; changed in place.
    """
    height, width = level.shape
    inner = width - 2
    for row in range(max(first, 1), min(last, height - 1)):
        here = level[row, 1 : width - 1]
        east = level[row, 2:width]
        west = level[row, 0:inner]
        north = level[row - 1, 1 : width - 1]
        south = level[row + 1, 1 : width - 1]
        north_east = level[row - 1, 2:width]
        north_west = level[row - 1, 0:inner]
        south_east = level[row + 1, 2:width]
        south_west = level[row + 1, 0:inner]
        out = mark[row - first, 1 : width - 1]
        for col in range(inner):
            own = here[col]
            e, w, n, s = east[col], west[col], north[col], south[col]
            ne, nw, se, sw = north_east[col], north_west[col], south_east[col], south_west[col]
            high = max(e, w, n, s, ne, nw, se, sw)
            equal = (
                (e == own)
                | (w == own)
                | (n == own)
                | (s == own)
                | (ne == own)
                | (nw == own)
                | (se == own)
                | (sw == own)
            )
            le, lw, ln, ls = np.int32(e < own), np.int32(w < own), np.int32(n < own), np.int32(s < own)
            # a corner joins the sides next to it when it is lower, and these two join each other across it anyway
            cse = np.int32(se < own) | (ls & le)
            csw = np.int32(sw < own) | (ls & lw)
            cnw = np.int32(nw < own) | (ln & lw)
            cne = np.int32(ne < own) | (ln & le)
            parts = (le & ~cne) + (ls & ~cse) + (lw & ~csw) + (ln & ~cnw)
            parts += (cne & ~ln) + (cse & ~le) + (csw & ~ls) + (cnw & ~lw)
            out[col] = np.uint8((own < WALL) & (equal | (parts > 1) | (high >= WALL)))


@kernel
def list_passes(
    ground: tuple[NDArray[np.int32], NDArray[np.int32]],
    step: NDArray[np.int64],
    outlets: int,
    cells: NDArray[np.int64],
    table: NDArray[np.uint64],
    key: NDArray[np.uint64],
    place: NDArray[np.int64],
    nodes: NDArray[np.uint64],
) -> int:
    """List passes that the spanning tree may need; return how many (if more than there is room, call again).

    A table of fixed size, where a new pair of basins throws out the old one, removes most repeats of a pair; the
    spanning tree removes the rest.

    Parameters
    ----------
    ground : flat framed levels and labels, int32. step : (9,) int64, cells to each direction.
    cells : (n,) int64, marked cells. table : (4 x slots,) uint64, EMPTY at first, working space.
    key, place, nodes : (room,) written. A pass is known by the key of its height (level, level of the lower cell) and
    its place: cell * 8 + forward direction, or cell * 8 + OVER_EDGE off the data. It joins two nodes, the lower number
    in the upper half: 0 outside, else label - outlets + 1.
    """
    level, label = ground
    found = 0
    for u in range(cells.size):
        i = cells[u]
        own = level[i]
        one = label[i]
        node = np.uint64(max(one - outlets + 1, 0))
        for way in range(1, 9):
            j = i + step[way]
            two = label[j]
            if two == one or max(one, two) < outlets:
                continue
            low = level[j]
            if low > own:
                if low != VOID:
                    continue
                low = np.int32(LOWEST)
                spot = i * 8 + OVER_EDGE
            elif low == own and j < i:
                continue
            else:
                spot = (i if FORWARD[_FORWARD_OF[way]] == way else j) * 8 + _FORWARD_OF[way]
            height = (np.uint64(np.int64(own) - LOWEST) << np.uint64(32)) | np.uint64(np.int64(low) - LOWEST)
            other = np.uint64(max(two - outlets + 1, 0))
            name = (min(node, other) << np.uint64(32)) | max(node, other)
            slot = ((name * _SPREAD) >> np.uint64(64 - SLOTS_BITS)) << np.uint64(2)
            held = table[slot]
            if held == name:
                lowest = table[slot + np.uint64(1)]
                if height > lowest or (height == lowest and np.uint64(spot) >= table[slot + np.uint64(2)]):
                    continue
            elif held != EMPTY:
                if found < key.size:
                    key[found] = table[slot + np.uint64(1)]
                    place[found] = np.int64(table[slot + np.uint64(2)])
                    nodes[found] = held
                found += 1
            table[slot] = name
            table[slot + np.uint64(1)] = height
            table[slot + np.uint64(2)] = np.uint64(spot)
    for first in range(0, table.size, 4):
        if table[first] != EMPTY:
            if found < key.size:
                key[found] = table[first + 1]
                place[found] = np.int64(table[first + 2])
                nodes[found] = table[first]
            found += 1
    return found

"""Up the water's way from where it ends: labels and sums over all cells that drain to a root.

Each strip of rows is walked apart. Its roots are the seeds in it and the cells whose water leaves it; from a root the
walk goes to the cells that drain into it, then to those that drain into these. A byte per cell says which of its eight
neighbours drain into it; a table turns the byte into up to eight cell numbers that are appended as one piece, so that
the processor has nothing to guess and nothing is sorted. Cells are numbered from the strip's first cell in 32 bits.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.appending import append_copies, append_sums
from catchscreen.terrain._kernels.blocks import HIGH, WIDE, touch
from catchscreen.terrain._kernels.directions import NO_GROUND, NO_GROUND_LABEL

_GROUP = 16
"""Roots walked together: enough that the walk seldom waits for its own last step, few enough to stay near."""


@kernel
def find_donors(code: NDArray[np.uint8], first: int, last: int, donors: NDArray[np.uint8]) -> None:
    """Write which neighbours drain into each cell, in some rows: bit way - 1 for the neighbour in direction way.

    Parameters
    ----------
    code, donors : (rows + 2, cols + 2) uint8, framed; ``donors`` is written, 0 in the frame.
    """
    height, width = code.shape
    inner = width - 2
    for row in range(first, last):
        donors[row, 0] = 0
        donors[row, width - 1] = 0
        if row == 0 or row == height - 1:
            donors[row, :] = 0
            continue
        east = code[row, 2:width]
        west = code[row, 0:inner]
        north = code[row - 1, 1 : width - 1]
        south = code[row + 1, 1 : width - 1]
        north_east = code[row - 1, 2:width]
        north_west = code[row - 1, 0:inner]
        south_east = code[row + 1, 2:width]
        south_west = code[row + 1, 0:inner]
        out = donors[row, 1 : width - 1]
        for col in range(inner):
            found = np.uint8(1) if east[col] == 3 else np.uint8(0)
            found |= np.uint8(2) if south[col] == 4 else np.uint8(0)
            found |= np.uint8(4) if west[col] == 1 else np.uint8(0)
            found |= np.uint8(8) if north[col] == 2 else np.uint8(0)
            found |= np.uint8(16) if south_east[col] == 7 else np.uint8(0)
            found |= np.uint8(32) if south_west[col] == 8 else np.uint8(0)
            found |= np.uint8(64) if north_west[col] == 5 else np.uint8(0)
            found |= np.uint8(128) if north_east[col] == 6 else np.uint8(0)
            out[col] = found


@kernel
def follow_to_label(
    code: NDArray[np.uint8], step: NDArray[np.int64], start: NDArray[np.int64], label: NDArray[np.int32]
) -> None:
    """Follow the water from some cells to the first labelled one, and label the way there; every way must meet one.

    Parameters
    ----------
    code : flat framed uint8. step : (9,) int64. label : flat framed int32, 0 but for the seeds, whose numbers it has
    with all bits turned over; changed in place, likewise.
    """
    for u in range(start.size):
        j = start[u]
        while label[j] == 0:
            j += step[code[j]]
        found = label[j]
        j = start[u]
        while label[j] == 0:
            label[j] = found
            j += step[code[j]]


@kernel
def _clear_block(
    block: int,
    width: int,
    strip: tuple[int, int],
    code: NDArray[np.uint8],
    label: NDArray[np.int32],
    total: NDArray[np.int32] | NDArray[np.int64],
) -> None:
    """Write what is no ground in a block of a strip; all is read and written again, which brings it near."""
    across = (width + WIDE - 1) // WIDE
    left = block % across * WIDE
    first = strip[0] + block // across * HIGH * width + left
    side = min(WIDE, width - left)
    for start in range(first, min(strip[1], first + HIGH * width), width):
        way = code[start : start + side]
        name = label[start : start + side]
        for k in range(side):
            name[k] = np.int32(NO_GROUND_LABEL) if way[k] == NO_GROUND else name[k]
        if total.size > 0:
            count = total[start : start + side]
            for k in range(side):
                count[k] = 0 if way[k] == NO_GROUND else count[k]


@kernel
def _walk(
    donors: NDArray[np.uint8],
    offset: NDArray[np.int32],
    many: NDArray[np.uint64],
    queue: NDArray[np.int32],
    below: NDArray[np.int32],
    tail: int,
) -> np.int64:
    """Append to the ``tail`` roots in the queue all cells upstream, nearest first; return how many there are.

    below : written, the place in the queue of the cell that each cell drains into.
    """
    here = np.uint64(0)
    end = np.uint64(tail)
    while here < end:
        i = queue[here]
        place = np.int32(here)
        here += np.uint64(1)
        byte = np.uint64(donors[np.uint64(i)])
        donors[np.uint64(i)] = 0
        append_sums(queue, end, i, offset, byte * np.uint64(8))
        append_copies(below, end, place)
        end += many[byte]
    return np.int64(end)


@kernel
def walk_up(
    ground: tuple[NDArray[np.uint8], NDArray[np.uint8]],
    width: int,
    strip: tuple[int, int],
    root: tuple[NDArray[np.int64], NDArray[np.int32]],
    chains: tuple[NDArray[np.int32], NDArray[np.int32]],
    steps: tuple[NDArray[np.int32], NDArray[np.uint64]],
    label: NDArray[np.int32],
    total: NDArray[np.int32] | NDArray[np.int64],
    room: tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]],
) -> int:
    """Give the cells upstream of each root in a strip the root's label, and count them, as far as the strip goes.

    Parameters
    ----------
    ground : flat framed codes and donors, uint8; the donors are set to 0. strip : first cell of the strip and of the
    next. root : framed cells and their labels. chains : the roots by block, as from ``group_by_block``.
    steps : for each byte of donors the steps to them, (2048,) int32, and how many they are, (256,) uint64.
    label : flat framed int32, the strip's written. total : flat framed int32 or int64, the strip's written; empty: not
    counted. room : four times (cells of the strip + 8,) int32, working space of which seldom more than the first pages
    are touched.

    Returns
    -------
    a number of no meaning, without which the compiler would leave out the reading ahead.
    """
    base, end = strip
    counts = total.size > 0
    donors, own_label, own_total = ground[1][base:end], label[base:end], total[base:end]
    queue, below, name, amount = room
    seen = 0
    for block in range(chains[0].size):
        seen += touch(block, width, strip, ground[1])
        _clear_block(block, width, strip, ground[0], label, total)
        u = chains[0][block]
        while u >= 0:
            roots = 0
            while u >= 0 and roots < _GROUP:
                queue[roots] = root[0][u] - base
                name[roots] = root[1][u]
                roots += 1
                u = chains[1][u]
            tail = _walk(donors, steps[0], steps[1], queue, below, roots)
            for v in range(roots, tail):
                name[v] = name[np.uint64(below[v])]
            if counts:
                for v in range(tail):
                    amount[v] = 1
                for v in range(tail - 1, roots - 1, -1):
                    amount[np.uint64(below[v])] += amount[v]
                for v in range(tail):
                    own_label[np.uint64(queue[v])] = name[v]
                    own_total[np.uint64(queue[v])] = amount[v]
            else:
                for v in range(tail):
                    own_label[np.uint64(queue[v])] = name[v]
    return seen

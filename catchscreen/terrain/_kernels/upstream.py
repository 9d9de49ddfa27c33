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
from catchscreen.terrain._kernels.blocks import touch
from catchscreen.terrain._kernels.directions import NO_LABEL

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
    code : flat framed uint8. step : (9,) int64. label : flat framed int32, seeds set, NO_LABEL elsewhere on the
    ground; changed in place.
    """
    for u in range(start.size):
        j = start[u]
        while label[j] == NO_LABEL:
            j += step[code[j]]
        found = label[j]
        j = start[u]
        while label[j] == NO_LABEL:
            label[j] = found
            j += step[code[j]]


@kernel
def _walk(
    donors: NDArray[np.uint8], offset: NDArray[np.int32], many: NDArray[np.uint64], queue: NDArray[np.int32], tail: int
) -> np.int64:
    """Append to the ``tail`` roots in the queue all cells upstream, nearest first; return how many there are."""
    here = np.uint64(0)
    end = np.uint64(tail)
    while here < end:
        i = queue[here]
        here += np.uint64(1)
        byte = np.uint64(donors[np.uint64(i)])
        donors[np.uint64(i)] = 0
        first = byte * np.uint64(8)
        one, two = i + offset[first], i + offset[first + np.uint64(1)]
        three, four = i + offset[first + np.uint64(2)], i + offset[first + np.uint64(3)]
        five, six = i + offset[first + np.uint64(4)], i + offset[first + np.uint64(5)]
        seven, eight = i + offset[first + np.uint64(6)], i + offset[first + np.uint64(7)]
        queue[end] = one
        queue[end + np.uint64(1)] = two
        queue[end + np.uint64(2)] = three
        queue[end + np.uint64(3)] = four
        queue[end + np.uint64(4)] = five
        queue[end + np.uint64(5)] = six
        queue[end + np.uint64(6)] = seven
        queue[end + np.uint64(7)] = eight
        end += many[byte]
    return np.int64(end)


@kernel
def walk_up(
    ground: tuple[NDArray[np.uint8], NDArray[np.uint8]],
    width: int,
    strip: tuple[int, int],
    root: NDArray[np.int64],
    chains: tuple[NDArray[np.int32], NDArray[np.int32]],
    steps: tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.uint64]],
    label: NDArray[np.int32],
    total: NDArray[np.int32] | NDArray[np.int64],
    queue: NDArray[np.int32],
) -> int:
    """Give the cells upstream of each root in a strip the root's label, and add them up, as far as the strip goes.

    Parameters
    ----------
    ground : flat framed codes and donors, uint8; the donors are set to 0. strip : first cell of the strip and of the
    next. root : (n,) int64, framed cells, labelled. chains : the roots by block, as from ``group_by_block``.
    steps : (9,) int32, cells to each direction; for each byte of donors the steps to them, (2048,) int32, and how many
    they are, (256,) uint64. label : flat framed int32, changed in place. total : flat framed int32 or int64, what each
    cell has of its own; changed in place. queue : (cells of the strip + 8,) int32, working space.

    Returns
    -------
    a number of no meaning, without which the compiler would leave out the reading ahead.
    """
    base, end = strip
    code, donors = ground[0][base:end], ground[1][base:end]
    own_label, own_total = label[base:end], total[base:end]
    seen = 0
    for block in range(chains[0].size):
        seen += touch(block, width, strip, label)
        seen += touch(block, width, strip, total)
        u = chains[0][block]
        while u >= 0:
            roots = 0
            while u >= 0 and roots < _GROUP:
                queue[roots] = root[u] - base
                roots += 1
                u = chains[1][u]
            tail = _walk(donors, steps[1], steps[2], queue, roots)
            for v in range(roots, tail):
                i = queue[v]
                own_label[np.uint64(i)] = own_label[np.uint64(i + steps[0][code[np.uint64(i)]])]
            for v in range(tail - 1, roots - 1, -1):
                i = queue[v]
                own_total[np.uint64(i + steps[0][code[np.uint64(i)]])] += own_total[np.uint64(i)]
    return seen

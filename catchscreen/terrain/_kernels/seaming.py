"""What tiles need beyond the kernels of a whole grid: plateaus and sums that go from tile to tile."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import COL_STEP, OPPOSITE, OUTLET, ROW_STEP

FAR = 2**62


@kernel
def relax(level: NDArray[np.int32], value: NDArray[np.int64], cells: NDArray[np.int64], add: int) -> None:
    """Lower each cell's value to the least of its equal neighbours plus ``add``, until nothing moves.

    Parameters
    ----------
    level : framed int32 with the neighbours' levels in the frame. value : framed int64, FAR where unknown, with the
    neighbours' values in the frame; changed in place. cells : (n,) framed numbers of the cells that may change.
    """
    step = ROW_STEP * level.shape[1] + COL_STEP
    flat_level = level.ravel()
    flat = value.ravel()
    moved = True
    while moved:
        moved = False
        for turn in range(2):
            for u in range(cells.size):
                i = cells[u] if turn == 0 else cells[cells.size - 1 - u]
                least = flat[i]
                for way in range(1, 9):
                    j = i + step[way]
                    if flat_level[j] == flat_level[i] and flat[j] + add < least:
                        least = flat[j] + add
                if least < flat[i]:
                    flat[i] = least
                    moved = True


@kernel
def follow_least(
    level: NDArray[np.int32], value: NDArray[np.int64], cells: NDArray[np.int64], code: NDArray[np.uint8]
) -> None:
    """Lead each cell to the equal neighbour with the least value, of equals the first in the order of directions."""
    step = ROW_STEP * level.shape[1] + COL_STEP
    flat_level = level.ravel()
    flat = value.ravel()
    flat_code = code.ravel()
    for u in range(cells.size):
        i = cells[u]
        least = flat[i]
        for way in range(1, 9):
            j = i + step[way]
            if flat_level[j] == flat_level[i] and flat[j] < least:
                least = flat[j]
                flat_code[i] = way


@kernel
def list_leaving(code: NDArray[np.uint8]) -> NDArray[np.int64]:
    """List the framed cells whose water goes into the frame, in row order."""
    height, width = code.shape
    found = np.empty(2 * (height + width), dtype=np.int64)
    count = 0
    for row in range(1, height - 1):
        inner = 1 < row < height - 2
        col = 1
        while col < width - 1:
            way = code[row, col]
            if way < OUTLET:
                to_row = row + ROW_STEP[way]
                to_col = col + COL_STEP[way]
                if to_row < 1 or to_row > height - 2 or to_col < 1 or to_col > width - 2:
                    found[count] = row * width + col
                    count += 1
            col += max(width - 3, 1) if inner else 1
    return found[:count].copy()


@kernel
def turn_round(code: NDArray[np.uint8], start: NDArray[np.int64], way: NDArray[np.uint8]) -> None:
    """Turn round the ways from some cells down to a pit or out of the tile; each starts in its direction ``way``."""
    height, width = code.shape
    flat = code.ravel()
    for u in range(start.size):
        i = start[u]
        new = way[u]
        while True:
            old = flat[i]
            flat[i] = new
            if old >= OUTLET:
                break
            i += ROW_STEP[old] * width + COL_STEP[old]
            row = i // width
            col = i % width
            if row < 1 or row > height - 2 or col < 1 or col > width - 2:
                break
            new = OPPOSITE[old]


@kernel
def sum_links(below: NDArray[np.int64], total: NDArray[np.int64]) -> None:
    """Add each exit's total to the exit below it, from the top down; -1 for none. No exit is below itself."""
    waiting = np.zeros(below.size, dtype=np.int64)
    for u in range(below.size):
        if below[u] >= 0:
            waiting[below[u]] += 1
    for u in range(below.size):
        at = u
        while at >= 0 and waiting[at] == 0:
            waiting[at] = -1
            to = below[at]
            if to >= 0:
                total[to] += total[at]
                waiting[to] -= 1
            at = to

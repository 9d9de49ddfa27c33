"""Plateaus that cross from tile to tile: which cells they have in a tile, and their steps to an exit."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import COL_STEP, OUTLET, PIT, ROW_STEP, UNDECIDED

FAR: Final = 2**30
"""Steps to a plateau's exit where none is known yet."""

WAITING: Final = 11
"""Code of a cell on a plateau that reaches into another tile: decided once all tiles have shown their part."""

BEYOND: Final = 12
"""Code, for a moment, of an undecided cell of another tile."""


@kernel
def mark_crossing(
    level: NDArray[np.int32], code: NDArray[np.uint8], undecided: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Mark the undecided cells whose plateau goes on beyond the tile as WAITING.

    Parameters
    ----------
    level, code : with two rows and columns of the neighbours on each side; ``code`` is known but for the outermost.
    undecided : (n,) cells with code UNDECIDED, in row order.

    Returns
    -------
    cell : (m,) cells marked, as numbers in the tile with one row and column of the neighbours, plateau part by part.
    start : (parts + 1,) where each part begins. rest : the tile's own undecided cells that are not marked.
    """
    height, width = level.shape
    step = ROW_STEP * width + COL_STEP
    flat_level = level.ravel()
    flat = code.ravel()
    edge = np.empty(2 * (height + width), dtype=np.int64)
    edges = 0
    inner = 0
    rest = np.empty(undecided.size, dtype=np.int64)
    for u in range(undecided.size):
        i = undecided[u]
        row = i // width
        col = i - row * width
        if 1 < row < height - 2 and 1 < col < width - 2:
            rest[inner] = i
            inner += 1
        else:
            edge[edges] = i
            edges += 1
            flat[i] = BEYOND
    cell = np.empty(inner, dtype=np.int64)
    start = np.zeros(8 * edges + 1, dtype=np.int64)
    tail = 0
    parts = 0
    for u in range(edges):
        for way in range(1, 9):
            j = edge[u] + step[way]
            if flat[j] == UNDECIDED and flat_level[j] == flat_level[edge[u]]:
                head = tail
                flat[j] = WAITING
                cell[tail] = j
                tail += 1
                while head < tail:
                    i = cell[head]
                    head += 1
                    for on in range(1, 9):
                        j = i + step[on]
                        if flat[j] == UNDECIDED and flat_level[j] == flat_level[i]:
                            flat[j] = WAITING
                            cell[tail] = j
                            tail += 1
                parts += 1
                start[parts] = tail
    for u in range(edges):
        flat[edge[u]] = UNDECIDED
    found = 0
    for u in range(inner):
        if flat[rest[u]] == UNDECIDED:
            rest[found] = rest[u]
            found += 1
    for u in range(tail):
        row = cell[u] // width
        cell[u] -= width + 2 * row - 1
    return cell[:tail].copy(), start[: parts + 1].copy(), rest[:found].copy()


@kernel
def _spread(
    level: NDArray[np.int32],
    value: NDArray[np.int32],
    source: NDArray[np.int64],
    amount: NDArray[np.int32],
    members: int,
) -> None:
    """Lower the steps of equal neighbours to a cell's own plus one, beginning with some cells.

    The next cell is always one with the fewest steps of all that wait, so each is lowered for good when it is reached.

    Parameters
    ----------
    level : framed int32. value : framed int32, below 0 where nothing may change; changed in place. source, amount :
    cells and their new steps, fewest first. members : number of cells that may change.
    """
    step = ROW_STEP * level.shape[1] + COL_STEP
    flat_level = level.ravel()
    flat = value.ravel()
    queue = np.empty(members, dtype=np.int64)
    head = 0
    tail = 0
    at = 0
    while head < tail or at < source.size:
        if at < source.size and (head == tail or amount[at] <= flat[queue[head]]):
            i = source[at]
            at += 1
            if amount[at - 1] >= flat[i]:
                continue
            flat[i] = amount[at - 1]
        else:
            i = queue[head]
            head += 1
        following = flat[i] + np.int32(1)
        for way in range(1, 9):
            j = i + step[way]
            if flat[j] > following and flat_level[j] == flat_level[i]:
                flat[j] = following
                queue[tail] = j
                tail += 1


@kernel
def spread_from_exits(
    level: NDArray[np.int32], code: NDArray[np.uint8], cells: NDArray[np.int64], value: NDArray[np.int32]
) -> None:
    """Count the steps of some cells along their plateaus to the exits that the tile sees, FAR where it sees none.

    Parameters
    ----------
    level, code : framed, with the neighbours' in the frame. value : framed int32, FAR for these cells and
    -1 elsewhere; changed in place.
    """
    step = ROW_STEP * level.shape[1] + COL_STEP
    flat_level = level.ravel()
    flat_code = code.ravel()
    source = np.empty(cells.size, dtype=np.int64)
    count = 0
    for u in range(cells.size):
        i = cells[u]
        for way in range(1, 9):
            j = i + step[way]
            if flat_level[j] == flat_level[i] and UNDECIDED < flat_code[j] <= OUTLET:
                source[count] = i
                count += 1
                break
    _spread(level, value, source[:count], np.ones(count, dtype=np.int32), cells.size)


@kernel
def spread_from_frame(
    level: NDArray[np.int32],
    value: NDArray[np.int32],
    rim: NDArray[np.int64],
    roots: NDArray[np.int64],
    members: int,
) -> None:
    """Lower steps by what the neighbours show in the frame, and by roots, which are now exits.

    Parameters
    ----------
    level : framed, with the neighbours' levels. value : framed int32, in order among the cells that may change, -1
    where nothing may, the neighbours' steps in the frame; changed in place, -1 in the frame afterwards. rim : cells
    that may change beside the frame. roots : cells. members : number of cells that may change.
    """
    height, width = level.shape
    step = ROW_STEP * width + COL_STEP
    flat_level = level.ravel()
    flat = value.ravel()
    source = np.empty(roots.size + rim.size, dtype=np.int64)
    amount = np.zeros(source.size, dtype=np.int32)
    source[: roots.size] = roots
    count = roots.size
    for u in range(rim.size):
        i = rim[u]
        least = flat[i]
        for way in range(1, 9):
            j = i + step[way]
            if flat[j] >= 0 and flat_level[j] == flat_level[i] and flat[j] + 1 < least:
                least = flat[j] + np.int32(1)
        if least < flat[i]:
            source[count] = i
            amount[count] = least
            count += 1
    value[0] = -1
    value[height - 1] = -1
    value[:, 0] = -1
    value[:, width - 1] = -1
    order = np.argsort(amount[:count], kind="mergesort")
    _spread(level, value, source[:count][order], amount[:count][order], members)


@kernel
def follow_least(
    level: NDArray[np.int32], value: NDArray[np.int32], cells: NDArray[np.int64], code: NDArray[np.uint8]
) -> None:
    """Lead each cell to the equal neighbour with the least value, of equals the first in the order of directions.

    A cell with value 0 is the root of its plateau: a pit.

    Parameters
    ----------
    level, code : framed, with the neighbours' levels in the frame. value : framed int32, of these cells, the
    neighbours' in the frame, -1 elsewhere: there a cell that has its way counts 0.
    """
    step = ROW_STEP * level.shape[1] + COL_STEP
    flat_level = level.ravel()
    flat = value.ravel()
    flat_code = code.ravel()
    for u in range(cells.size):
        i = cells[u]
        least = flat[i]
        if least == 0:
            flat_code[i] = PIT
            continue
        for way in range(1, 9):
            j = i + step[way]
            if flat_level[j] != flat_level[i]:
                continue
            other = flat[j]
            if other < 0 and UNDECIDED < flat_code[j] <= OUTLET:
                other = np.int32(0)
            if 0 <= other < least:
                least = other
                flat_code[i] = way

"""Cells without a lower neighbour: towards the plateau's exit, or towards the one root of a closed plateau."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import COL_STEP, OUTLET, PIT, ROW_STEP, UNDECIDED

_PENDING = 32


@kernel
def _way_to_decided(i: int, level: NDArray[np.int32], code: NDArray[np.uint8], step: NDArray[np.int64]) -> int:
    """Return the first direction, in the order of ties, to an equal neighbour already decided; 0 for none."""
    for way in range(1, 9):
        j = i + step[way]
        if level[j] == level[i] and UNDECIDED < code[j] <= PIT:
            return way
    return 0


@kernel
def _spread(
    queue: NDArray[np.int64], tail: int, level: NDArray[np.int32], code: NDArray[np.uint8], step: NDArray[np.int64]
) -> None:
    """Decide cells ring by ring from the ``tail`` pending ones in ``queue``.

    A ring is decided as a whole before the next is looked at: so each cell goes to a neighbour that is one step nearer
    to the exit, whatever the order within the queue.
    """
    head = 0
    while head < tail:
        ring_end = tail
        for u in range(head, ring_end):
            code[queue[u]] &= np.uint8(_PENDING - 1)
        for u in range(head, ring_end):
            i = queue[u]
            for way in range(1, 9):
                j = i + step[way]
                if code[j] == UNDECIDED and level[j] == level[i]:
                    code[j] = np.uint8(_way_to_decided(j, level, code, step) | _PENDING)
                    queue[tail] = j
                    tail += 1
        head = ring_end


@kernel
def drain_plateaus(
    level: NDArray[np.int32], code: NDArray[np.uint8], undecided: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Give every undecided cell a way along its plateau; return the pits, the first cell of each closed plateau.

    An undecided cell goes to the equal neighbour with the smallest number of 8-neighbour steps to the plateau's exit,
    ties by the order of directions. A plateau without exit has its first cell in row order as root.

    Parameters
    ----------
    level : (rows + 2, cols + 2) int32 [ticks]. code : (rows + 2, cols + 2) uint8, changed in place.
    undecided : (n,) int64, framed cell numbers with code UNDECIDED in row order.
    """
    width = level.shape[1]
    step = ROW_STEP * width + COL_STEP
    flat_level = level.ravel()
    flat_code = code.ravel()
    queue = np.empty(undecided.size, dtype=np.int64)
    tail = 0
    for u in range(undecided.size):
        way = _way_to_decided(undecided[u], flat_level, flat_code, step)
        if way > 0:
            queue[tail] = undecided[u]
            tail += 1
    for u in range(tail):
        flat_code[queue[u]] = np.uint8(_way_to_decided(queue[u], flat_level, flat_code, step) | _PENDING)
    _spread(queue, tail, flat_level, flat_code, step)
    pit = np.empty(undecided.size, dtype=np.int64)
    pits = 0
    for u in range(undecided.size):
        i = undecided[u]
        if flat_code[i] == UNDECIDED:
            pit[pits] = i
            pits += 1
            flat_code[i] = np.uint8(PIT | _PENDING)
            queue[0] = i
            _spread(queue, 1, flat_level, flat_code, step)
    return pit[:pits].copy()


@kernel
def close_pits(code: NDArray[np.uint8], seed_cell: NDArray[np.int64]) -> int:
    """Turn pits that found no way out (ground enclosed by walls) into outlets; return how many there were."""
    flat = code.ravel()
    found = 0
    for u in range(seed_cell.size):
        if flat[seed_cell[u]] == PIT:
            flat[seed_cell[u]] = OUTLET
            found += 1
    return found

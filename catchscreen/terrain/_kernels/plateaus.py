"""Cells without a lower neighbour: towards the plateau's exit, or towards the one root of a closed plateau."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import PIT, UNDECIDED

_PENDING = np.uint8(32)


@kernel
def _way_to_decided(i: int, level: NDArray[np.int32], code: NDArray[np.uint8], step: NDArray[np.int64]) -> int:
    """Return the first direction, in the order of ties, to an equal neighbour already decided; 0 for none."""
    for way in range(1, 9):
        j = i + step[way]
        if level[j] == level[i] and UNDECIDED < code[j] <= PIT:
            return way
    return 0


@kernel
def drain_plateaus(
    level: NDArray[np.int32],
    code: NDArray[np.uint8],
    step: NDArray[np.int64],
    cells: NDArray[np.int64],
    queue: NDArray[np.int64],
) -> None:
    """Give every undecided cell a way along its plateau; the first cell of each closed plateau becomes its pit.

    An undecided cell goes to the equal neighbour with the smallest number of 8-neighbour steps to the plateau's exit,
    ties by the order of directions. A plateau without exit has its first cell in row order as root. Cells are decided
    ring by ring, and a ring as a whole before the next is looked at: so each cell goes to a neighbour that is one step
    nearer to the exit, whatever the order within the queue.

    Parameters
    ----------
    level, code : flat framed int32 [ticks] and uint8; ``code`` is changed in place. step : (9,) int64, cells to each
    direction. cells : (n,) int64, framed cells with code UNDECIDED, in row order. queue : (n,) working space.
    """
    tail = 0
    for u in range(cells.size):
        if _way_to_decided(cells[u], level, code, step) > 0:
            queue[tail] = cells[u]
            tail += 1
    for u in range(tail):
        code[queue[u]] = _PENDING
    for turn in range(-1, cells.size):
        if turn >= 0:
            if code[cells[turn]] != UNDECIDED:
                continue
            code[cells[turn]] = PIT
            queue[0] = cells[turn]
            tail = 1
        head = 0
        while head < tail:
            ring_end = tail
            for u in range(head, ring_end):
                if code[queue[u]] == _PENDING:
                    code[queue[u]] = _PENDING + np.uint8(_way_to_decided(queue[u], level, code, step))
            for u in range(head, ring_end):
                code[queue[u]] &= np.uint8(_PENDING - 1)
            for u in range(head, ring_end):
                i = queue[u]
                for way in range(1, 9):
                    j = i + step[way]
                    if code[j] == UNDECIDED and level[j] == level[i]:
                        code[j] = _PENDING
                        queue[tail] = j
                        tail += 1
            head = ring_end

"""Sums set right below joints: cells whose water goes on into a sum that did not count it.

Joints are the passes of closed basins, and the cells whose water goes from one strip of rows to another. Below each the
water's way is followed down to where it joins one already followed; each cell met keeps the number of ways that come
in. Then what the joints bring is carried down in the water's order. Strips do this apart; what crosses from one to
another is done at the end, in one piece.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.blocks import group_by_block, touch
from catchscreen.terrain._kernels.directions import COL_STEP, OUTLET, ROW_STEP

_JOINT = np.uint8(128)
_MEETING = np.uint8(64)
_COUNT = np.uint8(63)


@kernel
def _follow(
    j: int, code: NDArray[np.uint8], step: NDArray[np.int64], base: int, end: int, pending: NDArray[np.uint8]
) -> int:
    """Count the way in below a cell and below the following ones, to a marked one; return where it leaves, or -1."""
    while code[j] < OUTLET:
        below = j + step[code[j]]
        if below < base or below >= end:
            return j
        seen = pending[below]
        pending[below] = (seen + np.uint8(1)) | (_MEETING if seen & _COUNT else np.uint8(0))
        if seen:
            break
        j = below
    return -1


@kernel
def follow_joints(
    code: NDArray[np.uint8],
    joint: NDArray[np.int64],
    rows: tuple[int, int],
    pending: NDArray[np.uint8],
    crossing: NDArray[np.int64],
) -> int:
    """Count the ways in below the joints of a strip; return how many ways cross over to another strip.

    Parameters
    ----------
    code : framed uint8. joint : (n,) int64, framed cells, those outside the strip are passed over.
    pending : framed uint8, 0 but for the joints' mark; changed in place. crossing : written, where ways leave.
    """
    width = code.shape[1]
    step = ROW_STEP * width + COL_STEP
    flat_code = code.ravel()
    flat_pending = pending.ravel()
    found = 0
    head, following = group_by_block(joint, rows, width)
    for block in range(head.size):
        u = head[block]
        while u >= 0:
            j = _follow(joint[u], flat_code, step, rows[0] * width, rows[1] * width, flat_pending)
            if j >= 0:
                crossing[found] = j
                found += 1
            u = following[u]
    return found


@kernel
def mark_joints(code: NDArray[np.uint8], joint: NDArray[np.int64], pending: NDArray[np.uint8]) -> None:
    """Mark the joints that lead anywhere."""
    flat_code = code.ravel()
    flat_pending = pending.ravel()
    for u in range(joint.size):
        if joint[u] >= 0 and flat_code[joint[u]] < OUTLET:
            flat_pending[joint[u]] = _JOINT


@kernel
def follow_crossings(code: NDArray[np.uint8], crossing: NDArray[np.int64], pending: NDArray[np.uint8]) -> None:
    """Follow the ways that cross over, wherever they go."""
    step = ROW_STEP * code.shape[1] + COL_STEP
    for u in range(crossing.size):
        _follow(crossing[u], code.ravel(), step, 0, code.size, pending.ravel())


@kernel
def _sum_donors(i: int, code: NDArray[np.uint8], width: int, total: NDArray[np.int32] | NDArray[np.int64]) -> np.int64:
    """Return 1 and the totals of the cells that drain into one; without branches, which would be guessed wrong."""
    here = np.uint64(i)
    above = np.uint64(i - width)
    below = np.uint64(i + width)
    one = np.uint64(1)
    amount = np.int64(1) + total[here + one] * np.int64(code[here + one] == 3)
    amount += total[here - one] * np.int64(code[here - one] == 1)
    amount += total[below] * np.int64(code[below] == 4)
    amount += total[above] * np.int64(code[above] == 2)
    amount += total[below + one] * np.int64(code[below + one] == 7)
    amount += total[below - one] * np.int64(code[below - one] == 8)
    amount += total[above - one] * np.int64(code[above - one] == 5)
    amount += total[above + one] * np.int64(code[above + one] == 6)
    return amount


@kernel
def _carry(
    j: int,
    amount: np.int64,
    code: NDArray[np.uint8],
    width: int,
    bounds: tuple[int, int],
    pending: NDArray[np.uint8],
    total: NDArray[np.int32] | NDArray[np.int64],
) -> tuple[int, np.int64]:
    """Carry an amount from a cell down to where another way in is still awaited.

    Where ways meet, the sum is made again once the last has come. Return the cell where the way leaves the strip and
    what it carries, or -1.
    """
    step = ROW_STEP * width + COL_STEP
    while code[j] < OUTLET:
        below = j + step[code[j]]
        if below < bounds[0] or below >= bounds[1]:
            return j, amount
        state = pending[below] - np.uint8(1)
        if state & _COUNT:
            pending[below] = state
            break
        pending[below] = 0
        before = np.int64(total[below])
        after = _sum_donors(below, code, width, total) if state & _MEETING else before + amount
        total[below] = after
        amount = after if state & _JOINT else after - before
        j = below
    return -1, np.int64(0)


@kernel
def carry_from_joints(
    code: NDArray[np.uint8],
    joint: NDArray[np.int64],
    rows: tuple[int, int],
    pending: NDArray[np.uint8],
    total: NDArray[np.int32] | NDArray[np.int64],
    crossing: tuple[NDArray[np.int64], NDArray[np.int64]],
) -> tuple[int, int]:
    """Carry down what the joints of a strip bring; return how many ways cross over to another strip.

    Parameters
    ----------
    code, joint, rows, pending : as for ``follow_joints``; ``pending`` is used up. total : framed int32 or int64,
    changed in place. crossing : written, where ways leave and what they carry.

    Returns
    -------
    the number, and one of no meaning without which the compiler would leave out the reading ahead.
    """
    width = code.shape[1]
    bounds = (rows[0] * width, rows[1] * width)
    flat_code = code.ravel()
    flat_pending = pending.ravel()
    flat_total = total.ravel()
    found = 0
    seen = 0
    head, following = group_by_block(joint, rows, width)
    for block in range(head.size):
        seen += touch(block, rows[0], rows[1], total)
        u = head[block]
        while u >= 0:
            j = joint[u]
            u = following[u]
            if flat_pending[j] == _JOINT:
                flat_pending[j] = 0
                j, amount = _carry(j, np.int64(flat_total[j]), flat_code, width, bounds, flat_pending, flat_total)
                if j >= 0:
                    crossing[0][found] = j
                    crossing[1][found] = amount
                    found += 1
    return found, seen


@kernel
def carry_crossings(
    code: NDArray[np.uint8],
    crossing: tuple[NDArray[np.int64], NDArray[np.int64]],
    pending: NDArray[np.uint8],
    total: NDArray[np.int32] | NDArray[np.int64],
) -> None:
    """Carry down what crosses over, wherever it goes."""
    width = code.shape[1]
    for u in range(crossing[0].size):
        _carry(crossing[0][u], crossing[1][u], code.ravel(), width, (0, code.size), pending.ravel(), total.ravel())

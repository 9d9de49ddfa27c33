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
from catchscreen.terrain._kernels.blocks import touch
from catchscreen.terrain._kernels.directions import OUTLET

JOINT = np.uint8(128)
_MEETING = np.uint8(64)
_COUNT = np.uint8(63)

_LANES = 32
"""Ways followed side by side, so that none waits for the memory of another."""


@kernel
def follow_joints(
    code: NDArray[np.uint8],
    steps: tuple[NDArray[np.int64], int],
    strip: tuple[int, int],
    joint: NDArray[np.int64],
    chains: tuple[NDArray[np.int32], NDArray[np.int32]],
    pending: NDArray[np.uint8],
    crossing: NDArray[np.int64],
) -> tuple[int, int]:
    """Count the ways in below the joints of a strip.

    Parameters
    ----------
    code : flat framed uint8. steps : (9,) int64, and the width, 0 where the chains are not by block. strip : first cell
    of the strip and of the next. joint : (n,) int64, framed cells. chains : the joints by block, as from
    ``group_by_block``.
    pending : flat framed uint8, 0 but for the joints' mark; changed in place. crossing : written, where ways leave.

    Returns
    -------
    how many ways cross over to another strip, and a number of no meaning without which the compiler would leave out
    the reading ahead.
    """
    step, width = steps
    lane = np.empty(_LANES + 1, dtype=np.int64)
    found = 0
    seen = 0
    for block in range(chains[0].size):
        if width > 0:
            seen += touch(block, width, strip, code) + touch(block, width, strip, pending)
        u = chains[0][block]
        ways = 0
        while u >= 0 or ways > 0:
            while u >= 0 and ways < _LANES:
                lane[ways] = joint[u]
                ways += int(code[joint[u]] < OUTLET)
                u = chains[1][u]
            going = 0
            for k in range(ways):
                j = lane[k]
                below = j + step[code[j]]
                if below < strip[0] or below >= strip[1]:
                    crossing[found] = j
                    found += 1
                    continue
                state = pending[below]
                pending[below] = (state + np.uint8(1)) | (_MEETING if state & _COUNT else np.uint8(0))
                lane[going] = below
                going += int((state == 0) & (code[below] < OUTLET))
            ways = going
    return found, seen


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
def carry_down(
    code: NDArray[np.uint8],
    steps: tuple[NDArray[np.int64], int],
    strip: tuple[int, int],
    joint: tuple[NDArray[np.int64], NDArray[np.int64]],
    chains: tuple[NDArray[np.int32], NDArray[np.int32]],
    pending: NDArray[np.uint8],
    total: NDArray[np.int32] | NDArray[np.int64],
    crossing: tuple[NDArray[np.int64], NDArray[np.int64]],
) -> tuple[int, int]:
    """Carry what the joints of a strip bring down to where another way in is still awaited.

    Where ways meet, the sum is made again once the last has come.

    Parameters
    ----------
    code, strip, chains, pending : as for ``follow_joints``; ``pending`` is used up. steps : (9,) int64, and the width.
    joint : cells and what they carry, nothing (0,) where it is their own total and they wait for their turn.
    total : flat framed int32 or int64, changed in place. crossing : written, where ways leave and what they carry.

    Returns
    -------
    how many ways cross over, and a number of no meaning without which the compiler would leave out the reading ahead.
    """
    step, width = steps
    carries_own = joint[1].size == 0
    found = 0
    seen = 0
    for block in range(chains[0].size):
        if carries_own:
            seen += touch(block, width, strip, total)
            seen += touch(block, width, strip, code) + touch(block, width, strip, pending)
        u = chains[0][block]
        while u >= 0:
            j = joint[0][u]
            amount = np.int64(total[j]) if carries_own else joint[1][u]
            u = chains[1][u]
            if carries_own:
                if pending[j] != JOINT:
                    continue
                pending[j] = 0
            while code[j] < OUTLET:
                below = j + step[code[j]]
                if below < strip[0] or below >= strip[1]:
                    crossing[0][found] = j
                    crossing[1][found] = amount
                    found += 1
                    break
                state = pending[below] - np.uint8(1)
                if state & _COUNT:
                    pending[below] = state
                    break
                pending[below] = 0
                before = np.int64(total[below])
                after = _sum_donors(below, code, width, total) if state & _MEETING else before + amount
                total[below] = after
                amount = after if state & JOINT else after - before
                j = below
    return found, seen

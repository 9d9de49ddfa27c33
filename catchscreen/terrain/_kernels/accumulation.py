"""Sums along the water's way: cells upstream of each cell."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel, parallel_kernel, prange
from catchscreen.terrain._kernels.directions import COL_STEP, NO_GROUND, OUTLET, ROW_STEP

_BLOCK = 256
_ONE_INFLOW = np.uint8(16)


@parallel_kernel
def start_totals(pending: NDArray[np.uint8], total: NDArray[np.int32] | NDArray[np.int64]) -> None:
    """Count each cell on the ground once."""
    for row in prange(pending.shape[0]):
        for col in range(pending.shape[1]):
            total[row, col] = 0 if pending[row, col] == NO_GROUND else 1


@parallel_kernel
def accumulate_strips(
    pending: NDArray[np.uint8],
    total: NDArray[np.int32] | NDArray[np.int64],
    bounds: NDArray[np.int64],
    leaving: NDArray[np.int64],
    left: NDArray[np.int64],
) -> None:
    """Add each cell's total to its receiver once all that drain into it are done, strip by strip.

    Sums are of whole numbers: their order does not matter.

    Parameters
    ----------
    pending : framed uint8 of ``count_inflows``, used up. total : framed int32 or int64, each cell's own
    amount; changed in place.
    bounds : (strips + 1,) int64, first row of each strip. leaving : (strips, room) int64, written: finished cell and
    its receiver in another strip, in turn. left : (strips,) int64, how many entries.
    """
    width = pending.shape[1]
    step = ROW_STEP * width + COL_STEP
    flat_pending = pending.ravel()
    flat_total = total.ravel()
    for strip in prange(left.size):
        first = bounds[strip]
        last = bounds[strip + 1]
        found = 0
        for block_row in range(first, last, _BLOCK):
            for block_col in range(0, width, _BLOCK):
                for row in range(block_row, min(last, block_row + _BLOCK)):
                    for i in range(row * width + block_col, row * width + min(width, block_col + _BLOCK)):
                        at = i
                        way = flat_pending[at]
                        while way < OUTLET:
                            below = at + step[way]
                            flat_pending[at] = NO_GROUND
                            if below < first * width or below >= last * width:
                                leaving[strip, found] = at
                                leaving[strip, found + 1] = below
                                found += 2
                                break
                            flat_total[below] += flat_total[at]
                            way = flat_pending[below] - _ONE_INFLOW
                            flat_pending[below] = way
                            at = below
        left[strip] = found


@kernel
def accumulate_rest(
    pending: NDArray[np.uint8],
    total: NDArray[np.int32] | NDArray[np.int64],
    leaving: NDArray[np.int64],
    left: NDArray[np.int64],
) -> None:
    """Finish what leads from one strip into another."""
    width = pending.shape[1]
    step = ROW_STEP * width + COL_STEP
    flat_pending = pending.ravel()
    flat_total = total.ravel()
    for strip in range(left.size):
        for u in range(0, left[strip], 2):
            at = leaving[strip, u]
            below = leaving[strip, u + 1]
            while True:
                flat_total[below] += flat_total[at]
                way = flat_pending[below] - _ONE_INFLOW
                flat_pending[below] = way
                if way >= OUTLET:
                    break
                flat_pending[below] = NO_GROUND
                at = below
                below = at + step[way]

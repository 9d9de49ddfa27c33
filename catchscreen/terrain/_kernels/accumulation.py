"""Sums along the water's way: cells upstream of each cell."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import COL_STEP, NO_GROUND, OUTLET, ROW_STEP


@kernel
def accumulate(inflows: NDArray[np.uint8], total: NDArray[np.int64]) -> None:
    """Add each cell's total to its receiver once all that drain into it are done.

    Parameters
    ----------
    inflows : framed uint8 of ``count_inflows``, used up. total : framed int64, each cell's own amount; changed in
    place.
    """
    width = inflows.shape[1]
    step = ROW_STEP * width + COL_STEP
    pending = inflows.ravel()
    flat = total.ravel()
    for start in range(pending.size):
        way = pending[start]
        if way > OUTLET:
            continue
        i = start
        while way < OUTLET:
            j = i + step[way]
            flat[j] += flat[i]
            pending[i] = NO_GROUND
            pending[j] -= np.uint8(16)
            way = pending[j]
            i = j

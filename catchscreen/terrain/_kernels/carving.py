"""Small depressions opened by lowering the way of the water out of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import COL_STEP, OUTLET, ROW_STEP
from catchscreen.terrain._kernels.dividing import doubled


@kernel
def carve(
    level: NDArray[np.int32], code: NDArray[np.uint8], pits: NDArray[np.int64], longest: int, deepest: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Lower the way from each pit over its pass to the pit's level, down to the first ground that is as low.

    A way is left alone where more than ``longest`` cells or more than ``deepest`` ticks at one cell would have to be
    lowered. Pits are taken in the order given; a later way may use an earlier one.

    Parameters
    ----------
    level : framed int32, changed in place. code : framed uint8, after rerouting. pits : (n,) int64, framed cells.

    Returns
    -------
    cell : (m,) int64, lowered cells of all ways. before : (m,) int64 [ticks], their levels before. start : (n + 1,)
    int64, where the cells of each pit's way begin; a pit left alone has none.
    """
    step = ROW_STEP * level.shape[1] + COL_STEP
    flat = level.ravel()
    flat_code = code.ravel()
    cell = np.empty(1024, dtype=np.int64)
    before = np.empty(cell.size, dtype=np.int64)
    start = np.zeros(pits.size + 1, dtype=np.int64)
    found = 0
    for u in range(pits.size):
        floor = flat[pits[u]]
        i = pits[u]
        own = 0
        good = True
        while flat_code[i] < OUTLET:
            i += step[flat_code[i]]
            if flat[i] <= floor:
                break
            if own == longest or flat[i] - floor > deepest:
                good = False
                break
            if found + own == cell.size:
                cell = doubled(cell)
                before = doubled(before)
            cell[found + own] = i
            before[found + own] = flat[i]
            own += 1
        if good:
            for v in range(found, found + own):
                flat[cell[v]] = floor
            found += own
        start[u + 1] = found
    return cell[:found].copy(), before[:found].copy(), start

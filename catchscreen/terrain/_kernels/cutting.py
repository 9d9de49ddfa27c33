"""Ways out of depressions lowered where they are given as lists of cells, not as a ground."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel


@kernel
def cut_ways(
    level: NDArray[np.int32],
    pit: NDArray[np.int64],
    way: NDArray[np.int64],
    start: NDArray[np.int64],
    longest: int,
    deepest: int,
) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Lower ways to the level of their pits as ``carving.carve`` does, in the order given.

    Parameters
    ----------
    level : (cells,) levels of the cells that any way touches, changed in place. pit : (n,) the place of each pit in
    ``level``. way : places of the cells below each pit, one way after the other, as far as they may count. start :
    (n + 1,) where each way begins.

    Returns
    -------
    count : (n,) how many cells of each way were lowered. before : as ``way``, the levels of these cells before.
    """
    count = np.zeros(pit.size, dtype=np.int64)
    before = np.zeros(way.size, dtype=np.int32)
    for u in range(pit.size):
        floor = level[pit[u]]
        own = 0
        good = True
        for v in range(start[u], start[u + 1]):
            i = way[v]
            if level[i] <= floor:
                break
            if own == longest or level[i] - floor > deepest:
                good = False
                break
            before[v] = level[i]
            own += 1
        if not good:
            continue
        count[u] = own
        for v in range(start[u], start[u] + own):
            level[way[v]] = floor
    return count, before

"""Straight lines out of hollows: the first low ground beyond a bank."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import WALL


@kernel
def first_low_ground(
    surfaces: tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]],
    start: NDArray[np.int64],
    steps: tuple[NDArray[np.int64], NDArray[np.int64]],
    spill: int,
    drained: float,
) -> tuple[int, int, int, int]:
    """Look along lines from some cells, all of them step by step, for low ground behind ground above a hollow's spill.

    Of several lines that come to such ground at the same step, the one is taken whose end has the lowest water, then
    the lowest crest, then the first start, then the first end.

    Parameters
    ----------
    surfaces : level, filled surface and natural ground of a window, (rows, cols) int32 [ticks]. start : flat cells of
    it. steps : rows and columns from a start to each step of each line, (steps, lines). drained : water at the end of a
    line stands no higher [ticks].

    Returns
    -------
    The step (-1 where no line comes to low ground), the start, the end, the highest natural ground between [ticks].
    """
    level, filled, ground = surfaces
    down, across = steps
    rows, cols = level.shape
    crest = np.full((start.size, down.shape[1]), -(2**31), dtype=np.int64)
    for step in range(down.shape[0]):
        found = False
        best = (0, 0, 0, 0)
        for u in range(start.size):
            for line in range(down.shape[1]):
                row = start[u] // cols + down[step, line]
                col = start[u] % cols + across[step, line]
                if row < 0 or row >= rows or col < 0 or col >= cols:
                    continue
                highest = crest[u, line]
                if highest > spill and level[row, col] < WALL and filled[row, col] <= drained:
                    own = (int(filled[row, col]), int(highest), int(start[u]), int(row * cols + col))
                    if not found or own < best:
                        best = own
                    found = True
                if ground[row, col] < WALL:
                    crest[u, line] = max(highest, np.int64(ground[row, col]))
        if found:
            return step, best[2], best[3], best[1]
    return -1, -1, -1, 0

"""Slope after Horn, with missing neighbours carried on from the other side."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import parallel_kernel, prange
from catchscreen.terrain._kernels.directions import WALL


@parallel_kernel
def horn_gradient(
    level: NDArray[np.int32],
    run_x: float,
    run_y: float,
    gradient_x: NDArray[np.float32],
    gradient_y: NDArray[np.float32],
) -> None:
    """Write the rise over run towards the east and towards the south; NaN off the ground.

    A missing neighbour takes the level that carries on the line from the cell opposite (2 x own - opposite), or the
    cell's own where that is missing too: a plane keeps its slope up to the data edge.

    Parameters
    ----------
    level : (rows + 2, cols + 2) int32, framed. run_x, run_y : eight cell sizes in ticks.
    gradient_x, gradient_y : (rows, cols) float32, written.
    """
    rows, cols = gradient_x.shape
    for row in prange(rows):
        window = np.empty(9, dtype=np.float64)
        for col in range(cols):
            own = level[row + 1, col + 1]
            if own >= WALL:
                gradient_x[row, col] = np.nan
                gradient_y[row, col] = np.nan
                continue
            for u in range(9):
                here = level[row + u // 3, col + u % 3]
                if here >= WALL:
                    opposite = level[row + 2 - u // 3, col + 2 - u % 3]
                    window[u] = 2.0 * own - opposite if opposite < WALL else float(own)
                else:
                    window[u] = here
            east = window[2] + 2.0 * window[5] + window[8]
            west = window[0] + 2.0 * window[3] + window[6]
            south = window[6] + 2.0 * window[7] + window[8]
            north = window[0] + 2.0 * window[1] + window[2]
            gradient_x[row, col] = (east - west) / run_x
            gradient_y[row, col] = (south - north) / run_y

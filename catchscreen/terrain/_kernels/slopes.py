"""Slope after Horn, with what is known where neighbours are missing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import WALL


@kernel
def _mean_rise(before: NDArray[np.int32], middle: NDArray[np.int32], after: NDArray[np.int32]) -> float:
    """Return the mean rise per cell along three lines of three cells, the middle line counting twice.

    A line gives half the difference of its ends; with one end missing, the difference to its middle cell; with two of
    three missing, nothing. So a plane keeps its slope up to the data edge, and where all is known this is Horn's
    formula.
    """
    rise = 0.0
    weight = 0.0
    for line in range(3):
        share = 2.0 if line == 1 else 1.0
        low, own, high = before[line], middle[line], after[line]
        if low < WALL and high < WALL:
            rise += share * 0.5 * (float(high) - float(low))
        elif own < WALL and high < WALL:
            rise += share * (float(high) - float(own))
        elif own < WALL and low < WALL:
            rise += share * (float(own) - float(low))
        else:
            share = 0.0
        weight += share
    return rise / weight if weight > 0.0 else 0.0


@kernel
def horn_gradient(
    level: NDArray[np.int32],
    first: int,
    last: int,
    ticks_x: float,
    ticks_y: float,
    gradient_x: NDArray[np.float32],
    gradient_y: NDArray[np.float32],
) -> None:
    """Write the rise over run towards the east and towards the south in some rows; NaN off the ground.

    Parameters
    ----------
    level : (rows + 2, cols + 2) int32, framed. first, last : rows, numbered without the frame. ticks_x, ticks_y : cell
    width and height in ticks.
    gradient_x, gradient_y : (rows, cols) float32, written.
    """
    for row in range(first, last):
        for col in range(gradient_x.shape[1]):
            if level[row + 1, col + 1] >= WALL:
                gradient_x[row, col] = np.nan
                gradient_y[row, col] = np.nan
                continue
            west, here, east = (level[row : row + 3, col], level[row : row + 3, col + 1], level[row : row + 3, col + 2])
            north, beside, south = (
                level[row, col : col + 3],
                level[row + 1, col : col + 3],
                level[row + 2, col : col + 3],
            )
            gradient_x[row, col] = _mean_rise(west, here, east) / ticks_x
            gradient_y[row, col] = _mean_rise(north, beside, south) / ticks_y

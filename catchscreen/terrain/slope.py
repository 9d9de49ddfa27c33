"""Slope and aspect of the ground after Horn.

References
----------
Horn, B. K. P. (1981). Hill shading and the reflectance map. Proceedings of the IEEE 69 (1), 14-47.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.terrain._kernels import slopes
from catchscreen.terrain.strips import in_parts, strip_rows
from catchscreen.units import TICKS_PER_M

Gradients = tuple[NDArray[np.float32], NDArray[np.float32]]


def gradients(level: NDArray[np.int32], grid: Grid) -> Gradients:
    """Return rise over run towards the east and towards the south, (rows, cols) float32, NaN off the ground.

    Parameters
    ----------
    level : (rows + 2, cols + 2) int32 [ticks of 0.1 mm], framed.
    """
    towards_east = np.empty(grid.shape, dtype=np.float32)
    towards_south = np.empty(grid.shape, dtype=np.float32)
    ticks_x, ticks_y = grid.cell_width_m * TICKS_PER_M, grid.cell_height_m * TICKS_PER_M
    in_parts(
        strip_rows(grid.shape),
        lambda first, last: slopes.horn_gradient(level, first, last, ticks_x, ticks_y, towards_east, towards_south),
    )
    return towards_east, towards_south


def slope_fraction(level: NDArray[np.int32], grid: Grid) -> NDArray[np.float32]:
    """Return the slope as rise over run, (rows, cols) float32, NaN off the ground."""
    towards_east, towards_south = gradients(level, grid)
    return np.hypot(towards_east, towards_south)


def aspect_deg(level: NDArray[np.int32], grid: Grid) -> NDArray[np.float64]:
    """Return the direction of fall, degrees clockwise from north; NaN where level or off the ground."""
    towards_east, towards_south = (side.astype(np.float64) for side in gradients(level, grid))
    downhill = np.degrees(np.arctan2(-towards_east, towards_south)) % 360.0
    return np.where((towards_east == 0.0) & (towards_south == 0.0), np.nan, downhill)

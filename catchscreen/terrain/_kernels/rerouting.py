"""Water out of closed basins: along the way from the pass down to the pit, turned round."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import parallel_kernel, prange
from catchscreen.terrain._kernels.directions import (
    COL_STEP,
    FORWARD,
    NO_GROUND,
    OPPOSITE,
    OUTLET,
    OVER_EDGE,
    PIT,
    ROW_STEP,
)


@parallel_kernel
def reroute(
    code: NDArray[np.uint8],
    label: NDArray[np.int32],
    first_label: int,
    place: NDArray[np.int64],
    pass_cell: NDArray[np.int64],
) -> None:
    """Turn round the way from each basin's pass down to its pit, and lead it over the pass.

    Parameters
    ----------
    code : framed uint8, changed in place. label : framed int32. first_label : label of the first closed basin.
    place : (basins,) int64, exit pass of each closed basin (cell * 8 + forward direction), -1 where there is none.
    pass_cell : (basins,) int64, written: the basin's own cell beside its pass.
    """
    width = code.shape[1]
    step = ROW_STEP * width + COL_STEP
    flat_code = code.ravel()
    flat_label = label.ravel()
    for basin in prange(place.size):
        if place[basin] < 0:
            pass_cell[basin] = -1
            continue
        i = place[basin] >> 3
        k = place[basin] & 7
        way = np.uint8(OUTLET) if k == OVER_EDGE else FORWARD[k]
        if flat_label[i] != basin + first_label:
            i += step[way]
            way = OPPOSITE[way]
        pass_cell[basin] = i
        while True:
            old = flat_code[i]
            flat_code[i] = way
            if old == PIT:
                break
            way = OPPOSITE[old]
            i += step[old]


@parallel_kernel
def fill_and_name(
    level: NDArray[np.int32],
    label: NDArray[np.int32],
    spill: NDArray[np.int32],
    basin_of: NDArray[np.int32],
    basin: NDArray[np.int32],
    filled: NDArray[np.int32],
) -> None:
    """Write the filled surface and the final basin of each cell.

    Parameters
    ----------
    level, label, basin, filled : framed int32; ``basin`` and ``filled`` are
    written, and ``basin`` may be ``label`` itself. spill, basin_of : (labels,) int32.
    """
    height, width = level.shape
    for row in prange(height):
        for col in range(width):
            own = label[row, col]
            if own >= 0:
                filled[row, col] = max(level[row, col], spill[own])
                basin[row, col] = basin_of[own]
            else:
                basin[row, col] = own
                filled[row, col] = level[row, col]


@parallel_kernel
def count_inflows(code: NDArray[np.uint8], inflows: NDArray[np.uint8]) -> None:
    """Write code + 16 x the number of neighbours that drain into each cell; 15 off the ground.

    Parameters
    ----------
    code, inflows : (rows + 2, cols + 2) uint8, framed; ``inflows`` is written.
    """
    height, width = code.shape
    inner = width - 2
    for row in prange(height):
        if row == 0 or row == height - 1:
            inflows[row, :] = NO_GROUND
            continue
        inflows[row, 0] = NO_GROUND
        inflows[row, width - 1] = NO_GROUND
        here = code[row, 1 : width - 1]
        east = code[row, 2:width]
        west = code[row, 0:inner]
        north = code[row - 1, 1 : width - 1]
        south = code[row + 1, 1 : width - 1]
        north_east = code[row - 1, 2:width]
        north_west = code[row - 1, 0:inner]
        south_east = code[row + 1, 2:width]
        south_west = code[row + 1, 0:inner]
        out = inflows[row, 1 : width - 1]
        for col in range(inner):
            found = np.uint8(east[col] == 3) + np.uint8(west[col] == 1)
            found += np.uint8(south[col] == 4) + np.uint8(north[col] == 2)
            found += np.uint8(south_east[col] == 7) + np.uint8(north_west[col] == 5)
            found += np.uint8(south_west[col] == 8) + np.uint8(north_east[col] == 6)
            out[col] = np.uint8(here[col] + np.uint8(16) * found)

"""Which neighbour takes a cell's water: steepest drop, compared exactly, ties by a fixed order of directions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import parallel_kernel, prange
from catchscreen.terrain._kernels.directions import NO_GROUND, OUTLET, UNDECIDED, VOID, WALL


@parallel_kernel
def steepest(
    level: NDArray[np.int32], weight_ew: float, weight_ns: float, weight_diagonal: float, code: NDArray[np.uint8]
) -> None:
    """Write the flow code of each cell that has a lower neighbour; the others become outlets or stay undecided.

    A drop d counts d * d * weight of its direction. For square cells the weights are 2, 2 and 1: the squares of drops
    up to 9 km are whole numbers that a float64 holds exactly, so the comparison is one of integers.

    Parameters
    ----------
    level : (rows + 2, cols + 2) int32 [ticks], framed.
    code : (rows + 2, cols + 2) uint8, written.
    """
    height, width = level.shape
    inner = width - 2
    for row in prange(1, height - 1):
        here = level[row, 1 : width - 1]
        east = level[row, 2:width]
        west = level[row, 0:inner]
        north = level[row - 1, 1 : width - 1]
        south = level[row + 1, 1 : width - 1]
        north_east = level[row - 1, 2:width]
        north_west = level[row - 1, 0:inner]
        south_east = level[row + 1, 2:width]
        south_west = level[row + 1, 0:inner]
        out = code[row, 1 : width - 1]
        for col in range(inner):
            own = here[col]
            low_ew = min(east[col], west[col])
            low_ns = min(south[col], north[col])
            low_se_sw = min(south_east[col], south_west[col])
            low_nw_ne = min(north_west[col], north_east[col])
            low_diagonal = min(low_se_sw, low_nw_ne)
            high = max(east[col], west[col], south[col], north[col])
            high = max(high, south_east[col], south_west[col], north_west[col], north_east[col])
            drop_ew = max(float(own) - float(low_ew), 0.0)
            drop_ns = max(float(own) - float(low_ns), 0.0)
            drop_diagonal = max(float(own) - float(low_diagonal), 0.0)
            key_ew = drop_ew * drop_ew * weight_ew
            key_ns = drop_ns * drop_ns * weight_ns
            key_diagonal = drop_diagonal * drop_diagonal * weight_diagonal
            way_ew = np.int32(1) if east[col] == low_ew else np.int32(3)
            way_ns = np.int32(2) if south[col] == low_ns else np.int32(4)
            way_se_sw = np.int32(5) if south_east[col] == low_diagonal else np.int32(6)
            way_nw_ne = np.int32(7) if north_west[col] == low_diagonal else np.int32(8)
            way_diagonal = way_se_sw if low_se_sw == low_diagonal else way_nw_ne
            way = way_ns if (key_ns > key_ew) | ((key_ns == key_ew) & (way_ns < way_ew)) else way_ew
            key = max(key_ns, key_ew)
            way = way_diagonal if key_diagonal > key else way
            key = max(key_diagonal, key)
            rest = np.int32(OUTLET) if high == VOID else np.int32(UNDECIDED)
            way = way if key > 0.0 else rest
            out[col] = np.uint8(way if own < WALL else np.int32(NO_GROUND))


@parallel_kernel
def count_code(code: NDArray[np.uint8], wanted: int, count: NDArray[np.int64]) -> None:
    """Count the cells of each framed row that carry one code."""
    for row in prange(code.shape[0]):
        line = code[row]
        found = np.int64(0)
        for col in range(line.size):
            found += np.int64(line[col] == wanted)
        count[row] = found


@parallel_kernel
def list_code(code: NDArray[np.uint8], wanted: int, start: NDArray[np.int64], cell: NDArray[np.int64]) -> None:
    """List the cells that carry one code in row order; ``start`` holds each row's place in ``cell``."""
    width = code.shape[1]
    for row in prange(code.shape[0]):
        place = start[row]
        if start[row + 1] > place:
            for col in range(width):
                if code[row, col] == wanted:
                    cell[place] = row * width + col
                    place += 1


@parallel_kernel
def receiver_cells(code: NDArray[np.uint8], step: NDArray[np.int64], receiver: NDArray[np.int64]) -> None:
    """Turn flow codes into flat cell numbers of the unframed grid, -1 where the water leaves or there is no ground.

    Parameters
    ----------
    code : (rows + 2, cols + 2) uint8, framed. step : (16,) int64, change of the unframed cell number for each code.
    receiver : (rows, cols) int64, written.
    """
    rows, cols = receiver.shape
    for row in prange(rows):
        for col in range(cols):
            way = code[row + 1, col + 1]
            receiver[row, col] = row * cols + col + step[way] if way < OUTLET else -1

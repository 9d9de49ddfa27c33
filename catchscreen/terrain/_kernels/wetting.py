"""What hollows hold, tile by tile: cells below their spill levels and the sums of their levels, in whole numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel


@kernel
def add_wet_cells(
    level: NDArray[np.int32],
    basin: NDArray[np.int32],
    parent: NDArray[np.int64],
    spill: NDArray[np.int64],
    cells: NDArray[np.int64],
    level_sum: NDArray[np.int64],
) -> None:
    """Count each cell of a tile for the smallest hollow that wets it.

    Parameters
    ----------
    level, basin : (rows, cols); basin is the closed basin of the whole, below 0 for none. parent, spill : (hollows,).
    cells, level_sum : (hollows,) int64, added to.
    """
    flat = level.ravel()
    flat_basin = basin.ravel()
    for i in range(flat.size):
        hollow = np.int64(flat_basin[i])
        while hollow >= 0 and spill[hollow] <= flat[i]:
            hollow = parent[hollow]
        if hollow >= 0:
            cells[hollow] += 1
            level_sum[hollow] += flat[i]


@kernel
def hand_up(
    parent: NDArray[np.int64],
    cells: NDArray[np.int64],
    level_sum: NDArray[np.int64],
    floor: NDArray[np.int64],
    floor_cell: NDArray[np.int64],
) -> None:
    """Give parents what their children have; of the floors the lowest, of equals the first cell. All in place."""
    for child in range(parent.size):
        over = parent[child]
        if over < 0:
            continue
        cells[over] += cells[child]
        level_sum[over] += level_sum[child]
        lower = floor[child] < floor[over]
        if lower or (floor[child] == floor[over] and floor_cell[child] < floor_cell[over]):
            floor[over] = floor[child]
            floor_cell[over] = floor_cell[child]


@kernel
def list_wet_levels(
    level: NDArray[np.int32],
    basin: NDArray[np.int32],
    outer: NDArray[np.int64],
    spill: NDArray[np.int64],
    owner: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the owner and the level of each cell of a tile below the spill level of its outermost kept hollow.

    Parameters
    ----------
    outer : (basins,) that hollow, -1 for none. spill : (hollows,). owner : (basins,) for whom the cell counts first.
    """
    flat = level.ravel()
    flat_basin = basin.ravel()
    found = 0
    of_cell = np.empty(flat.size, dtype=np.int64)
    wet = np.empty(flat.size, dtype=np.int64)
    for i in range(flat.size):
        own = flat_basin[i]
        if own >= 0 and outer[own] >= 0 and flat[i] < spill[outer[own]]:
            of_cell[found] = owner[own]
            wet[found] = flat[i]
            found += 1
    return of_cell[:found].copy(), wet[:found].copy()

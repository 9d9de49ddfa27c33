"""Flow in several directions: each cell shares what it has among its lower neighbours, in whole units.

Arrays carry two rows and columns around the tile (or the whole grid) that is worked on: whether a neighbour gives
depends on that neighbour's own neighbours.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import COL_STEP, NO_GROUND, OPPOSITE, OUTLET, ROW_STEP

SHARE_BITS: Final = 16
"""Shares are whole multiples of 1 / 65,536."""

_AROUND = 2


@kernel
def _has_lower(filled: NDArray[np.int32], i: int, step: NDArray[np.int64]) -> bool:
    """Tell whether a cell has a neighbour with a lower surface."""
    lowest = filled[i]
    for way in range(1, 9):
        lowest = min(lowest, filled[i + step[way]])
    return bool(lowest < filled[i])


@kernel
def count_givers(filled: NDArray[np.int32], code: NDArray[np.uint8], pending: NDArray[np.uint8]) -> None:
    """Count, for each cell of the tile, the neighbours that give to it.

    Parameters
    ----------
    filled, code : (rows + 4, cols + 4). pending : (rows, cols) uint8, written.
    """
    height, width = filled.shape
    step = ROW_STEP * width + COL_STEP
    flat = filled.ravel()
    flat_code = code.ravel()
    for row in range(_AROUND, height - _AROUND):
        for col in range(_AROUND, width - _AROUND):
            i = row * width + col
            found = 0
            if flat_code[i] != NO_GROUND:
                for way in range(1, 9):
                    j = i + step[way]
                    if flat_code[j] >= OUTLET:
                        continue
                    if flat[j] > flat[i] or (
                        flat[j] == flat[i] and flat_code[j] == OPPOSITE[way] and not _has_lower(flat, j, step)
                    ):
                        found += 1
            pending[row - _AROUND, col - _AROUND] = found


@kernel
def _shares(
    filled: NDArray[np.int32], i: int, step: NDArray[np.int64], factor: NDArray[np.float64], share: NDArray[np.int64]
) -> int:
    """Write the share of each direction but the largest's, which takes the rest; return that direction, 0 for none."""
    total = 0.0
    most = 0.0
    largest = 0
    for way in range(1, 9):
        drop = float(filled[i]) - float(filled[i + step[way]])
        weight = drop * factor[way] if drop > 0.0 else 0.0
        total += weight
        if weight > most:
            most = weight
            largest = way
    for way in range(1, 9):
        drop = float(filled[i]) - float(filled[i + step[way]])
        share[way] = -1
        if drop > 0.0:
            share[way] = np.int64(drop * factor[way] * float(1 << SHARE_BITS) / total)
    return largest


@kernel
def share_out(
    filled: NDArray[np.int32],
    code: NDArray[np.uint8],
    factor: NDArray[np.float64],
    pending: NDArray[np.uint8],
    total: NDArray[np.int64],
    ready: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Share out all cells for which nothing more is to come, and those that this makes ready in turn.

    A cell with lower neighbours shares among them by drop x factor; one without gives all by its flow code; what is
    lost in rounding goes to the largest share (of equals the first in the order of directions). An outlet keeps what
    it has: that leaves the data there.

    Parameters
    ----------
    filled, code : (rows + 4, cols + 4). factor : (9,) float64 by direction. pending : (rows, cols) uint8, givers still
    to come; changed in place. total : (rows, cols) int64, units so far; changed in place. ready : (n,) cells of the
    tile to start with.

    Returns
    -------
    cell, amount : what goes to cells outside the tile, numbered as ``filled`` is.
    """
    rows, cols = total.shape
    width = filled.shape[1]
    step = ROW_STEP * width + COL_STEP
    flat = filled.ravel()
    flat_code = code.ravel()
    flat_pending = pending.ravel()
    flat_total = total.ravel()
    share = np.zeros(9, dtype=np.int64)
    stack = np.empty(total.size + 1, dtype=np.int64)
    out_cell = np.empty(6 * (rows + cols) + 16, dtype=np.int64)
    out_amount = np.empty(out_cell.size, dtype=np.int64)
    out = 0
    for u in range(ready.size):
        stack[0] = ready[u]
        depth = 1
        while depth > 0:
            depth -= 1
            own = stack[depth]
            i = (own // cols + _AROUND) * width + own % cols + _AROUND
            if flat_code[i] >= OUTLET:
                continue
            largest = _shares(flat, i, step, factor, share)
            if largest == 0:
                largest = int(flat_code[i])
                share[largest] = 0
            rest = flat_total[own]
            for way in range(1, 9):
                if share[way] >= 0 and way != largest:
                    rest -= (flat_total[own] * share[way]) >> SHARE_BITS
            for way in range(1, 9):
                if share[way] < 0 and way != largest:
                    continue
                amount = rest if way == largest else (flat_total[own] * share[way]) >> SHARE_BITS
                row = own // cols + ROW_STEP[way]
                col = own % cols + COL_STEP[way]
                if row < 0 or row >= rows or col < 0 or col >= cols:
                    out_cell[out] = i + step[way]
                    out_amount[out] = amount
                    out += 1
                    continue
                j = row * cols + col
                flat_total[j] += amount
                flat_pending[j] -= np.uint8(1)
                if flat_pending[j] == 0:
                    stack[depth] = j
                    depth += 1
    return out_cell[:out].copy(), out_amount[:out].copy()


@kernel
def take_in(
    cell: NDArray[np.int64], amount: NDArray[np.int64], pending: NDArray[np.uint8], total: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Add what comes in from other tiles, each time from one giver; return the cells that this makes ready.

    Parameters
    ----------
    cell : (n,) cells of the tile. amount : (n,) units. pending, total : (rows, cols), changed in place.
    """
    flat_pending = pending.ravel()
    flat_total = total.ravel()
    ready = np.empty(cell.size, dtype=np.int64)
    found = 0
    for u in range(cell.size):
        flat_total[cell[u]] += amount[u]
        flat_pending[cell[u]] -= np.uint8(1)
        if flat_pending[cell[u]] == 0:
            ready[found] = cell[u]
            found += 1
    return ready[:found].copy()

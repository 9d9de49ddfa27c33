"""What tiles need beyond the kernels of a whole grid: turned ways and sums that go from tile to tile."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import COL_STEP, OPPOSITE, OUTLET, ROW_STEP


@kernel
def _is_inside(i: int, height: int, width: int) -> bool:
    """Tell whether a framed cell is none of the frame."""
    row = i // width
    col = i % width
    return 0 < row < height - 1 and 0 < col < width - 1


@kernel
def list_leaving(code: NDArray[np.uint8]) -> NDArray[np.int64]:
    """List the framed cells whose water goes into the frame, in row order."""
    height, width = code.shape
    found = np.empty(2 * (height + width), dtype=np.int64)
    count = 0
    for row in range(1, height - 1):
        inner = 1 < row < height - 2
        col = 1
        while col < width - 1:
            way = code[row, col]
            if way < OUTLET:
                to_row = row + ROW_STEP[way]
                to_col = col + COL_STEP[way]
                if to_row < 1 or to_row > height - 2 or to_col < 1 or to_col > width - 2:
                    found[count] = row * width + col
                    count += 1
            col += max(width - 3, 1) if inner else 1
    return found[:count].copy()


@kernel
def turn_round(
    code: NDArray[np.uint8],
    start: NDArray[np.int64],
    way: NDArray[np.uint8],
    total: NDArray[np.int32] | NDArray[np.int64],
) -> None:
    """Turn round the ways from some cells down to a pit or out of the tile; each starts in its direction ``way``.

    Totals along each way are turned with it: what each cell adds to the way stays, the sum is now at its start. What
    lies beyond the start is not told of it yet.

    Parameters
    ----------
    code : framed uint8. start, way : (n,). total : framed, of the tile alone. Code and total are changed in place.
    """
    height, width = code.shape
    step = ROW_STEP * width + COL_STEP
    flat = code.ravel()
    flat_total = total.ravel()
    for u in range(start.size):
        i = start[u]
        last = i
        new = way[u]
        while True:
            old = flat[i]
            last = i
            flat[i] = new
            if old >= OUTLET:
                break
            i += step[old]
            if not _is_inside(i, height, width):
                break
            new = OPPOSITE[old]
        whole = flat_total[last]
        i = last
        while i != start[u]:
            before = i + step[flat[i]]
            flat_total[i] = whole - flat_total[before]
            i = before
        flat_total[i] = whole


@kernel
def exits_from(code: NDArray[np.uint8], start: NDArray[np.int64], leaving: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the place in ``leaving`` of the cell by which the water of each start leaves the tile, -1 for none."""
    step = ROW_STEP * code.shape[1] + COL_STEP
    flat = code.ravel()
    known = np.full(code.size, -2, dtype=np.int32)
    for u in range(leaving.size):
        known[leaving[u]] = u
    found = np.full(start.size, -1, dtype=np.int64)
    for u in range(start.size):
        i = start[u]
        while known[i] == -2 and flat[i] < OUTLET:
            i += step[flat[i]]
        exit_number = known[i] if known[i] != -2 else np.int32(-1)
        found[u] = exit_number
        i = start[u]
        while known[i] == -2:
            known[i] = exit_number
            if flat[i] >= OUTLET:
                break
            i += step[flat[i]]
    return found


@kernel
def sum_links(below: NDArray[np.int32], total: NDArray[np.int64]) -> None:
    """Add each exit's total to the exit below it, from the top down; -1 for none. No exit is below itself."""
    waiting = np.zeros(below.size, dtype=np.int32)
    for u in range(below.size):
        if below[u] >= 0:
            waiting[below[u]] += 1
    for u in range(below.size):
        at = u
        while at >= 0 and waiting[at] == 0:
            waiting[at] = -1
            to = below[at]
            if to >= 0:
                total[to] += total[at]
                waiting[to] -= 1
            at = to


@kernel
def fill_and_name(
    level: NDArray[np.int32], label: NDArray[np.int32], spill: NDArray[np.int32], name: NDArray[np.int32]
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Return the filled surface and the basin of each cell of a tile, all (rows, cols); spill and name by label."""
    filled = np.empty(level.shape, dtype=np.int32)
    basin = np.empty(level.shape, dtype=np.int32)
    for row in range(level.shape[0]):
        for col in range(level.shape[1]):
            own = label[row, col]
            filled[row, col] = max(level[row, col], spill[own]) if own >= 0 else level[row, col]
            basin[row, col] = name[own] if own >= 0 else own
    return filled, basin


@kernel
def count_inflows(code: NDArray[np.uint8], pending: NDArray[np.uint8]) -> None:
    """Count the neighbours that drain into each cell of a tile, those of other tiles too.

    Parameters
    ----------
    code : framed by the neighbours' codes. pending : (rows, cols) uint8, written.
    """
    width = code.shape[1]
    step = ROW_STEP * width + COL_STEP
    flat = code.ravel()
    for row in range(pending.shape[0]):
        for col in range(pending.shape[1]):
            i = (row + 1) * width + col + 1
            found = 0
            for way in range(1, 9):
                found += int(flat[i + step[way]] == OPPOSITE[way])
            pending[row, col] = found


@kernel
def cut_by_size(
    code: NDArray[np.uint8],
    target: int,
    pending: NDArray[np.uint8],
    rest: NDArray[np.int64],
    ready: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Find where enough ground has gathered, of the cells to which all has come, and those made ready in turn.

    Parameters
    ----------
    code : framed. target : cells that make a cut, below which gathering starts from nothing. pending : (rows, cols)
    uint8, inflows still to come. rest : (rows, cols) int64, cells gathered since the last cut. Both are changed in
    place. ready : (n,) cells of the tile to start with.

    Returns
    -------
    cut : (k,) cells of the tile. cell, amount : what goes to framed cells outside the tile, nothing below a cut.
    """
    rows, cols = rest.shape
    width = code.shape[1]
    flat = code.ravel()
    flat_pending = pending.ravel()
    flat_rest = rest.ravel()
    cut = np.empty(rest.size // max(target, 1) + 1, dtype=np.int64)
    cuts = 0
    cell = np.empty(2 * (rows + cols), dtype=np.int64)
    amount = np.empty(cell.size, dtype=np.int64)
    out = 0
    for u in range(ready.size):
        own = ready[u]
        while True:
            way = flat[(own // cols + 1) * width + own % cols + 1]
            if way >= OUTLET:
                break
            gathered = flat_rest[own]
            if gathered >= target:
                if cuts == cut.size:
                    longer = np.empty(2 * cuts, dtype=np.int64)
                    longer[:cuts] = cut
                    cut = longer
                cut[cuts] = own
                cuts += 1
                gathered = 0
            row = own // cols + ROW_STEP[way]
            col = own % cols + COL_STEP[way]
            if row < 0 or row >= rows or col < 0 or col >= cols:
                cell[out] = (row + 1) * width + col + 1
                amount[out] = gathered
                out += 1
                break
            own = row * cols + col
            flat_rest[own] += gathered
            flat_pending[own] -= np.uint8(1)
            if flat_pending[own] > 0:
                break
    return cut[:cuts].copy(), cell[:out].copy(), amount[:out].copy()

"""What tiles need beyond the kernels of a whole grid: plateaus, turned ways and sums that go from tile to tile."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import COL_STEP, OPPOSITE, OUTLET, PIT, ROW_STEP, UNDECIDED

FAR: Final = 2**30
"""Steps to a plateau's exit where none is known yet."""

WAITING: Final = 11
"""Code of a cell on a plateau that reaches into another tile: decided once all tiles have shown their part."""

BEYOND: Final = 12
"""Code, for a moment, of an undecided cell of another tile."""


@kernel
def _is_inside(i: int, height: int, width: int) -> bool:
    """Tell whether a framed cell is none of the frame."""
    row = i // width
    col = i % width
    return 0 < row < height - 1 and 0 < col < width - 1


@kernel
def mark_crossing(
    level: NDArray[np.int32], code: NDArray[np.uint8], undecided: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Mark the undecided cells whose plateau goes on beyond the tile as WAITING.

    Parameters
    ----------
    level, code : with two rows and columns of the neighbours on each side; ``code`` is known but for the outermost.
    undecided : (n,) cells with code UNDECIDED, in row order.

    Returns
    -------
    cell : (m,) cells marked, as numbers in the tile with one row and column of the neighbours, plateau part by part.
    start : (parts + 1,) where each part begins. rest : the tile's own undecided cells that are not marked.
    """
    height, width = level.shape
    step = ROW_STEP * width + COL_STEP
    flat_level = level.ravel()
    flat = code.ravel()
    edge = np.empty(2 * (height + width), dtype=np.int64)
    edges = 0
    inner = 0
    rest = np.empty(undecided.size, dtype=np.int64)
    for u in range(undecided.size):
        i = undecided[u]
        row = i // width
        col = i - row * width
        if 1 < row < height - 2 and 1 < col < width - 2:
            rest[inner] = i
            inner += 1
        else:
            edge[edges] = i
            edges += 1
            flat[i] = BEYOND
    cell = np.empty(inner, dtype=np.int64)
    start = np.zeros(8 * edges + 1, dtype=np.int64)
    tail = 0
    parts = 0
    for u in range(edges):
        for way in range(1, 9):
            j = edge[u] + step[way]
            if flat[j] == UNDECIDED and flat_level[j] == flat_level[edge[u]]:
                head = tail
                flat[j] = WAITING
                cell[tail] = j
                tail += 1
                while head < tail:
                    i = cell[head]
                    head += 1
                    for on in range(1, 9):
                        j = i + step[on]
                        if flat[j] == UNDECIDED and flat_level[j] == flat_level[i]:
                            flat[j] = WAITING
                            cell[tail] = j
                            tail += 1
                parts += 1
                start[parts] = tail
    for u in range(edges):
        flat[edge[u]] = UNDECIDED
    found = 0
    for u in range(inner):
        if flat[rest[u]] == UNDECIDED:
            rest[found] = rest[u]
            found += 1
    for u in range(tail):
        row = cell[u] // width
        cell[u] -= width + 2 * row - 1
    return cell[:tail].copy(), start[: parts + 1].copy(), rest[:found].copy()


@kernel
def _spread(
    level: NDArray[np.int32],
    value: NDArray[np.int32],
    source: NDArray[np.int64],
    amount: NDArray[np.int32],
    members: int,
) -> None:
    """Lower the steps of equal neighbours to a cell's own plus one, beginning with some cells.

    The next cell is always one with the fewest steps of all that wait, so each is lowered for good when it is reached.

    Parameters
    ----------
    level : framed int32. value : framed int32, below 0 where nothing may change; changed in place. source, amount :
    cells and their new steps, fewest first. members : number of cells that may change.
    """
    step = ROW_STEP * level.shape[1] + COL_STEP
    flat_level = level.ravel()
    flat = value.ravel()
    queue = np.empty(members, dtype=np.int64)
    head = 0
    tail = 0
    at = 0
    while head < tail or at < source.size:
        if at < source.size and (head == tail or amount[at] <= flat[queue[head]]):
            i = source[at]
            at += 1
            if amount[at - 1] >= flat[i]:
                continue
            flat[i] = amount[at - 1]
        else:
            i = queue[head]
            head += 1
        following = flat[i] + np.int32(1)
        for way in range(1, 9):
            j = i + step[way]
            if flat[j] > following and flat_level[j] == flat_level[i]:
                flat[j] = following
                queue[tail] = j
                tail += 1


@kernel
def spread_from_exits(
    level: NDArray[np.int32], code: NDArray[np.uint8], cells: NDArray[np.int64], value: NDArray[np.int32]
) -> None:
    """Count the steps of some cells along their plateaus to the exits that the tile sees, FAR where it sees none.

    Parameters
    ----------
    level, code : framed, with the neighbours' in the frame. value : framed int32, FAR for these cells and
    -1 elsewhere; changed in place.
    """
    step = ROW_STEP * level.shape[1] + COL_STEP
    flat_level = level.ravel()
    flat_code = code.ravel()
    source = np.empty(cells.size, dtype=np.int64)
    count = 0
    for u in range(cells.size):
        i = cells[u]
        for way in range(1, 9):
            j = i + step[way]
            if flat_level[j] == flat_level[i] and UNDECIDED < flat_code[j] <= OUTLET:
                source[count] = i
                count += 1
                break
    _spread(level, value, source[:count], np.ones(count, dtype=np.int32), cells.size)


@kernel
def spread_from_frame(
    level: NDArray[np.int32],
    value: NDArray[np.int32],
    rim: NDArray[np.int64],
    roots: NDArray[np.int64],
    members: int,
) -> None:
    """Lower steps by what the neighbours show in the frame, and by roots, which are now exits.

    Parameters
    ----------
    level : framed, with the neighbours' levels. value : framed int32, in order among the cells that may change, -1
    where nothing may, the neighbours' steps in the frame; changed in place, -1 in the frame afterwards. rim : cells
    that may change beside the frame. roots : cells. members : number of cells that may change.
    """
    height, width = level.shape
    step = ROW_STEP * width + COL_STEP
    flat_level = level.ravel()
    flat = value.ravel()
    source = np.empty(roots.size + rim.size, dtype=np.int64)
    amount = np.zeros(source.size, dtype=np.int32)
    source[: roots.size] = roots
    count = roots.size
    for u in range(rim.size):
        i = rim[u]
        least = flat[i]
        for way in range(1, 9):
            j = i + step[way]
            if flat[j] >= 0 and flat_level[j] == flat_level[i] and flat[j] + 1 < least:
                least = flat[j] + np.int32(1)
        if least < flat[i]:
            source[count] = i
            amount[count] = least
            count += 1
    value[0] = -1
    value[height - 1] = -1
    value[:, 0] = -1
    value[:, width - 1] = -1
    order = np.argsort(amount[:count], kind="mergesort")
    _spread(level, value, source[:count][order], amount[:count][order], members)


@kernel
def follow_least(
    level: NDArray[np.int32], value: NDArray[np.int32], cells: NDArray[np.int64], code: NDArray[np.uint8]
) -> None:
    """Lead each cell to the equal neighbour with the least value, of equals the first in the order of directions.

    A cell with value 0 is the root of its plateau: a pit.

    Parameters
    ----------
    level, code : framed, with the neighbours' levels in the frame. value : framed int32, of these cells, the
    neighbours' in the frame, -1 elsewhere: there a cell that has its way counts 0.
    """
    step = ROW_STEP * level.shape[1] + COL_STEP
    flat_level = level.ravel()
    flat = value.ravel()
    flat_code = code.ravel()
    for u in range(cells.size):
        i = cells[u]
        least = flat[i]
        if least == 0:
            flat_code[i] = PIT
            continue
        for way in range(1, 9):
            j = i + step[way]
            if flat_level[j] != flat_level[i]:
                continue
            other = flat[j]
            if other < 0 and UNDECIDED < flat_code[j] <= OUTLET:
                other = np.int32(0)
            if 0 <= other < least:
                least = other
                flat_code[i] = way


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

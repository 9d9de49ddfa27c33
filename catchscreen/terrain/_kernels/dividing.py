"""Dividing the ground: cuts by size, distances along the water's way, links of the drainage net."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.blocks import steps_in
from catchscreen.terrain._kernels.directions import NO_GROUND, OUTLET


@kernel
def cut_by_size(inflows: NDArray[np.uint8], forced: NDArray[np.bool_], target: int, rest: NDArray[np.int64]) -> None:
    """Mark the cells where enough ground has gathered, or that are forced, and start again from nothing below them.

    Parameters
    ----------
    inflows : framed uint8 of ``count_inflows``, used up. forced : framed bool; the cells cut by size are added.
    target : cells that make a cut. rest : framed int64, 1 on the ground; becomes the cells gathered since the last cut.
    """
    width = inflows.shape[1]
    step = steps_in(width)
    pending = inflows.ravel()
    flat = rest.ravel()
    cut = forced.ravel()
    for start in range(pending.size):
        way = pending[start]
        if way > OUTLET:
            continue
        i = start
        while way < OUTLET:
            j = i + step[way]
            if flat[i] >= target:
                cut[i] = True
            if not cut[i]:
                flat[j] += flat[i]
            pending[i] = NO_GROUND
            pending[j] -= np.uint8(16)
            way = pending[j]
            i = j


@kernel
def doubled(cells: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return a copy with as much room again."""
    longer = np.empty(2 * cells.size, dtype=np.int64)
    for u in range(cells.size):
        longer[u] = cells[u]
    return longer


@kernel
def distance_within(
    code: NDArray[np.uint8], label: NDArray[np.int32], step_m: NDArray[np.float64], distance: NDArray[np.float64]
) -> None:
    """Write the way of the water from each cell to the last cell of its own label.

    Parameters
    ----------
    code : framed uint8. label : framed int32. step_m : (9,) length of a step in each direction.
    distance : framed float64 [m], -1 everywhere at the start, written on the ground.
    """
    width = code.shape[1]
    step = steps_in(width)
    flat_code = code.ravel()
    flat_label = label.ravel()
    flat = distance.ravel()
    way = np.empty(4096, dtype=np.int64)
    for start in range(flat_code.size):
        if flat_code[start] == NO_GROUND or flat[start] >= 0.0:
            continue
        i = start
        depth = 0
        while True:
            if depth == way.size:
                way = doubled(way)
            way[depth] = i
            depth += 1
            if flat_code[i] >= OUTLET:
                flat[i] = 0.0
                break
            j = i + step[flat_code[i]]
            if flat_label[j] != flat_label[i]:
                flat[i] = 0.0
                break
            if flat[j] >= 0.0:
                flat[i] = flat[j] + step_m[flat_code[i]]
                break
            i = j
        for u in range(depth - 2, -1, -1):
            flat[way[u]] = flat[way[u + 1]] + step_m[flat_code[way[u]]]


@kernel
def farthest_cells(label: NDArray[np.int32], distance: NDArray[np.float64], labels: int) -> NDArray[np.int64]:
    """Return the framed cell with the longest way within each label, of equals the first; -1 where empty."""
    best = np.full(labels, -1, dtype=np.int64)
    flat_label = label.ravel()
    flat = distance.ravel()
    for i in range(flat.size):
        own = flat_label[i]
        if own >= 0 and (best[own] < 0 or flat[i] > flat[best[own]]):
            best[own] = i
    return best


@kernel
def _place_in(cell: NDArray[np.int64], wanted: int) -> int:
    """Return the place of a cell in a sorted list that has it."""
    low = 0
    high = cell.size - 1
    while low < high:
        middle = (low + high) // 2
        if cell[middle] < wanted:
            low = middle + 1
        else:
            high = middle
    return low


@kernel
def trace_links(
    net: NDArray[np.int64],
    code: NDArray[np.uint8],
    label: NDArray[np.int32],
    total: NDArray[np.int32] | NDArray[np.int64],
    threshold: int,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Cut the drainage net into links: from a source, a junction or a change of label to the next one.

    Returns
    -------
    cells : (n,) int64, the cells of all links one after the other, each with the first cell of the next link at its
    end. start : (links + 1,) int64, where each link begins in ``cells``.
    """
    width = code.shape[1]
    step = steps_in(width)
    flat_code = code.ravel()
    flat_label = label.ravel()
    flat = total.ravel()
    is_head = np.empty(net.size, dtype=np.bool_)
    heads = 0
    for u in range(net.size):
        i = net[u]
        above = 0
        same = 0
        for way in range(1, 9):
            j = i + step[way]
            if flat_code[j] < OUTLET and flat[j] >= threshold and j + step[flat_code[j]] == i:
                above += 1
                same += int(flat_label[j] == flat_label[i])
        is_head[u] = above != 1 or same != 1
        heads += int(is_head[u])
    cells = np.empty(net.size + heads, dtype=np.int64)
    start = np.empty(heads + 1, dtype=np.int64)
    filled = 0
    link = 0
    for u in range(net.size):
        if not is_head[u]:
            continue
        start[link] = filled
        i = net[u]
        cells[filled] = i
        filled += 1
        while flat_code[i] < OUTLET:
            i += step[flat_code[i]]
            cells[filled] = i
            filled += 1
            if is_head[_place_in(net, i)]:
                break
        link += 1
    start[link] = filled
    return cells[:filled].copy(), start[: link + 1].copy()

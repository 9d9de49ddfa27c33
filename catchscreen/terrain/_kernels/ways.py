"""Ways of the water of many cells at once: which of them pass a place, how far they go, where they lead."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.blocks import steps_in
from catchscreen.terrain._kernels.directions import NO_GROUND, OUTLET


@kernel
def drain_through(
    start: NDArray[np.int64],
    goal: NDArray[np.int64],
    code: NDArray[np.uint8],
    total: NDArray[np.int32] | NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Tell for each pair of framed cells whether the water of the one passes the other."""
    step = steps_in(code.shape[1])
    flat_code = code.ravel()
    flat = total.ravel()
    passes = np.zeros(start.size, dtype=np.bool_)
    for u in range(start.size):
        i = start[u]
        end = goal[u]
        while i != end and flat_code[i] < OUTLET and flat[i] <= flat[end]:
            i += step[flat_code[i]]
        passes[u] = i == end
    return passes


@kernel
def follow_all(
    start: NDArray[np.int64], code: NDArray[np.uint8], label: NDArray[np.int32]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the framed cells of the water's ways to the last cell of each start's label, one after the other.

    Returns
    -------
    cells : (n,) int64, both ends of each way included. first : (starts + 1,) int64, where each begins in ``cells``.
    """
    step = steps_in(code.shape[1])
    flat_code = code.ravel()
    flat_label = label.ravel()
    first = np.zeros(start.size + 1, dtype=np.int64)
    cells = np.empty(0, dtype=np.int64)
    for turn in range(2):
        filled = 0
        for u in range(start.size):
            first[u] = filled
            i = start[u]
            while True:
                if turn == 1:
                    cells[filled] = i
                filled += 1
                if flat_code[i] >= OUTLET:
                    break
                j = i + step[flat_code[i]]
                if flat_label[j] != flat_label[i]:
                    break
                i = j
        first[start.size] = filled
        if turn == 0:
            cells = np.empty(filled, dtype=np.int64)
    return cells, first


UNKNOWN = -1.0
_SEEN = -2.0


@kernel
def extend_distance(
    code: NDArray[np.uint8], label: NDArray[np.int32], step_m: NDArray[np.float64], distance: NDArray[np.float64]
) -> None:
    """Write the way of the water from the cells of a tile to the last cell of their label, as far as it is known.

    Parameters
    ----------
    code : framed uint8. label : framed int32. Both with the neighbours' cells in the frame.
    distance : framed float64 [m], ``UNKNOWN`` where it is not known; a way that leaves the tile into an unknown cell of
    its own label stays so.
    """
    width = code.shape[1]
    last = code.shape[0] - 1
    step = steps_in(width)
    flat_code = code.ravel()
    flat_label = label.ravel()
    flat = distance.ravel()
    way = np.empty(flat.size, dtype=np.int64)
    for start in range(width, flat.size - width):
        if flat_code[start] == NO_GROUND or flat[start] != UNKNOWN or start % width in (0, width - 1):
            continue
        i = start
        depth = 0
        reached = _SEEN
        while True:
            way[depth] = i
            depth += 1
            if flat_code[i] >= OUTLET:
                reached = 0.0
                break
            j = i + step[flat_code[i]]
            if flat_label[j] != flat_label[i]:
                reached = 0.0
                break
            if flat[j] != UNKNOWN:
                reached = flat[j] + step_m[flat_code[i]] if flat[j] >= 0.0 else _SEEN
                break
            if j < width or j >= last * width or j % width in (0, width - 1):
                break
            i = j
        flat[i] = reached
        for u in range(depth - 2, -1, -1):
            reached = flat[way[u + 1]]
            flat[way[u]] = reached + step_m[flat_code[way[u]]] if reached >= 0.0 else _SEEN
    for i in range(flat.size):
        if flat[i] == _SEEN:
            flat[i] = UNKNOWN


@kernel
def join_links(below: NDArray[np.int64], is_head: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Join the places of a drainage net into links: each from a head down to the next head, or to the net's end.

    Parameters
    ----------
    below : (n,) int64, the place that each one's water goes to, -1 where it leaves.

    Returns
    -------
    places : the places of all links one after the other. start : (links + 1,) int64, where each begins in ``places``.
    """
    heads = 0
    for u in range(below.size):
        heads += int(is_head[u])
    places = np.empty(below.size + heads, dtype=np.int64)
    start = np.empty(heads + 1, dtype=np.int64)
    filled = 0
    link = 0
    for u in range(below.size):
        if not is_head[u]:
            continue
        start[link] = filled
        link += 1
        at = u
        places[filled] = at
        filled += 1
        while below[at] >= 0:
            at = below[at]
            places[filled] = at
            filled += 1
            if is_head[at]:
                break
    start[link] = filled
    return places[:filled].copy(), start

"""The lowest pass between each pair of neighbouring basins."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel, parallel_kernel, prange
from catchscreen.terrain._kernels.directions import COL_STEP, FORWARD, LOWEST, OVER_EDGE, ROW_STEP, VOID

_SLOTS_BITS = 13
_BAND = 2048
_EMPTY = np.uint64(0xFFFFFFFFFFFFFFFF)
_SPREAD = np.uint64(0x9E3779B97F4A7C15)


@kernel
def _height_key(high: int, low: int) -> np.uint64:
    """Pack two int32 levels so that unsigned order is the order of (high, low)."""
    return (np.uint64(np.int64(high) - np.int64(LOWEST)) << np.uint64(32)) | np.uint64(np.int64(low) - np.int64(LOWEST))


@kernel
def pass_between(
    i: int, k: int, level: NDArray[np.int32], label: NDArray[np.int32], step: NDArray[np.int64], outlets: int
) -> tuple[bool, int, int, np.uint64, int]:
    """Judge the pair of cell ``i`` and its forward neighbour ``k``.

    Returns
    -------
    Whether it is a pass; the two nodes (0 outside, else label - outlets + 1), the lower number first; the key of its
    height (level, level of the lower cell); its place, cell * 8 + forward direction, or cell * 8 + OVER_EDGE off the
    data.
    """
    j = i + step[FORWARD[k]]
    a = label[i]
    b = label[j]
    if a == b or max(a, b) < outlets:
        return False, 0, 0, np.uint64(0), 0
    if min(a, b) < 0:
        inside = i if a > b else j
        outside = j if a > b else i
        if level[outside] != VOID:
            return False, 0, 0, np.uint64(0), 0
        return True, 0, max(a, b) - outlets + 1, _height_key(level[inside], LOWEST), inside * 8 + OVER_EDGE
    node_a = max(a - outlets + 1, 0)
    node_b = max(b - outlets + 1, 0)
    key = _height_key(max(level[i], level[j]), min(level[i], level[j]))
    return True, min(node_a, node_b), max(node_a, node_b), key, i * 8 + k


@parallel_kernel
def lowest_passes(
    level: NDArray[np.int32],
    label: NDArray[np.int32],
    outlets: int,
    height_key: NDArray[np.uint64],
    place: NDArray[np.int64],
    count: NDArray[np.int64],
) -> None:
    """List the lowest pass of each pair of basins met in a strip of rows; a pair may be listed more than once.

    A table of fixed size, where a new pair throws out the old one, removes most repeats; the spanning tree removes the
    rest.

    Parameters
    ----------
    height_key, place : (strips, room) written. count : (strips,) int64, passes found (more than the room: call again).
    """
    height, width = level.shape
    step = ROW_STEP * width + COL_STEP
    flat_level = level.ravel()
    flat_label = label.ravel()
    strips, room = height_key.shape
    slots = 1 << _SLOTS_BITS
    for strip in prange(strips):
        pair = np.full(slots, _EMPTY, dtype=np.uint64)
        best_key = np.empty(slots, dtype=np.uint64)
        best_place = np.empty(slots, dtype=np.int64)
        found = 0
        last = min(height - 1, height * (strip + 1) // strips)
        for band in range(0, width - 1, _BAND):
            for row in range(height * strip // strips, last):
                for i in range(row * width + band, row * width + min(width - 1, band + _BAND)):
                    own = flat_label[i]
                    if (
                        own == flat_label[i + 1]
                        and own == flat_label[i + width]
                        and own == flat_label[i + width + 1]
                        and own == flat_label[max(i + width - 1, 0)]
                    ):
                        continue
                    for k in range(4):
                        good, a, b, key, where = pass_between(i, k, flat_level, flat_label, step, outlets)
                        if not good:
                            continue
                        name = (np.uint64(a) << np.uint64(32)) | np.uint64(b)
                        slot = np.int64((name * _SPREAD) >> np.uint64(64 - _SLOTS_BITS))
                        if pair[slot] == name:
                            if key < best_key[slot] or (key == best_key[slot] and where < best_place[slot]):
                                best_key[slot] = key
                                best_place[slot] = where
                            continue
                        if pair[slot] != _EMPTY:
                            if found < room:
                                height_key[strip, found] = best_key[slot]
                                place[strip, found] = best_place[slot]
                            found += 1
                        pair[slot] = name
                        best_key[slot] = key
                        best_place[slot] = where
        for left in range(slots):
            if pair[left] != _EMPTY:
                if found < room:
                    height_key[strip, found] = best_key[left]
                    place[strip, found] = best_place[left]
                found += 1
        count[strip] = found


@parallel_kernel
def pass_nodes(
    place: NDArray[np.int64],
    label: NDArray[np.int32],
    outlets: int,
    node_a: NDArray[np.int32],
    node_b: NDArray[np.int32],
) -> None:
    """Write the two nodes that each pass joins: 0 outside, else label - outlets + 1."""
    width = label.shape[1]
    step = ROW_STEP * width + COL_STEP
    flat = label.ravel()
    for u in prange(place.size):
        i = place[u] >> 3
        k = place[u] & 7
        node_a[u] = max(flat[i] - outlets + 1, 0)
        node_b[u] = 0 if k == OVER_EDGE else max(flat[i + step[FORWARD[k]]] - outlets + 1, 0)

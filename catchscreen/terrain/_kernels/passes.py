"""The lowest pass between each pair of neighbouring basins."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel, parallel_kernel, prange
from catchscreen.terrain._kernels.directions import COL_STEP, FORWARD, LOWEST, OVER_EDGE, ROW_STEP, WALL

_SLOTS_BITS = 13
_BAND = 2048
_EMPTY = np.uint64(0xFFFFFFFFFFFFFFFF)
_SPREAD = np.uint64(0x9E3779B97F4A7C15)


@kernel
def height_key(high: int, low: int) -> np.uint64:
    """Pack two int32 levels so that unsigned order is the order of (high, low)."""
    return (np.uint64(np.int64(high) - np.int64(LOWEST)) << np.uint64(32)) | np.uint64(np.int64(low) - np.int64(LOWEST))


@kernel
def _list_pairs(label: NDArray[np.int32], row: int, first: int, last: int, pair: NDArray[np.int64]) -> int:
    """List the pairs of neighbours with different labels as cell * 4 + forward direction; return how many.

    Written without branches, which would be guessed wrong half the time: every candidate is written, some are written
    over.
    """
    width = label.shape[1]
    own = label[row, first:last]
    east = label[row, first + 1 : last + 1]
    south_west = label[row + 1, first - 1 : last - 1]
    south = label[row + 1, first:last]
    south_east = label[row + 1, first + 1 : last + 1]
    mark = np.empty(last - first, dtype=np.uint8)
    for col in range(last - first):
        here = own[col]
        mark[col] = (
            np.uint8(east[col] != here)
            | np.uint8(south_west[col] != here) << np.uint8(1)
            | np.uint8(south[col] != here) << np.uint8(2)
            | np.uint8(south_east[col] != here) << np.uint8(3)
        )
    border = np.empty(last - first + 1, dtype=np.int64)
    borders = 0
    for col in range(last - first):
        border[borders] = col
        borders += int(mark[col] != 0)
    found = 0
    for u in range(borders):
        col = border[u]
        place = (row * width + first + col) * 4
        for k in range(4):
            pair[found] = place + k
            found += int(mark[col] >> np.uint8(k)) & 1
    return found


@kernel
def _merge_pairs(
    pair: NDArray[np.int64],
    pairs: int,
    level: NDArray[np.int32],
    label: NDArray[np.int32],
    outlets: int,
    table: tuple[NDArray[np.uint64], NDArray[np.uint64], NDArray[np.int64]],
    out: tuple[NDArray[np.uint64], NDArray[np.int64]],
    found: int,
) -> int:
    """Put passes into the table of basin pairs; what they throw out goes to the list. Return how many the list has."""
    width = level.shape[1]
    step = ROW_STEP * width + COL_STEP
    flat_level = level.ravel()
    flat_label = label.ravel()
    name_of, key_of, place_of = table
    for u in range(pairs):
        i = pair[u] >> 2
        k = pair[u] & 3
        j = i + step[FORWARD[k]]
        one = flat_label[i]
        two = flat_label[j]
        if max(one, two) < outlets:
            continue
        high = max(flat_level[i], flat_level[j])
        low = min(flat_level[i], flat_level[j])
        place = i * 8 + k
        if high >= WALL:
            if high == WALL:
                continue
            place = (j if one < 0 else i) * 8 + OVER_EDGE
            high = low
            low = np.int32(LOWEST)
        key = height_key(high, low)
        node = np.uint64(max(one - outlets + 1, 0))
        other = np.uint64(max(two - outlets + 1, 0))
        name = (min(node, other) << np.uint64(32)) | max(node, other)
        slot = np.int64((name * _SPREAD) >> np.uint64(64 - _SLOTS_BITS))
        if name_of[slot] == name:
            if key > key_of[slot] or (key == key_of[slot] and place >= place_of[slot]):
                continue
        elif name_of[slot] != _EMPTY:
            if found < out[0].size:
                out[0][found] = key_of[slot]
                out[1][found] = place_of[slot]
            found += 1
        name_of[slot] = name
        key_of[slot] = key
        place_of[slot] = place
    return found


@kernel
def _passes_of_strip(
    level: NDArray[np.int32],
    label: NDArray[np.int32],
    outlets: int,
    first_row: int,
    last_row: int,
    out: tuple[NDArray[np.uint64], NDArray[np.int64]],
) -> int:
    """List the lowest passes met in some rows; return how many (more than ``out`` has room for: call again)."""
    width = level.shape[1]
    slots = 1 << _SLOTS_BITS
    table = (np.full(slots, _EMPTY, dtype=np.uint64), np.empty(slots, dtype=np.uint64), np.empty(slots, dtype=np.int64))
    pair = np.empty(4 * _BAND + 1, dtype=np.int64)
    found = 0
    for band in range(1, width - 1, _BAND):
        for row in range(first_row, last_row):
            pairs = _list_pairs(label, row, band, min(width - 1, band + _BAND), pair)
            found = _merge_pairs(pair, pairs, level, label, outlets, table, out, found)
    for row in range(first_row, last_row):
        for k in range(4):
            pair[k] = row * width * 4 + k
        pair[4] = (row * width + width - 1) * 4 + 1
        found = _merge_pairs(pair, 5, level, label, outlets, table, out, found)
    for slot in range(slots):
        if table[0][slot] != _EMPTY:
            if found < out[0].size:
                out[0][found] = table[1][slot]
                out[1][found] = table[2][slot]
            found += 1
    return found


@parallel_kernel
def lowest_passes(
    level: NDArray[np.int32],
    label: NDArray[np.int32],
    outlets: int,
    key: NDArray[np.uint64],
    place: NDArray[np.int64],
    count: NDArray[np.int64],
) -> None:
    """List the lowest pass of each pair of basins met in a strip of rows; a pair may be listed more than once.

    A table of fixed size, where a new pair throws out the old one, removes most repeats; the spanning tree removes the
    rest.

    Parameters
    ----------
    key, place : (strips, room) written. A pass is known by the key of its height (level, level of the lower cell) and
    its place: cell * 8 + forward direction, or cell * 8 + OVER_EDGE off the data.
    count : (strips,) int64, passes found (more than the room: call again).
    """
    height = level.shape[0]
    strips = key.shape[0]
    for strip in prange(strips):
        first = height * strip // strips
        last = min(height - 1, height * (strip + 1) // strips)
        count[strip] = _passes_of_strip(level, label, outlets, first, last, (key[strip], place[strip]))


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

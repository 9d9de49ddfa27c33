"""Passes between basins: listed, put in their strict order, thinned out to what a spanning tree can need."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels import passes, tree
from catchscreen.terrain.strips import in_parts, strip_rows

Ints = NDArray[np.int64]
Passes = tuple[NDArray[np.uint64], Ints, NDArray[np.uint64]]
"""Key of the height, place and the two nodes of each pass; see ``_kernels.passes``."""

_ROOM_SHARE: Final = 8
"""Cells for each of which there is room for a pass at first."""

_LEVEL_BITS: Final = np.uint64(32)
_LOW_HALF: Final = np.uint64(2**32 - 1)


def passes_in_order(level: NDArray[np.int32], label: NDArray[np.int32], outlets: int) -> Passes:
    """Return the passes that may belong to the spanning tree, in strict order."""
    return merged_passes(passes_of_strips(level, label, outlets))


def passes_of_strips(level: NDArray[np.int32], label: NDArray[np.int32], outlets: int) -> list[Passes]:
    """Return the passes of each strip that may belong to the spanning tree, each list in strict order.

    Each strip lists, sorts and thins out its own: what its own spanning forest does not need, the whole does not.
    """
    return in_parts(
        strip_rows(level.shape),
        lambda first, last: _thinned(*_in_strict_order(*_list_passes(level, label, outlets, (first, last)))),
    )


def merged_passes(found: list[Passes]) -> Passes:
    """Return lists of passes, each in strict order, as one."""
    while len(found) > 1:
        found = _merge_neighbours(found)
    return found[0]


def _merge_neighbours(found: list[Passes]) -> list[Passes]:
    """Merge each two lists that follow each other."""
    pairs = [(k, k + 1) for k in range(0, len(found) - 1, 2)]
    return in_parts(pairs, lambda one, two: _merged(found[one], found[two])) + found[2 * len(pairs) :]


def _list_passes(level: NDArray[np.int32], label: NDArray[np.int32], outlets: int, rows: tuple[int, int]) -> Passes:
    """List the passes of a strip, with more room as they turn out to need it."""
    width = level.shape[1]
    table = np.full(4 << passes.SLOTS_BITS, passes.EMPTY, dtype=np.uint64)
    room = (rows[1] - rows[0]) * width // _ROOM_SHARE + 16 * width + table.size
    out = np.empty(room, dtype=np.uint64), np.empty(room, dtype=np.int64), np.empty(room, dtype=np.uint64)
    count, row = 0, rows[0]
    while row < rows[1]:
        count, row = passes.list_passes(level, label, outlets, (row, rows[1]), count, table, out)
        if row < rows[1] or out[0].size - count < table.size:
            out = _doubled(out)
    count = passes.list_held(count, table, out)
    return out[0][:count], out[1][:count], out[2][:count]


def _doubled(out: Passes) -> Passes:
    """Return the lists with as much room again."""
    longer = [np.concatenate([array, np.empty_like(array)]) for array in out]
    return longer[0], longer[1], longer[2]


def _thinned(key: NDArray[np.uint64], place: Ints, nodes: NDArray[np.uint64]) -> Passes:
    """Return those of some passes, in strict order, that their own spanning forest needs."""
    if key.size == 0:
        return key, place, nodes
    one, two = nodes >> _LEVEL_BITS, nodes & _LOW_HALF
    base = np.uint64(min(int(one[one > 0].min(initial=_LOW_HALF)), int(two.min()))) - np.uint64(1)
    own = (np.where(one > 0, one - base, one) << _LEVEL_BITS) | (two - base)
    chosen = choose_passes(own, int(two.max() - base) + 1)
    return key[chosen], place[chosen], nodes[chosen]


def _merged(one: Passes, two: Passes) -> Passes:
    """Return two lists of passes, each in strict order, as one."""
    size = one[0].size + two[0].size
    both = np.empty(size, dtype=np.uint64), np.empty(size, dtype=np.int64), np.empty(size, dtype=np.uint64)
    tree.merge_passes(one, two, both)
    return both


def ends_of(nodes: NDArray[np.uint64]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Return both nodes of each pass."""
    return (nodes >> _LEVEL_BITS).astype(np.int32), (nodes & _LOW_HALF).astype(np.int32)


def joined_ends(node_a: NDArray[np.int32], node_b: NDArray[np.int32]) -> NDArray[np.uint64]:
    """Return both nodes of each pass in one word."""
    return (node_a.astype(np.uint64) << _LEVEL_BITS) | node_b.astype(np.uint64)


def choose_passes(nodes: NDArray[np.uint64], count: int) -> Ints:
    """Return the passes of the minimum spanning forest over ``count`` nodes, of passes in strict order."""
    chosen = np.empty(max(count - 1, 0), dtype=np.int64)
    parent, size = np.arange(count, dtype=np.int32), np.ones(count, dtype=np.int32)
    return chosen[: tree.spanning_tree(nodes, parent, size, chosen)]


def _in_strict_order(key: NDArray[np.uint64], place: Ints, nodes: NDArray[np.uint64]) -> Passes:
    """Return the passes in the order of level, level of the lower cell, place.

    Level and number share one word, because plain words are sorted fastest; passes of equal level are then put in
    order among themselves.
    """
    if key.size == 0:
        return key, place, nodes
    words = key >> _LEVEL_BITS
    words -= words.min()
    span = int(words.max())
    words <<= _LEVEL_BITS
    words |= np.arange(key.size, dtype=np.uint64)
    spare = np.empty_like(words)
    for shift in range(0, span.bit_length(), tree.DIGIT_BITS):
        start = np.zeros(tree.DIGITS + 1, dtype=np.int64)
        tree.sort_by_digit(words, spare, np.uint64(shift) + _LEVEL_BITS, start)
        words, spare = spare, words
    words &= _LOW_HALF
    order = words.view(np.int64)
    tree.sort_equal_levels(order, key, place)
    return key[order], place[order], nodes[order]

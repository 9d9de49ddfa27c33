"""The spanning tree of the basins from the outside, and the level at which each basin spills."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import COL_STEP, FORWARD, LOWEST, OVER_EDGE, ROW_STEP

_DIGIT_BITS = 11
_RATIO = 2.25


@kernel
def sort_by_high_half(word: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return words in ascending order of their upper 32 bits; equals keep their order. Digit by digit, lowest first.

    ``word`` is used as working space.
    """
    span = np.uint64(0)
    for u in range(word.size):
        span = max(span, word[u] >> np.uint64(32))
    spare = np.empty_like(word)
    digits = 1 << _DIGIT_BITS
    mask = np.uint64(digits - 1)
    shift = np.uint64(32)
    while span > np.uint64(0):
        start = np.zeros(digits + 1, dtype=np.int64)
        for u in range(word.size):
            start[np.int64((word[u] >> shift) & mask) + 1] += 1
        for digit in range(digits):
            start[digit + 1] += start[digit]
        for u in range(word.size):
            place = np.int64((word[u] >> shift) & mask)
            spare[start[place]] = word[u]
            start[place] += 1
        word, spare = spare, word
        span >>= np.uint64(_DIGIT_BITS)
        shift += np.uint64(_DIGIT_BITS)
    return word


@kernel
def _sort_run(
    key: NDArray[np.uint64], place: NDArray[np.int64], nodes: NDArray[np.uint64], first: int, last: int
) -> None:
    """Sort some passes by (key, place), in place (Shell 1959)."""
    gap = last - first
    while gap > 1:
        gap = max(1, int(gap / _RATIO))
        for u in range(first + gap, last):
            own_key = key[u]
            own_place = place[u]
            own_nodes = nodes[u]
            v = u
            while v - gap >= first:
                other = v - gap
                if key[other] < own_key or (key[other] == own_key and place[other] <= own_place):
                    break
                key[v] = key[other]
                place[v] = place[other]
                nodes[v] = nodes[other]
                v = other
            key[v] = own_key
            place[v] = own_place
            nodes[v] = own_nodes


@kernel
def sort_equal_levels(key: NDArray[np.uint64], place: NDArray[np.int64], nodes: NDArray[np.uint64]) -> None:
    """Finish the strict order of passes that come in the order of their levels; in place.

    Runs of one level are short on natural ground and long on ground in whole metres.
    """
    first = 0
    for u in range(1, key.size + 1):
        if u == key.size or (key[u] >> np.uint64(32)) != (key[first] >> np.uint64(32)):
            if u - first > 1:
                _sort_run(key, place, nodes, first, u)
            first = u


@kernel
def _root(parent: NDArray[np.int32], node: np.int32) -> np.int32:
    """Return the head of a node's group, halving the way there."""
    while parent[node] != node:
        parent[node] = parent[parent[node]]
        node = parent[node]
    return node


@kernel
def spanning_tree(nodes: NDArray[np.uint64], count: int) -> NDArray[np.int64]:
    """Return the passes of the minimum spanning forest (Kruskal 1956), given in strict order, which makes it unique.

    nodes : (n,) uint64, the two ends of each pass in its halves. count : how many nodes there are.
    """
    parent = np.arange(count).astype(np.int32)
    size = np.ones(count, dtype=np.int32)
    chosen = np.empty(max(count - 1, 0), dtype=np.int64)
    found = 0
    for u in range(nodes.size):
        if found == count - 1:
            break
        a = _root(parent, np.int32(nodes[u] >> np.uint64(32)))
        b = _root(parent, np.int32(nodes[u] & np.uint64(0xFFFFFFFF)))
        if a == b:
            continue
        if size[a] < size[b]:
            a, b = b, a
        parent[b] = a
        size[a] += size[b]
        chosen[found] = u
        found += 1
    return chosen[:found].copy()


@kernel
def spill_from_outside(
    node_a: NDArray[np.int32], node_b: NDArray[np.int32], key: NDArray[np.uint64], nodes: int
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
    """Walk the tree from the outside (node 0).

    Parameters
    ----------
    node_a, node_b : (n,) int32, ends of the tree's passes. key : (n,) uint64, their height keys.

    Returns
    -------
    spill : (nodes,) int32, level at which each basin's water gets out (LOWEST outside and where there is no way out).
    exit_pass : (nodes,) int32, the pass by which it leaves towards the outside, -1 for none. order : nodes as reached.
    """
    last = np.full(nodes, -1, dtype=np.int32)
    before = np.empty(2 * node_a.size, dtype=np.int32)
    for u in range(node_a.size):
        before[2 * u] = last[node_a[u]]
        last[node_a[u]] = 2 * u
        before[2 * u + 1] = last[node_b[u]]
        last[node_b[u]] = 2 * u + 1
    spill = np.full(nodes, LOWEST, dtype=np.int32)
    exit_pass = np.full(nodes, -1, dtype=np.int32)
    order = np.empty(nodes, dtype=np.int32)
    order[0] = 0
    head = 0
    tail = 1
    while head < tail:
        node = order[head]
        head += 1
        end = last[node]
        while end >= 0:
            u = end >> 1
            other = node_a[u] if end & 1 else node_b[u]
            if other != 0 and exit_pass[other] < 0:
                exit_pass[other] = u
                here = np.int32(np.int64(key[u] >> np.uint64(32)) + LOWEST)
                spill[other] = max(spill[node], here)
                order[tail] = other
                tail += 1
            end = before[end]
    return spill, exit_pass, order[:tail].copy()


@kernel
def follow_basins(
    order: NDArray[np.int32],
    exit_pass: NDArray[np.int64],
    nodes: tuple[NDArray[np.int32], NDArray[np.int32]],
    place: NDArray[np.int64],
    label: NDArray[np.int32],
    width: int,
    outlets: int,
    end: NDArray[np.int32],
) -> None:
    """Write the label at which the water of each closed basin ends: an outlet's, or a basin's own that spills off.

    Parameters
    ----------
    order : nodes from the outside in. exit_pass : (basins,) int64. nodes, place : of the tree's passes.
    label : flat framed int32. end : (labels,) int32, each label its own at first; changed in place.
    """
    step = ROW_STEP * width + COL_STEP
    for u in range(1, order.size):
        basin = order[u] - 1
        leads = exit_pass[basin]
        beyond = nodes[0][leads] + nodes[1][leads] - order[u]
        if beyond > 0:
            end[outlets + basin] = end[outlets + beyond - 1]
        elif place[leads] & 7 != OVER_EDGE:
            i = place[leads] >> 3
            end[outlets + basin] = min(label[i], label[i + step[FORWARD[place[leads] & 7]]])

"""The spanning tree of the basins from the outside, and the level at which each basin spills."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import FORWARD, LOWEST, OVER_EDGE

DIGIT_BITS = 11
DIGITS = 1 << DIGIT_BITS


@kernel
def sort_by_digit(
    word: NDArray[np.uint64], sorted_word: NDArray[np.uint64], shift: np.uint64, start: NDArray[np.int64]
) -> None:
    """Write words in ascending order of eleven of their bits; equals keep their order.

    shift : the lowest of these bits. start : (2049,) int64, zeros, working space.
    """
    mask = np.uint64(DIGITS - 1)
    for u in range(word.size):
        start[((word[u] >> shift) & mask) + np.uint64(1)] += 1
    for digit in range(DIGITS):
        start[digit + 1] += start[digit]
    for u in range(word.size):
        digit = (word[u] >> shift) & mask
        sorted_word[start[digit]] = word[u]
        start[digit] += 1


@kernel
def sort_equal_levels(order: NDArray[np.int64], key: NDArray[np.uint64], place: NDArray[np.int64]) -> None:
    """Finish the strict order of passes that come in the order of their levels; in place (Shell 1959).

    Runs of one level are short on natural ground and long on ground in whole metres.

    Parameters
    ----------
    order : (n,) int64, numbers of the passes. key, place : (n,) by number.
    """
    first = 0
    for last in range(1, order.size + 1):
        if last < order.size and key[order[last]] >> np.uint64(32) == key[order[first]] >> np.uint64(32):
            continue
        gap = last - first
        while gap > 1:
            gap = max(1, gap * 4 // 9)
            for u in range(first + gap, last):
                own = order[u]
                v = u
                while v - gap >= first:
                    other = order[v - gap]
                    if key[other] < key[own] or (key[other] == key[own] and place[other] <= place[own]):
                        break
                    order[v] = other
                    v -= gap
                order[v] = own
        first = last


@kernel
def merge_passes(
    one: tuple[NDArray[np.uint64], NDArray[np.int64], NDArray[np.uint64]],
    two: tuple[NDArray[np.uint64], NDArray[np.int64], NDArray[np.uint64]],
    both: tuple[NDArray[np.uint64], NDArray[np.int64], NDArray[np.uint64]],
) -> None:
    """Write two lists of passes (key, place, nodes), each in strict order, as one in strict order."""
    u = 0
    v = 0
    for w in range(both[0].size):
        first = v == two[0].size
        if not first and u < one[0].size:
            first = one[0][u] < two[0][v] or (one[0][u] == two[0][v] and one[1][u] <= two[1][v])
        if first:
            both[0][w] = one[0][u]
            both[1][w] = one[1][u]
            both[2][w] = one[2][u]
            u += 1
        else:
            both[0][w] = two[0][v]
            both[1][w] = two[1][v]
            both[2][w] = two[2][v]
            v += 1


@kernel
def _root(parent: NDArray[np.int32], node: np.int32) -> np.int32:
    """Return the head of a node's group, halving the way there."""
    while parent[node] != node:
        parent[node] = parent[parent[node]]
        node = parent[node]
    return node


@kernel
def spanning_tree(
    nodes: NDArray[np.uint64], parent: NDArray[np.int32], size: NDArray[np.int32], chosen: NDArray[np.int64]
) -> int:
    """Choose the passes of the minimum spanning forest (Kruskal 1956) from passes in strict order: it is unique.

    Parameters
    ----------
    nodes : (n,) uint64, the two ends of each pass in its halves. parent, size : (nodes,) int32, 0, 1, ... and ones,
    working space. chosen : (nodes - 1,) int64, written.

    Returns
    -------
    how many are chosen.
    """
    found = 0
    for u in range(nodes.size):
        if found == chosen.size:
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
    return found


@kernel
def count_ends(
    nodes: tuple[NDArray[np.int32], NDArray[np.int32]], part: tuple[int, int], first: NDArray[np.int64]
) -> None:
    """Count the passes at each node from ``part[0]`` to before ``part[1]``, one place on in ``first``, zeros before."""
    for node in nodes:
        for u in range(node.size):
            if part[0] <= node[u] < part[1]:
                first[node[u] + 1] += 1


@kernel
def list_ends(
    nodes: tuple[NDArray[np.int32], NDArray[np.int32]],
    key: NDArray[np.uint64],
    part: tuple[int, int],
    free: NDArray[np.int64],
    beside: NDArray[np.uint64],
    rise: NDArray[np.int32],
) -> None:
    """List the passes at each node from ``part[0]`` to before ``part[1]``.

    Parameters
    ----------
    nodes, key : ends and height keys of the passes. free : (nodes,) int64, where the list of each node begins; used up.
    beside : (2 n,) written, the node across in the upper half and the pass in the lower. rise : (2 n,) level of the
    pass.
    """
    for u in range(key.size):
        level = np.int32(np.int64(key[u] >> np.uint64(32)) + LOWEST)
        a, b = nodes[0][u], nodes[1][u]
        if part[0] <= a < part[1]:
            beside[free[a]] = (np.uint64(b) << np.uint64(32)) | np.uint64(u)
            rise[free[a]] = level
            free[a] += 1
        if part[0] <= b < part[1]:
            beside[free[b]] = (np.uint64(a) << np.uint64(32)) | np.uint64(u)
            rise[free[b]] = level
            free[b] += 1


@kernel
def walk_tree(
    first: NDArray[np.int64],
    beside: NDArray[np.uint64],
    rise: NDArray[np.int32],
    stack: tuple[NDArray[np.uint64], NDArray[np.int32]],
    spill: NDArray[np.int32],
    exit_pass: NDArray[np.int64],
    order: NDArray[np.int32],
) -> int:
    """Walk the tree from the outside (node 0); return how many nodes are reached.

    Parameters
    ----------
    first : (nodes + 1,) int64, where the list of each node begins. beside, rise : as from ``list_ends``.
    stack : (nodes,) twice, working space. spill : (nodes,) int32, written where there is a way out: the level at which
    each basin's water gets out. exit_pass : (nodes,) int64, written likewise: the pass by which it leaves, none for the
    outside. order : (nodes,) int32, written: nodes, each after the one that it leaves to.
    """
    none = np.uint64(0xFFFFFFFF)
    stack[0][0] = none
    stack[1][0] = LOWEST
    depth = 1
    found = 0
    while depth > 0:
        depth -= 1
        node = np.int64(stack[0][depth] >> np.uint64(32))
        by = stack[0][depth] & none
        level = stack[1][depth]
        if by != none:
            exit_pass[node] = np.int64(by)
        spill[node] = level
        order[found] = node
        found += 1
        for place in range(first[node], first[node + 1]):
            if beside[place] & none != by:
                stack[0][depth] = beside[place]
                stack[1][depth] = max(level, rise[place])
                depth += 1
    return found


@kernel
def follow_basins(
    order: NDArray[np.int32],
    exit_pass: NDArray[np.int64],
    nodes: tuple[NDArray[np.int32], NDArray[np.int32]],
    place: NDArray[np.int64],
    label: NDArray[np.int32],
    step: NDArray[np.int64],
    outlets: int,
    end: NDArray[np.int32],
) -> None:
    """Write the label at which the water of each closed basin ends: an outlet's, or a basin's own that spills off.

    Parameters
    ----------
    order : nodes from the outside in. exit_pass : (basins,) int64. nodes, place : of the tree's passes.
    label : flat framed int32. step : (9,) int64. end : (labels,) int32, each label its own at first; changed in place.
    """
    for u in range(1, order.size):
        basin = order[u] - 1
        leads = exit_pass[basin]
        beyond = nodes[0][leads] + nodes[1][leads] - order[u]
        if beyond > 0:
            end[outlets + basin] = end[outlets + beyond - 1]
        elif place[leads] & 7 != OVER_EDGE:
            i = place[leads] >> 3
            end[outlets + basin] = min(label[i], label[i + step[FORWARD[place[leads] & 7]]])

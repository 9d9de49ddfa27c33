"""The spanning tree of the basins from the outside, and the level at which each basin spills."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import LOWEST


@kernel
def _root(parent: NDArray[np.int32], node: int) -> int:
    """Return the head of a node's group, halving the way there."""
    while parent[node] != node:
        parent[node] = parent[parent[node]]
        node = parent[node]
    return node


@kernel
def _offer(best: NDArray[np.int64], node: int, u: int, key: NDArray[np.uint64], place: NDArray[np.int64]) -> None:
    """Keep pass ``u`` as a node's lowest if it is lower, by the strict order (level, lower level, place)."""
    old = best[node]
    if old < 0 or key[u] < key[old] or (key[u] == key[old] and place[u] < place[old]):
        best[node] = u


@kernel
def spanning_tree(
    node_a: NDArray[np.int32], node_b: NDArray[np.int32], key: NDArray[np.uint64], place: NDArray[np.int64], nodes: int
) -> NDArray[np.int64]:
    """Return the passes of the minimum spanning forest, by rounds in which every group takes its lowest pass (Boruvka).

    The order of passes is strict, so the forest is unique. ``node_a`` and ``node_b`` are overwritten by group numbers.

    Returns
    -------
    (n,) int64, numbers of the chosen passes, in the order of choice.
    """
    parent = np.arange(nodes).astype(np.int32)
    live = np.arange(key.size)
    chosen = np.empty(max(nodes - 1, 0), dtype=np.int64)
    best = np.full(nodes, -1, dtype=np.int64)
    found = 0
    left = live.size
    while left > 0:
        for u in range(left):
            _offer(best, node_a[live[u]], live[u], key, place)
            _offer(best, node_b[live[u]], live[u], key, place)
        for node in range(nodes):
            u = best[node]
            best[node] = -1
            if u >= 0:
                a = _root(parent, node_a[u])
                b = _root(parent, node_b[u])
                if a != b:
                    parent[max(a, b)] = min(a, b)
                    chosen[found] = u
                    found += 1
        kept = 0
        for u in range(left):
            e = live[u]
            a = _root(parent, node_a[e])
            b = _root(parent, node_b[e])
            if a != b:
                node_a[e] = a
                node_b[e] = b
                live[kept] = e
                kept += 1
        left = kept
    return chosen[:found].copy()


@kernel
def spill_from_outside(
    node_a: NDArray[np.int32], node_b: NDArray[np.int32], key: NDArray[np.uint64], nodes: int
) -> tuple[NDArray[np.int32], NDArray[np.int64], NDArray[np.int32]]:
    """Walk the tree from the outside (node 0).

    Parameters
    ----------
    node_a, node_b : (n,) int32, ends of the tree's passes. key : (n,) uint64, their height keys.

    Returns
    -------
    spill : (nodes,) int32, level at which each basin's water gets out (LOWEST outside and where there is no way out).
    exit_pass : (nodes,) int64, the pass by which it leaves towards the outside, -1 for none. order : nodes as reached.
    """
    start = np.zeros(nodes + 1, dtype=np.int64)
    for u in range(node_a.size):
        start[node_a[u] + 1] += 1
        start[node_b[u] + 1] += 1
    for node in range(nodes):
        start[node + 1] += start[node]
    fill = start[:-1].copy()
    beside = np.empty(2 * node_a.size, dtype=np.int64)
    for u in range(node_a.size):
        beside[fill[node_a[u]]] = u
        fill[node_a[u]] += 1
        beside[fill[node_b[u]]] = u
        fill[node_b[u]] += 1
    spill = np.full(nodes, LOWEST, dtype=np.int32)
    exit_pass = np.full(nodes, -1, dtype=np.int64)
    order = np.empty(nodes, dtype=np.int32)
    order[0] = 0
    head = 0
    tail = 1
    while head < tail:
        node = order[head]
        head += 1
        for place in range(start[node], start[node + 1]):
            u = beside[place]
            other = node_a[u] if node_b[u] == node else node_b[u]
            if other != 0 and exit_pass[other] < 0:
                exit_pass[other] = u
                here = np.int32(np.int64(key[u] >> np.uint64(32)) + LOWEST)
                spill[other] = max(spill[node], here)
                order[tail] = other
                tail += 1
    return spill, exit_pass, order[:tail].copy()

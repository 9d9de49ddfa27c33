"""Basins of one tile reduced to those that other tiles can see: what is settled inside, what only the whole can tell.

A basin that no other tile sees leaves by its lowest pass whatever lies around the tile (the cut property of a minimum
spanning tree): the two become one group. In the end each group holds at most one basin that other tiles see, or the
outside; the passes between groups that the tile's own spanning forest needs are for the whole to choose from.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import (
    COL_STEP,
    FORWARD,
    LOWEST,
    OPPOSITE,
    OUTLET,
    OVER_EDGE,
    ROW_STEP,
)

SETTLED = 1
OPEN = 2


@kernel
def _root(parent: NDArray[np.int32], node: int) -> int:
    """Return the head of a node's group, halving the way there."""
    while parent[node] != node:
        parent[node] = parent[parent[node]]
        node = parent[node]
    return node


@kernel
def shrink(
    node_a: NDArray[np.int32], node_b: NDArray[np.int32], seen: NDArray[np.bool_]
) -> tuple[NDArray[np.uint8], NDArray[np.int32]]:
    """Sort out the passes of a tile, given in strict order.

    Parameters
    ----------
    node_a, node_b : (n,) int32, ends of the passes. seen : (nodes,) bool, nodes that other tiles see; node 0, the
    outside, is one.

    Returns
    -------
    kind : (n,) uint8, SETTLED passes of the whole's tree, OPEN ones that may be, 0 for those that cannot.
    holder : (nodes,) int32, the seen node of each node's group, -1 where there is none.
    """
    nodes = seen.size
    parent = np.arange(nodes).astype(np.int32)
    group = np.arange(nodes).astype(np.int32)
    holder = np.full(nodes, -1, dtype=np.int32)
    for node in range(nodes):
        if seen[node]:
            holder[node] = node
    kind = np.zeros(node_a.size, dtype=np.uint8)
    found = 0
    for u in range(node_a.size):
        if found == nodes - 1:
            break
        a = _root(parent, node_a[u])
        b = _root(parent, node_b[u])
        if a == b:
            continue
        parent[max(a, b)] = min(a, b)
        found += 1
        a = _root(group, node_a[u])
        b = _root(group, node_b[u])
        if holder[a] >= 0 and holder[b] >= 0:
            kind[u] = OPEN
            continue
        kind[u] = SETTLED
        head = min(a, b)
        holder[head] = max(holder[a], holder[b])
        group[max(a, b)] = head
    of_group = np.empty(nodes, dtype=np.int32)
    for node in range(nodes):
        of_group[node] = holder[_root(group, node)]
    return kind, of_group


@kernel
def lead_out(
    node_a: NDArray[np.int32],
    node_b: NDArray[np.int32],
    key: NDArray[np.uint64],
    start: NDArray[np.int64],
    spill: NDArray[np.int32],
) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Walk the settled passes from the nodes where each group's water leaves.

    Parameters
    ----------
    node_a, node_b, key : (n,) the settled passes. start : nodes to start from, in different groups.
    spill : (nodes,) int32, known for these, LOWEST elsewhere; filled in place.

    Returns
    -------
    exit_pass : (nodes,) int64, the pass by which each node's water leaves, -1 for the starts and what is not reached.
    order : the nodes reached, each after the one that it leaves to.
    """
    nodes = spill.size
    first = np.zeros(nodes + 1, dtype=np.int64)
    for u in range(node_a.size):
        first[node_a[u] + 1] += 1
        first[node_b[u] + 1] += 1
    for node in range(nodes):
        first[node + 1] += first[node]
    fill = first[:-1].copy()
    beside = np.empty(2 * node_a.size, dtype=np.int64)
    for u in range(node_a.size):
        beside[fill[node_a[u]]] = u
        fill[node_a[u]] += 1
        beside[fill[node_b[u]]] = u
        fill[node_b[u]] += 1
    exit_pass = np.full(nodes, -1, dtype=np.int64)
    order = np.empty(nodes, dtype=np.int32)
    reached = np.zeros(nodes, dtype=np.bool_)
    tail = 0
    for u in range(start.size):
        order[tail] = start[u]
        reached[start[u]] = True
        tail += 1
    head = 0
    while head < tail:
        node = order[head]
        head += 1
        for place in range(first[node], first[node + 1]):
            u = beside[place]
            other = node_a[u] if node_b[u] == node else node_b[u]
            if not reached[other]:
                reached[other] = True
                exit_pass[other] = u
                spill[other] = max(spill[node], np.int32(np.int64(key[u] >> np.uint64(32)) + LOWEST))
                order[tail] = other
                tail += 1
    return exit_pass, order[:tail].copy()


@kernel
def own_sides(
    place: NDArray[np.int64], label: NDArray[np.int32], own: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.int64]]:
    """Tell where water goes over some passes.

    Parameters
    ----------
    place : (n,) int64, framed cell * 8 + way. label : framed int32. own : (n,) label on the side that it comes from.

    Returns
    -------
    cell : the framed cell on that side. way : the direction there. beyond : the label on the other side, -1 off the
    data.
    """
    step = ROW_STEP * label.shape[1] + COL_STEP
    flat = label.ravel()
    cell = np.empty(place.size, dtype=np.int64)
    way = np.empty(place.size, dtype=np.uint8)
    beyond = np.full(place.size, -1, dtype=np.int64)
    for u in range(place.size):
        i = place[u] >> 3
        k = place[u] & 7
        on = np.uint8(OUTLET) if k == OVER_EDGE else FORWARD[k]
        if flat[i] != own[u]:
            i += step[on]
            on = OPPOSITE[on]
        cell[u] = i
        way[u] = on
        if on < OUTLET:
            beyond[u] = flat[i + step[on]]
    return cell, way, beyond


@kernel
def ends_in_order(order: NDArray[np.int32], next_node: NDArray[np.int64], end: NDArray[np.int64]) -> None:
    """Give each node the end of the node that it leaves to, in the order in which they were reached.

    Parameters
    ----------
    next_node : (nodes,) int64, -1 where ``end`` is known already. end : (nodes,) int64, changed in place.
    """
    for u in range(order.size):
        node = order[u]
        if next_node[node] >= 0:
            end[node] = end[next_node[node]]

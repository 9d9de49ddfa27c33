"""The tree of hollows: which merge when both are full, how many cells they wet, what they hold."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import LOWEST

_OUTSIDE = -2


@kernel
def _head(group: NDArray[np.int64], node: int) -> int:
    """Return the head of a node's group, halving the way there."""
    while group[node] != node:
        group[node] = group[group[node]]
        node = group[node]
    return node


@kernel
def merge_hollows(
    node_a: NDArray[np.int32], node_b: NDArray[np.int32], spill_tick: NDArray[np.int64], basins: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Join basins over the passes of the spanning tree, lowest first; each joining of two closed groups makes a hollow.

    Parameters
    ----------
    node_a, node_b : (n,) int32, the two nodes of each pass in ascending strict order: 0 outside, else basin + 1.
    spill_tick : (n,) int64, level of each pass. basins : number of closed basins, which are hollows 0..basins-1.

    Returns
    -------
    parent : (hollows,) int64, -1 for outermost. spill : level. exit_pass : number of the pass (place in ``node_a``),
    -1 for a hollow without way out. target : the basin beyond the pass, where the spill arrives, -1 outside.
    """
    room = max(2 * basins - 1, 0)
    parent = np.empty(room, dtype=np.int64)
    spill = np.empty(room, dtype=np.int64)
    exit_pass = np.empty(room, dtype=np.int64)
    target = np.empty(room, dtype=np.int64)
    for hollow in range(room):
        parent[hollow] = exit_pass[hollow] = target[hollow] = -1
        spill[hollow] = LOWEST
    group = np.empty(basins + 1, dtype=np.int64)
    top = np.empty(basins + 1, dtype=np.int64)
    for node in range(basins + 1):
        group[node] = node
        top[node] = node - 1
    top[0] = _OUTSIDE
    made = basins
    for u in range(node_a.size):
        a = _head(group, node_a[u])
        b = _head(group, node_b[u])
        hollow_a = top[a]
        hollow_b = top[b]
        if hollow_a != _OUTSIDE:
            spill[hollow_a] = spill_tick[u]
            exit_pass[hollow_a] = u
            target[hollow_a] = node_b[u] - 1
        if hollow_b != _OUTSIDE:
            spill[hollow_b] = spill_tick[u]
            exit_pass[hollow_b] = u
            target[hollow_b] = node_a[u] - 1
        group[b] = a
        if min(hollow_a, hollow_b) == _OUTSIDE:
            top[a] = _OUTSIDE
        else:
            parent[hollow_a] = made
            parent[hollow_b] = made
            top[a] = made
            made += 1
    return parent[:made].copy(), spill[:made].copy(), exit_pass[:made].copy(), target[:made].copy()


@kernel
def count_wet_cells(
    level: NDArray[np.int32],
    label: NDArray[np.int32],
    outlets: int,
    parent: NDArray[np.int64],
    spill: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Count the cells below each hollow's spill level, and add up their levels.

    A cell is first counted for the smallest hollow that wets it; parents then take what their children have.

    Returns
    -------
    cells : (hollows,) int64. level_sum : (hollows,) int64 [ticks x cells]; what a hollow holds is spill x cells -
    level_sum.
    """
    cells = np.zeros(parent.size, dtype=np.int64)
    level_sum = np.zeros(parent.size, dtype=np.int64)
    flat_level = level.ravel()
    flat_label = label.ravel()
    for i in range(flat_level.size):
        hollow = np.int64(flat_label[i]) - outlets
        if hollow < 0:
            continue
        while hollow >= 0 and spill[hollow] <= flat_level[i]:
            hollow = parent[hollow]
        if hollow >= 0:
            cells[hollow] += 1
            level_sum[hollow] += flat_level[i]
    for child in range(parent.size):
        if parent[child] >= 0:
            cells[parent[child]] += cells[child]
            level_sum[parent[child]] += level_sum[child]
    return cells, level_sum


@kernel
def list_wet_cells(
    level: NDArray[np.int32],
    label: NDArray[np.int32],
    outlets: int,
    outer: NDArray[np.int64],
    spill: NDArray[np.int64],
    room: int,
) -> NDArray[np.int64]:
    """List the framed numbers of cells below the spill level of their outermost hollow, in row order.

    Parameters
    ----------
    outer : (basins,) int64, outermost kept hollow of each closed basin, -1 for none. room : how many there are.
    """
    wet = np.empty(room, dtype=np.int64)
    found = 0
    flat_level = level.ravel()
    flat_label = label.ravel()
    for i in range(flat_level.size):
        basin = np.int64(flat_label[i]) - outlets
        if basin >= 0 and outer[basin] >= 0 and flat_level[i] < spill[outer[basin]]:
            wet[found] = i
            found += 1
    return wet[:found].copy()

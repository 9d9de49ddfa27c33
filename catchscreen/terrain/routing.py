"""Where the water goes: receivers, basins, the passes between them, spill levels, routes, accumulation.

Method: Cordonnier, Bovy and Braun 2019 (a graph of basins in place of a priority queue), with plateaus solved by
distance to their exit and every comparison one of whole numbers in a strict order, so that the result is unique.

References
----------
Cordonnier, G., Bovy, B., Braun, J. (2019). A versatile, linear complexity algorithm for flow routing in topographies
with depressions. Earth Surface Dynamics 7, 549-562.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import parallel_lock
from catchscreen.grid import Grid
from catchscreen.terrain._kernels import accumulation, basins, passes, plateaus, receivers, rerouting, tree
from catchscreen.terrain._kernels.directions import COL_STEP, LOWEST, OUTLET, PIT, ROW_STEP, UNDECIDED
from catchscreen.terrain._kernels.threads import get_num_threads

Ints = NDArray[np.int64]
Counts = NDArray[np.int32] | NDArray[np.int64]

_LEVEL_BITS: Final = np.uint64(32)


@dataclass(frozen=True, slots=True)
class BasinGraph:
    """The basins of a ground and the tree of passes that lets each of them out.

    label : framed int32, the outlet (0..outlets-1) or closed basin (outlets..) that each cell's water first reaches;
    below 0 off the ground. seed_cell : (labels,) framed cell of the outlet or pit. node_a, node_b, key, place : the
    tree's passes, nodes 0 outside, else closed basin + 1. spill : (labels,) int32 [ticks]. exit_pass : (closed,) place
    in the tree arrays, or -1.
    """

    label: NDArray[np.int32]
    outlets: int
    seed_cell: Ints
    node_a: NDArray[np.int32]
    node_b: NDArray[np.int32]
    key: NDArray[np.uint64]
    place: Ints
    spill: NDArray[np.int32]
    exit_pass: Ints
    exit_order: NDArray[np.int32]

    @property
    def closed(self) -> int:
        """Return the number of closed basins."""
        return self.seed_cell.size - self.outlets

    @property
    def pass_ticks(self) -> Ints:
        """Return the level of each pass of the tree."""
        return (self.key >> _LEVEL_BITS).astype(np.int64) + LOWEST


@dataclass(frozen=True, slots=True)
class Routing:
    """Routes over a framed ground. All arrays framed but the last two.

    level, filled : int32 [ticks]. code : uint8, flow code after rerouting. basin : int32, number of the outlet cell
    that the water leaves by (in row order of these cells). total : int32 or int64, cells upstream, itself counted.
    outlet_cell : (basins,) framed cell of each outlet. pass_cell : (closed,) each closed basin's own cell at its exit
    pass.
    """

    level: NDArray[np.int32]
    code: NDArray[np.uint8]
    filled: NDArray[np.int32]
    basin: NDArray[np.int32]
    total: Counts
    graph: BasinGraph
    outlet_cell: Ints
    pass_cell: Ints

    def receivers(self) -> Ints:
        """Return (rows, cols) flat cell numbers of the receivers in the unframed grid, -1 where water leaves."""
        rows, cols = self.level.shape[0] - 2, self.level.shape[1] - 2
        step = np.zeros(16, dtype=np.int64)
        step[: ROW_STEP.size] = ROW_STEP * cols + COL_STEP
        receiver = np.empty((rows, cols), dtype=np.int64)
        with parallel_lock:
            receivers.receiver_cells(self.code, step, receiver)
        return receiver


def direction_weights(grid: Grid) -> tuple[float, float, float]:
    """Return what the square of a drop counts towards east or west, north or south, and diagonally.

    Square cells give 2, 2 and 1 exactly: comparisons are then of whole numbers.
    """
    width, height = grid.cell_width_m, grid.cell_height_m
    if width == height:
        return 2.0, 2.0, 1.0
    diagonal = width * width + height * height
    return diagonal / (width * width), diagonal / (height * height), 1.0


def route(
    level: NDArray[np.int32], weights: tuple[float, float, float] = (2.0, 2.0, 1.0), *, keep_graph: bool = True
) -> Routing:
    """Route the water of a framed ground: through depressions, over plateaus, off the data.

    Parameters
    ----------
    level : (rows + 2, cols + 2) int32 [ticks of 0.1 mm], as made by ``conditioning.frame_levels``.
    weights : see ``direction_weights``.
    keep_graph : keep the labels of closed basins, which hollows need. Without, the final basins are written over them:
    4 bytes a cell less, and ``graph.label`` is no longer what it says.
    """
    with parallel_lock:
        code = find_directions(level, weights)
        graph = build_basins(level, code)
        place = np.append(graph.place, -1)[graph.exit_pass]
        pass_cell = np.empty(graph.closed, dtype=np.int64)
        rerouting.reroute(code, graph.label, graph.outlets, place, pass_cell)
        plateaus.close_pits(code, graph.seed_cell)
        basin_of, outlet_cell = _name_basins(graph, code, pass_cell)
        filled = np.empty_like(level)
        basin = np.empty_like(graph.label) if keep_graph else graph.label
        rerouting.fill_and_name(level, graph.label, graph.spill, basin_of, basin, filled)
        total = accumulate(code)
    return Routing(level, code, filled, basin, total, graph, outlet_cell, pass_cell)


def find_directions(level: NDArray[np.int32], weights: tuple[float, float, float]) -> NDArray[np.uint8]:
    """Return the framed flow codes before rerouting: closed depressions still end in a pit."""
    code = np.full(level.shape, 15, dtype=np.uint8)
    receivers.steepest(level, *weights, code)
    plateaus.drain_plateaus(level, code, cells_with(code, UNDECIDED))
    return code


def cells_with(code: NDArray[np.uint8], wanted: int) -> Ints:
    """Return the framed numbers of the cells with one code, in row order."""
    count = np.empty(code.shape[0], dtype=np.int64)
    receivers.count_code(code, wanted, count)
    start = np.zeros(code.shape[0] + 1, dtype=np.int64)
    np.cumsum(count, out=start[1:])
    cell = np.empty(int(start[-1]), dtype=np.int64)
    receivers.list_code(code, wanted, start, cell)
    return cell


def build_basins(level: NDArray[np.int32], code: NDArray[np.uint8]) -> BasinGraph:
    """Label the basins, find their lowest passes and the tree that leads each of them out."""
    outlet_cells = cells_with(code, OUTLET)
    seed_cell = np.concatenate([outlet_cells, cells_with(code, PIT)])
    label = label_from(code, seed_cell)
    outlets = outlet_cells.size
    key, place = list_passes(level, label, outlets)
    nodes = seed_cell.size - outlets + 1
    key, place = in_strict_order(key, place)
    node_a = np.empty(key.size, dtype=np.int32)
    node_b = np.empty(key.size, dtype=np.int32)
    passes.pass_nodes(place, label, outlets, node_a, node_b)
    chosen = tree.spanning_tree(node_a, node_b, nodes)
    node_a, node_b, key, place = node_a[chosen], node_b[chosen], key[chosen], place[chosen]
    spill_of_node, exit_pass, order = tree.spill_from_outside(node_a, node_b, key, nodes)
    spill = np.full(seed_cell.size, LOWEST, dtype=np.int32)
    spill[outlets:] = spill_of_node[1:]
    return BasinGraph(label, outlets, seed_cell, node_a, node_b, key, place, spill, exit_pass[1:], order)


def label_from(code: NDArray[np.uint8], seed_cell: Ints) -> NDArray[np.int32]:
    """Return framed labels: the number of the first seed that each cell's water meets; every way must meet one."""
    label = np.empty(code.shape, dtype=np.int32)
    with parallel_lock:
        basins.blank_labels(code, label)
        label.ravel()[seed_cell] = np.arange(seed_cell.size, dtype=np.int32)
        basins.spread_labels(code, label, strip_count(code.shape[0]))
    return label


def strip_count(height: int) -> int:
    """Return into how many strips of rows a parallel kernel cuts the ground: the result does not depend on it."""
    return int(max(1, min(2 * get_num_threads(), height // 8)))


def accumulate(code: NDArray[np.uint8]) -> Counts:
    """Return framed totals (int32 while they fit): cells whose water passes each cell, itself counted; 0 elsewhere."""
    inflows = np.empty_like(code)
    total: Counts = np.empty(code.shape, dtype=np.int32 if code.size < 2**31 else np.int64)
    strips = strip_count(code.shape[0])
    bounds = np.arange(strips + 1) * code.shape[0] // strips
    leaving = np.empty((strips, 4 * code.shape[1]), dtype=np.int64)
    left = np.zeros(strips, dtype=np.int64)
    with parallel_lock:
        rerouting.count_inflows(code, inflows)
        accumulation.start_totals(inflows, total)
        accumulation.accumulate_strips(inflows, total, bounds, leaving, left)
    accumulation.accumulate_rest(inflows, total, leaving, left)
    return total


def list_passes(level: NDArray[np.int32], label: NDArray[np.int32], outlets: int) -> tuple[NDArray[np.uint64], Ints]:
    """List candidate passes, with as much room as they turn out to need."""
    strips = strip_count(level.shape[0])
    room = max(1 << 14, level.size // (8 * strips))
    while True:
        key = np.empty((strips, room), dtype=np.uint64)
        place = np.empty((strips, room), dtype=np.int64)
        count = np.zeros(strips, dtype=np.int64)
        passes.lowest_passes(level, label, outlets, key, place, count)
        if count.max() <= room:
            keys = np.concatenate([key[s, : count[s]] for s in range(strips)])
            return keys, np.concatenate([place[s, : count[s]] for s in range(strips)])
        room = int(count.max())


def in_strict_order(key: NDArray[np.uint64], place: Ints) -> tuple[NDArray[np.uint64], Ints]:
    """Return the passes in the order of level, level of the lower cell, place.

    Level and number share one word, because numpy sorts plain words fastest; passes of equal level are then put in
    order among themselves.
    """
    if key.size == 0:
        return key, place
    words = key >> _LEVEL_BITS
    words -= words.min()
    words <<= _LEVEL_BITS
    words |= np.arange(key.size, dtype=np.uint64)
    words = tree.sort_by_high_half(words)
    words &= np.uint64(2**32 - 1)
    order = words.view(np.int64)
    key, place = key[order], place[order]
    tree.sort_equal_levels(key, place)
    return key, place


def _name_basins(graph: BasinGraph, code: NDArray[np.uint8], pass_cell: Ints) -> tuple[NDArray[np.int32], Ints]:
    """Give the cells by which water leaves numbers in row order; return each label's number and these cells.

    A closed basin that spills straight off the data ends at its own pass cell, the others where the basin beyond
    theirs does.
    """
    outlets = graph.outlets
    ends_at = np.arange(graph.seed_cell.size, dtype=np.int64)
    end_cell = graph.seed_cell.copy()
    order = graph.exit_order[1:].astype(np.int64)
    flat_code, flat_label = code.ravel(), graph.label.ravel()
    step = ROW_STEP * code.shape[1] + COL_STEP
    own = order - 1
    cell = pass_cell[own]
    way = flat_code[cell]
    next_label = np.where(way == OUTLET, -1, flat_label[cell + step[np.minimum(way, 10)]])
    end_cell[own[next_label < 0] + outlets] = cell[next_label < 0]
    follow_ends(ends_at, own + outlets, next_label.astype(np.int64))
    is_end = np.zeros(graph.seed_cell.size, dtype=bool)
    is_end[ends_at] = True
    used = np.flatnonzero(is_end)
    cells = end_cell[used]
    rank = np.empty(graph.seed_cell.size, dtype=np.int32)
    by_row = np.argsort(cells, kind="stable")
    rank[used[by_row]] = np.arange(used.size, dtype=np.int32)
    return rank[ends_at], cells[by_row]


def follow_ends(ends_at: Ints, label: Ints, next_label: Ints) -> None:
    """Give each closed basin the end of the basin beyond its pass, by repeated doubling."""
    jump = np.arange(ends_at.size, dtype=np.int64)
    jump[label] = np.where(next_label < 0, label, next_label)
    while True:
        further = jump[jump]
        if np.array_equal(further, jump):
            break
        jump = further
    ends_at[:] = jump

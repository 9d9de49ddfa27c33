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

from catchscreen.grid import Grid
from catchscreen.terrain._kernels import plateaus, receivers, rerouting, tree
from catchscreen.terrain._kernels.directions import (
    COL_STEP,
    LOWEST,
    NO_GROUND,
    OUTLET,
    PIT,
    ROW_STEP,
    UNDECIDED,
)
from catchscreen.terrain.listed_passes import Passes, choose_passes, ends_of, merged_passes, passes_of_strips
from catchscreen.terrain.strips import at_once, in_parts, parts_of, strip_rows
from catchscreen.terrain.walking import Counts, carry_down, cells_without_way, label_and_count, label_from, steps_of

Ints = NDArray[np.int64]

_LEVEL_BITS: Final = np.uint64(32)
_PAGE_CELLS: Final = 1024
"""Levels in a page of memory."""


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
        receiver = np.arange(rows * cols, dtype=np.int64).reshape(rows, cols)
        code = self.code[1:-1, 1:-1]
        receiver += step[code]
        receiver[code >= OUTLET] = -1
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
    strips = strip_rows(level.shape)
    code, outlet_cells, pits = drain_ground(level, weights)
    walked = label_and_count(code, np.concatenate([outlet_cells, pits]))
    # One thread has to grow the tree and to follow it; sums need neither, and go down beside.
    found = passes_of_strips(level, walked.label, outlet_cells.size)
    filled = np.empty_like(level)

    def carry() -> None:
        carry_down(code, walked.leaving, walked.total, walked.idle, strips)
        # The machine takes its time over memory that is new: it does so here, where nobody waits for it.
        filled.ravel()[::_PAGE_CELLS] = 0

    graph, _ = at_once(lambda: grow_basins(found, walked.label, outlet_cells, pits), carry)
    found.clear()
    pass_cell = lead_out(code, graph, walked.total)
    _, (basin, outlet_cell) = at_once(
        lambda: carry_down(code, pass_cell, walked.total, walked.idle, strips),
        lambda: _fill_and_name(level, graph, pass_cell, filled, keep_graph=keep_graph),
    )
    return Routing(level, code, filled, basin, walked.total, graph, outlet_cell, pass_cell)


def _fill_and_name(
    level: NDArray[np.int32], graph: BasinGraph, pass_cell: Ints, filled: NDArray[np.int32], *, keep_graph: bool
) -> tuple[NDArray[np.int32], Ints]:
    """Write the filled surface; return each cell's basin (over the labels unless they are kept) and the outlets."""
    basin_of, outlet_cell = _name_basins(graph, pass_cell)
    basin = np.empty_like(graph.label) if keep_graph else graph.label
    of_label = np.stack([graph.spill, basin_of], axis=1).ravel()
    flat = [array.ravel() for array in (level, graph.label, basin, filled)]

    def fill(first: int, last: int) -> None:
        own_level, label, own_basin, own_filled = (array[first:last] for array in flat)
        rerouting.fill_and_name(own_level, label, of_label, own_basin, own_filled)

    in_parts(parts_of(level.size), fill)
    return basin, outlet_cell


def fill(level: NDArray[np.int32]) -> NDArray[np.int32]:
    """Return the filled surface of a framed ground alone: basins, passes and spill levels, without routes and sums.

    level : as for ``route``, whose ``filled`` this equals.
    """
    code, outlet_cells, pits = drain_ground(level, (2.0, 2.0, 1.0))
    label = label_from(code, np.concatenate([outlet_cells, pits]))
    del code
    graph = build_basins(level, label, outlet_cells, pits)
    filled = np.empty_like(level)
    flat = [array.ravel() for array in (level, label, filled)]

    def fill_part(first: int, last: int) -> None:
        own_level, own_label, own_filled = (array[first:last] for array in flat)
        rerouting.fill_to(own_level, own_label, graph.spill, own_filled)

    in_parts(parts_of(level.size), fill_part)
    return filled


def find_directions(level: NDArray[np.int32], weights: tuple[float, float, float]) -> NDArray[np.uint8]:
    """Return the framed flow codes before rerouting: closed depressions still end in a pit."""
    return drain_ground(level, weights)[0]


def drain_ground(level: NDArray[np.int32], weights: tuple[float, float, float]) -> tuple[NDArray[np.uint8], Ints, Ints]:
    """Return the framed flow codes before rerouting, and the outlets and pits in row order."""
    code = steepest_directions(level, weights)
    cells, flat_code = cells_without_way(code), code.ravel()
    of_cell = flat_code[cells]
    flat = np.flatnonzero(of_cell == UNDECIDED)
    settle_flats(level, code, cells[flat])
    of_cell[flat] = flat_code[cells[flat]]
    return code, cells[of_cell == OUTLET], cells[of_cell == PIT]


def steepest_directions(level: NDArray[np.int32], weights: tuple[float, float, float]) -> NDArray[np.uint8]:
    """Return the framed flow codes of the steepest drop, with plateaus still undecided."""
    code = np.empty(level.shape, dtype=np.uint8)

    def decide(first: int, last: int) -> None:
        code[first:last] = NO_GROUND
        receivers.steepest(level, first, last, weights, code)

    in_parts(strip_rows(level.shape), decide)
    return code


def settle_flats(level: NDArray[np.int32], code: NDArray[np.uint8], cells: Ints) -> None:
    """Decide, in ``code``, undecided cells given in row order: along their plateaus to the exit or to the root."""
    plateaus.drain_plateaus(level.ravel(), code.ravel(), steps_of(code.shape[1]), cells, np.empty_like(cells))


def build_basins(level: NDArray[np.int32], label: NDArray[np.int32], outlet_cells: Ints, pits: Ints) -> BasinGraph:
    """Find the lowest passes between labelled basins and the tree that leads each of them out."""
    return grow_basins(passes_of_strips(level, label, outlet_cells.size), label, outlet_cells, pits)


def grow_basins(found: list[Passes], label: NDArray[np.int32], outlet_cells: Ints, pits: Ints) -> BasinGraph:
    """Grow the tree that leads each labelled basin out, of the passes that each strip found."""
    outlets = outlet_cells.size
    key, place, nodes = merged_passes(found)
    count = pits.size + 1
    chosen = choose_passes(nodes, count)
    key, place = key[chosen], place[chosen]
    node_a, node_b = ends_of(nodes[chosen])
    spill_of_node, exit_pass, order = spill_from_outside(node_a, node_b, key, count)
    spill = np.full(outlets + pits.size, LOWEST, dtype=np.int32)
    spill[outlets:] = spill_of_node[1:]
    seed_cell = np.concatenate([outlet_cells, pits])
    return BasinGraph(label, outlets, seed_cell, node_a, node_b, key, place, spill, exit_pass[1:], order)


def spill_from_outside(
    node_a: NDArray[np.int32], node_b: NDArray[np.int32], key: NDArray[np.uint64], count: int
) -> tuple[NDArray[np.int32], Ints, NDArray[np.int32]]:
    """Return each node's spill level, the pass by which it leaves, and the nodes from the outside in.

    The level is LOWEST and the pass -1 outside and where there is no way out.
    """
    first = np.zeros(count + 1, dtype=np.int64)
    beside, rise = np.empty(2 * key.size, dtype=np.uint64), np.empty(2 * key.size, dtype=np.int32)
    nodes, parts = (node_a, node_b), parts_of(count, most=2)
    in_parts(parts, lambda low, high: tree.count_ends(nodes, (low, high), first))
    np.cumsum(first, out=first)
    free = first[:-1].copy()
    in_parts(parts, lambda low, high: tree.list_ends(nodes, key, (low, high), free, beside, rise))
    spill, exit_pass = np.full(count, LOWEST, dtype=np.int32), np.full(count, -1, dtype=np.int64)
    order = np.empty(count, dtype=np.int32)
    stack = np.empty(count, dtype=np.uint64), np.empty(count, dtype=np.int32)
    reached = tree.walk_tree(first, beside, rise, stack, spill, exit_pass, order)
    return spill, exit_pass, order[:reached]


def lead_out(code: NDArray[np.uint8], graph: BasinGraph, total: Counts) -> Ints:
    """Turn the ways of closed basins round, with their totals; return each basin's own cell beside its pass.

    A pit that found no way out (ground enclosed by walls) becomes an outlet.
    """
    flat_code, step = code.ravel(), steps_of(code.shape[1])
    place = np.append(graph.place, -1)[graph.exit_pass]
    pass_cell = np.empty(graph.closed, dtype=np.int64)
    pit = graph.seed_cell[graph.outlets :]
    in_parts(
        parts_of(graph.closed),
        lambda first, last: rerouting.reroute(
            flat_code, step, graph.label.ravel(), graph.outlets, place, pit, (first, last), total.ravel(), pass_cell
        ),
    )
    flat_code[pit[flat_code[pit] == PIT]] = OUTLET
    return pass_cell


def _name_basins(graph: BasinGraph, pass_cell: Ints) -> tuple[NDArray[np.int32], Ints]:
    """Give the cells by which water leaves numbers in row order; return each label's number and these cells.

    A closed basin that spills straight off the data ends at its own pass cell, the others where the basin beyond
    theirs does.
    """
    outlets = graph.outlets
    ends_at = np.arange(graph.seed_cell.size, dtype=np.int32)
    tree.follow_basins(
        graph.exit_order,
        graph.exit_pass,
        (graph.node_a, graph.node_b),
        graph.place,
        graph.label.ravel(),
        steps_of(graph.label.shape[1]),
        outlets,
        ends_at,
    )
    is_end = np.zeros(graph.seed_cell.size, dtype=bool)
    is_end[ends_at] = True
    used = np.flatnonzero(is_end)
    inner = used[used >= outlets] - outlets
    spilling = pass_cell[inner] >= 0
    cells = np.concatenate(
        [graph.seed_cell[used[used < outlets]], np.where(spilling, pass_cell[inner], graph.seed_cell[inner + outlets])]
    )
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

"""Sub-catchments: which ground drains to which outlet point, hollow, cut by size, or stretch of the data edge."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels import dividing
from catchscreen.terrain._kernels.directions import COL_STEP, OUTLET, ROW_STEP
from catchscreen.terrain.routing import Routing
from catchscreen.terrain.walking import count_inflows, label_from

Ints = NDArray[np.int64]

SMALL_SHARE: Final = 0.3
"""An end piece below this share of the target joins the largest sub-catchment above it."""

GIVEN, BY_SIZE, DATA_EDGE, EDGE_GROUP = "given", "by size", "data edge", "data edge, several"
HOLLOW_EXIT = "hollow"


@dataclass(frozen=True, slots=True)
class Division:
    """Ground divided among sub-catchments, numbered in the row order of their outlet cells.

    label : framed int32, below 0 off the ground. outlet_cell : (n,) framed; the strongest where there are several.
    kind : how each came about. downstream : (n,) number of the next one below, -1 off the data. given : (n,) place in
    the list of given outlet cells, or -1. cells : (n,) int64.
    """

    label: NDArray[np.int32]
    outlet_cell: Ints
    kind: list[str]
    downstream: Ints
    given: Ints
    cells: Ints


def divide(routing: Routing, given_cell: Ints, target_cells: int, *, given_kind: str = GIVEN) -> Division:
    """Divide all ground: at the given outlet cells or, without any, where the target size has gathered.

    What drains off the data elsewhere belongs to the basin of its outlet cell; basins of less than the target are put
    together along the data edge until they reach it, so that there are few.

    Parameters
    ----------
    given_cell : (n,) int64, framed cells of the user's outlets, distinct; empty to divide by size.
    given_kind : what sub-catchments at these cells are called: ``GIVEN``, or ``HOLLOW_EXIT`` for exits of hollows.
    """
    cut = np.zeros(routing.code.shape, dtype=np.bool_)
    cut.ravel()[given_cell] = True
    if given_cell.size == 0:
        _cut_by_size(routing, cut, target_cells)
    ends = np.flatnonzero(routing.code.ravel() == OUTLET)
    seed = np.union1d(ends, np.flatnonzero(cut.ravel()))
    label = label_from(routing.code, seed)
    size = np.bincount(label.ravel()[label.ravel() >= 0], minlength=seed.size)
    below = _label_below(routing, label, seed)
    is_given = np.isin(seed, given_cell)
    joins = np.arange(seed.size) if given_cell.size else _join_small_ends(below, size, target_cells)
    size = np.bincount(joins, weights=size, minlength=seed.size).astype(np.int64)
    joins = _group_edge_basins(routing, seed, joins, size, (below < 0) & ~is_given, target_cells)
    division = _number(routing, label, seed, joins, below, given_cell)
    return replace(division, kind=[given_kind if kind == GIVEN else kind for kind in division.kind])


def _cut_by_size(routing: Routing, cut: NDArray[np.bool_], target_cells: int) -> None:
    """Mark the cells where the target size has gathered."""
    inflows = count_inflows(routing.code)
    rest = (routing.code <= OUTLET).astype(np.int64)
    dividing.cut_by_size(inflows, cut, target_cells, rest)


def _label_below(routing: Routing, label: NDArray[np.int32], seed: Ints) -> Ints:
    """Return the label into which each seed cell drains, -1 off the data."""
    step = np.append(ROW_STEP * routing.code.shape[1] + COL_STEP, np.zeros(5, dtype=np.int64))
    way = routing.code.ravel()[seed]
    below = label.ravel()[seed + step[way]].astype(np.int64)
    return np.where(way >= OUTLET, -1, below)


def _join_small_ends(below: Ints, size: Ints, target_cells: int) -> Ints:
    """Let the largest sub-catchment just above each small end piece join it; return the label that each one joins."""
    joins = np.arange(below.size)
    small_end = (below < 0) & (size < SMALL_SHARE * target_cells)
    above = np.flatnonzero(below >= 0)
    above = above[small_end[below[above]]]
    order = np.lexsort((above, -size[above], below[above]))
    above = above[order]
    _, first = np.unique(below[above], return_index=True)
    joins[above[first]] = below[above[first]]
    return joins


def _group_edge_basins(
    routing: Routing, seed: Ints, joins: Ints, size: Ints, is_end: NDArray[np.bool_], target_cells: int
) -> Ints:
    """Put basins of less than the target together along the data edge, in order of bearing from the middle."""
    small = np.flatnonzero(is_end & (joins == np.arange(seed.size)) & (size < target_cells))
    rows, cols = routing.code.shape
    row, col = np.divmod(seed[small], cols)
    bearing = np.arctan2(2.0 * row - (rows - 1), 2.0 * col - (cols - 1))
    order = small[np.lexsort((seed[small], bearing))]
    head = -1
    gathered = 0
    leader = np.arange(seed.size)
    for place, member in enumerate(order):
        if head < 0 or gathered >= target_cells:
            rest = int(size[order[place:]].sum()) if head >= 0 else target_cells
            if rest >= SMALL_SHARE * target_cells:
                head, gathered = int(member), 0
        leader[member] = head
        gathered += int(size[member])
    return leader[joins]


def _number(
    routing: Routing, label: NDArray[np.int32], seed: Ints, joins: Ints, below: Ints, given_cell: Ints
) -> Division:
    """Give the joined sub-catchments numbers in the row order of their strongest outlet cell; rewrite the labels."""
    total = routing.total.ravel()[seed]
    inner = joins[np.maximum(below, 0)]
    is_outlet = (below < 0) | (inner != joins)
    candidates = np.flatnonzero(is_outlet)
    candidates = candidates[np.lexsort((candidates, -total[candidates], joins[candidates]))]
    groups, first, members = np.unique(joins[candidates], return_index=True, return_counts=True)
    main = candidates[first]
    by_row = np.argsort(seed[main], kind="stable")
    groups, main, members = groups[by_row], main[by_row], members[by_row]
    number = np.full(seed.size, -1, dtype=np.int32)
    number[groups] = np.arange(groups.size, dtype=np.int32)
    final = number[joins]
    lookup = np.append(final, np.array([-1, -1], dtype=np.int32))
    new_label = lookup[label]
    downstream = np.where(below[main] >= 0, final[np.maximum(below[main], 0)], -1)
    place_of = {int(cell): place for place, cell in enumerate(given_cell)}
    given = np.array([place_of.get(int(cell), -1) for cell in seed[main]], dtype=np.int64)
    kind = [
        GIVEN if own >= 0 else BY_SIZE if down >= 0 else EDGE_GROUP if many > 1 else DATA_EDGE
        for own, down, many in zip(given, downstream, members, strict=True)
    ]
    cells = np.bincount(new_label.ravel()[new_label.ravel() >= 0], minlength=groups.size)
    return Division(new_label, seed[main], kind, downstream.astype(np.int64), given, cells)

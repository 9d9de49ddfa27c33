"""The basins of one tile: reduced to those that others can see, and settled once the whole is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels import seaming, shrinking
from catchscreen.terrain._kernels.directions import COL_STEP, LOWEST, OUTLET, PIT, ROW_STEP, VOID, WALL
from catchscreen.terrain.listed_passes import ends_of, passes_in_order
from catchscreen.terrain.strips import strip_rows
from catchscreen.terrain.walking import carry_down, cells_with, label_and_count
from catchscreen.tiles import Lines, Room, Tile, outer_lines

Ints = NDArray[np.int64]
_KEPT = "basins"


@dataclass(frozen=True, slots=True)
class TileBasins:
    """What a tile keeps of its basins until the whole is solved.

    Labels are numbered: ``outlets`` outlets, then pits, then the cells that leave the tile; nodes are 0 for the
    outside, else label - outlets + 1. seed : (labels,) the cell in the whole grid. node_a, node_b, key, place : the
    settled passes; place as the tile's frame numbers cells. group : (nodes,) the seen node of each node's group or -1.
    end : (nodes,) the cell by which water leaves, where the tile alone knows it, else -1. seen : labels that other
    tiles see, ascending. open_a, open_b, open_place : labels on both sides of the open passes, and their places.
    """

    outlets: int
    seed: Ints
    node_a: NDArray[np.int32]
    node_b: NDArray[np.int32]
    key: NDArray[np.uint64]
    place: Ints
    group: NDArray[np.int32]
    end: Ints
    seen: Ints
    open_a: Ints
    open_b: Ints
    open_place: Ints

    def keep(self, room: Room, tile: Tile) -> None:
        """Keep it until the second pass."""
        names = [getattr(self, name) for name in self.__slots__[1:]]
        room.keep(_KEPT, tile, (np.array([self.outlets]), *names))

    @classmethod
    def fetch(cls, room: Room, tile: Tile) -> TileBasins:
        """Return what was kept."""
        outlets, *rest = room.fetch(_KEPT, tile)
        return cls(int(outlets[0]), *rest)


@dataclass(frozen=True, slots=True)
class TileShow:
    """What a tile shows to the whole.

    seen_cell, seen_way : the seen labels' cells in the whole grid and their codes. lines : the place among them of the
    label of each outermost cell, -1 off the ground. key, place, ends : the open passes: height, place as the whole
    framed grid numbers it, and the place of both sides' groups among the seen labels; -1 for the outside, reached by
    the cell in ``outside``. ends_alone : the cells by which water leaves for certain.
    """

    seen_cell: Ints
    seen_way: NDArray[np.uint8]
    lines: Lines
    key: NDArray[np.uint64]
    place: Ints
    ends: tuple[Ints, Ints]
    outside: Ints
    ends_alone: Ints


def reduce_tile(
    tile: Tile, level: NDArray[np.int32], code: NDArray[np.uint8], shape: tuple[int, int], room: Room
) -> tuple[NDArray[np.int32], NDArray[Any], TileShow]:
    """Label a tile's cells and find the passes between its basins.

    Returns the framed labels, the framed totals of the tile alone, and what the tile shows.

    Parameters
    ----------
    level : framed, with the neighbours' levels in the frame: VOID there is the data edge. code : framed, NO_GROUND in
    the frame. shape : of the whole grid.
    """
    cols = shape[1]
    leaving = seaming.list_leaving(code)
    outlet_cells = cells_with(code, OUTLET)
    outlets = outlet_cells.size
    seed = np.concatenate([outlet_cells, cells_with(code, PIT), leaving])
    label, total = _label_and_count(code, seed, leaving)
    for line in (level[0], level[-1], level[:, 0], level[:, -1]):
        line[line != VOID] = WALL
    key, place, nodes = passes_in_order(level, label, outlets)
    node_a, node_b = ends_of(nodes)
    lines = outer_lines(label[1:-1, 1:-1])
    seen = _seen_labels(tile, lines, shape)
    is_seen = np.zeros(seed.size - outlets + 1, dtype=np.bool_)
    is_seen[0] = True
    is_seen[seen[seen >= outlets] - outlets + 1] = True
    kind, group = shrinking.shrink(node_a, node_b, is_seen)
    settled, is_open = kind == shrinking.SETTLED, np.flatnonzero(kind == shrinking.OPEN)
    whole_seed = whole_cells(seed, tile, cols)
    tree = (node_a[settled], node_b[settled], key[settled], place[settled])
    end = _ends_alone(tree, group, label, outlets, whole_seed, (tile, cols))
    sides = _open_sides(place[is_open], label)
    basins = TileBasins(outlets, whole_seed, *tree, group, end, seen, *sides, place[is_open])
    basins.keep(room, tile)
    rank = np.full(seed.size + 2, -1, dtype=np.int64)
    rank[seen] = np.arange(seen.size)
    shown = [rank[line] for line in lines]
    ends, outside = _open_ends(basins, rank, (tile, cols))
    over, k = place[is_open] >> 3, place[is_open] & 7
    seen_way = code.ravel()[seed[seen]]
    show = TileShow(
        whole_seed[seen],
        seen_way,
        shown,
        key[is_open],
        whole_places(whole_cells(over, tile, cols), k, cols),
        ends,
        outside,
        np.concatenate([whole_seed[:outlets], np.unique(end[end >= 0])]),
    )
    return label, total, show


def _label_and_count(code: NDArray[np.uint8], seed: Ints, leaving: Ints) -> tuple[NDArray[np.int32], NDArray[Any]]:
    """Return framed labels and totals of a tile alone; water that leaves the tile ends there."""
    way = code.ravel()[leaving]
    code.ravel()[leaving] = OUTLET
    walked = label_and_count(code, seed)
    carry_down(code, walked.leaving, walked.total, walked.idle, strip_rows(code.shape))
    code.ravel()[leaving] = way
    return walked.label, walked.total


def _seen_labels(tile: Tile, lines: Lines, shape: tuple[int, int]) -> Ints:
    """Return the labels of the cells beside another tile."""
    beside = (tile.first_row > 0, tile.last_row < shape[0], tile.first_col > 0, tile.last_col < shape[1])
    shown = [line for line, is_beside in zip(lines, beside, strict=True) if is_beside]
    seen = np.unique(np.concatenate([*shown, np.empty(0, dtype=np.int32)])).astype(np.int64)
    return seen[seen >= 0]


def _ends_alone(
    tree: tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.uint64], Ints],
    group: NDArray[np.int32],
    label: NDArray[np.int32],
    outlets: int,
    seed: Ints,
    place_of: tuple[Tile, int],
) -> Ints:
    """Return the end of each node in the outside's group, and of those that nothing leads out; -1 for the others."""
    spill = np.full(group.size, LOWEST, dtype=np.int32)
    exit_pass, order = shrinking.lead_out(*tree[:3], np.zeros(1, dtype=np.int64), spill)
    end = np.full(group.size, -1, dtype=np.int64)
    shut = np.flatnonzero(group < 0)
    end[shut] = seed[shut - 1 + outlets]
    node = order[1:].astype(np.int64)
    cell, _, beyond = shrinking.own_sides(tree[3][exit_pass[node]], label, node - 1 + outlets)
    over_edge, at_outlet = beyond < 0, (beyond >= 0) & (beyond < outlets)
    end[node[over_edge]] = whole_cells(cell[over_edge], *place_of)
    end[node[at_outlet]] = seed[beyond[at_outlet]]
    next_node = np.full(group.size, -1, dtype=np.int64)
    inner = beyond >= outlets
    next_node[node[inner]] = beyond[inner] - outlets + 1
    shrinking.ends_in_order(order, next_node, end)
    return end


def _open_sides(place: Ints, label: NDArray[np.int32]) -> tuple[Ints, Ints]:
    """Return the labels on both sides of some passes, -1 off the data."""
    one = label.ravel()[place >> 3].astype(np.int64)
    _, _, two = shrinking.own_sides(place, label, one)
    return one, two


def _open_ends(basins: TileBasins, rank: Ints, place_of: tuple[Tile, int]) -> tuple[tuple[Ints, Ints], Ints]:
    """Return the groups on both sides of the open passes, and by which cell they lead outside where one is that."""
    over_edge = basins.open_b < 0
    outside = np.where(over_edge, whole_cells(basins.open_place >> 3, *place_of), -1)
    sides = []
    for label in (basins.open_a, basins.open_b):
        node = np.maximum(label - basins.outlets + 1, 0)
        group = basins.group[node].astype(np.int64)
        number = np.where(group > 0, rank[np.maximum(group - 1 + basins.outlets, 0)], -1)
        here = (group == 0) & (label >= 0)
        is_outlet = here & (label < basins.outlets)
        outside[here] = basins.end[node[here]]
        outside[is_outlet] = basins.seed[label[is_outlet]]
        sides.append(number)
    return (sides[0], sides[1]), outside


@dataclass(frozen=True, slots=True)
class SeenSolution:
    """What the whole tells a tile about its seen labels.

    spill : level. end : the cell by which their water leaves. leads : whether there is a way out. exit_open : the open
    pass of this tile by which their group leaves, -1 for none; from_first : whether from its first side.
    """

    spill: NDArray[np.int32]
    end: Ints
    leads: NDArray[np.bool_]
    exit_open: Ints
    from_first: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class SettledLabels:
    """Of each label: spill level, the cell by which its water leaves; and where ways have to be turned round."""

    spill: NDArray[np.int32]
    end: Ints
    turn_cell: Ints
    turn_way: NDArray[np.uint8]


def settle_tile(basins: TileBasins, label: NDArray[np.int32], solved: SeenSolution) -> SettledLabels:
    """Give all labels of a tile what follows from the whole."""
    nodes = basins.group.size
    spill = np.full(nodes, LOWEST, dtype=np.int32)
    closed = basins.seen >= basins.outlets
    node, leads = basins.seen[closed] - basins.outlets + 1, solved.leads[closed]
    here, exit_open = solved.exit_open[closed] >= 0, np.maximum(solved.exit_open[closed], 0)
    open_a, open_b = np.append(basins.open_a, -1), np.append(basins.open_b, -1)
    own = np.where(solved.from_first[closed], open_a[exit_open], open_b[exit_open])
    start = np.where(here, own - basins.outlets + 1, node)
    spill[start[leads]] = solved.spill[closed][leads]
    starts = np.append(0, start[leads])
    exit_pass, _ = shrinking.lead_out(basins.node_a, basins.node_b, basins.key, starts, spill)
    place = np.append(basins.place, -1)[exit_pass]
    place[start[here]] = basins.open_place[exit_open[here]]
    over = np.flatnonzero(place >= 0)
    turn_cell, turn_way, _ = shrinking.own_sides(place[over], label, over - 1 + basins.outlets)
    end_of_group = np.full(nodes, -1, dtype=np.int64)
    end_of_group[node[leads]] = solved.end[closed][leads]
    end = np.where(basins.group > 0, end_of_group[np.maximum(basins.group, 0)], basins.end)
    shut = np.flatnonzero(end[1:] < 0) + 1
    end[shut] = basins.seed[shut - 1 + basins.outlets]
    end[node] = solved.end[closed]
    spills = np.full(basins.seed.size, LOWEST, dtype=np.int32)
    spills[basins.outlets :] = spill[1:]
    ends = np.concatenate([basins.seed[: basins.outlets], end[1:]])
    return SettledLabels(spills, ends, turn_cell, turn_way)


def shut_ends(basins: TileBasins, solved: SeenSolution) -> Ints:
    """Return the pits of groups for which the whole found no way out: each keeps its own water."""
    closed = basins.seen >= basins.outlets
    node = basins.seen[closed] - basins.outlets + 1
    shut = np.zeros(basins.group.size, dtype=np.bool_)
    shut[node[~solved.leads[closed]]] = True
    members = np.flatnonzero((basins.group > 0) & shut[np.maximum(basins.group, 0)])
    members = members[basins.group[members] != members]
    return basins.seed[members - 1 + basins.outlets]


def whole_cells(cell: Ints, tile: Tile, cols: int) -> Ints:
    """Turn framed cells of a tile into cells of the whole grid."""
    row, col = np.divmod(cell, tile.shape[1] + 2)
    return (row - 1 + tile.first_row) * cols + col - 1 + tile.first_col


def rim_cells(tile: Tile) -> Ints:
    """Return the framed numbers of a tile's outermost cells, line by line as ``outer_lines`` gives them."""
    rows, cols = tile.shape
    width = cols + 2
    row, col = np.arange(1, rows + 1) * width, np.arange(1, cols + 1)
    return np.concatenate([width + col, rows * width + col, row + 1, row + cols])


def framed_cells(cell: Ints, tile: Tile, cols: int) -> Ints:
    """Turn cells of the whole grid into framed cells of a tile."""
    row, col = np.divmod(cell, cols)
    return (row - tile.first_row + 1) * (tile.shape[1] + 2) + col - tile.first_col + 1


def whole_places(cell: Ints, way: Ints, cols: int) -> Ints:
    """Return the places of passes as the whole framed grid numbers them."""
    row, col = np.divmod(cell, cols)
    return ((row + 1) * (cols + 2) + col + 1) * 8 + way


def steps_in(cols: int) -> Ints:
    """Return the change of cell number in a grid of some columns for each code."""
    return np.append(ROW_STEP * cols + COL_STEP, np.zeros(5, dtype=np.int64))

"""The graph of basins over tiles: labels of each tile, the passes it needs to show, and the tree of the whole."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels import passes, seaming, tree
from catchscreen.terrain._kernels.directions import (
    COL_STEP,
    FORWARD,
    LOWEST,
    OPPOSITE,
    OUTLET,
    OVER_EDGE,
    PIT,
    ROW_STEP,
    VOID,
    WALL,
)
from catchscreen.terrain.routing import cells_with, follow_ends, in_strict_order, label_from, list_passes
from catchscreen.tiles import Seams, Tile, Tiling

Ints = NDArray[np.int64]
_EMPTY = np.empty(0, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class TileLabels:
    """Labels of one tile, by the seed that each cell's water first meets: outlets, pits, cells that leave."""

    label: NDArray[np.int32]
    seed: Ints
    outlets: int
    leaving: Ints


def label_tile(code: NDArray[np.uint8]) -> TileLabels:
    """Label a tile's cells by the outlet, the pit or the leaving cell that their water first meets."""
    outlets = cells_with(code, OUTLET)
    leaving = seaming.list_leaving(code)
    seed = np.concatenate([outlets, cells_with(code, PIT), leaving])
    return TileLabels(label_from(code, seed), seed, outlets.size, leaving)


@dataclass(slots=True)
class TiledGraph:
    """What all tiles show, and its solution.

    Every label of every tile has a number in the whole: the tile's first number + its label. cell : the seed's cell in
    the whole grid. way : its direction when it leaves, OUTLET or PIT else.
    """

    tiling: Tiling
    first: list[int] = field(default_factory=list)
    cells: list[Ints] = field(default_factory=list)
    ways: list[NDArray[np.uint8]] = field(default_factory=list)
    keys: list[NDArray[np.uint64]] = field(default_factory=list)
    places: list[Ints] = field(default_factory=list)
    ends: list[tuple[Ints, Ints]] = field(default_factory=list)
    count: int = 0

    def add(self, tile: Tile, level: NDArray[np.int32], code: NDArray[np.uint8], labels: TileLabels) -> Ints:
        """Take a tile's seeds and its own lowest passes; return (rows, cols) the numbers of its labels in the whole."""
        first = self.count
        self.first.append(first)
        self.count += labels.seed.size
        self.cells.append(whole_cells(labels.seed, tile, self.tiling.cols))
        self.ways.append(code.ravel()[labels.seed])
        self._add_passes(tile, level, labels, first)
        inner = labels.label[1:-1, 1:-1].astype(np.int64)
        return np.where(inner >= 0, inner + first, -1)

    def _add_passes(self, tile: Tile, level: NDArray[np.int32], labels: TileLabels, first: int) -> None:
        """Keep the passes of the tile's own spanning forest: the others are the highest of a ring and cannot matter."""
        fenced = level.copy()
        for line in (fenced[0], fenced[-1], fenced[:, 0], fenced[:, -1]):
            line[line != VOID] = WALL
        key, place = in_strict_order(*list_passes(fenced, labels.label, labels.outlets))
        node_a, node_b = np.empty(key.size, dtype=np.int32), np.empty(key.size, dtype=np.int32)
        passes.pass_nodes(place, labels.label, labels.outlets, node_a, node_b)
        chosen = tree.spanning_tree(node_a, node_b, labels.seed.size - labels.outlets + 1)
        key, place = key[chosen], place[chosen]
        cell, way = place >> 3, place & 7
        step = np.append((ROW_STEP * level.shape[1] + COL_STEP)[FORWARD.astype(np.int64)], 0)
        flat = labels.label.ravel().astype(np.int64)
        beyond = np.where(way == OVER_EDGE, -1, flat[cell + step[way]] + first)
        self.keys.append(key)
        self.places.append(whole_places(whole_cells(cell, tile, self.tiling.cols), way, self.tiling.cols))
        self.ends.append((flat[cell] + first, beyond))

    def add_seams(self, level: Seams, number: Seams) -> None:
        """Take the passes between cells of different tiles."""
        tiling = self.tiling
        for down in range(tiling.down - 1):
            last_row = (down + 1) * tiling.size - 1
            col = np.arange(tiling.cols)
            for shift, k in ((-1, 1), (0, 2), (1, 3)):
                use = col[(col + shift >= 0) & (col + shift < tiling.cols)]
                upper = (level.rows[1, down, use], number.rows[1, down, use])
                lower = (level.rows[0, down + 1, use + shift], number.rows[0, down + 1, use + shift])
                self._add_pairs(last_row * tiling.cols + use, k, upper, lower)
        for across in range(tiling.across - 1):
            left_col = (across + 1) * tiling.size - 1
            row = np.arange(tiling.rows)
            left = (level.cols[1, across], number.cols[1, across])
            right = (level.cols[0, across + 1], number.cols[0, across + 1])
            at = row * tiling.cols + left_col
            self._add_pairs(at, 0, left, right)
            self._add_pairs(at[:-1], 3, (left[0][:-1], left[1][:-1]), (right[0][1:], right[1][1:]))
            self._add_pairs(at[:-1] + 1, 1, (right[0][:-1], right[1][:-1]), (left[0][1:], left[1][1:]))

    def _add_pairs(self, cell: Ints, k: int, one: tuple[Ints, Ints], two: tuple[Ints, Ints]) -> None:
        """Take pairs of neighbouring cells, the first with the lower number, where both are on the ground."""
        use = (one[1] >= 0) & (two[1] >= 0)
        high = np.maximum(one[0][use], two[0][use]) - LOWEST
        low = np.minimum(one[0][use], two[0][use]) - LOWEST
        self.keys.append((high.astype(np.uint64) << np.uint64(32)) | low.astype(np.uint64))
        self.places.append(whole_places(cell[use], np.full(int(use.sum()), k), self.tiling.cols))
        self.ends.append((one[1][use], two[1][use]))

    def solve(self, number: Seams) -> TiledSolution:
        """Join the tiles' labels into basins, find the spanning tree and what follows from it."""
        cell, way = _joined(self.cells), np.concatenate([*self.ways, np.empty(0, dtype=np.uint8)])
        below = np.arange(cell.size)
        leaves = np.flatnonzero(way < OUTLET)
        below[leaves] = _at(number, cell[leaves] + _steps(self.tiling.cols)[way[leaves]], self.tiling.cols)
        end = below.copy()
        while not np.array_equal(end[end], end):
            end = end[end]
        pits = np.flatnonzero(way == PIT)
        pits = pits[np.argsort(cell[pits], kind="stable")]
        node_of = np.zeros(cell.size + 1, dtype=np.int32)
        node_of[pits] = np.arange(1, pits.size + 1, dtype=np.int32)
        end = np.append(end, cell.size)
        return self._tree(cell, way, below, end, node_of, pits)

    def _tree(
        self, cell: Ints, way: NDArray[np.uint8], below: Ints, end: Ints, node_of: NDArray[np.int32], pits: Ints
    ) -> TiledSolution:
        """Find the spanning tree over the joined basins."""
        one, two = (end[_joined([pair[side] for pair in self.ends])] for side in (0, 1))
        raw_one, raw_two = (_joined([pair[side] for pair in self.ends]) for side in (0, 1))
        key, place = np.concatenate([*self.keys, np.empty(0, dtype=np.uint64)]), _joined(self.places)
        use = np.flatnonzero(node_of[one] != node_of[two])
        use = use[np.lexsort((place[use], key[use]))]
        node_a, node_b = node_of[one[use]], node_of[two[use]]
        chosen = tree.spanning_tree(node_a, node_b, pits.size + 1)
        use, node_a, node_b = use[chosen], node_a[chosen], node_b[chosen]
        spill_of_node, exit_pass, _ = tree.spill_from_outside(node_a, node_b, key[use], pits.size + 1)
        leads = exit_pass[1:]
        has_exit = leads >= 0
        at = use[leads[has_exit]]
        own = np.flatnonzero(has_exit)
        first_is_own = node_a[leads[has_exit]] == own + 1
        return TiledSolution(
            cell=cell,
            way=way,
            below=below,
            spill=spill_of_node[node_of[end[:-1]]],
            end=end[:-1],
            pits=pits,
            own=own,
            place=place[at],
            first_is_own=first_is_own,
            own_number=np.where(first_is_own, raw_one[at], raw_two[at]),
            other_end=np.where(first_is_own, two[at], one[at]),
        )


@dataclass(frozen=True, slots=True)
class TiledSolution:
    """The solved graph. By label number: cell, way, below (next label), end (its outlet or pit), spill level.

    By pit with a way out (``own``, places in ``pits``): place of its pass, whether the pass's first cell is its own,
    the label number on its own side, the end label on the other side (the number of labels for off the data).
    """

    cell: Ints
    way: NDArray[np.uint8]
    below: Ints
    spill: NDArray[np.int32]
    end: Ints
    pits: Ints
    own: Ints
    place: Ints
    first_is_own: NDArray[np.bool_]
    own_number: Ints
    other_end: Ints

    def exits(self, cols: int) -> tuple[Ints, NDArray[np.uint8]]:
        """Return the cell by which each such pit's water goes over its pass, and the direction there."""
        framed, k = self.place >> 3, self.place & 7
        cell = (framed // (cols + 2) - 1) * cols + framed % (cols + 2) - 1
        way = np.append(FORWARD, np.uint8(OUTLET))[k]
        beyond = cell + _steps(cols)[way]
        return np.where(self.first_is_own, cell, beyond), np.where(self.first_is_own, way, OPPOSITE[way]).astype(
            np.uint8
        )

    def basins(self, cols: int) -> tuple[Ints, Ints]:
        """Return the final basin of every label, and each basin's outlet cell in row order."""
        off = self.cell.size
        end_cell = self.cell.copy()
        exit_cell, _ = self.exits(cols)
        pit = self.pits[self.own]
        direct = self.other_end == off
        end_cell[pit[direct]] = exit_cell[direct]
        ends_at = np.arange(off)
        follow_ends(ends_at, pit, np.where(direct, -1, self.other_end))
        final = ends_at[self.end]
        used = np.unique(final)
        by_row = np.argsort(end_cell[used], kind="stable")
        rank = np.zeros(off, dtype=np.int64)
        rank[used[by_row]] = np.arange(used.size)
        return rank[final], end_cell[used][by_row]

    def reversals(self, cols: int) -> tuple[Ints, NDArray[np.uint8]]:
        """Return where ways are turned round in each tile: the first cell there and its new direction."""
        cell, way = self.exits(cols)
        number = self.own_number
        all_cells, all_ways = [cell], [way]
        while number.size:
            goes_on = self.way[number] < OUTLET
            number = number[goes_on]
            left = self.way[number]
            all_cells.append(self.cell[number] + _steps(cols)[left])
            all_ways.append(OPPOSITE[left])
            number = self.below[number]
        return _joined(all_cells), np.concatenate(all_ways)


def whole_cells(cell: Ints, tile: Tile, cols: int) -> Ints:
    """Turn framed cells of a tile into cells of the whole grid."""
    row, col = np.divmod(cell, tile.shape[1] + 2)
    return (row - 1 + tile.first_row) * cols + col - 1 + tile.first_col


def whole_places(cell: Ints, way: Ints, cols: int) -> Ints:
    """Return the places of passes as the whole framed grid numbers them."""
    row, col = np.divmod(cell, cols)
    return ((row + 1) * (cols + 2) + col + 1) * 8 + way


def _steps(cols: int) -> Ints:
    """Return the change of cell number in the whole grid for each code."""
    return np.append(ROW_STEP * cols + COL_STEP, np.zeros(5, dtype=np.int64))


def _at(seams: Seams, cell: Ints, cols: int) -> Ints:
    """Return what the seams keep of some cells."""
    row, col = np.divmod(cell, cols)
    return seams.at(row, col)


def _joined(parts: list[Ints]) -> Ints:
    """Return arrays one after the other; none is fine."""
    return np.concatenate([*parts, _EMPTY])

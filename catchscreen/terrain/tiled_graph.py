"""The graph of basins over tiles: what all tiles show, solved once for the whole."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels.directions import FORWARD, LOWEST, OPPOSITE, OUTLET, PIT
from catchscreen.terrain.routing import choose_passes, follow_ends, joined_ends, spill_from_outside
from catchscreen.terrain.tiled_basins import SeenSolution, TileShow, steps_in, whole_places
from catchscreen.tiles import Seams, Tile, Tiling, seam_pairs

Ints = NDArray[np.int64]
_EMPTY = np.empty(0, dtype=np.int64)


@dataclass(slots=True)
class TiledGraph:
    """What all tiles show.

    Every seen label of every tile has a number: the tile's first number + its place among the tile's seen labels; so
    has the outside at the end of each open pass that leads there. cells : the label's cell in the whole grid. ways :
    its direction when it leaves the tile, OUTLET or PIT else. opens : for each pass the tile's number of an open pass,
    -1 on a seam.
    """

    tiling: Tiling
    numbers: Seams
    first: list[int] = field(default_factory=list)
    cells: list[Ints] = field(default_factory=list)
    ways: list[NDArray[np.uint8]] = field(default_factory=list)
    keys: list[NDArray[np.uint64]] = field(default_factory=list)
    places: list[Ints] = field(default_factory=list)
    ends: list[tuple[Ints, Ints]] = field(default_factory=list)
    opens: list[Ints] = field(default_factory=list)
    count: int = 0

    def add(self, tile: Tile, show: TileShow) -> None:
        """Take what a tile shows."""
        first = self.count
        self.first.append(first)
        outside = np.flatnonzero(show.outside >= 0)
        number_of_outside = np.full(show.outside.size, -1, dtype=np.int64)
        number_of_outside[outside] = first + show.seen_cell.size + np.arange(outside.size)
        self.count += show.seen_cell.size + outside.size
        self.cells += [show.seen_cell, show.outside[outside]]
        self.ways += [show.seen_way, np.full(outside.size, OUTLET, dtype=np.uint8)]
        one, two = (np.where(side >= 0, side + first, number_of_outside) for side in show.ends)
        self.keys.append(show.key)
        self.places.append(show.place)
        self.ends.append((one, two))
        self.opens.append(np.arange(show.key.size))
        self.numbers.put_lines(tile, [np.where(line >= 0, line + first, -1) for line in show.lines])

    def add_seams(self, level: Seams) -> None:
        """Take the lowest pass between each two labels that meet over a seam."""
        for pairs in seam_pairs(self.tiling):
            one = self.numbers.at(pairs.row, pairs.col)
            two = self.numbers.at(pairs.other_row, pairs.other_col)
            use = np.flatnonzero((one >= 0) & (two >= 0))
            here = level.at(pairs.row[use], pairs.col[use]).astype(np.int64)
            there = level.at(pairs.other_row[use], pairs.other_col[use]).astype(np.int64)
            high, low = np.maximum(here, there) - LOWEST, np.minimum(here, there) - LOWEST
            key = (high.astype(np.uint64) << np.uint64(32)) | low.astype(np.uint64)
            cell = pairs.row[use] * self.tiling.cols + pairs.col[use]
            one, two = one[use], two[use]
            order = np.lexsort((cell, key, np.maximum(one, two), np.minimum(one, two)))
            one, two = one[order], two[order]
            is_first = np.ones(one.size, dtype=np.bool_)
            is_first[1:] = (np.minimum(one, two)[1:] != np.minimum(one, two)[:-1]) | (
                np.maximum(one, two)[1:] != np.maximum(one, two)[:-1]
            )
            self.keys.append(key[order][is_first])
            way = np.full(int(is_first.sum()), pairs.way)
            self.places.append(whole_places(cell[order][is_first], way, self.tiling.cols))
            self.ends.append((one[is_first], two[is_first]))
            self.opens.append(np.full(way.size, -1, dtype=np.int64))

    def solve(self) -> TiledSolution:
        """Join the tiles' labels into basins, find the spanning tree and what follows from it."""
        cell, way = _joined(self.cells), np.concatenate([*self.ways, np.empty(0, dtype=np.uint8)])
        below = np.arange(cell.size)
        leaves = np.flatnonzero(way < OUTLET)
        row, col = np.divmod(cell[leaves] + steps_in(self.tiling.cols)[way[leaves]], self.tiling.cols)
        below[leaves] = self.numbers.at(row, col)
        end = below.copy()
        while not np.array_equal(end[end], end):
            end = end[end]
        return self._tree(cell, way, below, end)

    def _tree(self, cell: Ints, way: NDArray[np.uint8], below: Ints, end: Ints) -> TiledSolution:
        """Find the spanning tree over the joined basins."""
        pits = np.flatnonzero(way == PIT)
        node_of = np.zeros(cell.size, dtype=np.int32)
        node_of[pits] = np.arange(1, pits.size + 1, dtype=np.int32)
        raw = [_joined([pair[side] for pair in self.ends]) for side in (0, 1)]
        one, two = end[raw[0]], end[raw[1]]
        key, place = np.concatenate([*self.keys, np.empty(0, dtype=np.uint64)]), _joined(self.places)
        use = np.flatnonzero(node_of[one] != node_of[two])
        use = use[np.lexsort((place[use], key[use]))]
        node_a, node_b = node_of[one[use]], node_of[two[use]]
        chosen = choose_passes(joined_ends(node_a, node_b), pits.size + 1)
        use, node_a, node_b = use[chosen], node_a[chosen], node_b[chosen]
        spill_of_node, exit_pass, _ = spill_from_outside(node_a, node_b, key[use], pits.size + 1)
        leads = exit_pass[1:]
        own = np.flatnonzero(leads >= 0)
        at = use[leads[own]]
        first_is_own = node_a[leads[own]] == own + 1
        ends_at = np.arange(cell.size)
        next_label = np.full(pits.size, -1, dtype=np.int64)
        next_label[own] = np.where(first_is_own, two[at], one[at])
        follow_ends(ends_at, pits, next_label)
        has_exit = np.ones(cell.size, dtype=np.bool_)
        has_exit[pits] = leads >= 0
        return TiledSolution(
            first=np.append(np.array(self.first, dtype=np.int64), cell.size),
            cell=cell,
            way=way,
            below=below,
            spill=spill_of_node[node_of[end]],
            end_cell=cell[ends_at[end]],
            leads=has_exit[end],
            exit_place=place[at],
            exit_open=_joined(self.opens)[at],
            exit_number=np.where(first_is_own, raw[0][at], raw[1][at]),
            first_is_own=first_is_own,
            chosen=use,
        )


@dataclass(frozen=True, slots=True)
class TiledSolution:
    """The solved graph.

    By number: cell, way, below (the next number), spill level, the cell by which the water leaves, whether there is a
    way out. By exit pass: its place in the whole framed grid, the tile's number of it or -1 on a seam, the number on
    the side that the water comes from, whether that is its first side. first : each tile's first number. chosen : the
    passes of the tree, as the graph lists them.
    """

    first: Ints
    cell: Ints
    way: NDArray[np.uint8]
    below: Ints
    spill: NDArray[np.int32]
    end_cell: Ints
    leads: NDArray[np.bool_]
    exit_place: Ints
    exit_open: Ints
    exit_number: Ints
    first_is_own: NDArray[np.bool_]
    chosen: Ints

    def for_tiles(self) -> tuple[Ints, NDArray[np.bool_]]:
        """Return by number the open pass by which its group leaves, -1 for none; whether from its first side."""
        exit_open = np.full(self.cell.size, -1, dtype=np.int64)
        from_first = np.zeros(self.cell.size, dtype=np.bool_)
        exit_open[self.exit_number] = self.exit_open
        from_first[self.exit_number] = self.first_is_own
        return exit_open, from_first

    def for_tile(self, number: int, exits: tuple[Ints, NDArray[np.bool_]], seen: int) -> SeenSolution:
        """Return what a tile is told about its seen labels."""
        own = slice(int(self.first[number]), int(self.first[number]) + seen)
        return SeenSolution(self.spill[own], self.end_cell[own], self.leads[own], exits[0][own], exits[1][own])

    def reversals(self, cols: int) -> tuple[Ints, NDArray[np.uint8]]:
        """Return where ways are turned round in each tile: the first cell there and its new direction.

        A group that leaves by an open pass of its own tile starts there by what the tile knows.
        """
        seam = self.exit_open < 0
        framed, k = self.exit_place[seam] >> 3, self.exit_place[seam] & 7
        cell = (framed // (cols + 2) - 1) * cols + framed % (cols + 2) - 1
        way = FORWARD[k]
        own = self.first_is_own[seam]
        all_cells = [np.where(own, cell, cell + steps_in(cols)[way])]
        all_ways = [np.where(own, way, OPPOSITE[way]).astype(np.uint8)]
        number = self.exit_number
        while number.size:
            number = number[self.way[number] < OUTLET]
            left = self.way[number]
            all_cells.append(self.cell[number] + steps_in(cols)[left])
            all_ways.append(OPPOSITE[left])
            number = self.below[number]
        return _joined(all_cells), np.concatenate(all_ways)


def _joined(parts: list[Ints]) -> Ints:
    """Return arrays one after the other; none is fine."""
    return np.concatenate([*parts, _EMPTY])

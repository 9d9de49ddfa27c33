"""The graph of basins over tiles: what all tiles show, solved once for the whole."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels.directions import FORWARD, LOWEST, OPPOSITE, OUTLET, PIT
from catchscreen.terrain.listed_passes import choose_passes, joined_ends
from catchscreen.terrain.routing import follow_ends, spill_from_outside
from catchscreen.terrain.tiled_basins import SeenSolution, TileShow, steps_in, whole_places
from catchscreen.tiles import Seams, Tile, Tiling, seam_pairs

Ints = NDArray[np.int64]
Pairs = tuple[NDArray[np.int32], NDArray[np.int32]]
_EMPTY = np.empty(0, dtype=np.int64)
_NONE = np.empty(0, dtype=np.int32)


class TiledGraph:
    """What all tiles show.

    Every seen label of every tile has a number: the tile's first number + its place among the tile's seen labels; so
    has the outside at the end of each open pass that leads there. cells : the label's cell in the whole grid. ways :
    its direction when it leaves the tile, OUTLET or PIT else. keys, places, ends : of the open passes, tile by tile,
    and then of the passes over seams.
    """

    def __init__(self, tiling: Tiling) -> None:
        count = tiling.down * tiling.across
        self.tiling = tiling
        self.numbers = Seams(tiling, -1, np.int32)
        self.first = np.zeros(count, dtype=np.int64)
        self.cells: list[Ints] = []
        self.ways: list[NDArray[np.uint8]] = []
        self.keys: list[NDArray[np.uint64]] = [np.empty(0, dtype=np.uint64)] * count
        self.places: list[Ints] = [_EMPTY] * count
        self.ends: list[Pairs] = [(_NONE, _NONE)] * count
        self.count = 0

    def add(self, tile: Tile, show: TileShow) -> None:
        """Take what a tile shows."""
        number = self.tiling.place_of(tile)
        first = self.count
        self.first[number] = first
        outside = np.flatnonzero(show.outside >= 0)
        number_of_outside = np.full(show.outside.size, -1, dtype=np.int64)
        number_of_outside[outside] = first + show.seen_cell.size + np.arange(outside.size)
        self.count += show.seen_cell.size + outside.size
        self.cells += [show.seen_cell, show.outside[outside]]
        self.ways += [show.seen_way, np.full(outside.size, OUTLET, dtype=np.uint8)]
        one, two = (np.where(side >= 0, side + first, number_of_outside).astype(np.int32) for side in show.ends)
        self.keys[number], self.places[number], self.ends[number] = show.key, show.place, (one, two)
        self.numbers.put_lines(tile, [np.where(line >= 0, line + first, -1) for line in show.lines])

    def _add_seams(self, level: Seams, node: NDArray[np.int32]) -> None:
        """Take the lowest pass between each two basins that meet over a seam; node : the basin of each number."""
        for pairs in seam_pairs(self.tiling):
            one = self.numbers.at(pairs.row, pairs.col)
            two = self.numbers.at(pairs.other_row, pairs.other_col)
            use = np.flatnonzero((one >= 0) & (two >= 0))
            use = use[node[one[use]] != node[two[use]]]
            one, two = one[use], two[use]
            here = level.at(pairs.row[use], pairs.col[use]).astype(np.int64)
            there = level.at(pairs.other_row[use], pairs.other_col[use]).astype(np.int64)
            high, low = np.maximum(here, there) - LOWEST, np.minimum(here, there) - LOWEST
            key = (high.astype(np.uint64) << np.uint64(32)) | low.astype(np.uint64)
            cell = pairs.row[use] * self.tiling.cols + pairs.col[use]
            lesser, greater = np.minimum(node[one], node[two]), np.maximum(node[one], node[two])
            order = np.lexsort((cell, key, greater, lesser))
            lesser, greater = lesser[order], greater[order]
            is_first = np.append(True, (lesser[1:] != lesser[:-1]) | (greater[1:] != greater[:-1]))[: order.size]
            kept = order[is_first]
            self.keys.append(key[kept])
            self.places.append(whole_places(cell[kept], np.full(kept.size, pairs.way), self.tiling.cols))
            self.ends.append((one[kept], two[kept]))

    def solve(self, level: Seams) -> TiledSolution:
        """Join the tiles' labels into basins, find the spanning tree and what follows from it."""
        cell, way = np.concatenate(self.cells), np.concatenate(self.ways)
        self.cells, self.ways = [], []
        below = np.arange(cell.size, dtype=np.int32)
        leaves = np.flatnonzero(way < OUTLET)
        row, col = np.divmod(cell[leaves] + steps_in(self.tiling.cols)[way[leaves]], self.tiling.cols)
        below[leaves] = self.numbers.at(row, col)
        end = below.copy()
        while not np.array_equal(end[end], end):
            end = end[end]
        pits = np.flatnonzero(way == PIT)
        node_of = np.zeros(cell.size, dtype=np.int32)
        node_of[pits] = np.arange(1, pits.size + 1, dtype=np.int32)
        self._add_seams(level, node_of[end])
        return self._tree((cell, way, below, end), pits, node_of)

    def forget(self) -> None:
        """Let go of the passes, which only hollows need once the whole is solved."""
        self.keys, self.places, self.ends = [], [], []

    def _joining(self, node: NDArray[np.int32]) -> tuple[Ints, NDArray[np.uint64], Ints, Pairs]:
        """Return the passes between different basins: number in the lists one after the other, key, place, ends."""
        at = 0
        numbers, keys, places, ones, twos = [], [], [], [], []
        for key, place, (one, two) in zip(self.keys, self.places, self.ends, strict=True):
            use = np.flatnonzero(node[one] != node[two])
            numbers.append(use + at)
            keys.append(key[use])
            places.append(place[use])
            ones.append(one[use])
            twos.append(two[use])
            at += key.size
        return (
            np.concatenate(numbers),
            np.concatenate(keys),
            np.concatenate(places),
            (np.concatenate(ones), np.concatenate(twos)),
        )

    def _tree(
        self,
        known: tuple[Ints, NDArray[np.uint8], NDArray[np.int32], NDArray[np.int32]],
        pits: Ints,
        node_of: NDArray[np.int32],
    ) -> TiledSolution:
        """Find the spanning tree over the joined basins."""
        cell, way, below, end = known
        number, key, place, raw = self._joining(node_of[end])
        order = np.lexsort((place, key))
        node_a, node_b = (node_of[end[side[order]]] for side in raw)
        chosen = choose_passes(joined_ends(node_a, node_b), pits.size + 1)
        use, node_a, node_b = order[chosen], node_a[chosen], node_b[chosen]
        spill_of_node, exit_pass, _ = spill_from_outside(node_a, node_b, key[use], pits.size + 1)
        leads = exit_pass[1:]
        own = np.flatnonzero(leads >= 0)
        at = use[leads[own]]
        first_is_own = node_a[leads[own]] == own + 1
        ends_at = np.arange(cell.size)
        next_label = np.full(pits.size, -1, dtype=np.int64)
        next_label[own] = end[np.where(first_is_own, raw[1][at], raw[0][at])]
        follow_ends(ends_at, pits, next_label)
        has_exit = np.ones(cell.size, dtype=np.bool_)
        has_exit[pits] = leads >= 0
        bounds = np.append(0, np.cumsum([keys.size for keys in self.keys[: self.first.size]]))
        tile = np.searchsorted(bounds, number[at], side="right") - 1
        return TiledSolution(
            first=self.first,
            cell=cell,
            way=way,
            below=below,
            spill=spill_of_node[node_of[end]],
            end_cell=cell[ends_at[end]],
            leads=has_exit[end],
            exit_place=place[at],
            exit_open=np.where(tile < self.first.size, number[at] - bounds[tile], -1),
            exit_number=np.where(first_is_own, raw[0][at], raw[1][at]).astype(np.int64),
            first_is_own=first_is_own,
            chosen=number[use],
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
    below: NDArray[np.int32]
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
        number: NDArray[Any] = self.exit_number
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

"""The graph of basins over tiles: what all tiles show, solved once for the whole.

What tiles show is kept in the work folder and read tile by tile. In memory is, of each label on a border, which label
lies below it and where its water gathers (about 10 bytes, and as much again for a moment), and of each basin that
several tiles see one pass, and a quarter more while they are chosen.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels.directions import FORWARD, LOWEST, OPPOSITE, OUTLET, PIT
from catchscreen.terrain.listed_passes import choose_passes, joined_ends
from catchscreen.terrain.routing import follow_ends, spill_from_outside
from catchscreen.terrain.tiled_basins import SeenSolution, TileShow, steps_in, whole_places
from catchscreen.tiles import Room, Seams, Tile, Tiling, seam_pairs

Ints = NDArray[np.int64]
Numbers = NDArray[np.int32]
Pairs = tuple[Numbers, Numbers]
Listed = tuple[NDArray[np.uint64], Ints, Numbers, Numbers, Ints]
"""Key, place, number on both sides, and number in the lists of all passes, one array each."""

_SHOWN: Final = "shown"
_WORTH_THINNING: Final = 1 << 16
_EMPTY = np.empty(0, dtype=np.int64)
_NONE = np.empty(0, dtype=np.int32)


class TiledGraph:
    """What all tiles show.

    Every seen label of every tile has a number: the tile's first number + its place among the tile's seen labels; so
    has the outside at the end of each open pass that leads there. keys, places, ends : where they are to be kept, of
    the open passes, tile by tile, and then of the passes over seams.
    """

    def __init__(self, tiling: Tiling, room: Room, *, keep: bool) -> None:
        count = tiling.down * tiling.across
        self.tiling = tiling
        self.room = room
        self.keep = keep
        self.numbers = room.make_seams("numbers", tiling, -1, np.int32)
        self.first = np.zeros(count, dtype=np.int64)
        self.order: list[Tile] = []
        self.listed = np.zeros(count, dtype=np.int64)
        kept = count if keep else 0
        self.keys: list[NDArray[np.uint64]] = [np.empty(0, dtype=np.uint64)] * kept
        self.places: list[Ints] = [_EMPTY] * kept
        self.ends: list[Pairs] = [(_NONE, _NONE)] * kept
        self.count = 0

    def add(self, tile: Tile, show: TileShow) -> None:
        """Take what a tile shows."""
        number = self.tiling.place_of(tile)
        first = self.count
        self.first[number] = first
        self.listed[number] = show.key.size
        self.order.append(tile)
        outside = np.flatnonzero(show.outside >= 0)
        number_of_outside = np.full(show.outside.size, -1, dtype=np.int64)
        number_of_outside[outside] = first + show.seen_cell.size + np.arange(outside.size)
        self.count += show.seen_cell.size + outside.size
        cell = np.concatenate([show.seen_cell, show.outside[outside]])
        way = np.concatenate([show.seen_way, np.full(outside.size, OUTLET, dtype=np.uint8)])
        one, two = (np.where(side >= 0, side + first, number_of_outside).astype(np.int32) for side in show.ends)
        self.room.keep(_SHOWN, tile, (cell, way, show.key, show.place, one, two))
        if self.keep:
            self.keys[number], self.places[number], self.ends[number] = show.key, show.place, (one, two)
        self.numbers.put_lines(tile, [np.where(line >= 0, line + first, -1) for line in show.lines])

    def solve(self, level: Seams) -> TiledSolution:
        """Join the tiles' labels into basins, find the spanning tree and what follows from it."""
        cell, way, below = self._labels()
        gathers = below.copy()
        while not np.array_equal(gathers[gathers], gathers):
            gathers = gathers[gathers]
        ends = way >= OUTLET
        gathers = np.cumsum(ends, dtype=np.int32)[gathers] - np.int32(1)
        pits = np.flatnonzero(way[ends] == PIT)
        node = np.zeros(cell.size, dtype=np.int32)
        node[pits] = np.arange(1, pits.size + 1, dtype=np.int32)
        key, place, one, two, listed = self._tree(level, gathers, node)
        node_a, node_b = node[gathers[one]], node[gathers[two]]
        spill_of_node, exit_pass, _ = spill_from_outside(node_a, node_b, key, pits.size + 1)
        own = np.flatnonzero(exit_pass[1:] >= 0)
        at = exit_pass[1:][own]
        first_is_own = node_a[at] == own + 1
        next_end = np.full(pits.size, -1, dtype=np.int64)
        next_end[own] = gathers[np.where(first_is_own, two[at], one[at])]
        ends_at = np.arange(cell.size)
        follow_ends(ends_at, pits, next_end)
        leads = np.ones(cell.size, dtype=np.bool_)
        leads[pits] = exit_pass[1:] >= 0
        tile, number = self._tile_of(listed[at])
        exits = np.where(first_is_own, one[at], two[at]).astype(np.int64)
        by_number = np.argsort(exits, kind="stable")
        return TiledSolution(
            first=self.first,
            way=way,
            below=below,
            gathers=gathers,
            spill=spill_of_node[node],
            end_cell=cell[ends_at],
            leads=leads,
            exit_place=place[at][by_number],
            exit_open=np.where(tile >= 0, number, -1)[by_number],
            exit_number=exits[by_number],
            first_is_own=first_is_own[by_number],
            cell=self._cells() if self.keep else _EMPTY,
            chosen=listed if self.keep else _EMPTY,
        )

    def forget(self) -> None:
        """Let go of what only the solving needs."""
        self.numbers.remove()
        for tile in self.order:
            self.room.drop(_SHOWN, tile)

    def _labels(self) -> tuple[Ints, NDArray[np.uint8], Numbers]:
        """Return the cells where ways end, by their order; the direction and the number below of each number."""
        way = np.empty(self.count, dtype=np.uint8)
        below = np.arange(self.count, dtype=np.int32)
        cells = []
        steps = steps_in(self.tiling.cols)
        for tile in self.order:
            cell, own_way, *_ = self.room.fetch(_SHOWN, tile)
            first = int(self.first[self.tiling.place_of(tile)])
            way[first : first + cell.size] = own_way
            cells.append(cell[own_way >= OUTLET])
            leaves = np.flatnonzero(own_way < OUTLET)
            row, col = np.divmod(cell[leaves] + steps[own_way[leaves]], self.tiling.cols)
            below[first + leaves] = self.numbers.at(row, col)
        return np.concatenate([*cells, _EMPTY]), way, below

    def _cells(self) -> Ints:
        """Return the cell of each number in the whole grid."""
        return np.concatenate([*(self.room.fetch(_SHOWN, tile)[0] for tile in self.order), _EMPTY])

    def cells_of(self, number: Ints) -> Ints:
        """Return the cells of some numbers in the whole grid."""
        found = np.empty(number.size, dtype=np.int64)
        order = np.argsort(number, kind="stable")
        first = self.first[[self.tiling.place_of(tile) for tile in self.order]]
        bounds = np.append(np.searchsorted(number[order], first), number.size)
        for place, tile in enumerate(self.order):
            here = order[bounds[place] : bounds[place + 1]]
            if here.size:
                found[here] = self.room.fetch(_SHOWN, tile)[0][number[here] - first[place]]
        return found

    def _tile_of(self, listed: Ints) -> tuple[Ints, Ints]:
        """Return the tile that showed each of some listed passes, -1 for a seam, and which of the tile's it is."""
        bounds = np.append(0, np.cumsum(self.listed))
        tile = np.searchsorted(bounds, listed, side="right") - 1
        number = listed - bounds[tile]
        tile[tile == self.listed.size] = -1
        return tile, number

    def _tree(self, level: Seams, gathers: Numbers, node: Numbers) -> Listed:
        """Return the passes of the spanning tree, in strict order; node : of the labels where ways end."""
        thinned = _Thinned(gathers, node)
        start = np.append(0, np.cumsum(self.listed))
        for place, tile in enumerate(self.tiling):
            _, _, key, where, one, two = self.room.fetch(_SHOWN, tile)
            thinned.add((key, where, one, two, start[place] + np.arange(key.size)))
        listed = int(start[-1])
        for key, where, one, two in self._over_seams(level, gathers, node):
            thinned.add((key, where, one, two, listed + np.arange(key.size)))
            listed += key.size
            if self.keep:
                self.keys.append(key)
                self.places.append(where)
                self.ends.append((one, two))
        return thinned.passes()

    def _over_seams(
        self, level: Seams, gathers: Numbers, node: Numbers
    ) -> Iterator[tuple[NDArray[np.uint64], Ints, Numbers, Numbers]]:
        """Go through the seams with the lowest pass between each two basins that meet there."""
        for pairs in seam_pairs(self.tiling):
            one = self.numbers.at(pairs.row, pairs.col)
            two = self.numbers.at(pairs.other_row, pairs.other_col)
            use = np.flatnonzero((one >= 0) & (two >= 0))
            use = use[node[gathers[one[use]]] != node[gathers[two[use]]]]
            one, two = one[use], two[use]
            here = level.at(pairs.row[use], pairs.col[use]).astype(np.int64)
            there = level.at(pairs.other_row[use], pairs.other_col[use]).astype(np.int64)
            high, low = np.maximum(here, there) - LOWEST, np.minimum(here, there) - LOWEST
            key = (high.astype(np.uint64) << np.uint64(32)) | low.astype(np.uint64)
            cell = pairs.row[use] * self.tiling.cols + pairs.col[use]
            node_a, node_b = node[gathers[one]], node[gathers[two]]
            lesser, greater = np.minimum(node_a, node_b), np.maximum(node_a, node_b)
            order = np.lexsort((cell, key, greater, lesser))
            lesser, greater = lesser[order], greater[order]
            is_first = np.append(True, (lesser[1:] != lesser[:-1]) | (greater[1:] != greater[:-1]))[: order.size]
            kept = order[is_first]
            place = whole_places(cell[kept], np.full(kept.size, pairs.way), self.tiling.cols)
            yield key[kept], place, one[kept], two[kept]


class _Thinned:
    """Passes as they come in; of time to time only those that their own spanning forest needs are kept."""

    def __init__(self, gathers: Numbers, node: Numbers) -> None:
        self.gathers = gathers
        self.node = node
        self.nodes = int(node.max(initial=0)) + 1
        self.waiting: list[Listed] = []
        self.size = 0
        self.limit = _WORTH_THINNING

    def add(self, passes: Listed) -> None:
        """Take some passes."""
        use = np.flatnonzero(self.node[self.gathers[passes[2]]] != self.node[self.gathers[passes[3]]])
        self.waiting.append((passes[0][use], passes[1][use], passes[2][use], passes[3][use], passes[4][use]))
        self.size += use.size
        if self.size > self.limit:
            self._thin()

    def _thin(self) -> None:
        """Put the passes in strict order and keep those of the spanning forest."""
        lists = list(zip(*self.waiting, strict=True))
        self.waiting = []
        key, place = np.concatenate(lists[0]), np.concatenate(lists[1])
        order = np.lexsort((place, key))
        one, two, listed = (np.concatenate(part) for part in lists[2:])
        node_a, node_b = (self.node[self.gathers[side[order]]] for side in (one, two))
        use = order[choose_passes(joined_ends(node_a, node_b), self.nodes)]
        self.waiting = [(key[use], place[use], one[use], two[use], listed[use])]
        self.size = use.size
        self.limit = use.size + max(use.size // 4, _WORTH_THINNING)

    def passes(self) -> Listed:
        """Return the passes of the spanning tree, in strict order."""
        if not self.waiting:
            return np.empty(0, dtype=np.uint64), _EMPTY, _NONE, _NONE, _EMPTY
        self._thin()
        return self.waiting[0]


@dataclass(frozen=True, slots=True)
class TiledSolution:
    """The solved graph.

    By number: way, below (the next number), gathers (which of the labels where ways end its water comes to). By these
    labels: spill level, the cell by which the water leaves, whether there is a way out. By exit pass: its place in the
    whole framed grid, the tile's number of it or -1 on a seam, the number on the side that the water comes from,
    ascending, whether that is its first side. first : each tile's first number. Where the graph was to be kept: cell,
    by number; chosen, the passes of the tree, as the graph lists them.
    """

    first: Ints
    way: NDArray[np.uint8]
    below: Numbers
    gathers: Numbers
    spill: Numbers
    end_cell: Ints
    leads: NDArray[np.bool_]
    exit_place: Ints
    exit_open: Ints
    exit_number: Ints
    first_is_own: NDArray[np.bool_]
    cell: Ints
    chosen: Ints

    def for_tile(self, number: int, seen: int) -> SeenSolution:
        """Return what a tile is told about its seen labels."""
        first = int(self.first[number])
        at = self.gathers[first : first + seen]
        exits = slice(*np.searchsorted(self.exit_number, [first, first + seen]))
        own = self.exit_number[exits] - first
        exit_open, from_first = np.full(seen, -1, dtype=np.int64), np.zeros(seen, dtype=np.bool_)
        exit_open[own], from_first[own] = self.exit_open[exits], self.first_is_own[exits]
        return SeenSolution(self.spill[at], self.end_cell[at], self.leads[at], exit_open, from_first)

    def without_ways(self) -> TiledSolution:
        """Return it without what only turning ways round needs."""
        return replace(self, way=np.empty(0, dtype=np.uint8), below=_NONE, exit_place=_EMPTY)

    def reversals(self, graph: TiledGraph) -> tuple[Ints, NDArray[np.uint8]]:
        """Return where ways are turned round in each tile: the first cell there and its new direction.

        A group that leaves by an open pass of its own tile starts there by what the tile knows.
        """
        cols = graph.tiling.cols
        seam = self.exit_open < 0
        framed, k = self.exit_place[seam] >> 3, self.exit_place[seam] & 7
        cell = (framed // (cols + 2) - 1) * cols + framed % (cols + 2) - 1
        way = FORWARD[k]
        own = self.first_is_own[seam]
        starts = np.where(own, cell, cell + steps_in(cols)[way])
        ways = [np.where(own, way, OPPOSITE[way]).astype(np.uint8)]
        number, numbers = self.exit_number, [_EMPTY]
        while number.size:
            number = number[self.way[number] < OUTLET]
            numbers.append(number)
            ways.append(OPPOSITE[self.way[number]])
            number = self.below[number].astype(np.int64)
        passed = np.concatenate(numbers)
        leaving = graph.cells_of(passed) + steps_in(cols)[self.way[passed]]
        return np.concatenate([starts, leaving]), np.concatenate(ways)

"""Routing over tiles, out of core: the same kernels, the same result as for the whole grid, memory bounded by the tile.

References
----------
Barnes, R. (2016). Parallel priority-flood depression filling for trillion cell digital elevation models on desktops or
clusters. Computers & Geosciences 96, 56-68.
Barnes, R. (2017). Parallel non-divergent flow accumulation for trillion cell digital elevation models on desktops or
clusters. Environmental Modelling & Software 92, 202-212.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels import seaming
from catchscreen.terrain._kernels.directions import NO_GROUND, OUTLET, PIT, VOID
from catchscreen.terrain.strips import strip_rows
from catchscreen.terrain.tiled_basins import (
    TileBasins,
    TileShow,
    framed_cells,
    reduce_tile,
    rim_cells,
    settle_tile,
    shut_ends,
    steps_in,
    whole_cells,
)
from catchscreen.terrain.tiled_graph import TiledGraph, TiledSolution
from catchscreen.terrain.tiled_plateaus import CrossingPlateaus, FirstLook, look_first
from catchscreen.terrain.walking import carry_down
from catchscreen.tiles import Lines, Room, Seams, Source, Store, Tile, Tiling, each_tile, give_back

Ints = NDArray[np.int64]
_Turned = tuple[Ints, NDArray[np.uint8], Ints]
_FULL_INT32 = 2**31
_LEAVING = "leaving"


@dataclass(frozen=True, slots=True)
class TiledRouting:
    """Routes over a grid, (rows, cols), kept tile by tile.

    level, filled : int32 [ticks]. code : uint8, flow code. basin : int32, number of the outlet cell that the water
    leaves by, in row order of these cells. total : int32 or int64, cells upstream. label : int32, each tile's own
    labels, where they were to be kept. outlet_cell : (basins,) cells of the grid. graph, solution : the whole's.
    """

    tiling: Tiling
    room: Room
    level: Store | None
    filled: Store
    code: Store
    basin: Store
    total: Store
    label: Store | None
    outlet_cell: Ints
    graph: TiledGraph
    solution: TiledSolution


class _Sums:
    """What each tile adds up alone: what leaves it, numbered tile by tile, and by which of these outer cells' water."""

    def __init__(self, tiling: Tiling, exits: Seams) -> None:
        self.exits = exits
        self.first = np.zeros(tiling.down * tiling.across, dtype=np.int64)
        self.count = 0


class _Reading:
    """Copies levels into a store tile by tile, each tile once, when it or one of its neighbours is first needed.

    A file is kept in blocks, which tiles fit and tiles with cells of their neighbours do not.
    """

    def __init__(self, source: Source, store: Store, tiling: Tiling) -> None:
        self.source = source
        self.store = store
        self.tiling = tiling
        self._lock = threading.Lock()
        self._there: dict[int, threading.Event] = {}

    def have_around(self, tile: Tile) -> None:
        """Wait until the levels of a tile and of its neighbours are in the store; read those that nobody reads."""
        wanted = [tile, *self.tiling.around(tile)]
        with self._lock:
            mine = [other for other in wanted if self.tiling.place_of(other) not in self._there]
            self._there |= {self.tiling.place_of(other): threading.Event() for other in mine}
        try:
            for other in mine:
                self.store.write(other, self.source[other.window])
        finally:
            for other in mine:
                self._there[self.tiling.place_of(other)].set()
        for other in wanted:
            self._there[self.tiling.place_of(other)].wait()


def route_tiles(
    level: Source, size: int, weights: tuple[float, float, float], room: Room, *, keep_graph: bool = False
) -> TiledRouting:
    """Route a grid tile by tile.

    Each tile is looked at three times: for its directions, labels and passes; for the filled surface, the turned ways
    and its own sums; for what comes in from other tiles. Between, only what lies along the tiles' borders is joined,
    once. Levels are read from ``level`` once, tile by tile.

    Parameters
    ----------
    level : (rows, cols) int32 [ticks], an array or a reader of windows, VOID or WALL where there is no level.
    size : cells along a tile's side. weights : see ``routing.direction_weights``. room : where results are kept.
    keep_graph : keep levels and each tile's labels, which hollows need: 8 bytes a cell more.
    """
    return _TiledRun(level, size, weights, room, keep_graph=keep_graph).route()


class _TiledRun:
    """One tiled run: its stores, which hold first what the next look needs, and then the results."""

    def __init__(
        self, level: Source, size: int, weights: tuple[float, float, float], room: Room, *, keep_graph: bool
    ) -> None:
        self.weights = weights
        self.room = room
        rows, cols = level.shape
        self.shape = (rows, cols)
        self.tiling = Tiling(rows, cols, size)
        self.code = room.make("code", self.tiling, np.uint8)
        self.filled = room.make("filled", self.tiling, np.int32)
        self.basin = room.make("basin", self.tiling, np.int32)
        self.total = room.make("total", self.tiling, np.int32 if rows * cols < _FULL_INT32 else np.int64)
        self.level = room.make("level", self.tiling, np.int32) if keep_graph else self.filled
        self.label = room.make("label", self.tiling, np.int32) if keep_graph else self.basin
        self.reading = _Reading(level, self.level, self.tiling)
        self.levels = room.make_seams("levels", self.tiling, VOID, np.int32)
        self.graph = TiledGraph(self.tiling, room, keep=keep_graph)
        self.kept_graph = keep_graph
        self.ends: list[Ints] = []
        self.seen = np.zeros(self.tiling.down * self.tiling.across, dtype=np.int64)

    def route(self) -> TiledRouting:
        """Route the grid."""
        self._look()
        give_back()
        solution = self.graph.solve(self.levels)
        turned = self._by_tile(*solution.reversals(self.graph))
        self.levels.remove()
        self.graph.forget()
        if not self.kept_graph:
            solution = solution.without_ways()
        outlet_cell = self._outlet_cells(solution)
        self.ends.clear()
        give_back()
        self._accumulate(self._settle(solution, outlet_cell, turned))
        kept = (self.level, self.label) if self.kept_graph else (None, None)
        return TiledRouting(
            tiling=self.tiling,
            room=self.room,
            level=kept[0],
            filled=self.filled,
            code=self.code,
            basin=self.basin,
            total=self.total,
            label=kept[1],
            outlet_cell=outlet_cell,
            graph=self.graph,
            solution=solution,
        )

    def _look(self) -> None:
        """Look at each tile first; those with plateaus that cross wait until these are settled."""
        crossing = CrossingPlateaus(self.tiling, self.levels, self.level, self.code, self.room)
        for tile, (look, show) in each_tile(self._look_at, self.tiling):
            self.levels.put_lines(tile, look.lines)
            crossing.add(tile, look)
            if show is not None:
                self._take(tile, show)
        crossing.settle()
        for tile, show in each_tile(lambda tile: self._reduce(tile, *crossing.finish(tile)), crossing.tiles):
            self._take(tile, show)
        crossing.forget()

    def _take(self, tile: Tile, show: TileShow) -> None:
        """Take what a tile shows."""
        self.graph.add(tile, show)
        self.ends.append(show.ends_alone)
        self.seen[self.tiling.place_of(tile)] = show.seen_cell.size

    def _look_at(self, tile: Tile) -> tuple[FirstLook, TileShow | None]:
        """Find a tile's directions and, where no plateau crosses, its basins."""
        self.reading.have_around(tile)
        found, look = look_first(self.level, tile, self.weights, self.tiling.cols, self.room)
        level, code = found
        if look.crosses:
            self.code.write(tile, code[1:-1, 1:-1])
            return look, None
        return look, self._reduce(tile, level, code)

    def _reduce(self, tile: Tile, level: NDArray[np.int32], code: NDArray[np.uint8]) -> TileShow:
        """Label a tile, keep its labels and codes, return what it shows."""
        label, total, show = reduce_tile(tile, level, code, self.shape, self.room)
        self.total.write(tile, total[1:-1, 1:-1])
        self.code.write(tile, code[1:-1, 1:-1])
        self.label.write(tile, label[1:-1, 1:-1])
        return show

    def _outlet_cells(self, solution: TiledSolution) -> Ints:
        """Return the cells by which water leaves, ascending: each tile's own, and those that only the whole tells."""
        used = np.zeros(solution.end_cell.size, dtype=np.bool_)
        for number, seen in enumerate(self.seen):
            used[solution.gathers[solution.first[number] : solution.first[number] + seen]] = True
        ends = [*self.ends, np.unique(solution.end_cell[used])]
        for number, tile in enumerate(self.tiling):
            solved = solution.for_tile(number, int(self.seen[number]))
            if not solved.leads.all():
                ends.append(shut_ends(TileBasins.fetch(self.room, tile), solved))
        return np.unique(np.concatenate(ends))

    def _by_tile(self, cell: Ints, way: NDArray[np.uint8]) -> _Turned:
        """Put cells where ways are turned round in the order of tiles."""
        of_tile = self.tiling.number_of(*np.divmod(cell, self.tiling.cols))
        order = np.argsort(of_tile, kind="stable")
        bounds = np.searchsorted(of_tile[order], np.arange(self.tiling.down * self.tiling.across + 1))
        return cell[order], way[order], bounds

    def _settle(self, solution: TiledSolution, outlet_cell: Ints, turned: _Turned) -> _Sums:
        """Write the filled surface and the basins, turn ways round, add up each tile alone."""
        cell, way, bounds = turned
        sums = _Sums(self.tiling, self.room.make_seams("exits", self.tiling, -1, np.int32))

        def settle(tile: Tile) -> tuple[int, Lines]:
            number = self.tiling.place_of(tile)
            here = slice(bounds[number], bounds[number + 1])
            solved = solution.for_tile(number, int(self.seen[number]))
            basins = TileBasins.fetch(self.room, tile)
            label = _framed(self.label.read(tile), -2)
            known = settle_tile(basins, label, solved)
            code = _framed(self.code.read(tile), NO_GROUND)
            starts = np.concatenate([known.turn_cell, framed_cells(cell[here], tile, self.tiling.cols)])
            total = _framed(self.total.read(tile), 0)
            seaming.turn_round(code, starts, np.concatenate([known.turn_way, way[here]]), total)
            code[code == PIT] = OUTLET
            self.code.write(tile, code[1:-1, 1:-1])
            name = np.searchsorted(outlet_cell, known.end).astype(np.int32)
            self._write(tile, label[1:-1, 1:-1], known.spill, name)
            return self._sum_alone(tile, code, starts, total)

        for tile, (count, lines) in each_tile(settle, self.tiling):
            sums.exits.put_lines(tile, [np.where(line >= 0, line + sums.count, -1) for line in lines])
            sums.first[self.tiling.place_of(tile)] = sums.count
            sums.count += count
        return sums

    def _write(self, tile: Tile, label: NDArray[np.int32], spill: NDArray[np.int32], name: NDArray[np.int32]) -> None:
        """Write a tile's filled surface and basins."""
        level = self.level.read(tile)
        if not self.kept_graph:
            self.room.drop("basins", tile)
        filled, basin = seaming.fill_and_name(level, label, spill, name)
        self.filled.write(tile, filled)
        self.basin.write(tile, basin)

    def _sum_alone(self, tile: Tile, code: NDArray[np.uint8], turned: Ints, total: NDArray[Any]) -> tuple[int, Lines]:
        """Carry the sums of turned ways down in a tile; return how many cells leave it, and exits of outer cells."""
        leaving, way = _close(code)
        _carry(code, turned, total)
        self.total.write(tile, total[1:-1, 1:-1])
        rows, cols = tile.shape
        found = np.split(seaming.exits_from(code, rim_cells(tile), leaving), [cols, 2 * cols, 2 * cols + rows])
        source = whole_cells(leaving, tile, self.tiling.cols)
        self.room.keep(_LEAVING, tile, (source, way, total.ravel()[leaving].astype(np.int64)))
        return leaving.size, found

    def _leaving(self, tile: Tile) -> tuple[Ints, NDArray[np.uint8], Ints, tuple[Ints, Ints]]:
        """Return the cells by which water leaves a tile, its direction, the tile's sums, row and column beyond."""
        source, way, total = self.room.fetch(_LEAVING, tile)
        return source, way, total, np.divmod(source + steps_in(self.tiling.cols)[way], self.tiling.cols)

    def _accumulate(self, sums: _Sums) -> None:
        """Solve the sums between tiles and carry what comes in down to the totals of each."""
        give_back()
        total_of, below = np.empty(sums.count, dtype=np.int64), np.empty(sums.count, dtype=np.int32)
        for tile in self.tiling:
            first = int(sums.first[self.tiling.place_of(tile)])
            source, _, total, to = self._leaving(tile)
            total_of[first : first + source.size] = total
            below[first : first + source.size] = sums.exits.at(*to)
        sums.exits.remove()
        seaming.sum_links(below, total_of)
        del below

        def carry(tile: Tile) -> None:
            entry, way, amount = self._entries(tile, sums, total_of)
            if entry.size == 0:
                return
            total, code = _framed(self.total.read(tile), 0), _framed(self.code.read(tile), NO_GROUND)
            _close(code)
            code.ravel()[entry] = way
            total.ravel()[entry] = amount
            _carry(code, entry, total)
            self.total.write(tile, total[1:-1, 1:-1])

        for _ in each_tile(carry, self.tiling):
            pass
        for tile in self.tiling:
            self.room.drop(_LEAVING, tile)

    def _entries(self, tile: Tile, sums: _Sums, total_of: Ints) -> tuple[Ints, NDArray[np.uint8], Ints]:
        """Return the framed cells by which water comes into a tile, their directions, and how much comes."""
        entries, ways, amounts = [], [], []
        for other in self.tiling.around(tile):
            source, way, _, (row, col) = self._leaving(other)
            here = (row >= tile.first_row) & (row < tile.last_row) & (col >= tile.first_col) & (col < tile.last_col)
            first = int(sums.first[self.tiling.place_of(other)])
            entries.append(framed_cells(source[here], tile, self.tiling.cols))
            ways.append(way[here])
            amounts.append(total_of[first : first + source.size][here])
        none = np.empty(0, dtype=np.int64)
        return (
            np.concatenate([*entries, none]),
            np.concatenate([*ways, np.empty(0, dtype=np.uint8)]),
            np.concatenate([*amounts, none]),
        )


def _close(code: NDArray[np.uint8]) -> tuple[Ints, NDArray[np.uint8]]:
    """Turn the cells of a tile whose water leaves it into outlets; return them and their directions."""
    leaving = seaming.list_leaving(code)
    way = code.ravel()[leaving]
    code.ravel()[leaving] = OUTLET
    return leaving, way


def _carry(code: NDArray[np.uint8], joint: Ints, total: NDArray[Any]) -> None:
    """Add what some cells have to all cells below them; these had not counted it yet."""
    carry_down(code, joint, total, np.zeros_like(code), strip_rows(code.shape))


def _framed(values: NDArray[Any], fill: int) -> NDArray[Any]:
    """Return a tile's values with a frame of one cell around."""
    framed = np.full((values.shape[0] + 2, values.shape[1] + 2), fill, dtype=values.dtype)
    framed[1:-1, 1:-1] = values
    return framed

"""Flow directions over tiles: plateaus that cross many tiles get the same ways as in a whole grid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from catchscreen.terrain._kernels import crossing
from catchscreen.terrain._kernels.crossing import FAR
from catchscreen.terrain._kernels.directions import NO_GROUND, OUTLET, UNDECIDED, VOID
from catchscreen.terrain.routing import settle_flats, steepest_directions
from catchscreen.terrain.tiled_basins import framed_cells, rim_cells, whole_cells
from catchscreen.terrain.walking import cells_with
from catchscreen.tiles import (
    Lines,
    Room,
    Seams,
    Source,
    Store,
    Tile,
    Tiling,
    each_tile,
    framed_window,
    outer_lines,
    seam_pairs,
)

Ints = NDArray[np.int64]
_KEPT = "plateaus"


@dataclass(frozen=True, slots=True)
class FirstLook:
    """What a tile shows of its plateaus that cross: lines of levels, of steps to the exit, of the plateaus' parts.

    closed : (parts,) bool, parts of plateaus for which this tile shows no exit. first_cell : (parts,) the first cell of
    each part, as the whole grid numbers it.
    """

    lines: Lines
    steps: Lines
    parts: Lines
    closed: NDArray[np.bool_]
    first_cell: Ints

    @property
    def crosses(self) -> bool:
        """Return whether the tile has to wait for others."""
        return bool(self.closed.size)


def look_first(
    level: Source, tile: Tile, weights: tuple[float, float, float], cols: int, room: Room
) -> tuple[tuple[NDArray[np.int32], NDArray[np.uint8]], FirstLook]:
    """Find the directions in one tile; of plateaus that cross into others, only how far their exits are.

    Returns
    -------
    The tile's levels, framed by its neighbours', and its codes, framed, WAITING on plateaus that cross; what it shows.
    """
    wide = framed_window(level, tile, VOID, 2)
    code = steepest_directions(wide, weights)
    cell, start, rest = crossing.mark_crossing(wide, code, cells_with(code, UNDECIDED))
    settle_flats(wide, code, rest)
    narrow, around = np.ascontiguousarray(wide[1:-1, 1:-1]), np.ascontiguousarray(code[1:-1, 1:-1])
    look = _show(narrow, around, tile, (cell, start), (cols, room))
    for line in (around[0], around[-1], around[:, 0], around[:, -1]):
        line[:] = NO_GROUND
    return (narrow, around), look


def _show(
    level: NDArray[np.int32],
    code: NDArray[np.uint8],
    tile: Tile,
    marked: tuple[Ints, Ints],
    kept: tuple[int, Room],
) -> FirstLook:
    """Return what a tile shows, with steps as the tile alone knows them; keep the cells of plateaus that cross."""
    cell, start = marked
    cols, room = kept
    lines = outer_lines(level[1:-1, 1:-1])
    steps = np.concatenate([_steps_of_decided(line) for line in outer_lines(code[1:-1, 1:-1])])
    parts = np.full(steps.size, -1, dtype=np.int32)
    if cell.size == 0:
        none = np.empty(0, dtype=np.int64)
        return FirstLook(lines, _cut(steps, tile), _cut(parts, tile), none.astype(np.bool_), none)
    value = np.full(level.shape, -1, dtype=np.int32)
    flat = value.ravel()
    flat[cell] = np.repeat(np.arange(start.size - 1, dtype=np.int32), np.diff(start))
    parts[:] = np.concatenate(outer_lines(value[1:-1, 1:-1]))
    flat[cell] = FAR
    crossing.spread_from_exits(level, code, cell, value)
    place = np.flatnonzero(parts >= 0)
    rim = rim_cells(tile)[place]
    steps[place] = flat[rim]
    least = flat[cell]
    room.keep(_KEPT, tile, (cell, least, place, rim, steps))
    closed = np.minimum.reduceat(least, start[:-1]) >= FAR
    first_cell = whole_cells(np.minimum.reduceat(cell, start[:-1]), tile, cols)
    return FirstLook(lines, _cut(steps, tile), _cut(parts, tile), closed, first_cell)


def _cut(values: NDArray[Any], tile: Tile) -> Lines:
    """Cut what is given for the outermost cells into lines."""
    rows, cols = tile.shape
    return np.split(values, [cols, 2 * cols, 2 * cols + rows])


def _steps_of_decided(code: NDArray[np.uint8]) -> NDArray[np.int32]:
    """Return 0 where a cell has its way, FAR elsewhere."""
    return np.where((code > UNDECIDED) & (code <= OUTLET), np.int32(0), np.int32(FAR))


class CrossingPlateaus:
    """Plateaus that cross from tile to tile.

    Their parts are joined once, which tells the closed ones and the first cell of each. Steps to the exit, or to that
    cell, then go from tile to tile until no outermost cell changes.
    """

    def __init__(self, tiling: Tiling, levels: Seams, level: Store, code: Store, room: Room) -> None:
        self.tiling = tiling
        self.levels = levels
        self.level = level
        self.code = code
        self.room = room
        self.steps = room.make_seams("steps", tiling, FAR, np.int32)
        self.parts = room.make_seams("parts", tiling, -1, np.int32)
        self.tiles: list[Tile] = []
        self._closed: list[NDArray[np.bool_]] = []
        self._first_cell: list[Ints] = []
        self._count = 0

    def add(self, tile: Tile, look: FirstLook) -> None:
        """Take what a tile shows."""
        self.steps.put_lines(tile, look.steps)
        if not look.crosses:
            return
        self.parts.put_lines(tile, [np.where(line >= 0, line + self._count, -1) for line in look.parts])
        self._count += look.closed.size
        self._closed.append(look.closed)
        self._first_cell.append(look.first_cell)
        self.tiles.append(tile)

    def settle(self) -> None:
        """Join the parts, set the first cells of closed plateaus, exchange steps until nothing changes."""
        if not self.tiles:
            return
        roots = self._roots()
        of_tile = self.tiling.number_of(*np.divmod(roots, self.tiling.cols))
        places = {(tile.down, tile.across): tile for tile in self.tiles}
        waiting = dict(places)
        fresh = True
        while waiting:
            following: dict[tuple[int, int], Tile] = {}

            def visit(tile: Tile, *, fresh: bool = fresh) -> NDArray[np.int32]:
                own = roots[of_tile == self.tiling.place_of(tile)] if fresh else roots[:0]
                return self._visit(tile, framed_cells(own, tile, self.tiling.cols))

            for tile, steps in each_tile(visit, [waiting[place] for place in sorted(waiting)]):
                if self.steps.put_lines(tile, _cut(steps, tile)):
                    around = ((other.down, other.across) for other in self.tiling.around(tile))
                    following.update({place: places[place] for place in around if place in places})
            waiting, fresh = following, False

    def _roots(self) -> Ints:
        """Return the first cells of all closed plateaus, ascending."""
        one, two = [], []
        for pairs in seam_pairs(self.tiling):
            a, b = self.parts.at(pairs.row, pairs.col), self.parts.at(pairs.other_row, pairs.other_col)
            same = self.levels.at(pairs.row, pairs.col) == self.levels.at(pairs.other_row, pairs.other_col)
            use = (a >= 0) & (b >= 0) & same
            one.append(a[use])
            two.append(b[use])
        a, b = np.concatenate(one), np.concatenate(two)
        links = coo_array((np.ones(a.size, dtype=np.int8), (a, b)), shape=(self._count, self._count))
        count, whole = connected_components(links, directed=False)
        closed = np.ones(count, dtype=np.bool_)
        np.logical_and.at(closed, whole, np.concatenate(self._closed))
        first = np.full(count, np.iinfo(np.int64).max)
        np.minimum.at(first, whole, np.concatenate(self._first_cell))
        return np.sort(first[closed])

    def _grids(self, tile: Tile) -> tuple[NDArray[np.int32], NDArray[np.int32], tuple[Any, ...]]:
        """Return a tile's levels and the steps of its waiting cells, framed by its neighbours', and what is kept."""
        shape = (tile.shape[0] + 2, tile.shape[1] + 2)
        level = np.full(shape, VOID, dtype=np.int32)
        level[1:-1, 1:-1] = self.level.read(tile)
        self.levels.frame(tile, level)
        value = np.full(shape, -1, dtype=np.int32)
        self.steps.frame(tile, value)
        kept = self.room.fetch(_KEPT, tile)
        value.ravel()[kept[0]] = kept[1]
        return level, value, kept

    def _visit(self, tile: Tile, roots: Ints) -> NDArray[np.int32]:
        """Lower a tile's steps by what its neighbours show now and by roots; return those of its outermost cells."""
        level, value, (cell, _, place, rim, steps) = self._grids(tile)
        crossing.spread_from_frame(level, value, rim, roots, cell.size)
        flat = value.ravel()
        steps[place] = flat[rim]
        self.room.keep(_KEPT, tile, (cell, flat[cell], place, rim, steps))
        return steps

    def finish(self, tile: Tile) -> tuple[NDArray[np.int32], NDArray[np.uint8]]:
        """Return a tile's levels, framed by its neighbours', and its codes, all decided."""
        level, value, kept = self._grids(tile)
        code = np.full(level.shape, NO_GROUND, dtype=np.uint8)
        code[1:-1, 1:-1] = self.code.read(tile)
        crossing.follow_least(level, value, kept[0], code)
        self.room.drop(_KEPT, tile)
        return level, code

    def forget(self) -> None:
        """Let go of what tiles show of their plateaus."""
        self.steps.remove()
        self.parts.remove()

"""Flow directions over tiles: plateaus that cross many tiles get the same ways as in a whole grid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from catchscreen.terrain._kernels import seaming
from catchscreen.terrain._kernels.directions import NO_GROUND, OUTLET, PIT, UNDECIDED, VOID
from catchscreen.terrain._kernels.seaming import FAR
from catchscreen.terrain.routing import settle_flats, steepest_directions
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
    cell, part, rest = seaming.mark_crossing(wide, code, cells_with(code, UNDECIDED))
    settle_flats(wide, code, rest)
    narrow, around = np.ascontiguousarray(wide[1:-1, 1:-1]), np.ascontiguousarray(code[1:-1, 1:-1])
    if cell.size:
        framed = _framed(cell, tile)
        value = _steps_of_decided(around)
        seaming.relax(narrow, value, framed, 0)
        room.keep(_KEPT, tile, (cell, part, value.ravel()[framed]))
        look = _show(narrow, value, tile, (cell, part), cols)
    else:
        look = _show_nothing(narrow, around)
    for line in (around[0], around[-1], around[:, 0], around[:, -1]):
        line[:] = NO_GROUND
    return (narrow, around), look


def _show_nothing(level: NDArray[np.int32], code: NDArray[np.uint8]) -> FirstLook:
    """Return what a tile shows without plateaus that cross."""
    steps = [_steps_of_decided(line) for line in outer_lines(code[1:-1, 1:-1])]
    parts = [np.full(line.size, -1, dtype=np.int32) for line in steps]
    none = np.empty(0, dtype=np.int64)
    return FirstLook(outer_lines(level[1:-1, 1:-1]), steps, parts, np.empty(0, dtype=np.bool_), none)


def _show(
    level: NDArray[np.int32], value: NDArray[np.int32], tile: Tile, marked: tuple[Ints, Ints], cols: int
) -> FirstLook:
    """Return what a tile shows of its plateaus that cross, with steps as the tile alone knows them."""
    cell, part = marked
    closed = np.ones(int(part.max()) + 1 if part.size else 0, dtype=np.bool_)
    closed[part[value.ravel()[_framed(cell, tile)] < FAR]] = False
    number = (cell // tile.shape[1] + tile.first_row) * cols + cell % tile.shape[1] + tile.first_col
    first_cell = np.full(closed.size, np.iinfo(np.int64).max)
    np.minimum.at(first_cell, part, number)
    parts = np.full(tile.shape, -1, dtype=np.int32)
    parts.ravel()[cell] = part
    return FirstLook(
        outer_lines(level[1:-1, 1:-1]), outer_lines(value[1:-1, 1:-1]), outer_lines(parts), closed, first_cell
    )


def _steps_of_decided(code: NDArray[np.uint8]) -> NDArray[np.int32]:
    """Return 0 where a cell has its way, FAR elsewhere."""
    return np.where((code > UNDECIDED) & (code <= OUTLET), np.int32(0), np.int32(FAR))


def _framed(cell: Ints, tile: Tile) -> Ints:
    """Turn cells of a tile alone into framed ones."""
    return (cell // tile.shape[1] + 1) * (tile.shape[1] + 2) + cell % tile.shape[1] + 1


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
        places = {(tile.down, tile.across): tile for tile in self.tiles}
        waiting = dict(places)
        fresh = True
        while waiting:
            following: dict[tuple[int, int], Tile] = {}
            tiles = [waiting[place] for place in sorted(waiting)]
            for tile, value in each_tile(lambda tile: self._visit(tile, roots if fresh else None), tiles):  # noqa: B023
                if self.steps.put_lines(tile, outer_lines(value[1:-1, 1:-1])):
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

    def _grids(self, tile: Tile) -> tuple[NDArray[np.int32], NDArray[np.int32], Ints, tuple[Any, ...]]:
        """Return a tile's levels and steps in the frame of its neighbours, its waiting cells and what is kept."""
        shape = (tile.shape[0] + 2, tile.shape[1] + 2)
        level = np.full(shape, VOID, dtype=np.int32)
        level[1:-1, 1:-1] = self.level.read(tile)
        self.levels.frame(tile, level)
        value = np.full(shape, FAR, dtype=np.int32)
        value[1:-1, 1:-1] = _steps_of_decided(self.code.read(tile))
        self.steps.frame(tile, value)
        kept = self.room.fetch(_KEPT, tile)
        cell = _framed(kept[0], tile)
        value.ravel()[cell] = kept[2]
        return level, value, cell, kept

    def _visit(self, tile: Tile, roots: Ints | None) -> NDArray[np.int32]:
        """Lower a tile's steps by what its neighbours show now."""
        level, value, cell, kept = self._grids(tile)
        flat = value.ravel()
        if roots is not None and roots.size:
            width = tile.shape[1]
            number = (kept[0] // width + tile.first_row) * self.tiling.cols + kept[0] % width + tile.first_col
            place = np.minimum(np.searchsorted(roots, number), roots.size - 1)
            flat[cell[roots[place] == number]] = 0
        seaming.relax(level, value, cell, 1)
        self.room.keep(_KEPT, tile, (kept[0], kept[1], flat[cell]))
        return value

    def finish(self, tile: Tile) -> tuple[NDArray[np.int32], NDArray[np.uint8]]:
        """Return a tile's levels, framed by its neighbours', and its codes, all decided."""
        level, value, cell, _ = self._grids(tile)
        code = np.full(level.shape, NO_GROUND, dtype=np.uint8)
        code[1:-1, 1:-1] = self.code.read(tile)
        seaming.follow_least(level, value, cell, code)
        code.ravel()[cell[value.ravel()[cell] == 0]] = PIT
        self.room.drop(_KEPT, tile)
        return level, code

    def forget(self) -> None:
        """Let go of what tiles show of their plateaus."""
        self.steps.remove()
        self.parts.remove()

"""Flow directions over tiles: plateaus that cross many tiles get the same ways as in a whole grid."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import parallel_lock
from catchscreen.terrain._kernels import receivers, seaming
from catchscreen.terrain._kernels.directions import NO_GROUND, OUTLET, PIT, UNDECIDED, VOID
from catchscreen.terrain._kernels.seaming import FAR
from catchscreen.terrain.routing import cells_with
from catchscreen.tiles import Room, Seams, Tile, Tiling, framed_window

Ints = NDArray[np.int64]


class TiledDirections:
    """Directions before rerouting, tile by tile, in three exchanges of the tiles' outermost cells.

    Distances to a plateau's exit, then the first cell of each closed plateau, then distances to that cell, each go
    from tile to tile until no outermost cell changes. Only tiles with undecided cells take part.
    """

    def __init__(self, level: Any, tiling: Tiling, weights: tuple[float, float, float], room: Room) -> None:
        self.level = level
        self.tiling = tiling
        self.code = room.make("code", np.uint8)
        self.distance = Seams(tiling, FAR)
        self.root = Seams(tiling, FAR)
        self.final = Seams(tiling, FAR)
        self.open_tiles: set[tuple[int, int]] = set()
        self._steepest(weights)
        self._settle(self.distance, self._distances)
        self._settle(self.root, self._roots)
        self._settle(self.final, self._final_distances)
        for down, across in sorted(self.open_tiles):
            self._finish(tiling.tile(down, across))

    def framed_code(self, tile: Tile) -> NDArray[np.uint8]:
        """Return a tile's codes in a frame without ground."""
        framed = np.full((tile.shape[0] + 2, tile.shape[1] + 2), NO_GROUND, dtype=np.uint8)
        framed[1:-1, 1:-1] = self.code[tile.window]
        return framed

    def _steepest(self, weights: tuple[float, float, float]) -> None:
        """Write the directions of cells with a lower neighbour."""
        for tile in self.tiling:
            framed = framed_window(self.level, tile, VOID)
            code = np.full(framed.shape, NO_GROUND, dtype=np.uint8)
            with parallel_lock:
                receivers.steepest(framed, *weights, code)
            self.code[tile.window] = code[1:-1, 1:-1]
            if (code == UNDECIDED).any():
                self.open_tiles.add((tile.down, tile.across))
            decided = np.where((code > UNDECIDED) & (code <= OUTLET), 0, FAR)
            self.distance.put(tile, decided[1:-1, 1:-1])
            self.final.put(tile, decided[1:-1, 1:-1])

    def _settle(self, seams: Seams, compute: Callable[[Tile], Ints]) -> None:
        """Compute tiles again until what they show to each other no longer changes."""
        waiting = set(self.open_tiles)
        while waiting:
            following: set[tuple[int, int]] = set()
            for down, across in sorted(waiting):
                tile = self.tiling.tile(down, across)
                if seams.put(tile, compute(tile)[1:-1, 1:-1]):
                    following.update((other.down, other.across) for other in self.tiling.around(tile))
            waiting = following & self.open_tiles

    def _distances(self, tile: Tile) -> Ints:
        """Return framed steps to the plateau's exit, FAR on closed plateaus, 0 on cells with a lower neighbour."""
        code = self.framed_code(tile)
        value = np.where((code > UNDECIDED) & (code <= OUTLET), 0, FAR)
        self.distance.frame(tile, value)
        seaming.relax(framed_window(self.level, tile, VOID), value, cells_with(code, UNDECIDED), 1)
        return value

    def _closed(self, tile: Tile, distance: Ints) -> Ints:
        """Return the framed cells of a tile on closed plateaus."""
        undecided = cells_with(self.framed_code(tile), UNDECIDED)
        return undecided[distance.ravel()[undecided] == FAR]

    def _own_numbers(self, tile: Tile, cell: Ints) -> Ints:
        """Return the numbers in the whole grid of a tile's framed cells."""
        row, col = np.divmod(cell, tile.shape[1] + 2)
        return (row - 1 + tile.first_row) * self.tiling.cols + col - 1 + tile.first_col

    def _roots(self, tile: Tile) -> Ints:
        """Return the framed number of the first cell of each closed plateau, FAR elsewhere."""
        closed = self._closed(tile, self._distances(tile))
        value = np.full((tile.shape[0] + 2, tile.shape[1] + 2), FAR, dtype=np.int64)
        value.ravel()[closed] = self._own_numbers(tile, closed)
        self.root.frame(tile, value)
        seaming.relax(framed_window(self.level, tile, VOID), value, closed, 0)
        return value

    def _final_distances(self, tile: Tile) -> Ints:
        """Return framed steps to the exit, or to the first cell of a closed plateau."""
        value = self._distances(tile)
        closed = self._closed(tile, value)
        root = self._roots(tile).ravel()[closed]
        self.final.frame(tile, value)
        value.ravel()[closed] = np.where(root == self._own_numbers(tile, closed), 0, FAR)
        seaming.relax(framed_window(self.level, tile, VOID), value, closed, 1)
        return value

    def _finish(self, tile: Tile) -> None:
        """Write the directions of a tile's undecided cells."""
        value = self._final_distances(tile)
        code = self.framed_code(tile)
        undecided = cells_with(code, UNDECIDED)
        seaming.follow_least(framed_window(self.level, tile, VOID), value, undecided, code)
        flat = code.ravel()
        flat[undecided[value.ravel()[undecided] == 0]] = PIT
        self.code[tile.window] = code[1:-1, 1:-1]

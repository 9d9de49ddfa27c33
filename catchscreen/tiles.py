"""Tiles: windows over a grid, what neighbours must know of each other, room for results beyond memory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray


@dataclass(frozen=True, slots=True)
class Tile:
    """One window of a tiling: place in the tiling (down, across) and its rows and columns, ends not included."""

    down: int
    across: int
    first_row: int
    last_row: int
    first_col: int
    last_col: int

    @property
    def shape(self) -> tuple[int, int]:
        """Return (rows, cols)."""
        return self.last_row - self.first_row, self.last_col - self.first_col

    @property
    def window(self) -> tuple[slice, slice]:
        """Return the slices that cut the tile out of an array."""
        return slice(self.first_row, self.last_row), slice(self.first_col, self.last_col)


@dataclass(frozen=True, slots=True)
class Tiling:
    """A grid of (rows, cols) cut into square tiles of ``size`` cells; those at the end may be smaller."""

    rows: int
    cols: int
    size: int

    @property
    def down(self) -> int:
        """Return the number of rows of tiles."""
        return -(-self.rows // self.size)

    @property
    def across(self) -> int:
        """Return the number of columns of tiles."""
        return -(-self.cols // self.size)

    def tile(self, down: int, across: int) -> Tile:
        """Return one tile by its place."""
        first_row, first_col = down * self.size, across * self.size
        last_row, last_col = min(first_row + self.size, self.rows), min(first_col + self.size, self.cols)
        return Tile(down, across, first_row, last_row, first_col, last_col)

    def __iter__(self) -> Iterator[Tile]:
        """Go through the tiles in row order."""
        for down in range(self.down):
            for across in range(self.across):
                yield self.tile(down, across)

    def around(self, tile: Tile) -> Iterator[Tile]:
        """Go through the tiles that touch a tile, at corners too."""
        for down in range(max(tile.down - 1, 0), min(tile.down + 2, self.down)):
            for across in range(max(tile.across - 1, 0), min(tile.across + 2, self.across)):
                if (down, across) != (tile.down, tile.across):
                    yield self.tile(down, across)

    def number_of(self, row: NDArray[np.int64], col: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the number, in row order of tiles, of the tile that holds each cell."""
        return row // self.size * self.across + col // self.size


def framed_window(array: Any, tile: Tile, fill: int) -> NDArray[Any]:
    """Return a tile with one cell more on each side: the neighbours' cells, ``fill`` beyond the grid."""
    rows, cols = array.shape
    framed = np.full((tile.shape[0] + 2, tile.shape[1] + 2), fill, dtype=array.dtype)
    top, left = max(tile.first_row - 1, 0), max(tile.first_col - 1, 0)
    bottom, right = min(tile.last_row + 1, rows), min(tile.last_col + 1, cols)
    down, across = top - tile.first_row + 1, left - tile.first_col + 1
    framed[down : down + bottom - top, across : across + right - left] = array[top:bottom, left:right]
    return framed


class Seams:
    """The outermost rows and columns of every tile: all that a tile sees of the others."""

    def __init__(self, tiling: Tiling, fill: int) -> None:
        self.tiling = tiling
        self.fill = fill
        self.rows = np.full((2, tiling.down, tiling.cols), fill, dtype=np.int64)
        self.cols = np.full((2, tiling.across, tiling.rows), fill, dtype=np.int64)

    def put(self, tile: Tile, values: NDArray[Any]) -> bool:
        """Keep the outermost cells of a tile (unframed values); return whether they are new."""
        changed = False
        for side, row in ((0, 0), (1, -1)):
            line = self.rows[side, tile.down, tile.first_col : tile.last_col]
            changed |= not np.array_equal(line, values[row])
            line[:] = values[row]
        for side, col in ((0, 0), (1, -1)):
            line = self.cols[side, tile.across, tile.first_row : tile.last_row]
            changed |= not np.array_equal(line, values[:, col])
            line[:] = values[:, col]
        return changed

    def frame(self, tile: Tile, framed: NDArray[Any]) -> None:
        """Write what the neighbours keep along a tile into the frame of its array."""
        if tile.down > 0:
            framed[0, :] = self._row(1, tile.down - 1, tile)
        if tile.down + 1 < self.tiling.down:
            framed[-1, :] = self._row(0, tile.down + 1, tile)
        if tile.across > 0:
            framed[1:-1, 0] = self.cols[1, tile.across - 1, tile.first_row : tile.last_row]
        if tile.across + 1 < self.tiling.across:
            framed[1:-1, -1] = self.cols[0, tile.across + 1, tile.first_row : tile.last_row]

    def _row(self, side: int, down: int, tile: Tile) -> NDArray[np.int64]:
        """Return the row of a neighbour above or below, with its two corner cells."""
        padded = np.full(tile.shape[1] + 2, self.fill, dtype=np.int64)
        left, right = max(tile.first_col - 1, 0), min(tile.last_col + 1, self.tiling.cols)
        start = left - tile.first_col + 1
        padded[start : start + right - left] = self.rows[side, down, left:right]
        return padded

    def at(self, row: NDArray[np.int64], col: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the values of cells that lie on the outside of their tiles."""
        size = self.tiling.size
        down, across = row // size, col // size
        last_row = np.minimum(down * size + size, self.tiling.rows) - 1
        on_first, on_last = row == down * size, row == last_row
        by_row = self.rows[np.where(on_first, 0, 1), down, col]
        by_col = self.cols[np.where(col == across * size, 0, 1), across, row]
        return np.where(on_first | on_last, by_row, by_col)


class Room:
    """Room for whole arrays: in memory, or in files of a work folder where they may be larger than memory."""

    def __init__(self, shape: tuple[int, int], folder: Path | None = None) -> None:
        self.shape = shape
        self.folder = folder

    def make(self, name: str, dtype: DTypeLike) -> Any:
        """Return an array to write into."""
        if self.folder is None:
            return np.empty(self.shape, dtype=dtype)
        return np.lib.format.open_memmap(
            self.folder / f"{name}.npy", mode="w+", dtype=np.dtype(dtype), shape=self.shape
        )

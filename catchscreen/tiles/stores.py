"""Room for what a tiled run keeps, in memory or in a work folder."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from shutil import rmtree
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from catchscreen.tiles.files import CellFile, read_arrays, write_arrays
from catchscreen.tiles.seams import Seams
from catchscreen.tiles.tiling import Tile, Tiling, framed_window


class Store:
    """One value for each cell of a grid, kept tile by tile: in memory, or in a file where each tile is one stretch.

    Cut windows out of it with slices, as of an array; ``np.asarray`` gives the whole.
    """

    def __init__(self, tiling: Tiling, dtype: DTypeLike, path: Path | None) -> None:
        self.tiling = tiling
        self.shape = (tiling.rows, tiling.cols)
        self.dtype = np.dtype(dtype)
        self.path = path
        if path is None:
            self._whole = np.zeros(self.shape, dtype=self.dtype)
        else:
            self._file = CellFile(path, tiling.rows * tiling.cols * self.dtype.itemsize)

    def _start(self, tile: Tile) -> int:
        """Return which value of the file is a tile's first."""
        return tile.first_row * self.tiling.cols + tile.first_col * tile.shape[0]

    def write(self, tile: Tile, values: NDArray[Any]) -> None:
        """Keep the (rows, cols) values of a tile."""
        if self.path is None:
            self._whole[tile.window] = values
            return
        self._file.write(self._start(tile), np.asarray(values, dtype=self.dtype))

    def read(self, tile: Tile) -> NDArray[Any]:
        """Return a copy of a tile's values."""
        if self.path is None:
            return self._whole[tile.window].copy()
        rows, cols = tile.shape
        return self._file.read(self._start(tile), rows * cols, self.dtype).reshape(rows, cols)

    def framed(self, tile: Tile, fill: int, around: int = 1) -> NDArray[Any]:
        """Return a tile with some of its neighbours' cells on each side, ``fill`` beyond the grid."""
        return framed_window(self, tile, fill, around)

    def __getitem__(self, window: tuple[slice, slice]) -> NDArray[Any]:
        """Return a copy of a window that may reach over several tiles."""
        (top, bottom, _), (left, right, _) = (
            side.indices(length) for side, length in zip(window, self.shape, strict=True)
        )
        values = np.empty((max(bottom - top, 0), max(right - left, 0)), dtype=self.dtype)
        size = self.tiling.size
        for down in range(top // size, -(-bottom // size)):
            for across in range(left // size, -(-right // size)):
                tile = self.tiling.tile(down, across)
                first_row, last_row = max(top, tile.first_row), min(bottom, tile.last_row)
                first_col, last_col = max(left, tile.first_col), min(right, tile.last_col)
                cut = self._mapped(tile)[
                    first_row - tile.first_row : last_row - tile.first_row,
                    first_col - tile.first_col : last_col - tile.first_col,
                ]
                values[first_row - top : last_row - top, first_col - left : last_col - left] = cut
        return values

    def _mapped(self, tile: Tile) -> NDArray[Any]:
        """Return a tile's values to be looked at, for a moment."""
        if self.path is None:
            return self._whole[tile.window]
        start = self._start(tile) * self.dtype.itemsize
        return np.memmap(self.path, dtype=self.dtype, mode="r", offset=start, shape=tile.shape)

    def __array__(self, dtype: DTypeLike | None = None, copy: bool | None = None) -> NDArray[Any]:  # noqa: FBT001
        """Return the whole grid: what numpy asks for."""
        return self[:, :].astype(self.dtype if dtype is None else dtype, copy=False)


class Room:
    """Room for what a tiled run keeps: in memory, or in a work folder where it may be larger than memory."""

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder
        self._kept: dict[tuple[str, int, int], tuple[NDArray[Any], ...]] = {}

    @contextmanager
    def within(self, name: str) -> Iterator[Room]:
        """Lend room apart from this one, for a second run; what is kept there is gone afterwards."""
        if self.folder is None:
            yield Room()
            return
        folder = self.folder / name
        folder.mkdir(exist_ok=True)
        try:
            yield Room(folder)
        finally:
            rmtree(folder, ignore_errors=True)

    def make(self, name: str, tiling: Tiling, dtype: DTypeLike) -> Store:
        """Return a store of one value for each cell, zero at first."""
        return Store(tiling, dtype, None if self.folder is None else self.folder / f"{name}.cells")

    def make_seams(self, name: str, tiling: Tiling, fill: int, dtype: DTypeLike) -> Seams:
        """Return seams, ``fill`` at first."""
        return Seams(tiling, fill, dtype, None if self.folder is None else CellFile(self.folder / f"{name}.seams"))

    def keep(self, name: str, tile: Tile, arrays: tuple[NDArray[Any], ...]) -> None:
        """Keep some arrays of a tile, each of one dimension and any size."""
        key = (name, tile.down, tile.across)
        if self.folder is None:
            self._kept[key] = arrays
        else:
            write_arrays(self._path(self.folder, key), arrays)

    def fetch(self, name: str, tile: Tile) -> tuple[NDArray[Any], ...]:
        """Return the arrays kept of a tile."""
        key = (name, tile.down, tile.across)
        return self._kept[key] if self.folder is None else read_arrays(self._path(self.folder, key))

    def drop(self, name: str, tile: Tile) -> None:
        """Forget the arrays kept of a tile."""
        key = (name, tile.down, tile.across)
        self._kept.pop(key, None)
        if self.folder is not None:
            self._path(self.folder, key).unlink(missing_ok=True)

    @staticmethod
    def _path(folder: Path, key: tuple[str, int, int]) -> Path:
        """Return the file that holds the arrays of a tile."""
        return folder / f"{key[0]}-{key[1]}-{key[2]}.arrays"

"""Tiles: windows over a grid, what neighbours must know of each other, room for results beyond memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar

import numpy as np
from numpy.typing import DTypeLike, NDArray

from catchscreen.compiled import numba

AT_ONCE: Final = 2
"""Tiles worked on at the same time: their kernels run in parallel too, and each tile takes room."""

NO_LEVEL: Final = 2**31 - 1
"""Level of a cell of which none is known: off the data."""

_Result = TypeVar("_Result")


class Source(Protocol):
    """What a tiled run reads: an array, or a reader that cuts windows out of files, ``source[rows, cols]``."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Return (rows, cols)."""

    def __getitem__(self, window: tuple[slice, slice], /) -> NDArray[np.int32]:
        """Return the levels in a window [ticks], NO_LEVEL where there is none."""


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

    def place_of(self, tile: Tile) -> int:
        """Return a tile's place in row order."""
        return tile.down * self.across + tile.across

    def number_of(self, row: NDArray[np.int64], col: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the number, in row order of tiles, of the tile that holds each cell."""
        return row // self.size * self.across + col // self.size


def each_tile(work: Callable[[Tile], _Result], tiles: Iterable[Tile]) -> Iterator[tuple[Tile, _Result]]:
    """Do something with each tile, two at once, and hand back the results in the order of the tiles."""
    waiting: deque[tuple[Tile, Future[_Result]]] = deque()
    kernel_threads = max(1, numba.get_num_threads() // AT_ONCE)
    with ThreadPoolExecutor(AT_ONCE, initializer=numba.set_num_threads, initargs=(kernel_threads,)) as pool:
        for tile in tiles:
            waiting.append((tile, pool.submit(work, tile)))
            if len(waiting) > AT_ONCE:
                first, result = waiting.popleft()
                yield first, result.result()
        while waiting:
            first, result = waiting.popleft()
            yield first, result.result()


def framed_window(array: Any, tile: Tile, fill: int, around: int = 1) -> NDArray[Any]:
    """Return a tile with some cells more on each side: the neighbours' cells, ``fill`` beyond the grid."""
    rows, cols = array.shape
    top, left = max(tile.first_row - around, 0), max(tile.first_col - around, 0)
    bottom, right = min(tile.last_row + around, rows), min(tile.last_col + around, cols)
    window = array[top:bottom, left:right]
    framed = np.full((tile.shape[0] + 2 * around, tile.shape[1] + 2 * around), fill, dtype=window.dtype)
    down, across = top - tile.first_row + around, left - tile.first_col + around
    framed[down : down + bottom - top, across : across + right - left] = window
    return framed


Lines = Sequence[NDArray[Any]]
"""A tile's first row, last row, first column and last column."""


def outer_lines(values: NDArray[Any]) -> Lines:
    """Return copies of the outermost rows and columns of a tile's (rows, cols) values."""
    return [values[0].copy(), values[-1].copy(), values[:, 0].copy(), values[:, -1].copy()]


class Seams:
    """The outermost rows and columns of every tile: all that a tile sees of the others."""

    def __init__(self, tiling: Tiling, fill: int, dtype: DTypeLike = np.int64) -> None:
        self.tiling = tiling
        self.fill = fill
        self.rows = np.full((2, tiling.down, tiling.cols), fill, dtype=dtype)
        self.cols = np.full((2, tiling.across, tiling.rows), fill, dtype=dtype)

    def put(self, tile: Tile, values: NDArray[Any]) -> bool:
        """Keep the outermost cells of a tile (unframed values); return whether they are new."""
        return self.put_lines(tile, outer_lines(values))

    def put_lines(self, tile: Tile, lines: Lines) -> bool:
        """Keep a tile's first row, last row, first column and last column; return whether they are new."""
        rows, cols = slice(tile.first_row, tile.last_row), slice(tile.first_col, tile.last_col)
        kept = (
            self.rows[0, tile.down, cols],
            self.rows[1, tile.down, cols],
            self.cols[0, tile.across, rows],
            self.cols[1, tile.across, rows],
        )
        changed = False
        for line, values in zip(kept, lines, strict=True):
            changed |= not np.array_equal(line, values)
            line[:] = values
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

    def _row(self, side: int, down: int, tile: Tile) -> NDArray[Any]:
        """Return the row of a neighbour above or below, with its two corner cells."""
        padded = np.full(tile.shape[1] + 2, self.fill, dtype=self.rows.dtype)
        left, right = max(tile.first_col - 1, 0), min(tile.last_col + 1, self.tiling.cols)
        start = left - tile.first_col + 1
        padded[start : start + right - left] = self.rows[side, down, left:right]
        return padded

    def at(self, row: NDArray[np.int64], col: NDArray[np.int64]) -> NDArray[Any]:
        """Return the values of cells that lie on the outside of their tiles."""
        size = self.tiling.size
        down, across = row // size, col // size
        last_row = np.minimum(down * size + size, self.tiling.rows) - 1
        on_first, on_last = row == down * size, row == last_row
        by_row = self.rows[np.where(on_first, 0, 1), down, col]
        by_col = self.cols[np.where(col == across * size, 0, 1), across, row]
        return np.where(on_first | on_last, by_row, by_col)


def seam_pairs(tiling: Tiling) -> Iterator[SeamPairs]:
    """Go through all pairs of neighbouring cells that lie in different tiles, each pair once, seam by seam."""
    for down in range(tiling.down - 1):
        last_row = (down + 1) * tiling.size - 1
        col = np.arange(tiling.cols)
        for shift, way in ((-1, 1), (0, 2), (1, 3)):
            use = col[(col + shift >= 0) & (col + shift < tiling.cols)]
            row = np.full(use.size, last_row)
            yield SeamPairs(row, use, row + 1, use + shift, way)
    for across in range(tiling.across - 1):
        left_col = (across + 1) * tiling.size - 1
        row = np.arange(tiling.rows)
        left = np.full(row.size, left_col)
        yield SeamPairs(row, left, row, left + 1, 0)
        row, left = row[:-1], left[:-1]
        apart = (row + 1) % tiling.size != 0
        row, left = row[apart], left[apart]
        yield SeamPairs(row, left, row + 1, left + 1, 3)
        yield SeamPairs(row, left + 1, row + 1, left, 1)


@dataclass(frozen=True, slots=True)
class SeamPairs:
    """Pairs of neighbouring cells over a seam, the first before the other in row order.

    way : where the other lies from the first: 0 east, 1 south-west, 2 south, 3 south-east.
    """

    row: NDArray[np.int64]
    col: NDArray[np.int64]
    other_row: NDArray[np.int64]
    other_col: NDArray[np.int64]
    way: int


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
            with path.open("wb") as file:
                file.truncate(tiling.rows * tiling.cols * self.dtype.itemsize)

    def _start(self, tile: Tile) -> int:
        """Return where a tile's stretch begins in the file."""
        cells = tile.first_row * self.tiling.cols + tile.first_col * tile.shape[0]
        return cells * self.dtype.itemsize

    def write(self, tile: Tile, values: NDArray[Any]) -> None:
        """Keep the (rows, cols) values of a tile."""
        if self.path is None:
            self._whole[tile.window] = values
            return
        with self.path.open("r+b") as file:
            file.seek(self._start(tile))
            file.write(np.ascontiguousarray(values, dtype=self.dtype).data)

    def read(self, tile: Tile) -> NDArray[Any]:
        """Return a copy of a tile's values."""
        if self.path is None:
            return self._whole[tile.window].copy()
        values = np.empty(tile.shape, dtype=self.dtype)
        with self.path.open("rb") as file:
            file.seek(self._start(tile))
            file.readinto(values.data)
        return values

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
        return np.memmap(self.path, dtype=self.dtype, mode="r", offset=self._start(tile), shape=tile.shape)

    def __array__(self, dtype: DTypeLike | None = None, copy: bool | None = None) -> NDArray[Any]:  # noqa: FBT001
        """Return the whole grid: what numpy asks for."""
        return self[:, :].astype(self.dtype if dtype is None else dtype, copy=False)


class Room:
    """Room for what a tiled run keeps: in memory, or in a work folder where it may be larger than memory."""

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder
        self._kept: dict[tuple[str, int, int], tuple[NDArray[Any], ...]] = {}
        self._kinds: dict[tuple[str, int, int], list[tuple[np.dtype[Any], int]]] = {}

    def make(self, name: str, tiling: Tiling, dtype: DTypeLike) -> Store:
        """Return a store of one value for each cell, zero at first."""
        return Store(tiling, dtype, None if self.folder is None else self.folder / f"{name}.cells")

    def keep(self, name: str, tile: Tile, arrays: tuple[NDArray[Any], ...]) -> None:
        """Keep some arrays of a tile, each of one dimension and any size."""
        key = (name, tile.down, tile.across)
        if self.folder is None:
            self._kept[key] = arrays
            return
        self._kinds[key] = [(array.dtype, array.size) for array in arrays]
        with self._path(self.folder, key).open("wb") as file:
            for array in arrays:
                file.write(np.ascontiguousarray(array).data)

    def fetch(self, name: str, tile: Tile) -> tuple[NDArray[Any], ...]:
        """Return the arrays kept of a tile."""
        key = (name, tile.down, tile.across)
        if self.folder is None:
            return self._kept[key]
        arrays = tuple(np.empty(size, dtype=kind) for kind, size in self._kinds[key])
        with self._path(self.folder, key).open("rb") as file:
            for array in arrays:
                file.readinto(array.data)
        return arrays

    def drop(self, name: str, tile: Tile) -> None:
        """Forget the arrays kept of a tile."""
        key = (name, tile.down, tile.across)
        self._kept.pop(key, None)
        self._kinds.pop(key, None)
        if self.folder is not None:
            self._path(self.folder, key).unlink(missing_ok=True)

    @staticmethod
    def _path(folder: Path, key: tuple[str, int, int]) -> Path:
        """Return the file that holds the arrays of a tile."""
        return folder / f"{key[0]}-{key[1]}-{key[2]}.arrays"

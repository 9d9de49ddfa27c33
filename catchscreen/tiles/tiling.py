"""A grid cut into tiles, and work on them one after the other."""

from __future__ import annotations

import ctypes
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Final, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

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


def give_back() -> None:
    """Hand memory that is free again back to the system, where the C library keeps it and can be told (glibc).

    Tiles' arrays are just small enough that it would keep them for later, in pieces between what stays.
    """
    trim = getattr(ctypes.pythonapi, "malloc_trim", None)
    if trim is not None:
        trim(0)


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

"""Values of single cells of what is kept in tiles or read from files, and ground changed in a few of its cells."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.tiles import Source

Ints = NDArray[np.int64]

PATCH_CELLS: Final = 256
"""Cells that lie in one square of this side are read together."""


def gather(source: Any, cell: Ints) -> NDArray[Any]:
    """Return the values of some cells of the grid from anything that windows can be cut out of: ``source[rows, cols]``.

    Only the windows around the cells are read, square by square.
    """
    cols = source.shape[1]
    across = -(-cols // PATCH_CELLS)
    row, col = np.divmod(cell, cols)
    square = row // PATCH_CELLS * across + col // PATCH_CELLS
    order = np.argsort(square, kind="stable")
    start = np.flatnonzero(np.diff(square[order], prepend=-1))
    parts = np.split(order, start[1:])
    found = np.empty(cell.size, dtype=source[0:0, 0:0].dtype)
    for part in parts if cell.size else ():
        top, left = int(row[part].min()), int(col[part].min())
        window = source[top : int(row[part].max()) + 1, left : int(col[part].max()) + 1]
        found[part] = window[row[part] - top, col[part] - left]
    return found


class Patched:
    """A ground read by windows of which some cells were given other levels: what lines cut, for instance.

    What is held is these cells. One can be laid over another.
    """

    def __init__(self, source: Source) -> None:
        self.source = source
        self.shape = source.shape
        self._cell = np.empty(0, dtype=np.int64)
        self._level = np.empty(0, dtype=np.int32)

    def at(self, cell: Ints) -> Ints:
        """Return the levels of cells, NO_LEVEL where there is none."""
        level = gather(self.source, cell).astype(np.int64)
        place, own = self._find(cell)
        level[own] = self._level[place[own]]
        return level

    def put(self, cell: Ints, level: Ints) -> None:
        """Give cells, each once, new levels."""
        order = np.argsort(cell, kind="stable")
        cell, level = cell[order], level[order]
        place, own = self._find(cell)
        self._level[place[own]] = level[own]
        self._level = np.insert(self._level, place[~own], level[~own].astype(np.int32))
        self._cell = np.insert(self._cell, place[~own], cell[~own])

    def _find(self, cell: Ints) -> tuple[Ints, NDArray[np.bool_]]:
        """Return the place of each cell among those changed, and whether it is one of them."""
        place = np.searchsorted(self._cell, cell)
        own = place < self._cell.size
        own[own] = self._cell[place[own]] == cell[own]
        return place, own

    def __getitem__(self, window: tuple[slice, slice]) -> NDArray[np.int32]:
        """Return the levels in a window."""
        level = np.array(self.source[window], dtype=np.int32)
        (top, bottom, _), (left, right, _) = (side.indices(n) for side, n in zip(window, self.shape, strict=True))
        cols = self.shape[1]
        part = slice(*np.searchsorted(self._cell, [top * cols, bottom * cols]))
        row, col = np.divmod(self._cell[part], cols)
        inside = (col >= left) & (col < right)
        level[row[inside] - top, col[inside] - left] = self._level[part][inside]
        return level

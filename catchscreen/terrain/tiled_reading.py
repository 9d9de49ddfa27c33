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
        self._level: dict[int, int] = {}
        self._sorted: tuple[Ints, NDArray[np.int32]] | None = None

    def at(self, cell: Ints) -> Ints:
        """Return the levels of cells, NO_LEVEL where there is none."""
        level = gather(self.source, cell).astype(np.int64)
        if self._level:
            kept = self._level
            level = np.array([kept.get(int(one), int(own)) for one, own in zip(cell, level, strict=True)], np.int64)
        return level

    def put(self, cell: Ints, level: Ints) -> None:
        """Give cells new levels."""
        self._level.update(zip(cell.tolist(), level.tolist(), strict=True))
        self._sorted = None

    def __getitem__(self, window: tuple[slice, slice]) -> NDArray[np.int32]:
        """Return the levels in a window."""
        level = np.array(self.source[window], dtype=np.int32)
        if not self._level:
            return level
        if self._sorted is None:
            cell = np.array(sorted(self._level), dtype=np.int64)
            self._sorted = cell, np.array([self._level[int(one)] for one in cell], dtype=np.int32)
        cell, changed = self._sorted
        (top, bottom, _), (left, right, _) = (side.indices(n) for side, n in zip(window, self.shape, strict=True))
        cols = self.shape[1]
        part = slice(*np.searchsorted(cell, [top * cols, bottom * cols]))
        row, col = np.divmod(cell[part], cols)
        inside = (col >= left) & (col < right)
        level[row[inside] - top, col[inside] - left] = changed[part][inside]
        return level

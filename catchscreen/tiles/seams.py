"""What tiles see of each other: their outermost rows and columns, and the pairs of cells over a seam."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import DTypeLike, NDArray

from catchscreen.tiles.files import CellFile
from catchscreen.tiles.tiling import Lines, Tile, Tiling, outer_lines

_FAR_APART: Final = 1024
"""Cells further apart than this in a file are read one by one."""


class Seams:
    """The outermost rows and columns of every tile: all that a tile sees of the others.

    They are kept in memory, or in a file of their own: first the rows, two for each row of tiles, then the columns.
    """

    def __init__(self, tiling: Tiling, fill: int, dtype: DTypeLike = np.int64, file: CellFile | None = None) -> None:
        self.tiling = tiling
        self.fill = fill
        self.dtype = np.dtype(dtype)
        self.file = file
        self._cols_at = 2 * tiling.down * tiling.cols
        if file is None:
            self.values = np.full(self._cols_at + 2 * tiling.across * tiling.rows, fill, dtype=self.dtype)
        else:
            row, col = np.full(tiling.cols, fill, dtype=self.dtype), np.full(tiling.rows, fill, dtype=self.dtype)
            for place in range(2 * tiling.down):
                file.write(place * tiling.cols, row)
            for place in range(2 * tiling.across):
                file.write(self._cols_at + place * tiling.rows, col)

    def _read(self, first: int, count: int) -> NDArray[Any]:
        """Return some values that follow each other."""
        return self.values[first : first + count] if self.file is None else self.file.read(first, count, self.dtype)

    def _along_row(self, side: int, down: int, col: int) -> int:
        """Return where a cell in the first (side 0) or last row of some tiles is kept."""
        return (2 * down + side) * self.tiling.cols + col

    def _along_col(self, side: int, across: int, row: int) -> int:
        """Return where a cell in the first (side 0) or last column of some tiles is kept."""
        return self._cols_at + (2 * across + side) * self.tiling.rows + row

    def put(self, tile: Tile, values: NDArray[Any]) -> bool:
        """Keep the outermost cells of a tile (unframed values); return whether they are new."""
        return self.put_lines(tile, outer_lines(values))

    def put_lines(self, tile: Tile, lines: Lines) -> bool:
        """Keep a tile's first row, last row, first column and last column; return whether they are new."""
        starts = (
            self._along_row(0, tile.down, tile.first_col),
            self._along_row(1, tile.down, tile.first_col),
            self._along_col(0, tile.across, tile.first_row),
            self._along_col(1, tile.across, tile.first_row),
        )
        changed = False
        for first, line in zip(starts, lines, strict=True):
            if np.array_equal(self._read(first, line.size), line):
                continue
            changed = True
            if self.file is None:
                self.values[first : first + line.size] = line
            else:
                self.file.write(first, np.asarray(line, dtype=self.dtype))
        return changed

    def frame(self, tile: Tile, framed: NDArray[Any]) -> None:
        """Write what the neighbours keep along a tile into the frame of its array."""
        rows, _ = tile.shape
        if tile.down > 0:
            framed[0, :] = self._row(1, tile.down - 1, tile)
        if tile.down + 1 < self.tiling.down:
            framed[-1, :] = self._row(0, tile.down + 1, tile)
        if tile.across > 0:
            framed[1:-1, 0] = self._read(self._along_col(1, tile.across - 1, tile.first_row), rows)
        if tile.across + 1 < self.tiling.across:
            framed[1:-1, -1] = self._read(self._along_col(0, tile.across + 1, tile.first_row), rows)

    def _row(self, side: int, down: int, tile: Tile) -> NDArray[Any]:
        """Return the row of a neighbour above or below, with its two corner cells."""
        padded = np.full(tile.shape[1] + 2, self.fill, dtype=self.dtype)
        left, right = max(tile.first_col - 1, 0), min(tile.last_col + 1, self.tiling.cols)
        start = left - tile.first_col + 1
        padded[start : start + right - left] = self._read(self._along_row(side, down, left), right - left)
        return padded

    def remove(self) -> None:
        """Let go of the values."""
        if self.file is None:
            self.values = np.empty(0, dtype=self.dtype)
        else:
            self.file.remove()

    def at(self, row: NDArray[np.int64], col: NDArray[np.int64]) -> NDArray[Any]:
        """Return the values of cells that lie on the outside of their tiles."""
        tiling = self.tiling
        down, across = row // tiling.size, col // tiling.size
        last_row = np.minimum(down * tiling.size + tiling.size, tiling.rows) - 1
        on_first = row == down * tiling.size
        by_row = (2 * down + (row != down * tiling.size)) * tiling.cols + col
        by_col = self._cols_at + (2 * across + (col != across * tiling.size)) * tiling.rows + row
        place = np.where(on_first | (row == last_row), by_row, by_col)
        if self.file is None:
            return self.values[place]
        return self._from_file(self.file, place)

    def _from_file(self, file: CellFile, place: NDArray[np.int64]) -> NDArray[Any]:
        """Return values from anywhere in the file: what lies near each other is read at once."""
        order = np.argsort(place, kind="stable")
        found = np.empty(place.size, dtype=self.dtype)
        bounds = np.append(0, np.flatnonzero(np.diff(place[order]) > _FAR_APART) + 1)
        for first, last in zip(bounds, np.append(bounds[1:], place.size), strict=True):
            here = order[first:last]
            if here.size:
                start = int(place[here[0]])
                values = file.read(start, int(place[here[-1]]) - start + 1, self.dtype)
                found[here] = values[place[here] - start]
        return found


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

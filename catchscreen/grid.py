"""The grid: where the cells of a raster lie. It holds no pixels and answers every question about place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS


@dataclass(frozen=True, slots=True)
class Grid:
    """A north-up grid of rectangular cells in a projected metric CRS.

    ``left`` and ``top`` are the outer corner of cell (0, 0); rows run south, columns run east.
    """

    rows: int
    cols: int
    left: float
    top: float
    cell_width_m: float
    cell_height_m: float
    crs: CRS

    @property
    def shape(self) -> tuple[int, int]:
        """Return (rows, cols)."""
        return self.rows, self.cols

    @property
    def cell_count(self) -> int:
        """Return the number of cells."""
        return self.rows * self.cols

    @property
    def cell_area_m2(self) -> float:
        """Return the plan area of one cell."""
        return self.cell_width_m * self.cell_height_m

    @property
    def transform(self) -> Affine:
        """Return the affine transform from (col, row) to (x, y), as rasterio wants it."""
        return Affine(self.cell_width_m, 0.0, self.left, 0.0, -self.cell_height_m, self.top)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Return (min x, min y, max x, max y)."""
        right = self.left + self.cols * self.cell_width_m
        bottom = self.top - self.rows * self.cell_height_m
        return self.left, bottom, right, self.top

    def xy_of_cells(self, cell: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the centre coordinates (x, y) of flat cell numbers (row-major)."""
        row, col = np.divmod(np.asarray(cell, dtype=np.int64), self.cols)
        return self.left + (col + 0.5) * self.cell_width_m, self.top - (row + 0.5) * self.cell_height_m

    def cells_of_xy(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return the flat cell number under each point, or -1 outside the grid."""
        col = np.floor((np.asarray(x, dtype=np.float64) - self.left) / self.cell_width_m).astype(np.int64)
        row = np.floor((self.top - np.asarray(y, dtype=np.float64)) / self.cell_height_m).astype(np.int64)
        inside = (row >= 0) & (row < self.rows) & (col >= 0) & (col < self.cols)
        return np.where(inside, row * self.cols + col, -1)

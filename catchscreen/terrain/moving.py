"""Ground raised or lowered under footprints, walls and watercourses, block by block."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from numpy.typing import NDArray
from rasterio.features import rasterize

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.records import Inputs
from catchscreen.terrain.changes import Edit, cells_across, line_parts
from catchscreen.tiles import Tile, Tiling
from catchscreen.units import TICKS_PER_M

Ints = NDArray[np.int64]

BLOCK_CELLS: Final = 2048
"""Side of the blocks in which outlines are turned into cells: always the same ones, whatever the tiles."""

_NOBODY: Final = 2**31 - 1


class Moves:
    """The shapes of one kind that move the ground by so much each; on each cell the one of the lowest rank counts.

    It adds up the levels before and after of each shape over all blocks.
    """

    def __init__(
        self, kind: str, layer: gpd.GeoDataFrame, ticks: Ints, rank: Ints, grid: Grid, *, outlines_only: bool = False
    ) -> None:
        self.kind = kind
        self.ticks = ticks
        self.names = list(layer.index)
        self.shapes = layer.geometry.to_numpy()
        self.grid = grid
        self.shape_of_rank = np.argsort(rank, kind="stable")
        self.burnt, self.bounds = _outlines_to_burn(self.shapes[self.shape_of_rank])
        self.line_cell, self.line_rank = _line_cells([] if outlines_only else self.shapes[self.shape_of_rank], grid)
        self.cells, self.sum_before = np.zeros(len(layer), np.int64), np.zeros(len(layer), np.int64)
        self.least_before = np.full(len(layer), _NOBODY, dtype=np.int64)

    def move(self, block: Tile, level: NDArray[np.int32], known: NDArray[np.bool_]) -> None:
        """Move the levels (rows, cols) of a block, in place, where they are known."""
        rank = self._ranks(block)
        here = np.flatnonzero((rank.ravel() != _NOBODY) & known.ravel())
        if not here.size:
            return
        owner = self.shape_of_rank[rank.ravel()[here]]
        flat = level.reshape(-1)
        before = flat[here].astype(np.int64)
        self.cells += np.bincount(owner, minlength=self.cells.size)
        np.add.at(self.sum_before, owner, before)
        np.minimum.at(self.least_before, owner, before)
        flat[here] = before + self.ticks[owner]

    def edits(self) -> list[Edit]:
        """Return an edit for each shape that has moved a cell, in the order of the layer."""
        moved = np.flatnonzero(self.cells)
        after = self.sum_before + self.cells * self.ticks
        return [
            Edit(
                kind=self.kind,
                source=f"{self.kind} {self.names[own]}",
                geometry=self.shapes[own],
                cells=int(self.cells[own]),
                sum_before=int(self.sum_before[own]),
                sum_after=int(after[own]),
                least_before=int(self.least_before[own]),
                least_after=int(self.least_before[own] + self.ticks[own]),
            )
            for own in moved
        ]

    def _ranks(self, block: Tile) -> NDArray[np.int32]:
        """Return the lowest rank of the shapes on each cell of a block."""
        grid = self.grid
        rank = np.full(block.shape, _NOBODY, dtype=np.int32)
        if self.burnt:
            left = grid.left + block.first_col * grid.cell_width_m
            top = grid.top - block.first_row * grid.cell_height_m
            right = grid.left + block.last_col * grid.cell_width_m
            bottom = grid.top - block.last_row * grid.cell_height_m
            west, south, east, north = self.bounds
            touched = np.flatnonzero((east >= left) & (west <= right) & (north >= bottom) & (south <= top))
            if touched.size:
                transform = Affine(grid.cell_width_m, 0.0, left, 0.0, -grid.cell_height_m, top)
                listed = [self.burnt[place] for place in touched[::-1]]
                rasterize(listed, out=rank, transform=transform)
        part = slice(*np.searchsorted(self.line_cell, [block.first_row * grid.cols, block.last_row * grid.cols]))
        row, col = np.divmod(self.line_cell[part], grid.cols)
        inside = (col >= block.first_col) & (col < block.last_col)
        at = row[inside] - block.first_row, col[inside] - block.first_col
        rank[at] = np.minimum(rank[at], self.line_rank[part][inside])
        return rank


def moves_of(data: Inputs, options: TerrainOptions) -> list[Moves]:
    """Return what moves the ground, in its order: watercourses lowered, buildings raised, walls raised.

    Of two watercourses on a cell the earlier has it, of two footprints the later, of two walls the higher.
    """
    moves = []
    if options.watercourse_lower_m > 0.0 and data.watercourses is not None:
        count = len(data.watercourses)
        lower = np.full(count, -round(options.watercourse_lower_m * TICKS_PER_M), dtype=np.int64)
        moves.append(Moves("watercourse", data.watercourses, lower, np.arange(count), data.grid))
    if options.raise_buildings and data.buildings is not None:
        count = len(data.buildings)
        rise = np.full(count, round(options.building_raise_m * TICKS_PER_M), dtype=np.int64)
        backwards = np.arange(count)[::-1]
        moves.append(Moves("building", data.buildings, rise, backwards, data.grid, outlines_only=True))
    if options.raise_walls and data.walls is not None:
        walls = data.walls
        given = walls["height_m"] if "height_m" in walls.columns else pd.Series(np.nan, index=walls.index)
        height = given.fillna(options.wall_raise_m).to_numpy(dtype=np.float64)
        rise = np.rint(height * TICKS_PER_M).astype(np.int64)
        rank = np.empty(len(walls), dtype=np.int64)
        rank[np.argsort(-rise, kind="stable")] = np.arange(len(walls))
        moves.append(Moves("wall", walls, rise, rank, data.grid))
    return moves


def blocks_of(grid: Grid) -> Tiling:
    """Return the blocks of a grid."""
    return Tiling(grid.rows, grid.cols, BLOCK_CELLS)


def cells_within(outline: Any, grid: Grid) -> Ints:
    """Return the cells whose centre lies in an outline, ascending, looked for in the window around it alone."""
    left, bottom, right, top = outline.bounds
    first_col = max(int((left - grid.left) / grid.cell_width_m) - 1, 0)
    last_col = min(int((right - grid.left) / grid.cell_width_m) + 2, grid.cols)
    first_row = max(int((grid.top - top) / grid.cell_height_m) - 1, 0)
    last_row = min(int((grid.top - bottom) / grid.cell_height_m) + 2, grid.rows)
    if first_row >= last_row or first_col >= last_col:
        return np.empty(0, dtype=np.int64)
    corner = grid.left + first_col * grid.cell_width_m, grid.top - first_row * grid.cell_height_m
    transform = Affine(grid.cell_width_m, 0.0, corner[0], 0.0, -grid.cell_height_m, corner[1])
    shape = last_row - first_row, last_col - first_col
    inside = rasterize([(outline, 1)], out_shape=shape, transform=transform, fill=0, dtype="uint8")
    row, col = np.nonzero(inside)
    return (row + first_row) * grid.cols + col + first_col


def _line_cells(shapes: Any, grid: Grid) -> tuple[Ints, NDArray[np.int32]]:
    """Return the cells of all lines, ascending and without a gap that a diagonal step could pass, and their ranks."""
    parts = [np.empty(0, dtype=np.int64)]
    ranks = [np.empty(0, dtype=np.int32)]
    for rank, shape in enumerate(shapes):
        if shape is None or shape.is_empty or shape.geom_type in ("Polygon", "MultiPolygon"):
            continue
        for line in line_parts(shape):
            parts.append(cells_across(line, grid))
            ranks.append(np.full(parts[-1].size, rank, dtype=np.int32))
    cell, first = np.unique(np.concatenate(parts), return_index=True)
    return cell, np.concatenate(ranks)[first]


def _outlines_to_burn(outlines: NDArray[Any]) -> tuple[list[tuple[dict[str, Any], int]], NDArray[np.float64]]:
    """Return each polygon as plain coordinates with its place in the list, and the bounds of all, (4, n).

    That is faster than to read one object at a time.
    """
    parts, owner = shapely.get_parts(outlines, return_index=True)
    is_polygon = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    parts, owner = parts[is_polygon], owner[is_polygon]
    rings, part_of = shapely.get_rings(parts, return_index=True)
    points, ring_of = shapely.get_coordinates(rings, return_index=True)
    ring_start = np.searchsorted(ring_of, np.arange(rings.size + 1))
    listed = points.tolist()
    part_start = np.searchsorted(part_of, np.arange(parts.size + 1))
    has_rings = np.flatnonzero(np.diff(part_start) > 0)
    burnt = []
    for part in has_rings:
        numbers = range(int(part_start[part]), int(part_start[part + 1]))
        coordinates = [listed[ring_start[ring] : ring_start[ring + 1]] for ring in numbers]
        burnt.append(({"type": "Polygon", "coordinates": coordinates}, int(owner[part])))
    return burnt, shapely.bounds(parts[has_rings]).reshape(-1, 4).T

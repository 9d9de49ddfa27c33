"""Sub-catchments over tiles: the same labels, areas and kinds as from the whole grid, by outlets or by size."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels import seaming, sharing
from catchscreen.terrain._kernels.directions import NO_GROUND, OUTLET
from catchscreen.terrain.catchments import GIVEN, Division, _group_edge_basins, _join_small_ends, _number
from catchscreen.terrain.tiled import TiledRouting
from catchscreen.terrain.tiled_basins import framed_cells, steps_in, whole_cells
from catchscreen.terrain.tiled_rounds import Parcels, in_rounds
from catchscreen.terrain.walking import cells_with, label_from
from catchscreen.tiles import Lines, Seams, Store, Tile, each_tile, outer_lines

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Part:
    """One tile's labels: their seeds in the whole grid, where the water goes next and how many cells each has.

    is_seed : whether the seed ends a sub-catchment, or only leaves the tile. below : the cell of the grid after the
    seed, -1 off the data. below_label : its label where it is in the tile, else -1. total : cells upstream of the seed.
    """

    seed: Ints
    is_seed: NDArray[np.bool_]
    below: Ints
    below_label: Ints
    cells: Ints
    total: Ints
    lines: Lines


def divide_tiles(
    routing: TiledRouting, given_cell: Ints, target_cells: int, *, given_kind: str = GIVEN
) -> tuple[Division, Store]:
    """Divide the ground of a tiled run: equal to ``catchments.divide`` of the whole.

    Parameters
    ----------
    given_cell : (n,) cells of the grid, distinct, as many as there are; without any, the ground is divided where the
    target size has gathered. target_cells : below this, basins along the data edge are put together. given_kind : what
    sub-catchments at the given cells are called.

    Returns
    -------
    The division, whose cells are those of the grid without a frame and whose ``label`` holds the number of each
    seed; and the label of each cell, below 0 off the ground.
    """
    tiling = routing.tiling
    label = routing.room.make("subcatchment", tiling, np.int32)
    cut = np.sort(given_cell) if given_cell.size else _cut_by_size(routing, target_cells)
    numbers = Seams(tiling, -1)
    parts: list[_Part] = []
    first = [0]
    for tile, part in each_tile(lambda tile: _label_tile(routing, tile, cut, label), tiling):
        numbers.put_lines(tile, [np.where(line >= 0, line + first[-1], -1) for line in part.lines])
        parts.append(part)
        first.append(first[-1] + part.seed.size)
    joined = _join(parts, first, numbers, tiling.cols)
    division = _divide(routing, joined, given_cell, target_cells)
    of_label = division.label[joined.seed_of]

    def name(tile: Tile) -> None:
        number = tile.down * tiling.across + tile.across
        lookup = np.append(of_label[first[number] : first[number + 1]], np.array([-2, -1], dtype=np.int32))
        label.write(tile, lookup[label.read(tile)])

    for _ in each_tile(name, tiling):
        pass
    return replace(division, kind=[given_kind if kind == GIVEN else kind for kind in division.kind]), label


def _cut_by_size(routing: TiledRouting, target_cells: int) -> Ints:
    """Return the cells of the grid where the target size has gathered, ascending."""
    tiling = routing.tiling
    pending, rest = (
        routing.room.make(name, tiling, kind) for name, kind in (("pending", np.uint8), ("rest", np.int64))
    )
    found: list[Ints] = []

    def walk(tile: Tile, code: NDArray[np.uint8], state: tuple[NDArray[np.uint8], Ints], ready: Ints) -> Parcels:
        cut, cell, amount = seaming.cut_by_size(code, target_cells, *state, ready)
        pending.write(tile, state[0])
        rest.write(tile, state[1])
        row, col = np.divmod(cut, tile.shape[1])
        found.append((row + tile.first_row) * tiling.cols + col + tile.first_col)
        return whole_cells(cell, tile, tiling.cols), amount

    def begin(tile: Tile) -> Parcels:
        code = routing.code.framed(tile, NO_GROUND)
        state = np.empty(tile.shape, dtype=np.uint8), (code[1:-1, 1:-1] <= OUTLET).astype(np.int64)
        seaming.count_inflows(code, state[0])
        return walk(tile, code, state, np.flatnonzero((state[0] == 0) & (state[1] > 0)))

    def go_on(tile: Tile, own: Ints, amount: Ints) -> Parcels:
        state = pending.read(tile), rest.read(tile)
        ready = sharing.take_in(own, amount, *state)
        return walk(tile, routing.code.framed(tile, NO_GROUND), state, ready)

    in_rounds(tiling, begin, go_on)
    return np.sort(np.concatenate([*found, np.empty(0, dtype=np.int64)]))


def _label_tile(routing: TiledRouting, tile: Tile, given: Ints, store: Store) -> _Part:
    """Label a tile by the first given cell, outlet or leaving cell that the water meets; keep the labels."""
    cols = routing.tiling.cols
    code = np.full((tile.shape[0] + 2, tile.shape[1] + 2), NO_GROUND, dtype=np.uint8)
    code[1:-1, 1:-1] = routing.code.read(tile)
    row, col = np.divmod(given, cols)
    here = (row >= tile.first_row) & (row < tile.last_row) & (col >= tile.first_col) & (col < tile.last_col)
    ends = np.union1d(cells_with(code, OUTLET), framed_cells(given[here], tile, cols))
    seed = np.union1d(ends, seaming.list_leaving(code))
    label = label_from(code, seed)
    inner = label[1:-1, 1:-1]
    store.write(tile, inner)
    way = code.ravel()[seed]
    framed_step = steps_in(code.shape[1])[way]
    below = np.where(way == OUTLET, -1, whole_cells(seed, tile, cols) + steps_in(cols)[way])
    below_label = np.where(way == OUTLET, -1, label.ravel()[seed + framed_step])
    own_row, own_col = np.divmod(seed, code.shape[1])
    return _Part(
        seed=whole_cells(seed, tile, cols),
        is_seed=np.isin(seed, ends),
        below=below,
        below_label=np.maximum(below_label, -1).astype(np.int64),
        cells=np.bincount(inner[inner >= 0], minlength=seed.size),
        total=routing.total.read(tile)[own_row - 1, own_col - 1].astype(np.int64),
        lines=outer_lines(inner),
    )


@dataclass(frozen=True, slots=True)
class _Joined:
    """The seeds of all tiles in row order: cell, cells, the seed below (-1 off the data), cells upstream.

    seed_of : by number of a tile's label, the seed that it belongs to.
    """

    cell: Ints
    cells: Ints
    below: Ints
    total: Ints
    seed_of: Ints


def _join(parts: list[_Part], first: list[int], numbers: Seams, cols: int) -> _Joined:
    """Follow leaving cells into the next tiles, and number the seeds."""
    cell, below = _all(parts, "seed"), _all(parts, "below")
    is_seed, cells = _all(parts, "is_seed"), _all(parts, "cells")
    below_number = np.concatenate(
        [np.where(part.below_label >= 0, part.below_label + at, -1) for part, at in zip(parts, first[:-1], strict=True)]
    )
    crosses = np.flatnonzero((below >= 0) & (below_number < 0))
    below_number[crosses] = numbers.at(*np.divmod(below[crosses], cols))
    end = np.where(is_seed, np.arange(cell.size), below_number)
    while not np.array_equal(end[end], end):
        end = end[end]
    seeds = np.flatnonzero(is_seed)
    seeds = seeds[np.argsort(cell[seeds], kind="stable")]
    rank = np.full(cell.size, -1, dtype=np.int64)
    rank[seeds] = np.arange(seeds.size)
    seed_of = rank[end]
    size = np.zeros(seeds.size, dtype=np.int64)
    np.add.at(size, seed_of, cells)
    next_seed = np.where(below_number[seeds] >= 0, seed_of[np.maximum(below_number[seeds], 0)], -1)
    return _Joined(cell[seeds], size, next_seed, _all(parts, "total")[seeds], seed_of)


def _all(parts: list[_Part], name: str) -> Any:
    """Return one value of all labels of all tiles."""
    return np.concatenate([getattr(part, name) for part in parts])


def _divide(routing: TiledRouting, seeds: _Joined, given_cell: Ints, target_cells: int) -> Division:
    """Put small edge basins together and number the sub-catchments, by the seeds alone, as the whole grid does."""
    rows, cols = routing.tiling.rows, routing.tiling.cols
    row, col = np.divmod(seeds.cell, cols)
    framed = (row + 1) * (cols + 2) + col + 1
    given_row, given_col = np.divmod(given_cell, cols)
    given_framed = (given_row + 1) * (cols + 2) + given_col + 1
    ground: Any = SimpleNamespace(
        code=SimpleNamespace(shape=(rows + 2, cols + 2)), total=_AtCells(framed, seeds.total), outlet_cell=None
    )
    number = np.arange(framed.size)
    is_end = (seeds.below < 0) & ~np.isin(framed, given_framed)
    joins = number.copy() if given_cell.size else _join_small_ends(seeds.below, seeds.cells, target_cells)
    size = np.zeros(framed.size, dtype=np.int64)
    np.add.at(size, joins, seeds.cells)
    joins = _group_edge_basins(ground, framed, joins, size, is_end, target_cells)
    division = _number(ground, number.astype(np.int32), framed, joins, seeds.below, given_framed)
    cells = np.zeros(division.outlet_cell.size, dtype=np.int64)
    np.add.at(cells, division.label, seeds.cells)
    outlet_row, outlet_col = np.divmod(division.outlet_cell, cols + 2)
    return replace(division, outlet_cell=(outlet_row - 1) * cols + outlet_col - 1, cells=cells)


@dataclass(frozen=True, slots=True)
class _AtCells:
    """Values known at some cells only, asked for by their framed numbers as of a whole grid."""

    cell: Ints
    value: Ints

    def ravel(self) -> _AtCells:
        """Return itself."""
        return self

    def __getitem__(self, cell: Ints) -> Ints:
        """Return the values of some of these cells."""
        return self.value[np.searchsorted(self.cell, cell)]

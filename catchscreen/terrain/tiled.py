"""Routing over tiles, out of core: the same kernels, the same result as for the whole grid, memory bounded by the tile.

References
----------
Barnes, R. (2016). Parallel priority-flood depression filling for trillion cell digital elevation models on desktops or
clusters. Computers & Geosciences 96, 56-68.
Barnes, R. (2017). Parallel non-divergent flow accumulation for trillion cell digital elevation models on desktops or
clusters. Environmental Modelling & Software 92, 202-212.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import parallel_lock
from catchscreen.terrain._kernels import accumulation, rerouting, seaming
from catchscreen.terrain._kernels.directions import OUTLET, PIT, VOID
from catchscreen.terrain.routing import cells_with, label_from
from catchscreen.terrain.tiled_graph import TiledGraph, TiledSolution, label_tile, whole_cells
from catchscreen.terrain.tiled_plateaus import TiledDirections
from catchscreen.tiles import Room, Seams, Tile, Tiling, framed_window

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TiledRouting:
    """Routes over a grid, (rows, cols) arrays or files: flow code, filled level, basin, cells upstream."""

    code: Any
    filled: Any
    basin: Any
    total: Any
    outlet_cell: Ints


def route_tiles(level: Any, size: int, weights: tuple[float, float, float], room: Room) -> TiledRouting:
    """Route a grid tile by tile.

    Each tile is read a few times: for directions, for labels and passes, for the filled surface and its own sums, for
    the final sums. Between, only what lies along the tiles' borders is joined, once.

    Parameters
    ----------
    level : (rows, cols) int32 [ticks], an array or a memory-mapped file, VOID or WALL where there is no level.
    size : cells along a tile's side. weights : see ``routing.direction_weights``. room : where results are kept.
    """
    rows, cols = level.shape
    tiling = Tiling(rows, cols, size)
    directions = TiledDirections(level, tiling, weights, room)
    graph = TiledGraph(tiling)
    numbers, levels = Seams(tiling, -1), Seams(tiling, VOID)
    for tile in tiling:
        framed = framed_window(level, tile, VOID)
        code = directions.framed_code(tile)
        numbers.put(tile, graph.add(tile, framed, code, label_tile(code)))
        levels.put(tile, framed[1:-1, 1:-1])
    graph.add_seams(levels, numbers)
    solution = graph.solve(numbers)
    filled, basin, outlet_cell, sums = _fill_and_turn(level, directions, graph, solution, room)
    total = _accumulate(directions, sums, room)
    return TiledRouting(directions.code, filled, basin, total, outlet_cell)


@dataclass(slots=True)
class _Sums:
    """What each tile adds up alone: cells by exit (outlet or leaving cell), and the exit of each outer cell."""

    exits: Seams
    totals: list[Ints]
    targets: list[Ints]
    count: int = 0


def _fill_and_turn(
    level: Any, directions: TiledDirections, graph: TiledGraph, solution: TiledSolution, room: Room
) -> tuple[Any, Any, Ints, _Sums]:
    """Write the filled surface and the basins, turn ways round, add up each tile alone."""
    tiling = directions.tiling
    filled, basin = room.make("filled", np.int32), room.make("basin", np.int32)
    basin_of, outlet_cell = solution.basins(tiling.cols)
    turn_cell, turn_way = solution.reversals(tiling.cols)
    turn_tile = tiling.number_of(*np.divmod(turn_cell, tiling.cols))
    by_tile = np.argsort(turn_tile, kind="stable")
    bounds = np.searchsorted(turn_tile[by_tile], np.arange(tiling.down * tiling.across + 1))
    sums = _Sums(Seams(tiling, -1), [], [])
    for number, tile in enumerate(tiling):
        framed = framed_window(level, tile, VOID)
        code = directions.framed_code(tile)
        labels = label_tile(code)
        first, last = graph.first[number], graph.first[number] + labels.seed.size
        own_filled, own_basin = np.empty_like(framed), np.empty_like(framed)
        spill, name = solution.spill[first:last], basin_of[first:last].astype(np.int32)
        with parallel_lock:
            rerouting.fill_and_name(framed, labels.label, spill, name, own_basin, own_filled)
        filled[tile.window], basin[tile.window] = own_filled[1:-1, 1:-1], own_basin[1:-1, 1:-1]
        here = by_tile[bounds[number] : bounds[number + 1]]
        seaming.turn_round(code, _framed_cells(turn_cell[here], tile, tiling.cols), turn_way[here])
        code[code == PIT] = OUTLET
        directions.code[tile.window] = code[1:-1, 1:-1]
        _sum_alone(tile, code, tiling, sums)
    return filled, basin, outlet_cell, sums


def _framed_cells(cell: Ints, tile: Tile, cols: int) -> Ints:
    """Turn cells of the whole grid into framed cells of a tile."""
    row, col = np.divmod(cell, cols)
    return (row - tile.first_row + 1) * (tile.shape[1] + 2) + col - tile.first_col + 1


def _ending_here(code: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], Ints]:
    """Return a tile's codes with the leaving cells as outlets, and these cells."""
    leaving = seaming.list_leaving(code)
    closed = code.copy()
    closed.ravel()[leaving] = OUTLET
    return closed, leaving


def _sum_alone(tile: Tile, code: NDArray[np.uint8], tiling: Tiling, sums: _Sums) -> None:
    """Add up a tile as if nothing came in, and keep what its neighbours need."""
    closed, leaving = _ending_here(code)
    exits = cells_with(closed, OUTLET)
    label = label_from(closed, exits)[1:-1, 1:-1].astype(np.int64)
    sums.exits.put(tile, np.where(label >= 0, label + sums.count, -1))
    total = _sum_tile(closed, np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64))
    target = np.full(exits.size, -1, dtype=np.int64)
    steps = np.array(
        [0, 1, tiling.cols, -1, -tiling.cols, tiling.cols + 1, tiling.cols - 1, -tiling.cols - 1, 1 - tiling.cols]
    )
    to = whole_cells(leaving, tile, tiling.cols) + steps[code.ravel()[leaving]]
    target[np.searchsorted(exits, leaving)] = to
    sums.totals.append(total.ravel()[exits])
    sums.targets.append(target)
    sums.count += exits.size


def _sum_tile(closed: NDArray[np.uint8], entry: Ints, amount: Ints) -> Ints:
    """Return framed totals of a tile with some amounts coming in."""
    inflows = np.empty_like(closed)
    total = np.empty(closed.shape, dtype=np.int64)
    with parallel_lock:
        rerouting.count_inflows(closed, inflows)
        accumulation.start_totals(inflows, total)
        np.add.at(total.ravel(), entry, amount)
        bounds = np.array([0, closed.shape[0]])
        leaving, left = np.empty((1, 2), dtype=np.int64), np.zeros(1, dtype=np.int64)
        accumulation.accumulate_strips(inflows, total, bounds, leaving, left)
    return total


def _accumulate(directions: TiledDirections, sums: _Sums, room: Room) -> Any:
    """Solve the sums between tiles and write the final totals."""
    tiling = directions.tiling
    total_of, target = np.concatenate([*sums.totals, np.empty(0, dtype=np.int64)]), np.concatenate(sums.targets)
    crossing = np.flatnonzero(target >= 0)
    row, col = np.divmod(target[crossing], tiling.cols)
    below = np.full(target.size, -1, dtype=np.int64)
    below[crossing] = sums.exits.at(row, col)
    seaming.sum_links(below, total_of)
    tile_of = tiling.number_of(row, col)
    by_tile = np.argsort(tile_of, kind="stable")
    bounds = np.searchsorted(tile_of[by_tile], np.arange(tiling.down * tiling.across + 1))
    total = room.make("total", np.int64)
    for number, tile in enumerate(tiling):
        here = crossing[by_tile[bounds[number] : bounds[number + 1]]]
        closed, _ = _ending_here(directions.framed_code(tile))
        own = _sum_tile(closed, _framed_cells(target[here], tile, tiling.cols), total_of[here])
        total[tile.window] = own[1:-1, 1:-1]
    return total

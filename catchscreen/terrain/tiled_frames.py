"""What the cells of tiled ground give to the frames: sums of slopes, outlines, exits and wet cells of hollows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.terrain._kernels.directions import COL_STEP, FORWARD, ROW_STEP, VOID
from catchscreen.terrain.frames import (
    HollowCells,
    Shapes,
    outer_hollows,
    rows_that_gather,
    rows_that_hold,
    slope_sums,
)
from catchscreen.terrain.hollows import Hollows, unframed_cells
from catchscreen.terrain.slope import slope_fraction
from catchscreen.terrain.tiled import TiledRouting
from catchscreen.terrain.tiled_hollows import TiledBasins, label_hollows
from catchscreen.terrain.tiled_polygons import polygons_of_tiles
from catchscreen.terrain.tiled_reading import gather
from catchscreen.tiles import Room, Source, Store, Tile, Tiling, each_tile, framed_window

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Depressions:
    """The hollows of one state of a tiled ground, with the routes and the basins that they were found with."""

    routing: TiledRouting
    found: Hollows
    basins: TiledBasins


def keep_slopes(natural: Source, tiling: Tiling, grid: Grid, room: Room) -> Store:
    """Keep the slope of each cell, as ``slope.slope_fraction`` has it of the whole: float32, NaN off the ground."""
    store = room.make("slope", tiling, np.float32)

    def measure(tile: Tile) -> None:
        own = replace(grid, rows=tile.shape[0], cols=tile.shape[1])
        store.write(tile, slope_fraction(framed_window(natural, tile, VOID), own))

    for _ in each_tile(measure, tiling):
        pass
    return store


def shapes_of(label: Store, slope: Store, count: int, grid: Grid) -> Shapes:
    """Return what the cells of sub-catchments give to their frame."""
    total, cells = np.zeros(count), np.zeros(count, dtype=np.int64)
    for _, (own_total, own_cells) in each_tile(
        lambda tile: slope_sums(label.read(tile), slope.read(tile), count), label.tiling
    ):
        total += own_total
        cells += own_cells
    return Shapes((total, cells), polygons_of_tiles(label.read, label.tiling, count, grid))


def measure_hollows(state: Depressions, label: Store, grid: Grid) -> tuple[HollowCells, Store, Store]:
    """Measure the outermost kept hollows; return also the two labels that ``frames.hollow_frame`` returns.

    Parameters
    ----------
    label : the number of each cell's sub-catchment.
    """
    routing, found = state.routing, state.found
    numbers, _ = outer_hollows(found)
    gathers = label_hollows(routing, state.basins, rows_that_gather(found), "gathers")
    wet = label_hollows(routing, state.basins, rows_that_hold(found), "wet")
    own = np.zeros(numbers.size, dtype=np.int64)
    for _, cells in each_tile(lambda tile: _dry_and_count(routing, wet, gathers, tile, numbers.size), routing.tiling):
        own += cells
    measured = HollowCells(
        upstream=gather(routing.total, exit_cells(state, numbers)).astype(np.int64),
        own=own,
        subcatchment=gather(label, found.tree.floor_cell[numbers]),
        outlines=polygons_of_tiles(wet.read, routing.tiling, numbers.size, grid),
    )
    return measured, gathers, wet


def _dry_and_count(routing: TiledRouting, wet: Store, gathers: Store, tile: Tile, count: int) -> Ints:
    """Take the cells that stay dry out of a tile's wet label; return how many cells gather in each hollow there."""
    level = routing.filled if routing.level is None else routing.level
    wet.write(tile, np.where(routing.filled.read(tile) > level.read(tile), wet.read(tile), np.int32(-1)))
    label = gathers.read(tile)
    return np.bincount(label[label >= 0], minlength=count).astype(np.int64)


def exit_cells(state: Depressions, numbers: Ints) -> Ints:
    """Return the cell inside each outermost hollow's ground by which its water leaves when it is full."""
    every, basins, cols = state.found.merging, state.basins, state.routing.tiling.cols
    hollow = state.found.kept[numbers]
    exit_pass = every.exit_pass[hollow]
    outer = np.append(_outermost_of_basins(state.found), -1)
    node_a, node_b = basins.node_a[exit_pass].astype(np.int64), basins.node_b[exit_pass].astype(np.int64)
    inner = np.where((node_a > 0) & (outer[node_a - 1] == hollow), node_a, node_b) - 1
    place = basins.place[exit_pass]
    one = unframed_cells(place >> 3, cols)
    two = one + np.append((ROW_STEP * cols + COL_STEP)[FORWARD.astype(np.int64)], 0)[place & 7]
    return np.where(_basin_at(state, one) == inner, one, two)


def _outermost_of_basins(found: Hollows) -> Ints:
    """Return the outermost hollow, kept or not, that each closed basin is part of."""
    parent = np.append(found.merging.parent, -1)
    at = np.arange(found.merging.basins)
    while (parent[at] >= 0).any():
        at = np.where(parent[at] >= 0, parent[at], at)
    return at


def _basin_at(state: Depressions, cell: Ints) -> Ints:
    """Return the closed basin of each cell, -1 where water just drains off."""
    tiling, label = state.routing.tiling, state.routing.label
    if label is None:
        raise ValueError("route the tiles with keep_graph=True to measure their hollows")
    own = gather(label, cell)
    of_tile = tiling.number_of(*np.divmod(cell, tiling.cols))
    basin = np.full(cell.size, -1, dtype=np.int64)
    for number in np.unique(of_tile):
        here = of_tile == number
        basin[here] = np.append(state.basins.label_basin[number], [-1, -1])[own[here]]
    return basin

"""Over tiles: longest ways and times of concentration of sub-catchments, main flow paths, what the data edge cuts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.terrain._kernels import dividing, ways
from catchscreen.terrain._kernels.directions import NO_GROUND, NO_LABEL, OUTLET, VOID, WALL
from catchscreen.terrain.catchments import Division
from catchscreen.terrain.edge import buffers_m, edge_cells
from catchscreen.terrain.flow_paths import link_frame, threshold_cells
from catchscreen.terrain.longest import LongestPaths, measure_ways, step_lengths_m
from catchscreen.terrain.slope import slope_fraction
from catchscreen.terrain.tiled import TiledRouting
from catchscreen.terrain.tiled_basins import framed_cells, steps_in, whole_cells
from catchscreen.terrain.tiled_reading import gather
from catchscreen.tiles import Seams, Source, Store, Tile, each_tile, framed_window

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


def longest_paths_tiled(routing: TiledRouting, division: Division, label: Store, grid: Grid) -> LongestPaths:
    """Find the longest way of water within each sub-catchment: equal to ``longest.longest_paths`` of the whole.

    Parameters
    ----------
    division, label : of ``tiled_catchments.divide_tiles``.
    """
    distance = distance_tiled(routing, label, grid)
    count = division.outlet_cell.size
    best_m, start = np.full(count, -1.0), np.full(count, -1, dtype=np.int64)
    for tile, (number, framed, far_m) in each_tile(lambda tile: _farthest(tile, label, distance), routing.tiling):
        cell = whole_cells(framed, tile, grid.cols)
        better = (far_m > best_m[number]) | ((far_m == best_m[number]) & (cell < start[number]))
        best_m[number[better]], start[number[better]] = far_m[better], cell[better]
    cells, first = _follow(routing, label, start)
    return measure_ways(cells, first, gather(distance, cells), gather(routing.filled, cells))


def distance_tiled(routing: TiledRouting, label: Store, grid: Grid) -> Store:
    """Return the way of the water from each cell to the last cell of its sub-catchment [m], below 0 off the ground.

    Distances grow upward from each way's end, so a tile is looked at again when a neighbour along which its water goes
    has become known: as often as a way goes from tile to tile, with the sums in the same order as in the whole.
    """
    tiling = routing.tiling
    store = routing.room.make("distance", tiling, np.float64)
    seams = Seams(tiling, int(ways.UNKNOWN), np.float64)
    step_m = step_lengths_m(grid)
    seen: set[int] = set()

    def extend(tile: Tile) -> NDArray[Any]:
        framed = np.full((tile.shape[0] + 2, tile.shape[1] + 2), ways.UNKNOWN)
        if tiling.place_of(tile) in seen:
            framed[1:-1, 1:-1] = store.read(tile)
        seams.frame(tile, framed)
        ways.extend_distance(routing.code.framed(tile, NO_GROUND), label.framed(tile, NO_LABEL), step_m, framed)
        store.write(tile, framed[1:-1, 1:-1])
        return framed[1:-1, 1:-1]

    waiting = list(tiling)
    while waiting:
        again: set[int] = set()
        for tile, inner in each_tile(extend, waiting):
            seen.add(tiling.place_of(tile))
            if seams.put(tile, inner):
                again.update(tiling.place_of(other) for other in tiling.around(tile))
        waiting = [tile for tile in tiling if tiling.place_of(tile) in again]
    return store


def _farthest(tile: Tile, label: Store, distance: Store) -> tuple[Ints, Ints, Floats]:
    """Return the labels in a tile, and the framed cell and distance of each one's farthest cell there."""
    far = np.full((tile.shape[0] + 2, tile.shape[1] + 2), ways.UNKNOWN)
    far[1:-1, 1:-1] = distance.read(tile)
    here = label.read(tile)
    number = np.unique(here[here >= 0]).astype(np.int64)
    own = np.full(far.shape, NO_LABEL, dtype=np.int32)
    own[1:-1, 1:-1] = np.where(here >= 0, np.searchsorted(number, here), NO_LABEL)
    cell = dividing.farthest_cells(own, far, number.size)
    return number, cell, far.ravel()[cell]


def _follow(routing: TiledRouting, label: Store, start: Ints) -> tuple[Ints, Ints]:
    """Return the cells of the grid on the ways from some cells to the last of their label, and where each begins."""
    tiling, cols = routing.tiling, routing.tiling.cols
    owners: list[Ints] = []
    pieces: list[Ints] = []
    at, owner = start, np.arange(start.size)
    while at.size:
        of_tile = tiling.number_of(*np.divmod(at, cols))
        next_at, next_owner = [], []
        for tile in (tiling.tile(*divmod(int(number), tiling.across)) for number in np.unique(of_tile)):
            here = of_tile == tiling.place_of(tile)
            code, own = routing.code.framed(tile, NO_GROUND), label.framed(tile, NO_LABEL)
            shut = np.full_like(own, NO_LABEL)
            shut[1:-1, 1:-1] = own[1:-1, 1:-1]
            cells, first = ways.follow_all(framed_cells(at[here], tile, cols), code, shut)
            pieces.append(whole_cells(cells, tile, cols))
            owners.append(np.repeat(owner[here], np.diff(first)))
            end = cells[first[1:] - 1]
            way = code.ravel()[end]
            below = end + steps_in(code.shape[1])[np.minimum(way, OUTLET)]
            goes_on = (way < OUTLET) & (own.ravel()[below] == own.ravel()[end])
            next_at.append(whole_cells(below[goes_on], tile, cols))
            next_owner.append(owner[here][goes_on])
        at, owner = np.concatenate(next_at), np.concatenate(next_owner)
    none = np.empty(0, dtype=np.int64)
    every = np.concatenate([*owners, none])
    order = np.argsort(every, kind="stable")
    first = np.searchsorted(every[order], np.arange(start.size + 1))
    return np.concatenate([*pieces, none])[order], first


def edge_columns_tiled(
    routing: TiledRouting, division: Division, label: Store, natural: Source, grid: Grid
) -> dict[str, Any]:
    """Return what the data edge does to each sub-catchment: equal to ``edge.edge_columns`` of the whole.

    Parameters
    ----------
    routing : made with ``keep_graph``, which keeps the ground's levels. natural : the ground before edits, whose
    slopes count. division, label : of ``tiled_catchments.divide_tiles``.
    """
    if routing.level is None:
        raise ValueError("route the tiles with keep_graph=True to look at their edge")
    level, count = routing.level, division.outlet_cell.size

    def look(tile: Tile) -> tuple[Ints, NDArray[Any], tuple[int, int]]:
        wide = level.framed(tile, VOID, 2)
        near = edge_cells(wide)
        at_edge = near[1:-1, 1:-1]
        own_label, own_level = label.read(tile), wide[2:-2, 2:-2]
        cell = np.flatnonzero(at_edge)
        code = routing.code.read(tile).ravel()[cell]
        cell, code = cell[code < OUTLET], code[code < OUTLET]
        row, col = np.divmod(cell, tile.shape[1])
        framed = (row + 1) * near.shape[1] + col + 1
        cell = cell[~near.ravel()[framed + steps_in(near.shape[1])[code]]]
        slope = slope_fraction(
            framed_window(natural, tile, VOID), replace(grid, rows=tile.shape[0], cols=tile.shape[1])
        )
        known = own_level[own_level < WALL]
        span = (int(known.min()), int(known.max())) if known.size else (VOID, -VOID)
        entering = np.stack([side.ravel()[cell].astype(np.float64) for side in (own_label, own_level, slope)])
        return np.unique(own_label[at_edge]).astype(np.int64), entering, span

    touched = np.zeros(count + 1, dtype=np.bool_)
    parts, spans = [np.empty((3, 0))], [(VOID, -VOID)]
    for _, (here, entering, span) in each_tile(look, routing.tiling):
        touched[here[here >= 0]] = True
        parts.append(entering)
        spans.append(span)
    owner, ticks, slope = np.concatenate(parts, axis=1)
    lowest, highest = min(low for low, _ in spans), max(high for _, high in spans)
    number = owner.astype(np.int64)
    side_m = 0.5 * (grid.cell_width_m + grid.cell_height_m)
    return {
        "touches_data_edge": touched[:count],
        "edge_inflow_m": np.bincount(number, minlength=count)[:count] * side_m,
        "missing_buffer_m": buffers_m(number, ticks.astype(np.int64), slope, (lowest, highest), count),
    }


def trace_flow_paths_tiled(
    routing: TiledRouting, label: Store, subcatchment_ids: list[str], grid: Grid, min_area_m2: float
) -> gpd.GeoDataFrame:
    """Return the main flow paths: equal to ``flow_paths.trace_flow_paths`` of the whole.

    What is kept of the grid is the cells of the paths themselves.
    """
    threshold, cols = threshold_cells(min_area_m2, grid), routing.tiling.cols

    def look(tile: Tile) -> tuple[Ints, ...]:
        total = routing.total.read(tile).ravel()
        net = np.flatnonzero(total >= threshold)
        row, col = np.divmod(net, tile.shape[1])
        cell = (row + tile.first_row) * cols + col + tile.first_col
        code = routing.code.read(tile).ravel()[net].astype(np.int64)
        return cell, code, label.read(tile).ravel()[net].astype(np.int64), total[net].astype(np.int64)

    parts = [part for _, part in each_tile(look, routing.tiling)]
    cell, code, own, total = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.argsort(cell, kind="stable")
    cell, code, own, total = cell[order], code[order], own[order], total[order]
    leads = np.flatnonzero(code < OUTLET)
    below = np.full(cell.size, -1, dtype=np.int64)
    below[leads] = np.searchsorted(cell, cell[leads] + steps_in(cols)[code[leads]])
    above = np.bincount(below[leads], minlength=cell.size)
    same = np.bincount(below[leads][own[below[leads]] == own[leads]], minlength=cell.size)
    place, start = ways.join_links(below, (above != 1) | (same != 1))
    return link_frame((cell[place], start), total[place], own[place], subcatchment_ids, grid)

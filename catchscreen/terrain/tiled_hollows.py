"""Hollows over tiles: the same tree, volumes and curves as from the whole grid.

What grows with the ground here is the number of closed basins, about 150 bytes each; cells are read tile by tile.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.records import HollowTree
from catchscreen.terrain._kernels import merging, wetting
from catchscreen.terrain._kernels.directions import COL_STEP, FORWARD, LOWEST, OUTLET, PIT, ROW_STEP
from catchscreen.terrain.hollows import (
    OUTSIDE,
    Hollows,
    Merging,
    _homes,
    _is_kept,
    _is_worthy,
    _next_kept_above,
    _outermost,
    count_levels,
    unframed_cells,
)
from catchscreen.terrain.tiled import TiledRouting
from catchscreen.terrain.tiled_basins import TileBasins, whole_cells, whole_places
from catchscreen.terrain.tiled_curves import Curve
from catchscreen.terrain.tiled_reading import gather
from catchscreen.tiles import Store, Tile, each_tile

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TiledBasins:
    """The closed basins of a tiled ground and the tree of passes between them.

    pit_cell : (basins,) cells of the grid, ascending: a basin's number is its place here. node_a, node_b, key, place :
    the tree's passes in strict order, as ``routing.BasinGraph`` has them. label_basin : by tile, the basin of each of
    its labels, -1 for the outside.
    """

    pit_cell: Ints
    node_a: NDArray[np.int32]
    node_b: NDArray[np.int32]
    key: NDArray[np.uint64]
    place: Ints
    label_basin: list[NDArray[np.int32]]


def join_basins(routing: TiledRouting) -> TiledBasins:
    """Give the closed basins of all tiles numbers and put the passes of their tree in order."""
    solution, tiling = routing.solution, routing.tiling
    end = solution.below.copy()
    while not np.array_equal(end[end], end):
        end = end[end]
    pits: list[Ints] = []
    leaving = []
    for number, tile in enumerate(tiling):
        basins = TileBasins.fetch(routing.room, tile)
        own = slice(int(solution.first[number]), int(solution.first[number]) + basins.seen.size)
        leaving.append(end[own][solution.way[own] < OUTLET])
        pits.append(basins.seed[basins.outlets : basins.seed.size - leaving[-1].size])
    pit_cell = np.sort(np.concatenate(pits))
    basin_of = np.full(solution.cell.size, -1, dtype=np.int32)
    is_pit = solution.way == PIT
    basin_of[is_pit] = np.searchsorted(pit_cell, solution.cell[is_pit])
    label_basin, parts = [], []
    chosen = _chosen(routing)
    for number, tile in enumerate(tiling):
        basins = TileBasins.fetch(routing.room, tile)
        inner = np.searchsorted(pit_cell, pits[number]).astype(np.int32)
        of_label = [np.full(basins.outlets, -1, dtype=np.int32), inner, basin_of[leaving[number]]]
        label_basin.append(np.concatenate(of_label))
        open_passes = (chosen[number], routing.graph.keys[number], routing.graph.places[number])
        parts.append(_passes_of_tile(tile, tiling.cols, basins, label_basin[-1], open_passes))
    parts += _passes_of_seams(routing, chosen, basin_of[end])
    node_a, node_b, key, place = (np.concatenate([part[k] for part in parts]) for k in range(4))
    order = np.lexsort((place, key))
    return TiledBasins(pit_cell, node_a[order], node_b[order], key[order], place[order], label_basin)


_Passes = tuple[NDArray[Any], NDArray[Any], NDArray[np.uint64], Ints]


def _chosen(routing: TiledRouting) -> list[Ints]:
    """Return, for each tile and then each seam, which of the passes it showed are in the tree."""
    bounds = np.append(0, np.cumsum([keys.size for keys in routing.graph.keys]))
    chosen = np.sort(routing.solution.chosen)
    cuts = np.searchsorted(chosen, bounds)
    return [chosen[cuts[k] : cuts[k + 1]] - bounds[k] for k in range(bounds.size - 1)]


def _passes_of_tile(
    tile: Tile,
    cols: int,
    basins: TileBasins,
    basin: NDArray[np.int32],
    open_passes: tuple[Ints, NDArray[np.uint64], Ints],
) -> _Passes:
    """Return a tile's settled passes and those of its open ones that the whole has chosen."""
    node_of = np.append(np.int32(0), basin[basins.outlets :] + 1)
    chosen, keys, places = open_passes
    sides = [np.where(label >= 0, basin[label] + 1, 0).astype(np.int32) for label in (basins.open_a, basins.open_b)]
    place = whole_places(whole_cells(basins.place >> 3, tile, cols), basins.place & 7, cols)
    return (
        np.concatenate([node_of[basins.node_a], sides[0][chosen]]),
        np.concatenate([node_of[basins.node_b], sides[1][chosen]]),
        np.concatenate([basins.key, keys[chosen]]),
        np.concatenate([place, places[chosen]]),
    )


def _passes_of_seams(routing: TiledRouting, chosen: list[Ints], basin_of: NDArray[np.int32]) -> list[_Passes]:
    """Return the passes over seams that the whole has chosen; basin_of : by number."""
    graph = routing.graph
    return [
        (basin_of[one[use]] + 1, basin_of[two[use]] + 1, key[use], place[use])
        for use, (one, two), key, place in list(zip(chosen, graph.ends, graph.keys, graph.places, strict=True))[
            graph.first.size :
        ]
    ]


def merge_tiles(routing: TiledRouting, basins: TiledBasins) -> Merging:
    """Build the tree of all hollows of a tiled ground and measure each: equal to ``hollows.merge`` of the whole."""
    ticks = (basins.key >> np.uint64(32)).astype(np.int64) + LOWEST
    count = basins.pit_cell.size
    parent, spill, exit_pass, target = merging.merge_hollows(basins.node_a, basins.node_b, ticks, count)
    cells, level_sum = np.zeros(parent.size, dtype=np.int64), np.zeros(parent.size, dtype=np.int64)
    floor = np.full(parent.size, np.iinfo(np.int64).max, dtype=np.int64)
    floor_cell = np.full(parent.size, -1, dtype=np.int64)
    row, col = np.divmod(basins.pit_cell, routing.tiling.cols)
    floor_cell[:count] = (row + 1) * (routing.tiling.cols + 2) + col + 1
    floor[:count] = gather(_stores(routing)[0], basins.pit_cell)
    for _, (level, basin) in each_tile(lambda tile: _grids(routing, basins, tile), routing.tiling):
        wetting.add_wet_cells(level, basin, parent, spill, cells, level_sum)
    wetting.hand_up(parent, cells, level_sum, floor, floor_cell)
    return Merging(count, parent, spill, exit_pass, target, floor, floor_cell, cells, level_sum)


def _stores(routing: TiledRouting) -> tuple[Store, Store]:
    """Return the stores of levels and labels."""
    if routing.level is None or routing.label is None:
        raise ValueError("route the tiles with keep_graph=True to find their hollows")
    return routing.level, routing.label


def _grids(routing: TiledRouting, basins: TiledBasins, tile: Tile) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Return a tile's levels and the closed basin of each cell."""
    level, label = _stores(routing)
    of_label = np.append(basins.label_basin[tile.down * routing.tiling.across + tile.across], [-1, -1])
    return level.read(tile), of_label[label.read(tile)].astype(np.int32)


def find_hollows_tiled(routing: TiledRouting, grid: Grid, options: TerrainOptions) -> tuple[Hollows, TiledBasins]:
    """Find the hollows of a tiled ground that are worth an account: equal to ``hollows.find_hollows`` of the whole."""
    _stores(routing)
    basins = join_basins(routing)
    every = merge_tiles(routing, basins)
    kept_mark = _is_kept(every, _is_worthy(every, grid, options))
    kept = np.flatnonzero(kept_mark)
    number = np.full(every.parent.size, OUTSIDE, dtype=np.int64)
    number[kept] = np.arange(kept.size)
    outer_of = _outermost(every)
    home = _homes(every, kept_mark)
    home_number = np.where(home >= 0, number[home], OUTSIDE)
    outer_number = np.where(home >= 0, number[outer_of[np.maximum(home, 0)]], OUTSIDE)
    holds = np.where(kept_mark[outer_of[: every.basins]], outer_of[: every.basins], OUTSIDE)
    above = _next_kept_above(every, number)
    target = every.target[kept]
    start, ticks, cells, volume = _curves(routing, basins, every, (kept, above, number, holds))
    cols = routing.tiling.cols
    tree = HollowTree(
        parent=np.where(above[kept] >= 0, above[kept], OUTSIDE),
        spills_into=np.where(target >= 0, home_number[np.maximum(target, 0)], OUTSIDE) if kept.size else kept,
        spill_ticks=every.spill[kept],
        floor_ticks=every.floor[kept],
        pass_cell=_higher_cells(routing, basins.place[every.exit_pass[kept]]),
        floor_cell=unframed_cells(every.floor_cell[kept], cols),
        curve_start=start,
        curve_ticks=ticks,
        curve_cells=cells,
        curve_volume_ticks=volume,
    )
    return Hollows(every, kept, every.parent[kept] < 0, tree, outer_number, home_number, holds), basins


def _higher_cells(routing: TiledRouting, place: Ints) -> Ints:
    """Return the cell of each pass that is the higher of the two."""
    cols = routing.tiling.cols
    one = unframed_cells(place >> 3, cols)
    step = np.append((ROW_STEP * cols + COL_STEP)[FORWARD.astype(np.int64)], 0)
    two = one + step[place & 7]
    level, _ = _stores(routing)
    return np.where(gather(level, two) > gather(level, one), two, one)


def _curves(
    routing: TiledRouting, basins: TiledBasins, every: Merging, choice: tuple[Ints, Ints, Ints, Ints]
) -> tuple[Ints, Ints, Ints, Ints]:
    """Return where each kept hollow's curve starts, and the levels, cells and volumes of all, one after the other."""
    kept, above, number, holds = choice
    own = number[: every.basins]
    owner = np.where(own >= 0, own, above[: every.basins])
    listing = [Curve(int(every.floor[hollow]), int(every.spill[hollow])) for hollow in kept]
    for _, (level, basin) in each_tile(lambda tile: _grids(routing, basins, tile), routing.tiling):
        of_cell, wet = wetting.list_wet_levels(level, basin, holds, every.spill, owner)
        of_level, ticks, counts = count_levels(of_cell, wet)
        for hollow in np.unique(of_level):
            part = slice(*np.searchsorted(of_level, [hollow, hollow + 1]))
            at = int(hollow)
            while at >= 0:
                listing[at].add(ticks[part], counts[part])
                at = int(above[kept[at]])
    curves = [curve.listed() for curve in listing]
    start = np.zeros(kept.size + 1, dtype=np.int64)
    np.cumsum([curve[0].size for curve in curves], out=start[1:])
    none = [np.empty(0, dtype=np.int64)]
    joined = [np.concatenate([curve[part] for curve in curves] or none) for part in range(3)]
    return start, joined[0], joined[1], joined[2]


def label_hollows(routing: TiledRouting, basins: TiledBasins, of_basin: NDArray[Any], name: str) -> Store:
    """Keep for each cell what is given by closed basin (the hollow that its water gathers in, say), -1 elsewhere."""
    store = routing.room.make(name, routing.tiling, np.int32)
    lookup = np.append(of_basin, -1).astype(np.int32)
    for tile, (_, basin) in each_tile(lambda tile: _grids(routing, basins, tile), routing.tiling):
        store.write(tile, lookup[basin])
    return store

"""Depressions opened on tiled ground: the same cuts as on the whole."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.terrain._kernels import cutting
from catchscreen.terrain._kernels.directions import NO_GROUND, OUTLET, VOID
from catchscreen.terrain.carving import cut_edit, limits_of
from catchscreen.terrain.changes import Edit
from catchscreen.terrain.tiled import TiledRouting
from catchscreen.terrain.tiled_basins import steps_in
from catchscreen.terrain.tiled_hollows import find_hollows_tiled, join_basins
from catchscreen.terrain.tiled_reading import Patched, gather
from catchscreen.tiles import Source, Tile, each_tile

Ints = NDArray[np.int64]


def carve_tiles(
    ground: Source, routing: TiledRouting, grid: Grid, options: TerrainOptions
) -> tuple[Patched, list[Edit]]:
    """Return a ground with ways cut out of depressions, and the cuts: equal to ``carving.carve_depressions``.

    The ways out of all depressions, as long as a cut may be, are listed tile by tile (with as many rows and columns of
    the neighbours) and cut in one go, from the lowest pit up. What is held is these cells.

    Parameters
    ----------
    ground : the levels that were routed. routing : made with ``keep_graph``.
    """
    if routing.level is None:
        raise ValueError("route the tiles with keep_graph=True to open their depressions")
    pits = join_basins(routing).pit_cell
    if options.depressions == "mixed":
        found, _ = find_hollows_tiled(routing, grid, options)
        pits = pits[found.holds_basin < 0]
    floor = gather(routing.level, pits).astype(np.int64)
    order = np.lexsort((pits, floor))
    pits, floor = pits[order], floor[order]
    longest, deepest = limits_of(grid, options)
    way, start = _ways(routing, pits, floor, longest)
    cells, place = np.unique(np.concatenate([pits, way]), return_inverse=True)
    level = gather(routing.level, cells)
    natural = level.copy()
    count, before = cutting.cut_ways(level, place[: pits.size], place[pits.size :], start, longest, deepest)
    lowered = np.flatnonzero(level != natural)
    carved = Patched(ground)
    carved.put(cells[lowered], level[lowered].astype(np.int64))
    cuts = []
    for number in np.flatnonzero(count):
        part = slice(int(start[number]), int(start[number] + count[number]))
        cuts.append(cut_edit(int(pits[number]), way[part], before[part].astype(np.int64), int(floor[number]), grid))
    return carved, cuts


def _ways(routing: TiledRouting, pits: Ints, floor: Ints, longest: int) -> tuple[Ints, Ints]:
    """Return the cells below each pit, one way after the other, as far as a cut may count, and where each begins."""
    tiling = routing.tiling
    of_tile = tiling.number_of(*np.divmod(pits, tiling.cols))

    def follow(tile: Tile) -> tuple[Ints, Ints]:
        here = np.flatnonzero(of_tile == tiling.place_of(tile))
        return _ways_in(routing, tile, (here, pits[here], floor[here]), longest)

    found = [part for _, part in each_tile(follow, [t for t in tiling if (of_tile == tiling.place_of(t)).any()])]
    none = np.empty(0, dtype=np.int64)
    owner = np.concatenate([*(part[0] for part in found), none])
    cell = np.concatenate([*(part[1] for part in found), none])
    order = np.argsort(owner, kind="stable")
    return cell[order], np.searchsorted(owner[order], np.arange(pits.size + 1))


def _ways_in(routing: TiledRouting, tile: Tile, pits: tuple[Ints, Ints, Ints], longest: int) -> tuple[Ints, Ints]:
    """Return the cells below the pits of a tile and the number of the pit of each; ``pits`` are numbers, cells, floors.

    A way goes on until the ground is as low as its pit, and one cell farther than a cut may be long.
    """
    around, cols = longest + 1, routing.tiling.cols
    level = routing.level.framed(tile, VOID, around) if routing.level is not None else np.empty((0, 0), np.int32)
    code = routing.code.framed(tile, NO_GROUND, around)
    step = steps_in(code.shape[1])
    number, cell, floor = pits
    row, col = np.divmod(cell, cols)
    at = (row - tile.first_row + around) * code.shape[1] + col - tile.first_col + around
    numbers, cells = [np.empty(0, dtype=np.int64)], [np.empty(0, dtype=np.int64)]
    for _ in range(longest + 1):
        leads = code.ravel()[at] < OUTLET
        number, floor, at = number[leads], floor[leads], at[leads]
        at = at + step[code.ravel()[at]]
        numbers.append(number)
        cells.append(at)
        goes_on = level.ravel()[at] > floor
        number, floor, at = number[goes_on], floor[goes_on], at[goes_on]
    row, col = np.divmod(np.concatenate(cells), code.shape[1])
    return np.concatenate(numbers), (row - around + tile.first_row) * cols + col - around + tile.first_col

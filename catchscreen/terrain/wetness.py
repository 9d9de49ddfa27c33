"""The topographic wetness index: where water gathers and stays.

References
----------
Beven, K. J., Kirkby, M. J. (1979). A physically based, variable contributing area model of basin hydrology.
Hydrological Sciences Bulletin 24 (1), 43-69.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.terrain._kernels.directions import VOID
from catchscreen.terrain.several import units_per_cell
from catchscreen.terrain.slope import slope_fraction
from catchscreen.terrain.tiled import TiledRouting
from catchscreen.tiles import Store, Tile, each_tile

LOWEST_SLOPE: Final = 0.001
"""Ground flatter than 1 in 1000 counts as that (common practice): a level cell has no index of its own."""


def wetness_index(
    total_units: NDArray[np.int64], units: int, slope: NDArray[np.float32], grid: Grid
) -> NDArray[np.float32]:
    """Return ln(a / tan b) of each cell, (rows, cols) float32, NaN off the ground.

    a is the ground that drains through a metre of contour [m]: the cells above, the cell itself counted, times their
    area, over the side of a square of one cell's area. tan b is the slope after Horn of the ground as it is, at least
    ``LOWEST_SLOPE``: flats and the water in hollows get the index of that slope, no infinite one. The index orders
    the ground by wetness; its values depend on the cell size and compare only within one grid.

    Parameters
    ----------
    total_units : (rows, cols) int64 of ``several.share_totals``. units : of one cell, ``several.units_per_cell``.
    slope : (rows, cols) rise over run, NaN off the ground.
    """
    cells = total_units / float(units)
    with np.errstate(divide="ignore"):
        index = np.log(cells * np.sqrt(grid.cell_area_m2) / np.maximum(slope, LOWEST_SLOPE))
    return np.where(np.isnan(slope), np.nan, index).astype(np.float32)


def wetness_index_tiled(routing: TiledRouting, shared: Store, grid: Grid) -> Store:
    """Return the same over tiles, float32, kept in the routing's room.

    Parameters
    ----------
    routing : made with ``keep_graph``, which keeps the ground's levels. shared : of ``several.share_totals_tiled``.

    Raises
    ------
    ValueError
        When the levels were not kept.
    """
    if routing.level is None:
        raise ValueError("route the tiles with keep_graph=True to measure their slopes")
    level = routing.level
    store = routing.room.make("wetness", routing.tiling, np.float32)
    units = units_per_cell(grid.cell_count)

    def index(tile: Tile) -> None:
        own = replace(grid, rows=tile.shape[0], cols=tile.shape[1])
        slope = slope_fraction(level.framed(tile, VOID), own)
        store.write(tile, wetness_index(shared.read(tile), units, slope, own))

    for _ in each_tile(index, routing.tiling):
        pass
    return store

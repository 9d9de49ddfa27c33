"""What snapping asks of flows, over tiles: how much comes to a cell, and which cells its water passes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels.directions import OUTLET
from catchscreen.terrain.tiled import TiledRouting
from catchscreen.terrain.tiled_basins import steps_in
from catchscreen.terrain.tiled_reading import gather
from catchscreen.tiles import Tile

Ints = NDArray[np.int64]
Marks = NDArray[np.bool_]


class TiledFlows:
    """The flows of a tiled run, as ``flows.Flows`` wants them."""

    def __init__(self, routing: TiledRouting) -> None:
        self.routing = routing

    def total(self, cell: Ints) -> Ints:
        """Return the cells upstream of each cell, itself counted; 0 off the ground."""
        return gather(self.routing.total, cell).astype(np.int64)

    def is_outlet(self, cell: Ints) -> Marks:
        """Tell at which cells water leaves the data."""
        found: Marks = gather(self.routing.code, cell) == OUTLET
        return found

    def drain_through(self, start: Ints, goal: Ints) -> Marks:
        """Tell for each pair of cells whether the water of the one passes the other.

        Ways go from tile to tile until they reach their goal, leave the data or carry more than the goal does.
        """
        tiling = self.routing.tiling
        most = self.total(goal)
        at = start.copy()
        passes, goes_on = np.zeros(start.size, dtype=np.bool_), np.ones(start.size, dtype=np.bool_)
        while goes_on.any():
            waiting = np.flatnonzero(goes_on)
            of_tile = tiling.number_of(*np.divmod(at[waiting], tiling.cols))
            for number in np.unique(of_tile):
                own = waiting[of_tile == number]
                tile = tiling.tile(*divmod(int(number), tiling.across))
                at[own], passes[own], goes_on[own] = self._walk(tile, at[own], goal[own], most[own])
        return passes

    def _walk(self, tile: Tile, start: Ints, goal: Ints, most: Ints) -> tuple[Ints, Marks, Marks]:
        """Follow ways inside a tile; return where they are then, which passed their goal, which go on elsewhere."""
        cols = self.routing.tiling.cols
        code, total = self.routing.code.read(tile), self.routing.total.read(tile)
        step = steps_in(cols)
        at = start.copy()
        passes, goes_on = np.zeros(at.size, dtype=np.bool_), np.ones(at.size, dtype=np.bool_)
        own = np.arange(at.size)
        while own.size:
            row, col = np.divmod(at[own], cols)
            inside = (row >= tile.first_row) & (row < tile.last_row) & (col >= tile.first_col) & (col < tile.last_col)
            own, row, col = own[inside], row[inside] - tile.first_row, col[inside] - tile.first_col
            passes[own] = at[own] == goal[own]
            way = code[row, col]
            walks = ~passes[own] & (way < OUTLET) & (total[row, col] <= most[own])
            goes_on[own[~walks]] = False
            own = own[walks]
            at[own] += step[way[walks]]
        return at, passes, goes_on

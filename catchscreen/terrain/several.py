"""Flow in several directions, for drawing and for wetness: how much ground lies above each cell when slopes share.

References
----------
Quinn, P., Beven, K., Chevallier, P., Planchon, O. (1991). The prediction of hillslope flow paths for distributed
hydrological modelling using digital terrain models. Hydrological Processes 5, 59-79.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.terrain._kernels import sharing
from catchscreen.terrain._kernels.directions import NO_GROUND, VOID
from catchscreen.terrain.tiled import TiledRouting
from catchscreen.terrain.tiled_rounds import Parcels, in_rounds
from catchscreen.tiles import Store, Tile

Ints = NDArray[np.int64]

_MOST_BITS: Final = 16
_ROOM_BITS: Final = 62 - sharing.SHARE_BITS


def units_per_cell(cells: int) -> int:
    """Return how many units each cell of a grid of ``cells`` cells starts with: 65,536, fewer beyond 2^30 cells.

    All units of the grid times a share fit into 63 bits.
    """
    return 1 << min(_MOST_BITS, _ROOM_BITS - cells.bit_length())


def share_factors(grid: Grid) -> NDArray[np.float64]:
    """Return what a drop counts in each direction, (9,) by flow code: slope x length of contour (Quinn et al. 1991).

    Towards a side the contour is half the cell's side, towards a corner a quarter of the diagonal. For square cells
    that is 2 to 1 for equal drops.
    """
    width, height = grid.cell_width_m, grid.cell_height_m
    east, south = 2.0 * height / width, 2.0 * width / height
    return np.array([0.0, east, south, east, south, 1.0, 1.0, 1.0, 1.0])


def share_totals(filled: NDArray[np.int32], code: NDArray[np.uint8], factor: NDArray[np.float64]) -> Ints:
    """Return (rows, cols) how much ground drains through each cell, itself counted, in units (see units_per_cell).

    Water goes over the filled surface, shared among all lower neighbours by slope and length of contour; over level
    water and flats it goes as the flow codes say, in one direction. What the outlets have adds up to all units of the
    ground, to the unit; 0 off the ground.

    Parameters
    ----------
    filled, code : (rows + 2, cols + 2), framed, of one routing. factor : see ``share_factors``.
    """
    wide_filled, wide_code = np.pad(filled, 1, constant_values=VOID), np.pad(code, 1, constant_values=NO_GROUND)
    inner = wide_code[2:-2, 2:-2]
    pending = np.empty(inner.shape, dtype=np.uint8)
    sharing.count_givers(wide_filled, wide_code, pending)
    total = np.where(inner != NO_GROUND, np.int64(units_per_cell(inner.size)), np.int64(0))
    ready = np.flatnonzero((pending == 0) & (inner != NO_GROUND))
    sharing.share_out(wide_filled, wide_code, factor, pending, total, ready)
    return total


class _SharedRun:
    """Sharing over tiles.

    A tile shares out what is ready, hands on what leaves it, and is looked at again when something comes in. Each cell
    is shared out once, when it has all: so the order of the tiles does not matter.
    """

    def __init__(self, routing: TiledRouting, factor: NDArray[np.float64]) -> None:
        self.routing = routing
        self.factor = factor
        self.tiling = routing.tiling
        self.units = units_per_cell(self.tiling.rows * self.tiling.cols)
        self.total = routing.room.make("shared", self.tiling, np.int64)
        self.pending = routing.room.make("pending", self.tiling, np.uint8)

    def run(self) -> Store:
        """Share out everything."""
        in_rounds(self.tiling, self._begin, self._go_on)
        return self.total

    def _grids(self, tile: Tile) -> tuple[NDArray[np.int32], NDArray[np.uint8]]:
        """Return a tile's filled surface and codes with two rows and columns around."""
        return self.routing.filled.framed(tile, VOID, 2), self.routing.code.framed(tile, NO_GROUND, 2)

    def _begin(self, tile: Tile) -> Parcels:
        """Count givers and share out what nobody gives to."""
        filled, code = self._grids(tile)
        ground = code[2:-2, 2:-2] != NO_GROUND
        pending = np.empty(tile.shape, dtype=np.uint8)
        sharing.count_givers(filled, code, pending)
        total = np.where(ground, np.int64(self.units), np.int64(0))
        return self._share((filled, code), tile, pending, total, np.flatnonzero((pending == 0) & ground))

    def _go_on(self, tile: Tile, own: Ints, amount: Ints) -> Parcels:
        """Take in what other tiles gave and share out what that makes ready."""
        pending, total = self.pending.read(tile), self.total.read(tile)
        ready = sharing.take_in(own, amount, pending, total)
        if ready.size == 0:
            self.pending.write(tile, pending)
            self.total.write(tile, total)
            return ready, ready
        return self._share(self._grids(tile), tile, pending, total, ready)

    def _share(
        self, grids: tuple[Any, Any], tile: Tile, pending: NDArray[np.uint8], total: Ints, ready: Ints
    ) -> Parcels:
        """Share out, keep the tile's state, return what goes to which cells of the whole grid."""
        cell, amount = sharing.share_out(*grids, self.factor, pending, total, ready)
        self.pending.write(tile, pending)
        self.total.write(tile, total)
        row, col = np.divmod(cell, tile.shape[1] + 4)
        return (row - 2 + tile.first_row) * self.tiling.cols + col - 2 + tile.first_col, amount


def share_totals_tiled(routing: TiledRouting, factor: NDArray[np.float64]) -> Store:
    """Return what ``share_totals`` does, over tiles and kept in the routing's room: equal in every cell."""
    return _SharedRun(routing, factor).run()

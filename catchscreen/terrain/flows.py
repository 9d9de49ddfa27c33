"""Flows by cell: how much comes to each, where water leaves, what its water passes."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels import ways
from catchscreen.terrain._kernels.directions import OUTLET
from catchscreen.terrain.routing import Routing

Ints = NDArray[np.int64]


class Flows(Protocol):
    """What snapping asks of a routed ground, in memory or over tiles, by cells of the grid."""

    def total(self, cell: Ints) -> Ints:
        """Return the cells upstream of each cell, itself counted; 0 off the ground."""

    def is_outlet(self, cell: Ints) -> NDArray[np.bool_]:
        """Tell at which cells water leaves the data."""

    def drain_through(self, start: Ints, goal: Ints) -> NDArray[np.bool_]:
        """Tell for each pair of cells whether the water of the one passes the other."""


class WholeFlows:
    """The flows of a ground in memory."""

    def __init__(self, routing: Routing) -> None:
        self.routing = routing
        self.cols = routing.code.shape[1] - 2

    def total(self, cell: Ints) -> Ints:
        """Return the cells upstream of each cell, itself counted; 0 off the ground."""
        return self.routing.total.ravel()[framed_cells(cell, self.cols)].astype(np.int64)

    def is_outlet(self, cell: Ints) -> NDArray[np.bool_]:
        """Tell at which cells water leaves the data."""
        return self.routing.code.ravel()[framed_cells(cell, self.cols)] == OUTLET

    def drain_through(self, start: Ints, goal: Ints) -> NDArray[np.bool_]:
        """Tell for each pair of cells whether the water of the one passes the other."""
        first, last = framed_cells(start, self.cols), framed_cells(goal, self.cols)
        return ways.drain_through(first, last, self.routing.code, self.routing.total)


def framed_cells(cell: Ints, cols: int) -> Ints:
    """Turn cells of the grid into framed cell numbers."""
    row, col = np.divmod(cell, cols)
    return (row + 1) * (cols + 2) + col + 1

"""Compiled kernels read from where they are kept, while something else waits for the disk."""

from __future__ import annotations

import contextlib
import threading

import numpy as np
from pyproj import CRS

from catchscreen.compiled import kept_kernels
from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.terrain.catchments import divide
from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.hollows import find_hollows
from catchscreen.terrain.longest import longest_paths
from catchscreen.terrain.routing import route
from catchscreen.terrain.slope import slope_fraction

_SIDE = 400
"""Cells along a ground that is just large enough to be cut into strips."""


def read_kernels_meanwhile() -> threading.Thread | None:
    """Begin to read the kernels of terrain, in a thread of its own.

    None where none are kept: then they are compiled where they are needed, and nobody waits for more than that.
    """
    if not kept_kernels():
        return None
    thread = threading.Thread(target=_use_kernels, name="catchscreen-kernels")
    thread.start()
    return thread


def _use_kernels() -> None:
    """Route a small made-up ground with all that follows."""
    row, col = np.mgrid[:_SIDE, :_SIDE].astype(np.int32)
    ticks = 10 * row + row * col % 70
    grid = Grid(_SIDE, _SIDE, 0.0, float(_SIDE), 1.0, 1.0, CRS.from_epsg(32631))
    # A run that is stopped takes no more work on: then nobody needs them.
    with contextlib.suppress(RuntimeError):
        routing = route(frame_levels(ticks.astype(np.int32), np.ones(ticks.shape, dtype=np.bool_)))
        find_hollows(routing, grid, TerrainOptions())
        longest_paths(divide(routing, np.empty(0, dtype=np.int64), _SIDE), routing, grid)
        slope_fraction(routing.level, grid)

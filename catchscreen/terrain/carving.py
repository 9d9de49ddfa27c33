"""Depressions opened rather than filled: all that a short and shallow cut opens, or only those that are no real hollow.

References
----------
Lindsay, J. B. (2016). Efficient hybrid breaching-filling sink removal methods for flow path enforcement in digital
elevation models. Hydrological Processes 30, 846-857.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.terrain._kernels import carving
from catchscreen.terrain.changes import Edit
from catchscreen.terrain.hollows import find_hollows, unframed_cells
from catchscreen.terrain.routing import Routing
from catchscreen.units import TICKS_PER_M

Ints = NDArray[np.int64]


def carve_depressions(
    level: NDArray[np.int32], routing: Routing, grid: Grid, options: TerrainOptions
) -> tuple[NDArray[np.int32], list[Edit]]:
    """Return a ground with ways cut out of depressions, and the cuts.

    With ``depressions = "carve"`` every depression is opened that a cut within ``carve_longest_m`` and
    ``carve_deepest_m`` opens; with ``"mixed"`` only those that pass no hollow filter: small ones are opened, real ones
    stay.
    """
    graph = routing.graph
    pits = graph.seed_cell[graph.outlets :]
    if options.depressions == "mixed":
        pits = pits[find_hollows(routing, grid, options).holds_basin < 0]
    height = routing.level.ravel()[pits]
    pits = pits[np.lexsort((pits, height))]
    longest, deepest = limits_of(grid, options)
    carved = level.copy()
    cell, before, start = carving.carve(carved, routing.code, pits, longest, deepest)
    cuts = []
    for number in np.flatnonzero(np.diff(start) > 0):
        part = slice(int(start[number]), int(start[number + 1]))
        pit = int(unframed_cells(pits[number : number + 1], grid.cols)[0])
        floor = int(routing.level.ravel()[pits[number]])
        cuts.append(cut_edit(pit, unframed_cells(cell[part], grid.cols), before[part], floor, grid))
    return carved, cuts


def limits_of(grid: Grid, options: TerrainOptions) -> tuple[int, int]:
    """Return how many cells a cut may have and how many ticks it may be deep."""
    longest = max(1, int(options.carve_longest_m / min(grid.cell_width_m, grid.cell_height_m)))
    return longest, round(options.carve_deepest_m * TICKS_PER_M)


def cut_edit(pit: int, cell: Ints, before: Ints, floor: int, grid: Grid) -> Edit:
    """Return the edit that lowered some cells of the grid to the level of the pit above them [ticks]."""
    line = shapely.LineString(np.column_stack(grid.xy_of_cells(np.append(pit, cell))))
    after = np.full(cell.size, floor, dtype=np.int64)
    return Edit.of_levels(("cut", "depression opened", line), before, after)

"""Changes to the ground that the user asked for: lowered, raised, cut through; each with levels before and after."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.records import Inputs
from catchscreen.terrain.changes import Edit
from catchscreen.terrain.moving import blocks_of, moves_of
from catchscreen.terrain.ways import CULVERT, UNDERPASS, cut_ways
from catchscreen.tiles import NO_LEVEL

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class EditedGround:
    """The ground with all edits and, where there are culverts, with all but them; the edits in their order.

    open_ticks, blocked_ticks : (rows, cols) int32 [ticks]. culverts : those of the edits that are culverts.
    """

    open_ticks: NDArray[np.int32]
    blocked_ticks: NDArray[np.int32] | None
    edits: list[Edit]
    culverts: list[Edit]


class WholeGround:
    """Levels of a ground in memory, read and written by cell."""

    def __init__(self, ticks: NDArray[np.int32], valid: NDArray[np.bool_]) -> None:
        self.ticks = ticks
        self.valid = valid

    def at(self, cell: Ints) -> Ints:
        """Return the levels of cells, NO_LEVEL where there is none."""
        return np.where(self.valid.ravel()[cell], self.ticks.ravel()[cell].astype(np.int64), NO_LEVEL)

    def put(self, cell: Ints, level: Ints) -> None:
        """Give cells new levels."""
        self.ticks.reshape(-1)[cell] = level


def edit_ground(data: Inputs, options: TerrainOptions, run: Run) -> EditedGround:
    """Make the edits: watercourses lowered, buildings and walls raised, then underpasses and culverts cut through.

    In this order a passage under a building stays open, and so does a culvert below a wall.
    """
    ground = data.ground_ticks.copy()
    moves = moves_of(data, options)
    for block in blocks_of(data.grid) if moves else ():
        level = np.ascontiguousarray(ground[block.window])
        for layer in moves:
            layer.move(block, level, data.ground_valid[block.window])
        ground[block.window] = level
    edits = [edit for layer in moves for edit in layer.edits()]
    whole = WholeGround(ground, data.ground_valid)
    edits += cut_ways(whole, data, UNDERPASS, run)
    blocked = ground.copy()
    culverts = cut_ways(whole, data, CULVERT, run)
    return EditedGround(ground, blocked if culverts else None, edits + culverts, culverts)

"""Changes to a ground that is read by windows: each made where it lies, its levels before and after reported once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.records import Inputs
from catchscreen.terrain.changes import Edit
from catchscreen.terrain.moving import blocks_of, moves_of
from catchscreen.terrain.tiled_reading import Patched
from catchscreen.terrain.ways import CULVERT, UNDERPASS, cut_ways
from catchscreen.tiles import NO_LEVEL, Room, Source

KEPT: Final = "edited"


@dataclass(frozen=True, slots=True)
class EditedTiles:
    """What ``edits.EditedGround`` holds, of a ground read by windows.

    open, blocked : levels [ticks] by window, NO_LEVEL where there is none; blocked is None without culverts.
    """

    open: Source
    blocked: Source | None
    edits: list[Edit]
    culverts: list[Edit]


def edit_tiles(ground: Source, data: Inputs, options: TerrainOptions, room: Room, run: Run) -> EditedTiles:
    """Make the edits on a ground read by windows: equal to ``edits.edit_ground`` of the whole.

    What moves areas (watercourses, buildings, walls) is made block by block and kept in the room; what is cut along
    lines is laid over that as the few cells it is, so that a bed stays one bed whatever tiles it crosses.

    Parameters
    ----------
    ground : (rows, cols) int32 [ticks], NO_LEVEL where there is none. data : the ground in it is not looked at.
    """
    moves = moves_of(data, options)
    moved: Source = ground
    if moves:
        blocks = blocks_of(data.grid)
        store = room.make(KEPT, blocks, np.int32)
        for block in blocks:
            level = np.array(ground[block.window], dtype=np.int32)
            known = level != NO_LEVEL
            for layer in moves:
                layer.move(block, level, known)
            store.write(block, level)
            run.check_stop()
        moved = store
    edits = [edit for layer in moves for edit in layer.edits()]
    blocked = Patched(moved)
    edits += cut_ways(blocked, data, UNDERPASS, run)
    opened = Patched(blocked)
    culverts = cut_ways(opened, data, CULVERT, run)
    return EditedTiles(opened, blocked if culverts else None, edits + culverts, culverts)

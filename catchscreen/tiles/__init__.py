"""Tiles: windows over a grid, what neighbours must know of each other, room for results beyond memory."""

from __future__ import annotations

from catchscreen.tiles.seams import SeamPairs, Seams, seam_pairs
from catchscreen.tiles.stores import Room, Store
from catchscreen.tiles.tiling import (
    AT_ONCE,
    NO_LEVEL,
    Lines,
    Source,
    Tile,
    Tiling,
    each_tile,
    framed_window,
    give_back,
    outer_lines,
)

__all__ = [
    "AT_ONCE",
    "NO_LEVEL",
    "Lines",
    "Room",
    "SeamPairs",
    "Seams",
    "Source",
    "Store",
    "Tile",
    "Tiling",
    "each_tile",
    "framed_window",
    "give_back",
    "outer_lines",
    "seam_pairs",
]

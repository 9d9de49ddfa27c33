"""Work that goes from tile to tile: a tile is looked at again whenever something comes in from another."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from catchscreen.tiles import Tile, Tiling, each_tile

Ints = NDArray[np.int64]
Parcels = tuple[Ints, Ints]
"""Cells of the whole grid and the amounts that go to them."""


def in_rounds(tiling: Tiling, begin: Callable[[Tile], Parcels], go_on: Callable[[Tile, Ints, Ints], Parcels]) -> None:
    """Begin with every tile, then go on with those that something went to, until nothing goes anywhere.

    Parameters
    ----------
    begin : works on a tile and returns what goes to other tiles. go_on : the same for a tile's own cells, numbered in
    the tile alone, to which amounts came.
    """
    tiles = list(tiling)
    waiting: dict[int, list[Parcels]] = {}

    def hand_out(cell: Ints, amount: Ints) -> None:
        of_tile = tiling.number_of(*np.divmod(cell, tiling.cols))
        for number in np.unique(of_tile):
            here = of_tile == number
            waiting.setdefault(int(number), []).append((cell[here], amount[here]))

    for _, parcels in each_tile(begin, tiles):
        hand_out(*parcels)
    while waiting:
        now = {number: waiting[number] for number in sorted(waiting)}
        waiting.clear()

        def work(tile: Tile, given: dict[int, list[Parcels]] = now) -> Parcels:
            parcels = given[tiling.place_of(tile)]
            row, col = np.divmod(np.concatenate([cell for cell, _ in parcels]), tiling.cols)
            own = (row - tile.first_row) * tile.shape[1] + col - tile.first_col
            return go_on(tile, own, np.concatenate([amount for _, amount in parcels]))

        for _, parcels in each_tile(work, [tiles[number] for number in now]):
            hand_out(*parcels)

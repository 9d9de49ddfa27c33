"""Ground levels read window by window, for ground that does not fit into memory."""

from __future__ import annotations

import threading

import numpy as np
from numpy.typing import NDArray

from catchscreen.brief_sources import RasterSource
from catchscreen.inputs.tilesets import TileSet, open_tiles, read_block
from catchscreen.tiles import NO_LEVEL
from catchscreen.units import TICKS_PER_M


class LevelWindows:
    """Levels of a raster, cut out by windows as of an array: ``levels[10:20, 0:50]``; a ``tiles.Source``.

    What is read is int32 [ticks of 0.1 mm], NO_LEVEL where the raster has no data. Several threads may read at once.
    """

    def __init__(self, source: RasterSource, metres_per_unit: float = 1.0) -> None:
        self._source = source
        self._metres = metres_per_unit
        self._tiles = open_tiles(source)
        self._lock = threading.Lock()

    @property
    def shape(self) -> tuple[int, int]:
        """Return (rows, cols)."""
        return self._tiles.rows, self._tiles.cols

    @property
    def tiles(self) -> TileSet:
        """Return the raster's tiles: where it lies and in which CRS."""
        return self._tiles

    def __getitem__(self, window: tuple[slice, slice]) -> NDArray[np.int32]:
        """Return the levels in a window."""
        (top, bottom, _), (left, right, _) = (
            side.indices(length) for side, length in zip(window, self.shape, strict=True)
        )
        with self._lock:
            values, good = read_block(
                self._tiles, self._source, top, left, (max(bottom - top, 0), max(right - left, 0))
            )
        values *= self._metres * TICKS_PER_M
        np.rint(values, out=values)
        np.copyto(values, NO_LEVEL, where=~good)
        return values.astype(np.int32)

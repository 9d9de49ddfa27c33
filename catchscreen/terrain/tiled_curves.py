"""Curves of hollows counted up tile by tile, in room that does not grow with the hollow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain.hollows import CURVE_LEVELS, Histogram, curve_of, join_counts, spread_levels

Ints = NDArray[np.int64]
_NONE = np.empty(0, dtype=np.int64)


class Curve:
    """The curve of one hollow, to which ground levels are added in any order and by any parts.

    It keeps distinct levels while they are few enough to be listed. Then its listed levels are known, evenly spaced
    from the floor to the spill level, and it keeps cells and the sum of their levels between one and the next.
    """

    def __init__(self, floor: int, spill: int) -> None:
        self.floor = floor
        self.spill = spill
        self._counted: Histogram = (_NONE, _NONE)
        self._levels = _NONE
        self._cells = _NONE
        self._sums = _NONE

    def add(self, ticks: Ints, counts: Ints) -> None:
        """Add distinct levels, ascending, and how many cells have each; those at or above the spill do not count."""
        below = int(np.searchsorted(ticks, self.spill))
        ticks, counts = ticks[:below], counts[:below]
        if self._levels.size:
            self._put(ticks, counts)
            return
        self._counted = join_counts([self._counted, (ticks, counts)])
        if self._counted[0].size + 1 > CURVE_LEVELS:
            self._levels = spread_levels(self.floor, self.spill)
            self._cells, self._sums = np.zeros((2, self._levels.size), dtype=np.int64)
            self._put(*self._counted)
            self._counted = (_NONE, _NONE)

    def _put(self, ticks: Ints, counts: Ints) -> None:
        """Count levels with the next listed one that is not below them."""
        at = np.searchsorted(self._levels, ticks)
        np.add.at(self._cells, at, counts)
        np.add.at(self._sums, at, counts * ticks)

    def listed(self) -> tuple[Ints, Ints, Ints]:
        """Return the listed levels, the cells at or below each and the volume under it: see ``hollows.curve_of``."""
        if not self._levels.size:
            return curve_of(*self._counted, self.spill)
        cells = np.cumsum(self._cells)
        return self._levels, cells, self._levels * cells - np.cumsum(self._sums)

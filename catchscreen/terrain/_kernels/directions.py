"""Directions, codes and levels that the terrain kernels share.

A flow code says where a cell's water goes: 1 to 8 a direction in the fixed order of ties (E, S, W, N, SE, SW, NW, NE),
``OUTLET`` off the data, ``PIT`` nowhere (the root of a closed depression), ``UNDECIDED`` on a plateau not yet solved,
``NO_GROUND`` no level known. The codes are internal: nothing that is written carries them.
"""

from __future__ import annotations

from typing import Final

import numpy as np

VOID: Final = 2**31 - 1
"""Level of a cell off the data: ground beside it may drain there."""

WALL: Final = 2**31 - 2
"""Level of a hole that the user wants treated as a wall: nothing drains there."""

LOWEST: Final = -(2**31)

UNDECIDED: Final = 0
OUTLET: Final = 9
PIT: Final = 10
NO_GROUND: Final = 15

ROW_STEP: Final = np.array([0, 0, 1, 0, -1, 1, 1, -1, -1, 0, 0], dtype=np.int64)
COL_STEP: Final = np.array([0, 1, 0, -1, 0, 1, -1, -1, 1, 0, 0], dtype=np.int64)
OPPOSITE: Final = np.array([0, 3, 4, 1, 2, 7, 8, 5, 6, 0, 0], dtype=np.uint8)

FORWARD: Final = np.array([1, 6, 2, 5], dtype=np.uint8)
"""The four directions (E, SW, S, SE) that name each neighbouring pair once, from its cell of lower number."""

OVER_EDGE: Final = 4
"""In place of a forward direction: the pass leads off the data."""

NO_LABEL: Final = -1
NO_GROUND_LABEL: Final = -2

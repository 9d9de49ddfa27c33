"""Square blocks of cells, so that what is worked on together lies near in the processor's cache."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel

SIDE = 256
_LINE = 16
"""Cells of 32 bits in a line of the cache."""


@kernel
def group_by_block(
    cell: NDArray[np.int64], rows: tuple[int, int], width: int
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Chain the cells of each block of a strip of rows; other cells are passed over.

    Returns
    -------
    head : (blocks,) int32, the place in ``cell`` of each block's first cell, -1 for none. following : (n,) int32, the
    place of the next cell of the same block.
    """
    across = (width + SIDE - 1) // SIDE
    head = np.full(across * ((rows[1] - rows[0] + SIDE - 1) // SIDE), -1, dtype=np.int32)
    following = np.empty(cell.size, dtype=np.int32)
    base = rows[0] * width
    end = rows[1] * width
    for u in range(cell.size - 1, -1, -1):
        if base <= cell[u] < end:
            row = (cell[u] - base) // width
            block = row // SIDE * across + (cell[u] - base - row * width) // SIDE
            following[u] = head[block]
            head[block] = u
    return head, following


@kernel
def touch(block: int, first_row: int, last_row: int, value: NDArray[np.int32] | NDArray[np.int64]) -> int:
    """Read a block of a strip once in the order of memory: that brings it near for work that goes to and fro in it."""
    across = (value.shape[1] + SIDE - 1) // SIDE
    top = first_row + block // across * SIDE
    left = block % across * SIDE
    seen = 0
    for row in range(top, min(last_row, top + SIDE)):
        for col in range(left, min(value.shape[1], left + SIDE), _LINE):
            seen += value[row, col]
    return seen

"""Blocks of cells, so that what is worked on together lies near in the processor's cache."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import COL_STEP, ROW_STEP

WIDE = 512
HIGH = 128
"""Cells across a block and down: wide, because the memory is read fastest in long pieces."""

_LINE = 64
"""Bytes in a line of the cache."""


@kernel
def group_by_block(
    cell: NDArray[np.int64], strip: tuple[int, int], width: int, head: NDArray[np.int32], following: NDArray[np.int32]
) -> None:
    """Chain the cells of each block of a strip of rows; other cells are passed over.

    Parameters
    ----------
    cell : (n,) int64, framed cells. strip : first cell of the strip and of the next.
    head : (blocks,) int32, -1 at first; the place in ``cell`` of each block's first cell is written.
    following : (n,) int32, written: the place of the next cell of the same block, -1 for none.
    """
    across = (width + WIDE - 1) // WIDE
    for u in range(cell.size - 1, -1, -1):
        if strip[0] <= cell[u] < strip[1]:
            row = (cell[u] - strip[0]) // width
            block = row // HIGH * across + (cell[u] - strip[0] - row * width) // WIDE
            following[u] = head[block]
            head[block] = u


@kernel
def touch(
    block: int, width: int, strip: tuple[int, int], value: NDArray[np.uint8] | NDArray[np.int32] | NDArray[np.int64]
) -> int:
    """Read a block of a strip once in the order of memory: that brings it near for work that goes to and fro in it."""
    across = (width + WIDE - 1) // WIDE
    left = block % across * WIDE
    first = strip[0] + block // across * HIGH * width + left
    right = min(WIDE, width - left)
    step = _LINE // value.itemsize
    seen = 0
    for start in range(first, min(strip[1], first + HIGH * width), width):
        for i in range(start, start + right, step):
            seen += value[i]
    return seen


@kernel
def steps_in(width: int) -> NDArray[np.int64]:
    """Return the cells from a cell to its neighbour in each direction; 0 for codes that are none."""
    step = np.empty(ROW_STEP.size, dtype=np.int64)
    for way in range(step.size):
        step[way] = ROW_STEP[way] * width + COL_STEP[way]
    return step

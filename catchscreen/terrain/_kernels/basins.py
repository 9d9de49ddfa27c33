"""Basin labels: every cell gets the label of the seed that its water reaches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import parallel_kernel, prange
from catchscreen.terrain._kernels.directions import COL_STEP, NO_GROUND, NO_GROUND_LABEL, NO_LABEL, ROW_STEP

_STACK = 1024
_BLOCK = 256


@parallel_kernel
def blank_labels(code: NDArray[np.uint8], label: NDArray[np.int32]) -> None:
    """Set every label to NO_LABEL, and to NO_GROUND_LABEL off the ground."""
    for row in prange(code.shape[0]):
        for col in range(code.shape[1]):
            label[row, col] = NO_GROUND_LABEL if code[row, col] == NO_GROUND else NO_LABEL


@parallel_kernel
def spread_labels(code: NDArray[np.uint8], label: NDArray[np.int32], strips: int) -> None:
    """Follow each unlabelled cell's water to the first labelled cell and label the way there.

    Strips of rows run apart and may meet on one way: they then write the same value. Every way must end in a label.

    Parameters
    ----------
    code : (rows + 2, cols + 2) uint8. label : (rows + 2, cols + 2) int32, seeds set, NO_LABEL elsewhere; changed in
    place.
    """
    height, width = code.shape
    step = ROW_STEP * width + COL_STEP
    flat_code = code.ravel()
    flat_label = label.ravel()
    for strip in prange(strips):
        first = height * strip // strips
        last = height * (strip + 1) // strips
        way = np.empty(_STACK, dtype=np.int64)
        for block_row in range(first, last, _BLOCK):
            for block_col in range(0, width, _BLOCK):
                for row in range(block_row, min(last, block_row + _BLOCK)):
                    for i in range(row * width + block_col, row * width + min(width, block_col + _BLOCK)):
                        if flat_label[i] != NO_LABEL:
                            continue
                        depth = 0
                        j = i
                        while flat_label[j] == NO_LABEL:
                            if depth < _STACK:
                                way[depth] = j
                            depth += 1
                            j += step[flat_code[j]]
                        found = flat_label[j]
                        for u in range(min(depth, _STACK)):
                            flat_label[way[u]] = found
                        if depth > _STACK:
                            j = way[_STACK - 1] + step[flat_code[way[_STACK - 1]]]
                            while flat_label[j] == NO_LABEL:
                                flat_label[j] = found
                                j += step[flat_code[j]]

"""Outlines of the regions of equal class in a raster, on cell edges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel

ROW_STEP = np.array([0, 1, 0, -1], dtype=np.int64)
COL_STEP = np.array([1, 0, -1, 0], dtype=np.int64)
"""Walking east along a cell's top, south along its right side, west along its bottom, north along its left side."""


@kernel
def label_regions(codes: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give each region of side-connected cells of equal code a number, in row order; codes below 0 get -1."""
    rows, cols = codes.shape
    label = np.full((rows, cols), -1, np.int64)
    stack = np.empty(rows * cols, np.int64)
    code_of = np.empty(rows * cols, np.int64)
    count = 0
    for row in range(rows):
        for col in range(cols):
            if codes[row, col] < 0 or label[row, col] >= 0:
                continue
            code_of[count] = codes[row, col]
            label[row, col] = count
            stack[0] = row * cols + col
            height = 1
            while height:
                height -= 1
                r = stack[height] // cols
                c = stack[height] % cols
                for side in range(4):
                    r2 = r + ROW_STEP[side]
                    c2 = c + COL_STEP[side]
                    if 0 <= r2 < rows and 0 <= c2 < cols and label[r2, c2] < 0 and codes[r2, c2] == codes[row, col]:
                        label[r2, c2] = count
                        stack[height] = r2 * cols + c2
                        height += 1
            count += 1
    return label, code_of[:count]


@kernel
def is_region(label: NDArray[np.int64], row: int, col: int, region: int) -> bool:
    """Say whether a cell lies in a region (cells beyond the edge lie in none)."""
    return 0 <= row < label.shape[0] and 0 <= col < label.shape[1] and label[row, col] == region


@kernel
def trace_regions(
    label: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Walk around every region with the region on the right hand.

    Returns the corners (col, row) of all rings, closed; where each ring starts; its region; whether it is a hole. A
    ring that meets itself in a corner is taken apart there, so that each ring is simple.
    """
    rows, cols = label.shape
    done = np.zeros((rows, cols, 4), np.bool_)
    position = np.full((rows + 1) * (cols + 1), -1, np.int64)
    walk = np.empty(4 * rows * cols + 4, np.int64)
    corners = np.empty((8 * rows * cols + 8, 2), np.int64)
    ring_start = np.zeros(4 * rows * cols + 2, np.int64)
    ring_region = np.empty(4 * rows * cols + 1, np.int64)
    ring_is_hole = np.empty(4 * rows * cols + 1, np.bool_)
    used = 0
    rings = 0
    for row in range(rows):
        for col in range(cols):
            region = label[row, col]
            for first_side in range(4):
                if region < 0 or done[row, col, first_side]:
                    continue
                if is_region(label, row + ROW_STEP[(first_side + 3) % 4], col + COL_STEP[(first_side + 3) % 4], region):
                    continue
                r, c, side = row, col, first_side
                length = 0
                while not done[r, c, side]:
                    done[r, c, side] = True
                    # The corner at the end of this side, then where the outline goes from it.
                    corner = (r + (side in (1, 2))) * (cols + 1) + c + (side in (0, 1))
                    ahead_r = r + ROW_STEP[side]
                    ahead_c = c + COL_STEP[side]
                    beside_r = ahead_r + ROW_STEP[(side + 3) % 4]
                    beside_c = ahead_c + COL_STEP[(side + 3) % 4]
                    if not is_region(label, ahead_r, ahead_c, region):
                        side = (side + 1) % 4
                    elif not is_region(label, beside_r, beside_c, region):
                        r, c = ahead_r, ahead_c
                        continue
                    else:
                        r, c, side = beside_r, beside_c, (side + 3) % 4
                    if position[corner] >= 0:
                        used, length = close_ring(walk, position, position[corner], length, corners, used, cols)
                        ring_is_hole[rings] = is_hole(corners, ring_start[rings], used)
                        ring_region[rings] = region
                        rings += 1
                        ring_start[rings] = used
                    position[corner] = length
                    walk[length] = corner
                    length += 1
                used, length = close_ring(walk, position, 0, length, corners, used, cols)
                ring_is_hole[rings] = is_hole(corners, ring_start[rings], used)
                ring_region[rings] = region
                rings += 1
                ring_start[rings] = used
    return corners[:used], ring_start[: rings + 1], ring_region[:rings], ring_is_hole[:rings]


@kernel
def close_ring(
    walk: NDArray[np.int64],
    position: NDArray[np.int64],
    begin: int,
    length: int,
    corners: NDArray[np.int64],
    used: int,
    cols: int,
) -> tuple[int, int]:
    """Write the walk from ``begin`` on as a closed ring, take it off the walk; return (corners used, length left)."""
    first = used
    for k in range(begin, length):
        corners[used, 0] = walk[k] % (cols + 1)
        corners[used, 1] = walk[k] // (cols + 1)
        position[walk[k]] = -1
        used += 1
    corners[used, 0] = corners[first, 0]
    corners[used, 1] = corners[first, 1]
    return used + 1, begin


@kernel
def is_hole(corners: NDArray[np.int64], begin: int, end: int) -> bool:
    """Say whether a ring runs the way of a hole (counter-clockwise as seen with rows running down)."""
    doubled = 0
    for k in range(begin, end - 1):
        doubled += corners[k, 0] * corners[k + 1, 1] - corners[k + 1, 0] * corners[k, 1]
    return doubled < 0

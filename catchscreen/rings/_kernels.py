"""Regions of equal code in a raster and the rings around them, on cell edges: work that grows with cells and edges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel

COL_STEP = np.array([1, 0, -1, 0], dtype=np.int64)
ROW_STEP = np.array([0, 1, 0, -1], dtype=np.int64)
"""Sides 0 to 3 of a cell are walked east along its top, south, west along its bottom, north."""

COL_AT = np.array([1, 1, 0, 0], dtype=np.int64)
ROW_AT = np.array([0, 1, 1, 0], dtype=np.int64)
"""The corner at the end of each side, from the cell's first corner."""


@kernel
def _head(parent: NDArray[np.int32], number: int) -> int:
    """Return the least number joined with this one, halving the way there."""
    while parent[number] != number:
        parent[number] = parent[parent[number]]
        number = parent[number]
    return number


@kernel
def label_regions(codes: NDArray[np.int32]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Give each region of side-connected cells of equal code a number, in row order; codes below 0 get -1.

    Returns
    -------
    label : (rows, cols) int32. code_of : (regions,) int32.
    """
    rows, cols = codes.shape
    label = np.full((rows, cols), -1, np.int32)
    parent = np.empty(64, np.int32)
    found = 0
    for row in range(rows):
        for col in range(cols):
            code = codes[row, col]
            if code < 0:
                continue
            above = row > 0 and codes[row - 1, col] == code
            if col > 0 and codes[row, col - 1] == code:
                own = label[row, col - 1]
                if above and label[row - 1, col] != own:
                    one = _head(parent, own)
                    two = _head(parent, label[row - 1, col])
                    parent[max(one, two)] = min(one, two)
            elif above:
                own = label[row - 1, col]
            else:
                if found == parent.size:
                    longer = np.empty(2 * found, np.int32)
                    longer[:found] = parent
                    parent = longer
                own = np.int32(found)
                parent[found] = found
                found += 1
            label[row, col] = own
    # A number is never less than the head of its region, and heads come in row order.
    regions = 0
    for number in range(found):
        if parent[number] == number:
            parent[number] = regions
            regions += 1
        else:
            parent[number] = parent[parent[number]]
    code_of = np.empty(regions, np.int32)
    for row in range(rows):
        for col in range(cols):
            if label[row, col] >= 0:
                label[row, col] = parent[label[row, col]]
                code_of[label[row, col]] = codes[row, col]
    return label, code_of


@kernel
def count_sides(label: NDArray[np.int32]) -> int:
    """Count the sides between cells beside each other in a row that differ."""
    count = 0
    for row in range(label.shape[0]):
        own = label[row]
        for col in range(1, label.shape[1]):
            count += int(own[col - 1] != own[col])
    return count


@kernel
def list_meetings(label: NDArray[np.int32]) -> NDArray[np.int64]:
    """List the corners in which a region meets itself, ascending; a corner has the number of the cell south-east of it.

    Parameters
    ----------
    label : framed, flat numbers count the frame.
    """
    rows, cols = label.shape
    count = 0
    for row in range(1, rows):
        above, below = label[row - 1], label[row]
        for col in range(1, cols):
            one = (above[col - 1] == below[col]) & (below[col] >= 0)
            two = (above[col] == below[col - 1]) & (above[col] >= 0)
            count += int((one != two) | (one & two & (above[col] != below[col])))
    found = np.empty(count, np.int64)
    if count == 0:
        return found
    place = 0
    for row in range(1, rows):
        above, below = label[row - 1], label[row]
        for col in range(1, cols):
            one = (above[col - 1] == below[col]) & (below[col] >= 0) & (above[col] != below[col])
            two = (above[col] == below[col - 1]) & (above[col] >= 0) & (above[col] != below[col])
            one &= below[col - 1] != below[col]
            two &= above[col - 1] != above[col]
            if one | two:
                found[place] = row * cols + col
                place += 1
    return found[:place]


@kernel
def _longer(values: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the values with as much room again."""
    longer = np.empty((2 * values.shape[0], values.shape[1]), values.dtype)
    longer[: values.shape[0]] = values
    return longer


@kernel
def trace_regions(label: NDArray[np.int32]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Walk around every region with the region on the right hand.

    A walk begins at its first cell in row order, with a top or, around a hole, a bottom side. A walk that meets itself
    in a corner is taken apart there, so that each ring is simple.

    Parameters
    ----------
    label : as ``label_regions`` gives it, in a frame of -1: each region is of side-connected cells.

    Returns
    -------
    corners : (n, 2) column and row of the rings' corners, the first not repeated; rows run down. rings : (rings + 1, 3)
    the first corner of each ring, its region, whether it is a hole (counter-clockwise as seen); last, n.
    """
    width = label.shape[1]
    flat = label.ravel()
    meeting = list_meetings(label)
    position = np.full(meeting.size, -1, np.int64)
    done = np.zeros(label.size, np.uint8)
    step = np.array([1, width, -1, -width])
    # Each second side of a walk goes along a column, and it passes none of them twice.
    walk = np.empty((2 * count_sides(label), 3), np.int64)
    corners = np.empty((256, 2), np.int64)
    rings = np.zeros((64, 3), np.int64)
    count = 0
    for start in range(width, label.size - width):
        region = flat[start]
        if region < 0 or (flat[start - width] == region and flat[start + width] == region):
            continue
        for first_side in (0, 2):
            if done[start] & (1 << first_side) or flat[start + step[3 - first_side]] == region:
                continue
            cell, side = start, first_side
            row, col = start // width - 1, start % width - 1
            length = 0
            while True:
                done[cell] |= np.uint8(1 << side)
                ahead = cell + step[side]
                beside = ahead - step[(side + 1) & 3]
                at_col, at_row = col + COL_AT[side], row + ROW_AT[side]
                meets = np.int64(-1)
                turns = True
                if flat[ahead] != region:
                    if flat[beside] == region:
                        meets = np.int64(np.searchsorted(meeting, (at_row + 1) * width + at_col + 1))
                    side = (side + 1) & 3
                else:
                    cell, col, row = ahead, col + COL_STEP[side], row + ROW_STEP[side]
                    turns = flat[beside] == region
                    if turns:
                        side = (side + 3) & 3
                        cell, col, row = beside, col + COL_STEP[side], row + ROW_STEP[side]
                if turns:
                    if meets >= 0 and position[meets] >= 0:
                        begin = position[meets]
                        corners, rings = close_ring(walk[begin:length], position, corners, rings, count)
                        rings[count, 1] = region
                        count += 1
                        length = begin
                    if meets >= 0:
                        position[meets] = length
                    walk[length, 0], walk[length, 1], walk[length, 2] = at_col, at_row, meets
                    length += 1
                if cell == start and side == first_side:
                    break
            corners, rings = close_ring(walk[:length], position, corners, rings, count)
            rings[count, 1] = region
            count += 1
    return corners[: rings[count, 0]], rings[: count + 1]


@kernel
def close_ring(
    walk: NDArray[np.int64],
    position: NDArray[np.int64],
    corners: NDArray[np.int64],
    rings: NDArray[np.int64],
    count: int,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Write a walk (column, row, meeting) as ring number ``count``; return the corners and rings, longer if need be."""
    first = rings[count, 0]
    last = first + walk.shape[0]
    while last > corners.shape[0]:
        corners = _longer(corners)
    if count + 2 > rings.shape[0]:
        rings = _longer(rings)
    doubled = np.int64(0)
    before_col, before_row = walk[-1, 0], walk[-1, 1]
    for k in range(walk.shape[0]):
        col, row = walk[k, 0], walk[k, 1]
        corners[first + k, 0], corners[first + k, 1] = col, row
        doubled += before_col * row - col * before_row
        before_col, before_row = col, row
        if walk[k, 2] >= 0:
            position[walk[k, 2]] = -1
    rings[count, 2] = np.int64(doubled < 0)
    rings[count + 1, 0] = last
    return corners, rings


@kernel
def place_rings(
    corners: NDArray[np.int64],
    rings: NDArray[np.int64],
    order: NDArray[np.int64],
    corner: tuple[int, int],
    frame: tuple[float, float, float, float],
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the points (x, y) of the rings in some order, closed, and where each begins.

    Parameters
    ----------
    corners, rings : of ``trace_regions``. order : (rings,). corner : row and column of the first cell in the grid.
    frame : left, top, cell width and height of the grid.
    """
    left, top, cell_width, cell_height = frame
    points = np.empty((corners.shape[0] + order.size, 2), np.float64)
    starts = np.empty(order.size + 1, np.int64)
    place = 0
    for u in range(order.size):
        starts[u] = place
        first, last = rings[order[u], 0], rings[order[u] + 1, 0]
        for k in range(first, last):
            points[place, 0] = left + (corners[k, 0] + corner[1]) * cell_width
            points[place, 1] = top - (corners[k, 1] + corner[0]) * cell_height
            place += 1
        points[place] = points[starts[u]]
        place += 1
    starts[order.size] = place
    return points, starts

"""Exact share of each grid cell that a polygon covers.

Write a row of cells as unit squares. An edge that climbs by dy inside the row takes dy of cover from every cell to its
right and, of the cell that it crosses, the part to its right. Both are written as increments, so that one running sum
along the row gives each cell's covered share: the cell gets the part, the next cell the rest of dy. Rings of any number
of parts and holes add up with their signs. Coordinates are in cells, columns to the right, rows down.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel


@kernel
def add_edge_in_row(increments: NDArray[np.float64], x_first: float, x_last: float, height: float) -> None:
    """Add an edge that runs from ``x_first`` to ``x_last`` within one row and climbs by ``height`` (signed)."""
    low = min(x_first, x_last)
    high = max(x_first, x_last)
    first = int(np.floor(low))
    last = int(np.floor(high))
    if first == last:
        part = height * (first + 1 - 0.5 * (low + high))
        increments[first] += part
        increments[first + 1] += height - part
        return
    per_col = height / (high - low)
    begin = low
    for col in range(first, last + 1):
        end = min(float(col + 1), high)
        rise = per_col * (end - begin)
        part = rise * (col + 1 - 0.5 * (begin + end))
        increments[col] += part
        increments[col + 1] += rise - part
        begin = end


@kernel
def add_ring(
    increments: NDArray[np.float64],
    xy: NDArray[np.float64],
    begin: int,
    end: int,
    window: tuple[int, int, int, int],
    span: NDArray[np.int64],
) -> None:
    """Add the edges of one closed ring, clipped to the window (first row, first col, rows, cols).

    ``span`` (rows, 2) is widened to the first and last column that edges touch in each row.
    """
    top, left, rows, cols = window
    for k in range(begin, end - 1):
        x1 = xy[k, 0] - left
        y1 = xy[k, 1] - top
        x2 = xy[k + 1, 0] - left
        y2 = xy[k + 1, 1] - top
        if y1 == y2:
            continue
        sign = 1.0
        if y1 > y2:
            x1, y1, x2, y2, sign = x2, y2, x1, y1, -1.0
        slope = (x2 - x1) / (y2 - y1)
        first = max(0, int(np.floor(y1)))
        last = min(rows - 1, int(np.ceil(y2)) - 1)
        for row in range(first, last + 1):
            y_in = max(y1, float(row))
            y_out = min(y2, float(row + 1))
            if y_out <= y_in:
                continue
            x_in = x1 if y_in == y1 else x1 + slope * (y_in - y1)
            x_out = x2 if y_out == y2 else x1 + slope * (y_out - y1)
            span[row, 0] = min(span[row, 0], int(max(0.0, min(x_in, x_out))))
            span[row, 1] = max(span[row, 1], int(min(float(cols), max(0.0, x_in, x_out))))
            add_clipped(increments[row], x_in, x_out, sign * (y_out - y_in), cols)


@kernel
def add_clipped(increments: NDArray[np.float64], x_in: float, x_out: float, height: float, cols: int) -> None:
    """Add an edge of one row, its parts beside the window pushed onto the window's sides."""
    if x_in > x_out:
        x_in, x_out = x_out, x_in
    if x_in >= cols:
        return
    if x_out <= 0.0:
        increments[0] += height
        return
    if x_in < 0.0 or x_out >= cols:
        per_col = height / (x_out - x_in)
        increments[0] += per_col * max(0.0, -x_in)
        x_in = max(x_in, 0.0)
        # The last column is open to the right: an edge that ends on it writes one cell further.
        x_out = min(x_out, float(cols))
        height = per_col * (x_out - x_in)
    add_edge_in_row(increments, x_in, x_out, height)


@kernel
def window_of(bounds: NDArray[np.float64], rows: int, cols: int) -> tuple[int, int, int, int]:
    """Return (first row, first col, rows, cols) of the cells that a box (left, top, right, bottom in cells) touches."""
    left = max(0, int(np.floor(bounds[0])))
    top = max(0, int(np.floor(bounds[1])))
    right = min(cols, int(np.ceil(bounds[2])))
    bottom = min(rows, int(np.ceil(bounds[3])))
    return top, left, max(0, bottom - top), max(0, right - left)


@kernel
def cover_window(
    xy: NDArray[np.float64], ring_start: NDArray[np.int64], rings: tuple[int, int], window: tuple[int, int, int, int]
) -> NDArray[np.float64]:
    """Return the covered share of each cell of the window, signed by the rings' sense (two columns are spare)."""
    shares = np.zeros((window[2], window[3] + 2))
    span = open_spans(window[2], window[3])
    for ring in range(rings[0], rings[1]):
        add_ring(shares, xy, ring_start[ring], ring_start[ring + 1], window, span)
    for row in range(window[2]):
        running = 0.0
        for col in range(window[3]):
            running += shares[row, col]
            shares[row, col] = running
    return shares


@kernel
def open_spans(rows: int, cols: int) -> NDArray[np.int64]:
    """Return spans of columns, (rows, 2), that hold none yet."""
    span = np.empty((rows, 2), np.int64)
    span[:, 0] = cols
    span[:, 1] = -1
    return span


@kernel
def sum_row(
    increments: NDArray[np.float64],
    classes: NDArray[np.uint8],
    first_col: int,
    span: NDArray[np.int64],
    sums: NDArray[np.float64],
) -> None:
    """Add the covered cells of one row to the sums of their classes, and set the row back to zero.

    Between edges the share stays and only cells are counted: the sums are touched where share or class change.
    """
    running = 0.0
    code = np.uint8(0)
    cells = 0
    for col in range(span[0], min(span[1] + 2, increments.size - 2)):
        step = increments[col]
        here = classes[first_col + col]
        if step != 0.0 or here != code:
            sums[code] += running * cells
            running += step
            code = here
            cells = 1
            increments[col] = 0.0
        else:
            cells += 1
    sums[code] += running * cells
    increments[increments.size - 2] = 0.0
    increments[increments.size - 1] = 0.0


@kernel
def sum_by_class(
    xy: NDArray[np.float64],
    ring_start: NDArray[np.int64],
    polygon_start: NDArray[np.int64],
    bounds: NDArray[np.float64],
    classes: NDArray[np.uint8],
    class_count: int,
) -> NDArray[np.float64]:
    """Return (polygons, class_count) covered cells of each class."""
    count = polygon_start.size - 1
    sums = np.zeros((count, class_count))
    largest = 0
    for k in range(count):
        window = window_of(bounds[k], classes.shape[0], classes.shape[1])
        largest = max(largest, window[2] * (window[3] + 2))
    # One working array: each row is set back to zero when it has been read.
    work = np.zeros(largest)
    for k in range(count):
        top, left, rows, cols = window_of(bounds[k], classes.shape[0], classes.shape[1])
        increments = work[: rows * (cols + 2)].reshape((rows, cols + 2))
        span = open_spans(rows, cols)
        for ring in range(polygon_start[k], polygon_start[k + 1]):
            add_ring(increments, xy, ring_start[ring], ring_start[ring + 1], (top, left, rows, cols), span)
        for row in range(rows):
            sum_row(increments[row], classes[top + row], left, span[row], sums[k])
        for code in range(class_count):
            sums[k, code] = abs(sums[k, code])
    return sums


@kernel
def sum_by_label(
    xy: NDArray[np.float64],
    ring_start: NDArray[np.int64],
    polygon_start: NDArray[np.int64],
    bounds: NDArray[np.float64],
    labels: NDArray[np.int64],
    label_count: int,
    found: NDArray[np.int64],
    cells: NDArray[np.float64],
) -> int:
    """Write the labels 0..label_count-1 that each polygon touches, and the covered cells of each.

    ``found`` takes polygon * label_count + label, polygon by polygon. Returns how many were found; where ``found`` and
    ``cells`` have no room for them all, the rest is counted only.
    """
    used = 0
    sums = np.zeros(label_count)
    touched = np.empty(label_count, np.int64)
    seen = np.full(label_count, -1, np.int64)
    for k in range(polygon_start.size - 1):
        window = window_of(bounds[k], labels.shape[0], labels.shape[1])
        shares = cover_window(xy, ring_start, (polygon_start[k], polygon_start[k + 1]), window)
        count = 0
        for row in range(window[2]):
            for col in range(window[3]):
                share = shares[row, col]
                if share == 0.0:
                    continue
                code = labels[window[0] + row, window[1] + col]
                if seen[code] != k:
                    seen[code] = k
                    sums[code] = 0.0
                    touched[count] = code
                    count += 1
                sums[code] += share
        for place in range(count):
            if used < found.size:
                found[used] = k * label_count + touched[place]
                cells[used] = abs(sums[touched[place]])
            used += 1
    return used


@kernel
def cover_windows(
    xy: NDArray[np.float64],
    ring_start: NDArray[np.int64],
    polygon_start: NDArray[np.int64],
    windows: NDArray[np.int64],
    start: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Return the covered shares of the cells of each polygon's window (first row, first col, rows, cols), end to end.

    ``start`` says where each window's cells begin, row by row, and where the last ones end.
    """
    flat = np.zeros(start[-1])
    for k in range(polygon_start.size - 1):
        window = (windows[k, 0], windows[k, 1], windows[k, 2], windows[k, 3])
        shares = cover_window(xy, ring_start, (polygon_start[k], polygon_start[k + 1]), window)
        place = start[k]
        for row in range(window[2]):
            for col in range(window[3]):
                flat[place] = abs(shares[row, col])
                place += 1
    return flat


@kernel
def mean_under(
    xy: NDArray[np.float64],
    ring_start: NDArray[np.int64],
    polygon_start: NDArray[np.int64],
    bounds: NDArray[np.float64],
    values: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the mean of the values under each polygon, weighted by covered cell share; NaN cells are left out."""
    count = polygon_start.size - 1
    means = np.full(count, np.nan)
    for k in range(count):
        window = window_of(bounds[k], values.shape[0], values.shape[1])
        shares = cover_window(xy, ring_start, (polygon_start[k], polygon_start[k + 1]), window)
        total = 0.0
        weight = 0.0
        for row in range(window[2]):
            for col in range(window[3]):
                value = values[window[0] + row, window[1] + col]
                if shares[row, col] != 0.0 and not np.isnan(value):
                    total += shares[row, col] * value
                    weight += shares[row, col]
        if abs(weight) > 1e-9:
            means[k] = total / weight
    return means


@kernel
def burn_labels(
    xy: NDArray[np.float64],
    ring_start: NDArray[np.int64],
    polygon_start: NDArray[np.int64],
    bounds: NDArray[np.float64],
    rows: int,
    cols: int,
) -> NDArray[np.int32]:
    """Return (rows, cols) the number of the polygon that covers at least half of each cell, or -1; of two the first."""
    label = np.full((rows, cols), -1, np.int32)
    for k in range(polygon_start.size - 1):
        window = window_of(bounds[k], rows, cols)
        shares = cover_window(xy, ring_start, (polygon_start[k], polygon_start[k + 1]), window)
        for row in range(window[2]):
            for col in range(window[3]):
                if abs(shares[row, col]) >= 0.5 and label[window[0] + row, window[1] + col] < 0:
                    label[window[0] + row, window[1] + col] = k
    return label

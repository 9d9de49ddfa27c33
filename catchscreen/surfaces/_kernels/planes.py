"""Planes of a roof, grown from its smoothest cells: no random draws, ties by cell number.

All arrays are windows (rows, cols): level [m] of the surface model, and the cells that count. Lengths are in metres.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel


@kernel
def solve_plane(sums: NDArray[np.float64]) -> tuple[float, float, float, bool]:
    """Solve z = a x + b y + c from n, Sx, Sy, Sz, Sxx, Sxy, Syy, Sxz, Syz; False where the points lie on a line."""
    n = sums[0]
    mean_x = sums[1] / n
    mean_y = sums[2] / n
    mean_z = sums[3] / n
    xx = sums[4] - n * mean_x * mean_x
    xy = sums[5] - n * mean_x * mean_y
    yy = sums[6] - n * mean_y * mean_y
    xz = sums[7] - n * mean_x * mean_z
    yz = sums[8] - n * mean_y * mean_z
    det = xx * yy - xy * xy
    if det <= 1e-9 * max(xx * yy, 1e-12):
        return 0.0, 0.0, mean_z, False
    a = (xz * yy - yz * xy) / det
    b = (yz * xx - xz * xy) / det
    return a, b, mean_z - a * mean_x - b * mean_y, True


@kernel
def add_point(sums: NDArray[np.float64], x: float, y: float, z: float) -> None:
    """Add one point to the sums of a plane."""
    sums[0] += 1.0
    sums[1] += x
    sums[2] += y
    sums[3] += z
    sums[4] += x * x
    sums[5] += x * y
    sums[6] += y * y
    sums[7] += x * z
    sums[8] += y * z


@kernel
def local_gradients(
    level: NDArray[np.float64], counts: NDArray[np.bool_], width: float, height: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (rows, cols, 2) gradient of the plane through each cell's 3 x 3 cells, and its RMS error (inf: none)."""
    rows, cols = level.shape
    gradient = np.zeros((rows, cols, 2))
    error = np.full((rows, cols), np.inf)
    for row in range(rows):
        for col in range(cols):
            if not counts[row, col]:
                continue
            sums = np.zeros(9)
            for r in range(max(0, row - 1), min(rows, row + 2)):
                for c in range(max(0, col - 1), min(cols, col + 2)):
                    if counts[r, c]:
                        add_point(sums, (c - col) * width, (row - r) * height, level[r, c] - level[row, col])
            if sums[0] < 6.0:
                continue
            a, b, constant, solved = solve_plane(sums)
            if not solved:
                continue
            squares = 0.0
            for r in range(max(0, row - 1), min(rows, row + 2)):
                for c in range(max(0, col - 1), min(cols, col + 2)):
                    if counts[r, c]:
                        rest = level[r, c] - level[row, col] - constant - a * (c - col) * width - b * (row - r) * height
                        squares += rest * rest
            gradient[row, col, 0] = a
            gradient[row, col, 1] = b
            error[row, col] = np.sqrt(squares / sums[0])
    return gradient, error


@kernel
def grow_plane(
    level: NDArray[np.float64],
    counts: NDArray[np.bool_],
    plane_of: NDArray[np.int64],
    seed: int,
    start: tuple[float, float],
    cell: tuple[float, float],
    number: int,
    tolerance: float,
) -> tuple[int, float, float, float]:
    """Grow one plane from a seed over cells within the tolerance, refitted as it grows; return (cells, a, b, c)."""
    rows, cols = level.shape
    queue = np.empty(rows * cols, np.int64)
    sums = np.zeros(9)
    queue[0] = seed
    plane_of[seed // cols, seed % cols] = number
    a, b = start
    c = level[seed // cols, seed % cols] - a * (seed % cols) * cell[0] + b * (seed // cols) * cell[1]
    head = 0
    tail = 1
    refit_at = 9
    while head < tail:
        here = queue[head]
        head += 1
        row = here // cols
        col = here % cols
        add_point(sums, col * cell[0], -row * cell[1], level[row, col])
        if sums[0] >= refit_at:
            refit_at = int(1.5 * refit_at) + 1
            new_a, new_b, new_c, solved = solve_plane(sums)
            if solved:
                a, b, c = new_a, new_b, new_c
        for step in range(4):
            r = row + (step == 0) - (step == 2)
            k = col + (step == 1) - (step == 3)
            if r < 0 or r >= rows or k < 0 or k >= cols or not counts[r, k] or plane_of[r, k] != -1:
                continue
            if abs(level[r, k] - a * k * cell[0] + b * r * cell[1] - c) <= tolerance:
                plane_of[r, k] = number
                queue[tail] = r * cols + k
                tail += 1
    new_a, new_b, new_c, solved = solve_plane(sums)
    if solved:
        a, b, c = new_a, new_b, new_c
    return tail, a, b, c


@kernel
def fit_planes(
    level: NDArray[np.float64],
    counts: NDArray[np.bool_],
    cell: tuple[float, float],
    tolerance: float,
    min_cells: int,
    max_planes: int,
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Divide the counted cells into planes.

    Returns
    -------
    plane_of : (rows, cols) number of the plane, -1 for cells on none (plant, edges, noise)
    planes : (n, 4) a, b, c of z = a x + b y + c with x = col * width, y = -row * height; and the RMS error [m]
    """
    rows, cols = level.shape
    gradient, error = local_gradients(level, counts, cell[0], cell[1])
    order = np.argsort(error.ravel(), kind="mergesort")
    plane_of = np.full((rows, cols), -1, np.int64)
    planes = np.zeros((max_planes, 4))
    found = 0
    for place in range(order.size):
        seed = order[place]
        if error[seed // cols, seed % cols] > tolerance or found == max_planes:
            break
        if plane_of[seed // cols, seed % cols] != -1:
            continue
        start = (gradient[seed // cols, seed % cols, 0], gradient[seed // cols, seed % cols, 1])
        size, a, b, c = grow_plane(level, counts, plane_of, seed, start, cell, found, tolerance)
        if size < min_cells:
            # Too small for a roof plane: its cells are marked as tried, and freed at the end.
            rename_plane(plane_of, found, -2)
            continue
        planes[found, 0] = a
        planes[found, 1] = b
        planes[found, 2] = c
        found += 1
    rename_plane(plane_of, -2, -1)
    settle_cells(level, counts, plane_of, planes[:found], cell, tolerance)
    return plane_of, planes[:found]


@kernel
def rename_plane(plane_of: NDArray[np.int64], old: int, new: int) -> None:
    """Give all cells of one plane another number."""
    for row in range(plane_of.shape[0]):
        for col in range(plane_of.shape[1]):
            if plane_of[row, col] == old:
                plane_of[row, col] = new


@kernel
def settle_cells(
    level: NDArray[np.float64],
    counts: NDArray[np.bool_],
    plane_of: NDArray[np.int64],
    planes: NDArray[np.float64],
    cell: tuple[float, float],
    tolerance: float,
) -> None:
    """Refit each plane without its worst cells, then give each cell at a border to the plane that fits it best."""
    rows, cols = level.shape
    found = planes.shape[0]
    for _ in range(2):
        for number in range(found):
            sums = np.zeros(9)
            for row in range(rows):
                for col in range(cols):
                    if plane_of[row, col] == number:
                        rest = level[row, col] - plane_level(planes[number], row, col, cell)
                        if abs(rest) <= 0.67 * tolerance:
                            add_point(sums, col * cell[0], -row * cell[1], level[row, col])
            if sums[0] >= 3.0:
                a, b, c, solved = solve_plane(sums)
                if solved:
                    planes[number, 0] = a
                    planes[number, 1] = b
                    planes[number, 2] = c
        before = plane_of.copy()
        for row in range(rows):
            for col in range(cols):
                if counts[row, col]:
                    plane_of[row, col] = best_neighbour(level, before, planes, row, col, cell, tolerance)
    squares = np.zeros(found)
    cells = np.zeros(found)
    for row in range(rows):
        for col in range(cols):
            number = plane_of[row, col]
            if number >= 0:
                rest = level[row, col] - plane_level(planes[number], row, col, cell)
                squares[number] += rest * rest
                cells[number] += 1.0
    for number in range(found):
        planes[number, 3] = np.sqrt(squares[number] / max(cells[number], 1.0))


@kernel
def plane_level(plane: NDArray[np.float64], row: int, col: int, cell: tuple[float, float]) -> float:
    """Return the level of a plane at a cell."""
    return plane[0] * col * cell[0] - plane[1] * row * cell[1] + plane[2]


@kernel
def best_neighbour(
    level: NDArray[np.float64],
    plane_of: NDArray[np.int64],
    planes: NDArray[np.float64],
    row: int,
    col: int,
    cell: tuple[float, float],
    tolerance: float,
) -> int:
    """Return the plane of the cell or of a neighbour that lies nearest to its level, -1 where none is near enough."""
    best = -1
    nearest = tolerance
    for r in range(max(0, row - 1), min(level.shape[0], row + 2)):
        for c in range(max(0, col - 1), min(level.shape[1], col + 2)):
            number = plane_of[r, c]
            if number >= 0:
                rest = abs(level[row, col] - plane_level(planes[number], row, col, cell))
                if rest < nearest or (rest == nearest and best == -1):
                    nearest = rest
                    best = number
    return best

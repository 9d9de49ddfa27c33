"""Planes of roofs, grown from their smoothest cells: no random draws, ties by cell number.

Each roof has a window of cells (row by row); the windows' values stand end to end, ``start`` says where each begins and
where the last one ends, ``cols`` how many columns each has. Level [m] is that of the surface model, ``inside`` marks
the cells that count. Lengths are in metres; x runs along the columns and y against the rows from a window's first cell.
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
    level: NDArray[np.float64],
    inside: NDArray[np.bool_],
    start: NDArray[np.int64],
    cols: NDArray[np.int64],
    cell: tuple[float, float],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (cells, 2) gradient of the plane through each cell's 3 x 3 cells, and its RMS error (inf: none)."""
    gradient = np.zeros((level.size, 2))
    error = np.full(level.size, np.inf)
    sums = np.zeros(9)
    near = np.empty((9, 3))
    for window in range(cols.size):
        width = cols[window]
        for here in range(start[window], start[window + 1]):
            if not inside[here]:
                continue
            for k in range(9):
                sums[k] = 0.0
            count = 0
            col = (here - start[window]) % width
            for down in range(-1, 2):
                for right in range(-1, 2):
                    other = here + down * width + right
                    if other < start[window] or other >= start[window + 1] or col + right < 0 or col + right >= width:
                        continue
                    if inside[other]:
                        near[count, 0] = right * cell[0]
                        near[count, 1] = -down * cell[1]
                        near[count, 2] = level[other] - level[here]
                        add_point(sums, near[count, 0], near[count, 1], near[count, 2])
                        count += 1
            if count < 6:
                continue
            a, b, c, solved = solve_plane(sums)
            if not solved:
                continue
            gradient[here, 0] = a
            gradient[here, 1] = b
            squares = 0.0
            for k in range(count):
                rest = near[k, 2] - c - a * near[k, 0] - b * near[k, 1]
                squares += rest * rest
            error[here] = np.sqrt(squares / count)
    return gradient, error


@kernel
def grow_plane(
    window: tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.int64]],
    width: int,
    seed: int,
    slope: tuple[float, float],
    cell: tuple[float, float],
    tolerance: float,
    queue: NDArray[np.int64],
) -> tuple[int, float, float, float]:
    """Grow one plane in a window (level, inside, plane_of) from a seed over cells within the tolerance.

    It is refitted as it grows. Its cells are marked by -2 and listed in ``queue``; returns (cells, a, b, c).
    """
    level, inside, plane_of = window
    sums = np.zeros(9)
    queue[0] = seed
    plane_of[seed] = -2
    a, b = slope
    c = level[seed] - a * (seed % width) * cell[0] + b * (seed // width) * cell[1]
    head = 0
    tail = 1
    refit_at = 9.0
    while head < tail:
        here = queue[head]
        head += 1
        row = here // width
        col = here % width
        add_point(sums, col * cell[0], -row * cell[1], level[here])
        if sums[0] >= refit_at:
            refit_at = np.floor(1.5 * refit_at) + 1.0
            new_a, new_b, new_c, solved = solve_plane(sums)
            if solved:
                a, b, c = new_a, new_b, new_c
        for step in range(4):
            other = here + width if step == 0 else here + 1 if step == 1 else here - width if step == 2 else here - 1
            if (step == 1 and col == width - 1) or (step == 3 and col == 0) or other < 0 or other >= level.size:
                continue
            if not inside[other] or plane_of[other] != -1:
                continue
            if abs(level[other] - a * (other % width) * cell[0] + b * (other // width) * cell[1] - c) <= tolerance:
                plane_of[other] = -2
                queue[tail] = other
                tail += 1
    new_a, new_b, new_c, solved = solve_plane(sums)
    if solved:
        a, b, c = new_a, new_b, new_c
    return tail, a, b, c


@kernel
def grow_planes(
    level: NDArray[np.float64],
    inside: NDArray[np.bool_],
    gradient: NDArray[np.float64],
    seeds: NDArray[np.int64],
    seed_start: NDArray[np.int64],
    start: NDArray[np.int64],
    cols: NDArray[np.int64],
    cell: tuple[float, float],
    rule: tuple[float, int, int],
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]:
    """Divide the cells of each window into planes, one after the other from its ``seeds``, the smoothest first.

    ``rule`` is the tolerance [m], the fewest cells of a plane and the most planes of a window. Returns each cell's
    plane (-1 none), (windows, planes, 4) a, b, c of z = a x + b y + c and room for the error, and the planes' count.
    """
    tolerance, min_cells, max_planes = rule
    plane_of = np.full(level.size, -1, np.int64)
    planes = np.zeros((cols.size, max_planes, 4))
    count = np.zeros(cols.size, np.int64)
    queue = np.empty(level.size, np.int64)
    for window in range(cols.size):
        begin = start[window]
        end = start[window + 1]
        own = (level[begin:end], inside[begin:end], plane_of[begin:end])
        for place in range(seed_start[window], seed_start[window + 1]):
            seed = seeds[place]
            if count[window] == max_planes:
                break
            if plane_of[seed] != -1:
                continue
            slope = (gradient[seed, 0], gradient[seed, 1])
            size, a, b, c = grow_plane(own, cols[window], seed - begin, slope, cell, tolerance, queue)
            if size < min_cells:
                # Too small for a roof plane: its cells stay marked as tried, and are freed by the caller.
                continue
            for k in range(size):
                own[2][queue[k]] = count[window]
            planes[window, count[window], 0] = a
            planes[window, count[window], 1] = b
            planes[window, count[window], 2] = c
            count[window] += 1
    return plane_of, planes, count


@kernel
def settle_cells(
    level: NDArray[np.float64],
    inside: NDArray[np.bool_],
    plane_of: NDArray[np.int64],
    planes: NDArray[np.float64],
    start: NDArray[np.int64],
    cols: NDArray[np.int64],
    cell: tuple[float, float],
    tolerance: float,
) -> None:
    """Refit each plane without its worst cells, then give each cell at a border to the plane that fits it best."""
    sums = np.zeros((planes.shape[1], 9))
    before = np.empty_like(plane_of)
    for window in range(cols.size):
        begin = start[window]
        end = start[window + 1]
        width = cols[window]
        for _ in range(2):
            sums[:] = 0.0
            for here in range(begin, end):
                number = plane_of[here]
                before[here] = number
                if number >= 0:
                    row = (here - begin) // width
                    col = (here - begin) % width
                    if abs(level[here] - plane_level(planes[window, number], row, col, cell)) <= 0.67 * tolerance:
                        add_point(sums[number], col * cell[0], -row * cell[1], level[here])
            for number in range(planes.shape[1]):
                if sums[number, 0] >= 3.0:
                    a, b, c, solved = solve_plane(sums[number])
                    if solved:
                        planes[window, number, 0] = a
                        planes[window, number, 1] = b
                        planes[window, number, 2] = c
            for here in range(begin, end):
                if not inside[here]:
                    continue
                row = (here - begin) // width
                col = (here - begin) % width
                best = -1
                nearest = tolerance
                for down in range(-1, 2):
                    for right in range(-1, 2):
                        other = here + down * width + right
                        if other < begin or other >= end or col + right < 0 or col + right >= width:
                            continue
                        number = before[other]
                        if number >= 0:
                            rest = abs(level[here] - plane_level(planes[window, number], row, col, cell))
                            if rest < nearest or (rest == nearest and best == -1):
                                nearest = rest
                                best = number
                plane_of[here] = best


@kernel
def plane_level(plane: NDArray[np.float64], row: int, col: int, cell: tuple[float, float]) -> float:
    """Return the level of a plane at a cell."""
    return plane[0] * col * cell[0] - plane[1] * row * cell[1] + plane[2]

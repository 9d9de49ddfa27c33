"""A second opinion on the hollow at Station Passage: flood fill and receivers, with nothing but numpy.

The generator steers and asserts the figures with this module; the package is never asked.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from ambrel_vale.frame import CELL_M, Array

Mask = NDArray[np.bool_]
_AROUND = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))


@dataclass(frozen=True)
class Hollow:
    """A hollow filled to its spill: figures, its cells and the cells that drain to it."""

    depth_m: float
    area_m2: float
    volume_m3: float
    spill_level_m: float
    upstream_ha: float
    wet: Mask
    upstream: Mask


def flood(ground: Array) -> tuple[Array, NDArray[np.int64], NDArray[np.int64]]:
    """Fill every depression to its lowest way out over the edge of the array.

    Returns the filled levels, for each cell the flat number of the cell that the flood came from (-1 on the edge), and
    the order in which cells were reached.
    """
    rows, cols = ground.shape
    level = ground.ravel().tolist()
    came = [-2] * len(level)
    order: list[int] = []
    heap: list[tuple[float, int]] = []
    for cell in range(len(level)):
        row, col = divmod(cell, cols)
        if row in (0, rows - 1) or col in (0, cols - 1):
            came[cell] = -1
            heap.append((level[cell], cell))
    heapq.heapify(heap)
    steps = [dr * cols + dc for dr, dc in _AROUND]
    while heap:
        height, cell = heapq.heappop(heap)
        order.append(cell)
        if came[cell] == -1:
            row, col = divmod(cell, cols)
            near = [(row + dr) * cols + col + dc for dr, dc in _AROUND if 0 <= row + dr < rows and 0 <= col + dc < cols]
        else:
            near = [cell + step for step in steps]
        for other in near:
            if came[other] == -2:
                came[other] = cell
                level[other] = max(level[other], height)
                heapq.heappush(heap, (level[other], other))
    return np.array(level).reshape(rows, cols), np.array(came), np.array(order)


def receivers(filled: Array, came: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return for each cell the steepest lower neighbour, or where none is lower the cell that the flood came from."""
    rows, cols = filled.shape
    padded = np.pad(filled, 1, constant_values=np.inf)
    best = np.zeros((rows, cols))
    target = came.reshape(rows, cols).copy()
    number = np.arange(rows * cols).reshape(rows, cols)
    for dr, dc in _AROUND:
        drop = (filled - padded[1 + dr : 1 + dr + rows, 1 + dc : 1 + dc + cols]) / np.hypot(dr, dc)
        steeper = drop > best + 1e-12
        best = np.where(steeper, drop, best)
        target = np.where(steeper, number + dr * cols + dc, target)
    target = np.where(came.reshape(rows, cols) == -1, -1, target)
    return target.ravel()


def upstream_of(mask: Mask, target: NDArray[np.int64]) -> Mask:
    """Return the cells whose water reaches the mask, the mask included, by doubling the steps followed."""
    n = target.size
    nxt = np.where(target < 0, n, target)
    nxt = np.append(nxt, n)
    hit = np.append(mask.ravel(), False)
    nxt[:-1][mask.ravel()] = n  # a cell of the mask has arrived
    for _ in range(22):
        hit = hit | hit[nxt]
        nxt = nxt[nxt]
    return hit[:-1].reshape(mask.shape)


def measure(ground: Array, seed: tuple[int, int]) -> Hollow:
    """Measure the hollow that holds the seed cell."""
    filled, came, _ = flood(ground)
    spill = filled[seed]
    pieces, _ = label((filled > ground + 1e-9) & (np.abs(filled - spill) < 1e-6), structure=np.ones((3, 3)))
    wet = pieces == pieces[seed] if pieces[seed] else np.zeros_like(pieces, dtype=bool)
    depth = np.where(wet, spill - ground, 0.0)
    upstream = upstream_of(wet, receivers(filled, came))
    cell = CELL_M * CELL_M
    return Hollow(
        float(depth.max()),
        float(wet.sum() * cell),
        float(depth.sum() * cell),
        float(spill),
        float(upstream.sum() * cell / 1e4),
        wet,
        upstream,
    )


def level_for(ground: Array, hollow: Hollow, volume_m3: float) -> float:
    """Return the level at which the hollow holds a volume."""
    levels = np.sort(ground[hollow.wet])
    held = (np.arange(1, len(levels) + 1) * levels - np.cumsum(levels)) * CELL_M * CELL_M
    if volume_m3 >= hollow.volume_m3:
        return hollow.spill_level_m
    place = int(np.searchsorted(held, volume_m3, side="right"))
    return float((volume_m3 / CELL_M**2 + np.cumsum(levels)[place - 1]) / place)

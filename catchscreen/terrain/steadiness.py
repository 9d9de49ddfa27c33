"""Would a shallow hollow still be there if the ground model erred a little? A share of perturbed grounds."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.terrain._kernels.directions import VOID, WALL
from catchscreen.terrain.routing import direction_weights, route
from catchscreen.tiles import Source, Tile, framed_window
from catchscreen.units import TICKS_PER_M

SEED: Final = 20_240_501
DEEP_IN_SD: Final = 6.0
"""A hollow deeper than so many standard deviations is not drawn for: it persists."""

RANGE_PER_SIGMA: Final = 2.0 * np.sqrt(3.0)
"""Practical range of a Gaussian covariance over the width of the Gaussian kernel that makes it."""


def persistence(
    hollows: gpd.GeoDataFrame, level: Source, filled: Source, grid: Grid, options: TerrainOptions
) -> NDArray[np.float64]:
    """Return the share of perturbed grounds in which each hollow still holds at least what the filters ask for.

    The error is Gaussian and correlated in space (``noise_sd_m``, ``noise_range_m``), drawn ``noise_draws`` times in a
    window around the hollow; the draws are keyed to its spill point, so that they are the same whatever else is in the
    data. NaN without draws.

    Parameters
    ----------
    level, filled : (rows, cols) int32 [ticks], of which windows are read.
    """
    share = np.full(len(hollows), np.nan)
    if options.noise_draws == 0:
        return share
    margin = int(np.ceil(options.noise_range_m / min(grid.cell_width_m, grid.cell_height_m)))
    for number, row in enumerate(hollows.itertuples()):
        if row.depth_m > DEEP_IN_SD * options.noise_sd_m:
            share[number] = 1.0
            continue
        left, bottom, right, top = row.geometry.bounds
        first_col = max(round((left - grid.left) / grid.cell_width_m) - margin, 0)
        last_col = min(round((right - grid.left) / grid.cell_width_m) + margin, grid.cols)
        first_row = max(round((grid.top - top) / grid.cell_height_m) - margin, 0)
        last_row = min(round((grid.top - bottom) / grid.cell_height_m) + margin, grid.rows)
        window = Tile(0, 0, first_row, last_row, first_col, last_col)
        own, full = framed_window(level, window, VOID), framed_window(filled, window, VOID)
        wet = (full > own) & (full == round(row.spill_level_m * TICKS_PER_M))
        key = [SEED, int(row.spill_x * 100) % 2**32, int(row.spill_y * 100) % 2**32]
        share[number] = _share_held(own, wet, np.random.default_rng(key), grid, options)
    return share


def _share_held(
    level: NDArray[np.int32],
    wet: NDArray[np.bool_],
    rng: np.random.Generator,
    grid: Grid,
    options: TerrainOptions,
) -> float:
    """Return the share of draws in which the wet cells of a window still hold water as the filters ask."""
    held = 0
    for _ in range(options.noise_draws):
        error = correlated_error(level.shape, rng, grid, options.noise_sd_m, options.noise_range_m)
        moved = np.where(level < WALL, level + error, level).astype(np.int32)
        for line in (moved[0], moved[-1], moved[:, 0], moved[:, -1]):
            line[line < WALL] = WALL + 1
        depth = (route(moved, direction_weights(grid)).filled - moved)[wet]
        volume_m3 = int(depth.sum(dtype=np.int64)) * grid.cell_area_m2 / TICKS_PER_M
        deep_enough = int(depth.max(initial=0)) >= options.hollow_min_depth_m * TICKS_PER_M
        held += int(deep_enough and volume_m3 >= options.hollow_min_volume_m3)
    return held / options.noise_draws


def correlated_error(
    shape: tuple[int, int], rng: np.random.Generator, grid: Grid, sd_m: float, range_m: float
) -> NDArray[np.int64]:
    """Return a Gaussian error [ticks] with a standard deviation and a practical range, for a window of cells."""
    from scipy.ndimage import gaussian_filter  # noqa: PLC0415 (a tenth of the start, and most runs draw no noise)

    sigma = range_m / RANGE_PER_SIGMA / np.array([grid.cell_height_m, grid.cell_width_m])
    pad = np.ceil(4.0 * sigma).astype(int)
    white = rng.standard_normal((shape[0] + 2 * pad[0], shape[1] + 2 * pad[1]))
    smooth = gaussian_filter(white, sigma)[pad[0] : pad[0] + shape[0], pad[1] : pad[1] + shape[1]]
    spread = np.prod([_kernel_norm(float(width)) for width in sigma])
    return np.rint(smooth / spread * sd_m * TICKS_PER_M).astype(np.int64)


def _kernel_norm(sigma: float) -> float:
    """Return what smoothing does to a standard deviation: the root of the sum of the squared weights."""
    reach = np.arange(-int(4.0 * sigma + 0.5), int(4.0 * sigma + 0.5) + 1)
    weight = np.exp(-0.5 * (reach / sigma) ** 2)
    return float(np.sqrt(((weight / weight.sum()) ** 2).sum()))

"""How a depth is spread over a storm: alternating blocks, symmetrical peaks, a mass curve, or evenly.

References
----------
Chow, Maidment and Mays, Applied Hydrology, 1988, section 14.4 (alternating block method).
Flood Studies Report, 1975, volume 2, and Flood Estimation Handbook, 1999, volume 2 (symmetrical profiles; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SYMMETRICAL: Final = {"summer": (0.100, 0.815), "winter": (0.060, 1.026)}
"""Season: a and b of y = (1 - a^z)/(1 - a), z = x^b; y is the share of the depth in the middle share x of the time."""


def reduced_variate(return_period_years: Floats | float) -> Floats:
    """Gumbel reduced variate of a return period in years; minus infinity for a year or less."""
    chance = 1.0 - 1.0 / np.maximum(np.asarray(return_period_years, np.float64), 1.0)
    with np.errstate(divide="ignore"):
        return np.asarray(-np.log(-np.log(chance)), np.float64)


def depth_column(table: pd.DataFrame, return_period_years: float) -> Floats | None:
    """Depths [mm] of one return period for all tabulated durations; None outside the table (nothing is extrapolated).

    Between two tabulated periods the depth is interpolated on the Gumbel reduced variate.
    """
    periods = table.columns.to_numpy(np.float64)
    exact = np.flatnonzero(np.isclose(periods, return_period_years, rtol=1e-9))
    if exact.size:
        return table.iloc[:, int(exact[0])].to_numpy(np.float64)
    if not periods.min() < return_period_years < periods.max():
        return None
    right = int(np.searchsorted(periods, return_period_years))
    low, high, here = reduced_variate(np.array([periods[right - 1], periods[right], return_period_years]))
    if not np.isfinite(low):
        return None
    share = (here - low) / (high - low)
    depths = table.to_numpy(np.float64)
    return np.asarray(depths[:, right - 1] * (1.0 - share) + depths[:, right] * share, np.float64)


def depth_at(durations_min: Floats, depths_mm: Floats, duration_min: Floats | float) -> Floats:
    """Interpolate depth [mm] over duration, straight on log-log paper; the caller stays within the table."""
    at = np.asarray(duration_min, np.float64)
    between = np.exp(np.interp(np.log(at), np.log(durations_min), np.log(depths_mm)))
    near = np.clip(np.searchsorted(durations_min, at), 0, durations_min.size - 1)
    return np.asarray(np.where(durations_min[near] == at, depths_mm[near], between), np.float64)


def block_length_min(duration_min: float, shortest_min: float) -> float:
    """Length of equal blocks, none shorter than the shortest tabulated duration."""
    return duration_min / max(int(duration_min / shortest_min + 1e-9), 1)


def step_length_min(block_min: float, duration_min: float, longest_min: float) -> float:
    """Length of a step: a whole part of a block, at most ``longest_min``, finer (down to 1 min) in short storms."""
    wanted = min(max(duration_min / 60.0, 1.0), longest_min)
    return block_min / np.ceil(block_min / wanted - 1e-9)


def alternate(increments: Floats) -> Floats:
    """Order blocks by size around the middle: the greatest there, the next to its right, then its left, and so on.

    The middle of an even number of blocks is the left one of the two in the middle.
    """
    ranked = np.sort(increments)[::-1]
    order = np.empty_like(ranked)
    middle = (ranked.size - 1) // 2
    for rank, depth in enumerate(ranked):
        offset = (rank + 1) // 2
        order[middle + offset if rank % 2 else middle - offset] = depth
    return order


def alternating_blocks(durations_min: Floats, depths_mm: Floats, duration_min: float, block_min: float) -> Floats:
    """Block depths [mm] of a storm whose every duration up to its own has its tabulated depth."""
    count = round(duration_min / block_min)
    ends = block_min * np.arange(1.0, count + 1.0)
    cumulative = depth_at(durations_min, depths_mm, ends)
    return alternate(np.diff(np.concatenate([[0.0], cumulative])))


def symmetrical_curve(season: str, share_of_time: Floats) -> Floats:
    """Share of the depth that has fallen by a share of the duration, for a storm peaked in the middle."""
    a, b = SYMMETRICAL[season]
    distance = np.abs(2.0 * share_of_time - 1.0)
    within = (1.0 - a ** (distance**b)) / (1.0 - a)
    return np.asarray(0.5 + np.sign(share_of_time - 0.5) * within / 2.0, np.float64)


def curve_blocks(curve_times: Sequence[float], curve_depths: Sequence[float], depth_mm: float, count: int) -> Floats:
    """Block depths [mm] read from a mass curve (shares of duration and depth)."""
    at = np.linspace(0.0, 1.0, count + 1)
    return np.asarray(depth_mm * np.diff(np.interp(at, curve_times, curve_depths)), np.float64)


def spread_blocks(blocks_mm: Floats, steps_per_block: int) -> Floats:
    """Divide each block evenly into steps."""
    return np.repeat(blocks_mm / steps_per_block, steps_per_block)


def formula_depths_mm(
    durations_min: Sequence[float], periods_years: Sequence[float], factors: tuple[float, float, float, float]
) -> pd.DataFrame:
    """Depth table from an intensity formula i = k T^n / (t + b)^m [mm/h], t in minutes; factors are k, n, b, m."""
    k, n, b, m = factors
    t = np.asarray(durations_min, np.float64)[:, None]
    period = np.asarray(periods_years, np.float64)[None, :]
    depth = k * period**n / (t + b) ** m * t / 60.0
    return pd.DataFrame(depth, index=pd.Index(t[:, 0], name="duration_min"), columns=period[0])

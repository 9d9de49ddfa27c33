"""Statistics of a rain record: gaps, annual maxima, L-moments, extreme-value distributions.

References
----------
Hosking and Wallis, Regional Frequency Analysis, 1997 (L-moments; generalised extreme value and Gumbel by L-moments).
Chow, Maidment and Mays, Applied Hydrology, 1988, chapter 12 (return periods of annual maxima and of all peaks).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

EULER: Final = 0.5772156649015329
FEWEST_YEARS: Final = 5
MOST_MISSING: Final = 0.1
"""A year with a greater share of missing steps gives no maximum."""
NO_SHAPE: Final = 1e-7
HALVINGS: Final = 80


@dataclass(frozen=True, slots=True)
class ExtremeValue:
    """Generalised extreme value distribution in Hosking's sign: location, scale, shape (0 is Gumbel)."""

    location: float
    scale: float
    shape: float

    def quantile(self, probability: ArrayLike) -> Floats:
        """Value that is not exceeded with a probability."""
        reduced = -np.log(np.asarray(probability, np.float64))
        if self.shape == 0.0:
            return np.asarray(self.location - self.scale * np.log(reduced), np.float64)
        return np.asarray(self.location + self.scale * (1.0 - reduced**self.shape) / self.shape, np.float64)

    def probability(self, value: ArrayLike) -> Floats:
        """Probability that a value is not exceeded."""
        y = (np.asarray(value, np.float64) - self.location) / self.scale
        if self.shape == 0.0:
            return np.asarray(np.exp(-np.exp(-y)), np.float64)
        return np.asarray(np.exp(-(np.maximum(1.0 - self.shape * y, 0.0) ** (1.0 / self.shape))), np.float64)


@dataclass(frozen=True, slots=True)
class RecordSummary:
    """What a rain record holds: steps, missing steps, gaps, longest gap [h], doubtful steps, years, mean [mm/yr]."""

    steps: int
    missing: int
    gaps: int
    longest_gap_h: float
    doubtful: int
    complete_years: int
    annual_mm: float


def step_minutes(series: pd.Series) -> float:
    """Length of a record's step [min]."""
    index = pd.DatetimeIndex(series.index)
    return float((index[1] - index[0]).total_seconds() / 60.0)


def summarise_record(series: pd.Series) -> RecordSummary:
    """Count steps, gaps and doubtful values: below zero, or above 5 mm/min, which no record has kept up."""
    values = series.to_numpy(np.float64)
    missing = np.isnan(values)
    edges = np.diff(np.concatenate([[0], missing.astype(np.int64), [0]]))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    hours = step_minutes(series) / 60.0
    doubtful = int(((values < 0.0) | (values > 300.0 * hours)).sum())
    year = pd.DatetimeIndex(series.index).year
    complete = _complete_years(series)
    inside = np.isin(year, complete)
    annual = float(np.nanmean(values[inside]) * 8765.82 / hours) if inside.any() else float("nan")
    longest = float((ends - starts).max() * hours) if starts.size else 0.0
    return RecordSummary(values.size, int(missing.sum()), int(starts.size), longest, doubtful, len(complete), annual)


def _complete_years(series: pd.Series) -> list[int]:
    """Years of which at most a tenth is missing, counted against a full year of steps."""
    index = pd.DatetimeIndex(series.index)
    present = series.notna().groupby(index.year).sum()
    days = np.array([366.0 if pd.Timestamp(int(y), 1, 1).is_leap_year else 365.0 for y in present.index])
    full = days * 1440.0 / step_minutes(series)
    return [int(y) for y in present.index[present.to_numpy() >= (1.0 - MOST_MISSING) * full]]


def annual_maxima(series: pd.Series, durations_min: ArrayLike) -> pd.DataFrame:
    """Greatest depth [mm] of each complete calendar year in a window of each duration.

    Windows with a gap are passed over; a window belongs to the year in which it ends. Durations must be whole steps.
    """
    step = step_minutes(series)
    year = pd.DatetimeIndex(series.index).year
    years = _complete_years(series)
    out = pd.DataFrame(index=pd.Index(years, name="year"))
    for duration in np.asarray(durations_min, np.float64):
        depth = series.rolling(round(float(duration) / step)).sum()
        out[float(duration)] = depth.groupby(year).max().reindex(years).to_numpy(np.float64)
    return out


def l_moments(sample: ArrayLike, count: int = 4) -> Floats:
    """Unbiased sample L-moments: l1, l2, then the ratios t3, t4, ... up to ``count``.

    Parameters
    ----------
    sample : (n,) or (samples, n). Moments are taken over the last axis.

    Returns
    -------
    (count,) or (count, samples)
    """
    x = np.sort(np.asarray(sample, np.float64), axis=-1)
    n = x.shape[-1]
    rank = np.arange(n, dtype=np.float64)
    weights = np.ones(n)
    betas = []
    for r in range(count):
        betas.append((weights * x).sum(axis=-1) / n)
        weights = weights * (rank - r) / max(n - 1.0 - r, 1.0)
    moments = [
        sum((-1.0) ** (r - k) * math.comb(r, k) * math.comb(r + k, k) * betas[k] for k in range(r + 1))
        for r in range(count)
    ]
    return np.array([*moments[:2], *(moment / moments[1] for moment in moments[2:])])


def fit_many(samples: Floats, distribution: str) -> Floats:
    """Fit "gev" or "gumbel" by L-moments to each row.

    Gumbel has scale l2 / ln 2 and location l1 - 0.5772 scale. The shape of the generalised extreme value distribution
    is solved from t3 exactly; within 1e-7 of none it is Gumbel.

    Parameters
    ----------
    samples : (samples, n) values.

    Returns
    -------
    (samples, 3) location, scale, shape
    """
    first, second, skew = l_moments(samples, 3)
    scale = second / math.log(2.0)
    out = np.column_stack([first - EULER * scale, scale, np.zeros_like(scale)])
    if distribution == "gev":
        shape = _gev_shapes(skew)
        bent = np.abs(shape) >= NO_SHAPE
        k = shape[bent]
        gamma = np.array([math.gamma(1.0 + one) for one in k])
        wide = second[bent] * k / ((1.0 - 2.0**-k) * gamma)
        out[bent] = np.column_stack([first[bent] - wide * (1.0 - gamma) / k, wide, k])
    return out


def fit_gumbel(sample: ArrayLike) -> ExtremeValue:
    """Gumbel distribution of one sample by L-moments."""
    return ExtremeValue(*(float(x) for x in fit_many(np.asarray(sample, np.float64)[None], "gumbel")[0]))


def fit_gev(sample: ArrayLike) -> ExtremeValue:
    """Generalised extreme value distribution of one sample by L-moments."""
    return ExtremeValue(*(float(x) for x in fit_many(np.asarray(sample, np.float64)[None], "gev")[0]))


def _gev_shapes(skews: Floats) -> Floats:
    """Solve t3 = 2 (1 - 3^-k)/(1 - 2^-k) - 3 by halving for all skews at once; t3 falls as k rises."""
    low, high = np.full(skews.shape, -0.999), np.full(skews.shape, 20.0)
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        middle[middle == 0.0] = 1e-12
        above = 2.0 * np.expm1(-middle * math.log(3.0)) / np.expm1(-middle * math.log(2.0)) - 3.0 > skews
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.asarray((low + high) / 2.0, np.float64)


def annual_period(return_period_years: float) -> float:
    """Return period of annual maxima for one counted over all peaks: 1 / (1 - exp(-1/T)), used below 5 years."""
    if return_period_years >= FEWEST_YEARS:
        return return_period_years
    return min(1.0 / -math.expm1(-1.0 / return_period_years), float(FEWEST_YEARS))

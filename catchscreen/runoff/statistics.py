"""From a rain record to depths: annual maxima, L-moments, extreme-value distributions, and how sure they are.

References
----------
Hosking and Wallis, Regional Frequency Analysis, 1997 (L-moments; generalised extreme value and Gumbel by L-moments).
Chow, Maidment and Mays, Applied Hydrology, 1988, chapter 12 (return periods of annual maxima and of all peaks).
World Meteorological Organization, Guide to Hydrological Practices (factors for fixed windows; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from catchscreen.options import RainOptions

Floats = NDArray[np.float64]

EULER: Final = 0.5772156649015329
FEWEST_YEARS: Final = 5
MOST_MISSING: Final = 0.1
"""A year with a greater share of missing steps gives no maximum."""
DRAWS: Final = 400
SEED: Final = 20_250_101

WINDOW_FACTORS: Final = ((1, 1.13), (2, 1.04), (4, 1.03), (8, 1.02), (24, 1.01))
"""Up to so many steps in the window: true maximum over the maximum of fixed steps (from memory)."""


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
class DepthEstimate:
    """Depths from a record: table, low and high (index duration_min, columns years; None without one), and from what.

    maxima : index year, columns duration_min, annual maxima [mm]. warnings : sentences for the reader.
    """

    table: pd.DataFrame | None
    low: pd.DataFrame | None
    high: pd.DataFrame | None
    maxima: pd.DataFrame
    warnings: tuple[str, ...]


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
    """Unbiased sample L-moments: l1, l2, then the ratios t3, t4, ... up to ``count``."""
    x = np.sort(np.asarray(sample, np.float64))
    n = x.size
    rank = np.arange(n, dtype=np.float64)
    weights = np.ones(n)
    betas = []
    for r in range(count):
        betas.append(float((weights * x).sum() / n))
        weights = weights * (rank - r) / max(n - 1.0 - r, 1.0)
    moments = [
        sum((-1.0) ** (r - k) * math.comb(r, k) * math.comb(r + k, k) * betas[k] for k in range(r + 1))
        for r in range(count)
    ]
    return np.array([*moments[:2], *(moment / moments[1] for moment in moments[2:])])


def fit_gumbel(sample: ArrayLike) -> ExtremeValue:
    """Gumbel distribution by L-moments: scale l2 / ln 2, location l1 - 0.5772 scale."""
    first, second = l_moments(sample, 2)
    scale = float(second) / math.log(2.0)
    return ExtremeValue(float(first) - EULER * scale, scale, 0.0)


def fit_gev(sample: ArrayLike) -> ExtremeValue:
    """Generalised extreme value distribution by L-moments, with the shape solved from t3 exactly."""
    first, second, skew = l_moments(sample, 3)
    shape = _gev_shape(float(skew))
    if abs(shape) < 1e-7:
        return fit_gumbel(sample)
    gamma = math.gamma(1.0 + shape)
    scale = float(second) * shape / ((1.0 - 2.0**-shape) * gamma)
    return ExtremeValue(float(first) - scale * (1.0 - gamma) / shape, scale, shape)


def _gev_shape(skew: float) -> float:
    """Solve t3 = 2 (1 - 3^-k)/(1 - 2^-k) - 3 by halving; t3 falls as k rises."""

    def ratio(shape: float) -> float:
        return 2.0 * math.expm1(-shape * math.log(3.0)) / math.expm1(-shape * math.log(2.0)) - 3.0

    low, high = -0.999, 20.0
    for _ in range(200):
        middle = (low + high) / 2.0 or 1e-12
        low, high = (middle, high) if ratio(middle) > skew else (low, middle)
    return (low + high) / 2.0


def annual_period(return_period_years: float) -> float:
    """Return period of annual maxima for one counted over all peaks: 1 / (1 - exp(-1/T)), used below 5 years."""
    if return_period_years >= FEWEST_YEARS:
        return return_period_years
    return min(1.0 / -math.expm1(-1.0 / return_period_years), float(FEWEST_YEARS))


def window_factor(steps: int) -> float:
    """Return the factor from the maximum of fixed steps to the true maximum, by the number of steps in the window."""
    return next((factor for most, factor in WINDOW_FACTORS if steps <= most), 1.0)


def estimate_depths(series: pd.Series, options: RainOptions) -> DepthEstimate:
    """Make a depth table from a record, with its confidence limits, or say why it cannot be made.

    Durations shorter than twice the step are refused, not extrapolated.
    """
    step = step_minutes(series)
    warnings: list[str] = []
    durations = []
    for duration in sorted(set(options.durations_min)):
        if duration < 2.0 * step - 1e-9:
            warnings.append(f"{duration:g} min is shorter than twice the record's step of {step:g} min: left out.")
        elif abs(duration / step - round(duration / step)) > 1e-9:
            warnings.append(f"{duration:g} min is not a whole number of the record's steps of {step:g} min: left out.")
        else:
            durations.append(duration)
    maxima = annual_maxima(series, durations)
    years = len(maxima)
    if not durations or years < FEWEST_YEARS:
        warnings.append(f"{years} complete years and {len(durations)} durations: no depth table is made of the record.")
        return DepthEstimate(None, None, None, maxima, tuple(warnings))
    periods = sorted({*options.return_periods_years, options.sizing_return_period_years})
    beyond = [f"{period:g}" for period in periods if period > years]
    if beyond:
        warnings.append(f"The record has {years} complete years: 1-in-{', 1-in-'.join(beyond)} lie beyond it.")
    distribution = options.distribution
    factors = [window_factor(round(d / step)) if options.correct_fixed_windows else 1.0 for d in durations]
    tables = _fit_tables(maxima, (periods, factors), distribution, options.confidence)
    if distribution == "gev" and (np.diff(tables[0].to_numpy(), axis=0) <= 0.0).any():
        warnings.append("Depths by the GEV distribution cross between durations: Gumbel is used.")
        distribution = "gumbel"
        tables = _fit_tables(maxima, (periods, factors), distribution, options.confidence)
    if options.correct_fixed_windows:
        warnings.append("Fixed-window maxima are raised to true maxima by stated factors (from memory).")
    warnings.append(f"Depths are from {years} annual maxima by L-moments ({distribution}).")
    return DepthEstimate(*tables, maxima, tuple(warnings))


def _fit_tables(
    maxima: pd.DataFrame, wanted: tuple[list[float], list[float]], distribution: str, confidence: float
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Fit each duration for the wanted periods, with a factor for each duration; return depths and their limits."""
    periods, factors = wanted
    chance = 1.0 - 1.0 / np.array([annual_period(period) for period in periods])
    tail = (1.0 - confidence) / 2.0
    rows = []
    for duration, factor in zip(maxima.columns, factors, strict=True):
        sample = maxima[duration].dropna().to_numpy(np.float64)
        draws = _redraw(sample, chance, distribution)
        limits = np.quantile(draws, [tail, 1.0 - tail], axis=0)
        rows.append(np.vstack([_fit(sample, distribution).quantile(chance), limits]) * factor)
    cube = np.stack(rows)
    index = pd.Index([float(duration) for duration in maxima.columns], name="duration_min")
    return (
        pd.DataFrame(cube[:, 0], index=index, columns=periods),
        pd.DataFrame(cube[:, 1], index=index, columns=periods),
        pd.DataFrame(cube[:, 2], index=index, columns=periods),
    )


def _fit(sample: Floats, distribution: str) -> ExtremeValue:
    """Fit the named distribution."""
    return fit_gev(sample) if distribution == "gev" else fit_gumbel(sample)


def _redraw(sample: Floats, chance: Floats, distribution: str) -> Floats:
    """Quantiles of fits to samples drawn from the fit (parametric bootstrap, seeded): (draws, periods)."""
    fitted = _fit(sample, distribution)
    uniform = np.random.default_rng(SEED).random((DRAWS, sample.size))
    return np.stack([_fit(fitted.quantile(u), distribution).quantile(chance) for u in uniform])

"""From a rain record to depths: fits to annual maxima with their confidence limits, and the table that shows them.

References
----------
Hosking and Wallis, Regional Frequency Analysis, 1997 (fits by L-moments).
World Meteorological Organization, Guide to Hydrological Practices (factors for fixed windows; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.options import RainOptions
from catchscreen.runoff.statistics import FEWEST_YEARS, annual_maxima, annual_period, fit_many, step_minutes

Floats = NDArray[np.float64]

DRAWS: Final = 400
SEED: Final = 20_250_101
LEAST_SPREAD: Final = 1e-6
DISTRIBUTIONS: Final = {"gev": "GEV", "gumbel": "Gumbel"}
WINDOW_FACTORS: Final = ((1, 1.13), (2, 1.04), (4, 1.03), (8, 1.02), (24, 1.01))
"""Up to so many steps in the window: true maximum over the maximum of fixed steps (from memory)."""
COLUMNS: Final = (
    "return_period_years",
    "duration_min",
    "depth_mm",
    "low_mm",
    "high_mm",
    "kind",
    "source",
    "is_used",
    "is_beyond_record",
    "note",
)


@dataclass(frozen=True, slots=True)
class DepthEstimate:
    """Depths from a record: table, low and high (index duration_min, columns years; None without one), and from what.

    maxima : index year, columns duration_min, annual maxima [mm]. warnings : sentences for the reader. rows : both
    distributions cell by cell, with what was refused, as ``Storms.depth_table``; ``is_used`` marks those of ``table``.
    """

    table: pd.DataFrame | None
    low: pd.DataFrame | None
    high: pd.DataFrame | None
    maxima: pd.DataFrame
    warnings: tuple[str, ...]
    rows: pd.DataFrame


def window_factor(steps: int) -> float:
    """Return the factor from the maximum of fixed steps to the true maximum, by the number of steps in the window."""
    return next((factor for most, factor in WINDOW_FACTORS if steps <= most), 1.0)


def estimate_depths(series: pd.Series, options: RainOptions) -> DepthEstimate:
    """Make a depth table from a record, with its confidence limits, or say why it cannot be made.

    Durations shorter than twice the step are refused, not extrapolated.
    """
    step = step_minutes(series)
    refused = {duration: _refuse(duration, step) for duration in sorted(set(options.durations_min))}
    asked = [duration for duration, reason in refused.items() if not reason]
    maxima = annual_maxima(series, asked)
    refused |= {duration: reason for duration in asked if (reason := _refuse_sample(maxima[duration]))}
    durations = [duration for duration, reason in refused.items() if not reason]
    warnings = [f"{duration:g} min is {reason}: left out." for duration, reason in refused.items() if reason]
    maxima = maxima[durations]
    years = len(maxima)
    if not durations or years < FEWEST_YEARS:
        warnings.append(f"{years} complete years and {len(durations)} durations: no depth table is made of the record.")
        return DepthEstimate(None, None, None, maxima, tuple(warnings), _refused_rows(refused))
    periods = sorted({*options.return_periods_years, options.sizing_return_period_years})
    beyond = [f"{period:g}" for period in periods if period > years]
    if beyond:
        warnings.append(f"The record has {years} complete years: 1-in-{', 1-in-'.join(beyond)} lie beyond it.")
    distribution = options.distribution
    factors = [_factor(duration, step, options) for duration in durations]
    fits = {name: _fit_tables(maxima, (periods, factors), name, options.confidence) for name in DISTRIBUTIONS}
    if distribution == "gev" and (np.diff(fits["gev"][0].to_numpy(), axis=0) <= 0.0).any():
        warnings.append("Depths by the GEV distribution cross between durations: Gumbel is used.")
        distribution = "gumbel"
    if options.correct_fixed_windows:
        warnings.append("Fixed-window maxima are raised to true maxima by stated factors (from memory).")
    warnings.append(f"Depths are from {years} annual maxima by L-moments ({distribution}).")
    rows = [
        _fitted_rows(fits[name], (DISTRIBUTIONS[name], years, name == distribution), options.confidence)
        for name in DISTRIBUTIONS
    ]
    rows.append(_refused_rows(refused))
    return DepthEstimate(*fits[distribution], maxima, tuple(warnings), pd.concat(rows, ignore_index=True))


def _refuse(duration_min: float, step_min: float) -> str:
    """Say why a duration cannot be read from a record of this step; "" where it can."""
    if duration_min < 2.0 * step_min - 1e-9:
        return f"shorter than twice the record's step of {step_min:g} min"
    if abs(duration_min / step_min - round(duration_min / step_min)) > 1e-9:
        return f"not a whole number of the record's steps of {step_min:g} min"
    return ""


def _refuse_sample(maxima: pd.Series) -> str:
    """Say why no distribution can be fitted to a duration's annual maxima; "" where it can, or where years are few."""
    known = maxima.dropna().to_numpy(np.float64)
    if len(maxima) >= FEWEST_YEARS > known.size:
        return f"known in {known.size} years only, gaps lie in the others"
    if known.size >= FEWEST_YEARS and np.ptp(known) <= LEAST_SPREAD * known.max():
        return "without difference between the years"
    return ""


def _fit_tables(
    maxima: pd.DataFrame, wanted: tuple[list[float], list[float]], distribution: str, confidence: float
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Fit each duration for the wanted periods, with a factor for each duration; return depths and their limits.

    The limits are those of fits to samples drawn from the fit (parametric bootstrap, seeded).
    """
    periods, factors = wanted
    chance = 1.0 - 1.0 / np.array([annual_period(period) for period in periods])
    tail = (1.0 - confidence) / 2.0
    cube = np.empty((len(factors), 3, len(periods)))
    for place, (duration, factor) in enumerate(zip(maxima.columns, factors, strict=True)):
        sample = maxima[duration].dropna().to_numpy(np.float64)
        fitted = fit_many(sample[None], distribution)
        uniform = np.random.default_rng(SEED).random((DRAWS, sample.size))
        drawn = quantiles(fit_many(quantiles(fitted, uniform.ravel()).reshape(uniform.shape), distribution), chance)
        limits = np.quantile(drawn, [tail, 1.0 - tail], axis=0)
        cube[place] = np.vstack([quantiles(fitted, chance), limits]) * factor
    index = pd.Index([float(duration) for duration in maxima.columns], name="duration_min")
    depth, low, high = (pd.DataFrame(cube[:, part], index=index, columns=periods) for part in range(3))
    return depth, low, high


def quantiles(fits: Floats, chance: Floats) -> Floats:
    """Return (fits, chances) values that are not exceeded with a chance, from (fits, 3) location, scale, shape."""
    location, scale, shape = (column[:, None] for column in fits.T)
    reduced = -np.log(chance)[None, :]
    straight = shape == 0.0
    bent = np.where(straight, 1.0, shape)
    rise = np.where(straight, -np.log(reduced), (1.0 - reduced**bent) / bent)
    return np.asarray(location + scale * rise, np.float64)


def _fitted_rows(
    tables: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame], of: tuple[str, int, bool], confidence: float
) -> pd.DataFrame:
    """Lay one distribution's tables out cell by cell, with what a reader must know of each."""
    depth, low, high = tables
    name, years, used = of
    falls = depth.to_numpy() < np.maximum.accumulate(depth.to_numpy(), axis=0)
    source = f"record of {years} years, {name} by L-moments, {100.0 * confidence:g} % limits from {DRAWS} draws"
    rows = []
    for column, period in enumerate(depth.columns.to_numpy(np.float64).tolist()):
        notes = []
        if period > years:
            notes.append(f"beyond the record of {years} complete years")
        if annual_period(period) != period:
            notes.append(f"read at 1-in-{annual_period(period):.2f} of the annual maxima")
        for place, duration in enumerate(depth.index.to_numpy(np.float64).tolist()):
            cells = (float(table.to_numpy(np.float64)[place, column]) for table in (depth, low, high))
            less = ["less than in a shorter duration: the fits cross"] if falls[place, column] else []
            rows.append((period, duration, *cells, name, source, used, period > years, "; ".join([*notes, *less])))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _refused_rows(refused: dict[float, str]) -> pd.DataFrame:
    """Name the durations that the record cannot give: rows without a depth."""
    nothing = float("nan")
    rows = [
        (nothing, duration, nothing, nothing, nothing, "refused", "rain record", False, False, f"refused: {reason}")
        for duration, reason in refused.items()
        if reason
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def given_rows(table: pd.DataFrame, source: str) -> pd.DataFrame:
    """Lay a given table out cell by cell; its limits are unknown."""
    count = table.size
    return pd.DataFrame(
        {
            "return_period_years": np.repeat(table.columns.to_numpy(np.float64), len(table)),
            "duration_min": np.tile(table.index.to_numpy(np.float64), len(table.columns)),
            "depth_mm": table.to_numpy(np.float64).T.ravel(),
            "low_mm": np.full(count, np.nan),
            "high_mm": np.full(count, np.nan),
            "kind": np.full(count, "given", object),
            "source": np.full(count, source, object),
            "is_used": np.ones(count, bool),
            "is_beyond_record": np.zeros(count, bool),
            "note": np.full(count, "", object),
        }
    )


def list_maxima(maxima: pd.DataFrame, step_min: float, options: RainOptions) -> pd.DataFrame:
    """Lay annual maxima out row by row, with the factor that raises each from fixed windows."""
    years = maxima.index.to_numpy(np.int64)
    durations = maxima.columns.to_numpy(np.float64)
    factors = np.array([_factor(float(duration), step_min, options) for duration in durations])
    return pd.DataFrame(
        {
            "year": np.tile(years, durations.size),
            "duration_min": np.repeat(durations, years.size),
            "depth_mm": maxima.to_numpy(np.float64).T.ravel(),
            "window_factor": np.repeat(factors, years.size),
        }
    )


def _factor(duration_min: float, step_min: float, options: RainOptions) -> float:
    """Return the window factor of a duration, 1 where it is switched off."""
    return window_factor(round(duration_min / step_min)) if options.correct_fixed_windows else 1.0


def outside_limits(given: pd.DataFrame, record: pd.DataFrame) -> list[str]:
    """Name the given cells that lie outside the limits fitted to the record, where its years reach; both as rows."""
    fitted = record[record["is_used"].astype(bool) & ~record["is_beyond_record"].astype(bool)]
    met = given.merge(fitted, on=["return_period_years", "duration_min"], suffixes=("", "_fit"))
    odd = met[~met["depth_mm"].between(met["low_mm_fit"], met["high_mm_fit"])]
    columns = ("return_period_years", "duration_min", "depth_mm", "low_mm_fit", "high_mm_fit")
    return [
        f"1-in-{period:g} {duration:g} min {depth:.0f} mm ({low:.0f} to {high:.0f})"
        for period, duration, depth, low, high in zip(*(odd[name].tolist() for name in columns), strict=True)
    ]

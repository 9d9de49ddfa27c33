"""A rain series over years, brought to even steps that begin in UTC: traces, units, hours 1 to 24, local time, gaps."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from catchscreen.brief_sources import RainSeriesSource, Source
from catchscreen.inputs.columns import NOTHING, as_text
from catchscreen.inputs.desk import Desk, listed, refuse
from catchscreen.inputs.rainfall import MIDNIGHT, MM, as_utc, find_column, parse_times, quick_numbers
from catchscreen.inputs.tables import read_table

TIME_WORDS: Final = ("datetime", "timestamp", "time", "date", "yyyymmdd", "day")
HOUR_WORDS: Final = ("hh", "hour")
DEPTH_WORDS: Final = ("rain_mm", "rain", "precipitation", "precip", "rh", "rd", "prcp", "depth", "p_mm")
ANNUAL_MM: Final = (450.0, 3000.0)
IMPOSSIBLE_ANNUAL_MM: Final = (20.0, 13_000.0)
LONG_ENOUGH_YEARS: Final = 10.0
MINUTES: Final = pd.Timedelta(minutes=1)
DAYS_PER_YEAR: Final = 365.25
LOOKED_AT: Final = 300
"""More than a day of 5-minute steps."""


def read_rain_series(source: Source, desk: Desk) -> pd.Series[float]:
    """Read rain [mm] per step; index UTC start of each step, evenly spaced, gaps NaN.

    Raises
    ------
    InputsAtFault
        When columns cannot be told, times are no even steps, or the yearly total is impossible.
    """
    settings = source if isinstance(source, RainSeriesSource) else RainSeriesSource()
    times, raw, stamp = _columns_of(source, settings)
    depths = _clean_depths(raw, settings, source, desk)
    series = pd.Series(depths, index=as_utc(times, settings.time_zone, source), name="rain_mm")
    series = series[series.index.notna()].sort_index(kind="stable")
    twice = series.index.duplicated(keep="first")
    if twice.any():
        message = f"{int(twice.sum())} times stand twice; the first is kept."
        desk.note("repair", "duplicate-time", source, message)
        series = series[~twice]
    step = _step_of(series, settings, source)
    if (settings.stamp or stamp) == "end":
        series.index = pd.DatetimeIndex(series.index) - step
    series = _evenly(series, step, source, desk)
    _check_amounts(series, step, source, desk)
    return series


def _columns_of(source: Source, settings: RainSeriesSource) -> tuple[pd.DatetimeIndex, pd.Series, str]:
    """Return the times, the raw depths and whether a time stamps the start or the end of its step."""
    if isinstance(source.data, pd.Series) and isinstance(source.data.index, pd.DatetimeIndex):
        return source.data.index, source.data.reset_index(drop=True), "start"
    frame = read_table(source)
    names = [str(name) for name in frame.columns]
    when = settings.time_column or find_column(names, TIME_WORDS)
    hour = settings.hour_column or find_column([name for name in names if name.lower() in HOUR_WORDS], HOUR_WORDS)
    what = settings.depth_column or find_column(names, DEPTH_WORDS, when)
    for column, key in ((when, "time_column"), (what, "depth_column"), (hour or when, "hour_column")):
        if column not in names:
            said = f'There is no column "{column}".' if column else f"It is not clear which column is the {key}."
            raise refuse("missing-column", source, said, f"Set {key}. Columns are: {listed(names, 30)}.")
    times = pd.DatetimeIndex(parse_times(frame[str(when)], source))
    # A day that ends at 24:00 is stamped by the ends of its steps, as hours 1 to 24 are.
    stamp = "end" if as_text(frame[str(when)].iloc[:LOOKED_AT]).str.contains(MIDNIGHT).any() else "start"
    if hour is not None:
        hours = quick_numbers(frame[hour]).to_numpy()
        # Hours 1 to 24 number the hour by its end; hours 0 to 23 by its start.
        stamp = "end" if np.nanmax(hours) == 24 else "start"
        times = times + pd.to_timedelta(hours, unit="h")
    return times, frame[str(what)], stamp


def _clean_depths(raw: pd.Series, settings: RainSeriesSource, source: Source, desk: Desk) -> np.ndarray:
    """Return depths in mm: a trace (-1) counts as none, missing codes and negatives become NaN."""
    values = quick_numbers(raw).to_numpy(dtype=np.float64).copy()
    absent = raw[np.isnan(values)]
    unread = absent[~as_text(absent).str.lower().isin(NOTHING).to_numpy()]
    if len(unread):
        said = f'{len(unread)} depths are no numbers, such as "{unread.iloc[0]}" (value {unread.index[0] + 1}).'
        desk.note("repair", "not-a-number", source, said)
    values[np.isin(values, settings.missing)] = np.nan
    _check_unit(values, settings, source)
    traces = values == -1.0
    if traces.any():
        desk.note("note", "traces", source, f"{int(traces.sum())} traces (-1: less than can be measured) count as 0.")
        values[traces] = 0.0
    negative = values < 0
    if negative.any():
        codes = sorted({f"{value:g}" for value in values[negative]})
        message = f"{int(negative.sum())} negative depths ({listed(codes)}) count as missing."
        desk.note("repair", "missing-code", source, message, cure="Name them in missing if that is what they mean.")
        values[negative] = np.nan
    return values * MM[settings.unit]


def _check_unit(values: np.ndarray, settings: RainSeriesSource, source: Source) -> None:
    """Refuse whole numbers with -1 for traces when nobody has said their unit: they are tenths of mm as a rule."""
    known = values[~np.isnan(values)]
    if "unit" not in settings.model_fields_set and (known == -1).any() and np.array_equal(known, np.rint(known)):
        message = "Depths are whole numbers with -1 for traces, as in tenths of a millimetre, but no unit is given."
        raise refuse("no-unit", source, message, 'Set unit = "0.1 mm" (or unit = "mm" if that is what they are).')


def _step_of(series: pd.Series, settings: RainSeriesSource, source: Source) -> pd.Timedelta:
    """Return the step: as given, else the most common difference between times."""
    if settings.step_min is not None:
        return pd.Timedelta(minutes=settings.step_min)
    if len(series) < 2:
        raise refuse("too-short", source, "The series has fewer than two values.", "Name a longer series.")
    gaps = pd.Series(series.index[1:] - series.index[:-1])
    return pd.Timedelta(gaps.mode().iloc[0])


def _evenly(series: pd.Series, step: pd.Timedelta, source: Source, desk: Desk) -> pd.Series:
    """Put the series on even steps; missing ones are NaN.

    Raises
    ------
    InputsAtFault
        When times lie between the steps.
    """
    offsets = (series.index - series.index[0]) / step
    uneven = np.abs(offsets - np.rint(offsets)) > 1e-6
    if uneven.any():
        at = series.index[int(np.flatnonzero(uneven)[0])]
        message = f"Times are not evenly spaced by {step / MINUTES:g} min: {at:%Y-%m-%d %H:%M} UTC lies between steps."
        cure = "Set time_zone if it is local time; sum single tips into even steps first."
        raise refuse("uneven-steps", source, message, cure)
    index = pd.date_range(series.index[0], series.index[-1], freq=step, name="time")
    even = series.reindex(index)
    missing = int(even.isna().sum())
    if missing:
        message = f"{missing:,} of {len(even):,} steps have no value ({missing / len(even):.1%}); they stay gaps."
        desk.note("note", "gaps", source, message, cure="Yearly figures skip gaps; a fuller gauge would be better.")
    return even


def _check_amounts(series: pd.Series, step: pd.Timedelta, source: Source, desk: Desk) -> None:
    """Refuse an impossible yearly total, note unusual ones, short series and coarse steps."""
    known = series.notna()
    years = float(known.sum()) * (step / pd.Timedelta(days=1)) / DAYS_PER_YEAR
    if years == 0:
        raise refuse("no-value", source, "The series holds no value.", "Set depth_column.")
    annual = float(series.sum()) / years
    low, high = IMPOSSIBLE_ANNUAL_MM
    if years > 0.5 and not low <= annual <= high:
        cure = f"Set unit ({', '.join(MM)}) or depth_column."
        raise refuse("implausible-value", source, f"It comes to {annual:,.0f} mm a year.", cure)
    if years > 0.5 and not ANNUAL_MM[0] <= annual <= ANNUAL_MM[1]:
        desk.note("note", "unusual-rain", source, f"It comes to {annual:,.0f} mm a year: is the unit right?")
    if years < LONG_ENOUGH_YEARS:
        message = f"It covers {years:.1f} years of values; {LONG_ENOUGH_YEARS:g} or more are wanted for yearly figures."
        desk.note("note", "short-series", source, message)
    if step > pd.Timedelta(hours=1):
        message = f"Its step is {step / pd.Timedelta(hours=1):g} h: single storms are smoothed away."
        desk.note("note", "coarse-steps", source, message, cure="Name a series of 5 to 60 min.")

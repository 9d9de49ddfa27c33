"""Times, numbers and columns of rain as agencies publish it, and potential evaporation."""

from __future__ import annotations

import re
from typing import Any, Final

import numpy as np
import pandas as pd

from catchscreen.brief_sources import EvaporationSource, Source
from catchscreen.inputs.columns import NOTHING, as_numbers, as_text
from catchscreen.inputs.desk import Desk, listed, refuse
from catchscreen.inputs.tables import read_table

MM: Final = {"mm": 1.0, "0.1 mm": 0.1, "m": 1000.0, "cm": 10.0, "inch": 25.4, "0.01 inch": 0.254}
LARGEST_DAY_MM: Final = 15.0
HOTTEST_C: Final = 65.0
MIDNIGHT: Final = r"[T ]24:00(?::00)?$"
"""The end of a day written as its hour 24."""
_OFFSET: Final = r"(?:Z|[+-]\d{2}:?\d{2})$"
_DAY_OR_MONTH_FIRST: Final = r"(\d{1,2})[./-](\d{1,2})[./-]"


def read_evaporation(source: Source, desk: Desk) -> pd.Series[float] | pd.DataFrame:
    """Read potential evaporation [mm/day] by month 1..12 or by day (UTC), or days' temperatures to work it out from.

    Raises
    ------
    InputsAtFault
        When there are not twelve months, or a value is implausible.
    """
    temperatures = _temperature_table(source)
    if temperatures is not None:
        return temperatures
    monthly = getattr(source, "monthly_mm_per_day", ())
    if monthly and source.data is None and source.file is None:
        series = pd.Series([float(value) for value in monthly], index=pd.Index(range(1, len(monthly) + 1)))
    else:
        series = _evaporation_table(source)
    if "unit" not in source.model_fields_set and _looks_monthly(series):
        desk.note("note", "taken-as-monthly", source, "Values by month are too great for a day: taken as mm a month.")
        source = EvaporationSource(unit="mm/month").placed(role=source.role, folder=source.folder)
    series = series * {"mm/day": 1.0, "0.1 mm/day": 0.1, "mm/month": 1.0}[getattr(source, "unit", "mm/day")]
    is_monthly = not isinstance(series.index, pd.DatetimeIndex)
    if is_monthly and list(series.index) != list(range(1, 13)):
        raise refuse("wrong-shape", source, f"It has {len(series)} months.", "Give twelve, January first.")
    if getattr(source, "unit", "") == "mm/month":
        days = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
        months = series.index if is_monthly else pd.DatetimeIndex(series.index).month
        series = series / days[np.asarray(months, dtype=int) - 1]
    odd = (series < -1.0) | (series > LARGEST_DAY_MM)
    if odd.any():
        message = f"{int(odd.sum())} values lie outside 0 to 15 mm a day, such as {series[odd].iloc[0]:g}."
        raise refuse(
            "implausible-value", source, message, 'Set unit = "mm/month" or "0.1 mm/day" if that is what they are.'
        )
    year = float(series.mean() * 365.25)
    if not 200 <= year <= 2500:
        desk.note("note", "unusual-evaporation", source, f"It comes to {year:.0f} mm a year: is the unit right?")
    series.index.name, series.name = "month" if is_monthly else "time", "evaporation_mm_per_day"
    return series.clip(lower=0.0)


def _temperature_table(source: Source) -> pd.DataFrame | None:
    """Read the extremes of temperature of days [C] where the table has those and no evaporation; else None.

    Raises
    ------
    InputsAtFault
        When a temperature is none of this earth, or a day's lowest is above its highest.
    """
    if isinstance(source.data, pd.Series) or (source.data is None and source.file is None):
        return None
    frame = read_table(source)
    names = [str(name) for name in frame.columns]
    columns = {"tmax_c": find_column(names, ("tmax", "max_temp")), "tmin_c": find_column(names, ("tmin", "min_temp"))}
    when = getattr(source, "time_column", None) or find_column(names, ("date", "time", "day", "yyyymmdd"))
    if None in columns.values() or when not in names or find_column(names, ("evap", "pet", "et0", "eto")):
        return None
    times = as_utc(pd.DatetimeIndex(parse_times(frame[when], source)), "UTC", source)
    table = pd.DataFrame({ours: as_numbers(frame[name]).to_numpy() for ours, name in columns.items()}, index=times)
    odd = (table.abs() > HOTTEST_C).any(axis=1) | (table["tmin_c"] > table["tmax_c"])
    if odd.any():
        message = f"{int(odd.sum())} days have temperatures beyond {HOTTEST_C:g} C or their lowest above their highest."
        raise refuse("implausible-value", source, message, "Give the highest and the lowest of each day in Celsius.")
    return table.sort_index()


def _looks_monthly(series: pd.Series[float]) -> bool:
    """Tell whether twelve values are totals of months: their mean would be impossible for a day."""
    return (
        not isinstance(series.index, pd.DatetimeIndex) and len(series) == 12 and float(series.mean()) > LARGEST_DAY_MM
    )


def _evaporation_table(source: Source) -> pd.Series[float]:
    """Read evaporation from a file or a frame: a column of months or dates, and one of depths."""
    if isinstance(source.data, pd.Series):
        series = source.data.astype(np.float64)
        index = series.index
        return series if not isinstance(index, pd.DatetimeIndex) else series.set_axis(as_utc(index, "UTC", source))
    frame = read_table(source)
    names = [str(name) for name in frame.columns]
    when = getattr(source, "time_column", None) or find_column(names, ("month", "date", "time", "day", "yyyymmdd"))
    what = getattr(source, "depth_column", None) or find_column(
        names, ("evap", "pet", "pe_", "ev24", "et0", "eto", "mm"), when
    )
    if when not in names or what not in names:
        cure = f"Set time_column and depth_column. Columns are: {listed(names, 20)}."
        raise refuse("missing-column", source, "It is not clear which columns hold the month and the depth.", cure)
    values = as_numbers(frame[what]).to_numpy()
    month = as_numbers(frame[when])
    if month.notna().all() and month.between(1, 12).all():
        return pd.Series(values, index=pd.Index(month.astype(int))).sort_index()
    times = parse_times(frame[when], source)
    return pd.Series(values, index=as_utc(pd.DatetimeIndex(times), "UTC", source)).sort_index()


def find_column(names: list[str], words: tuple[str, ...], other_than: str | None = None) -> str | None:
    """Return the first column whose name is, else starts with, else holds one of the words."""
    usable = [name for name in names if name != other_than]
    for test in (str.__eq__, str.startswith, str.__contains__):
        for word in words:
            for name in usable:
                if test(name.lower(), word):
                    return name
    return None


def quick_numbers(values: pd.Series[Any]) -> pd.Series[float]:
    """Turn values into float64 as ``as_numbers`` does; only those that are not plain numbers are looked at closer."""
    if values.dtype == bool or pd.api.types.is_numeric_dtype(values):
        return as_numbers(values)
    numbers = pd.to_numeric(values, errors="coerce").astype(np.float64)
    odd = numbers.isna()
    if odd.any():
        numbers[odd] = as_numbers(values[odd])
    return numbers


def parse_times(values: pd.Series[Any], source: Source) -> pd.Series[Any]:
    """Turn texts or numbers into timestamps: ISO, 20000131, 2000/01/31, 31/01/2000 (day first when a day exceeds 12).

    Raises
    ------
    InputsAtFault
        When one is no date, named.
    """
    if pd.api.types.is_datetime64_any_dtype(values):
        return values
    plain = values if isinstance(values.dtype, pd.StringDtype) and not values.hasnans else as_text(values)
    plain, form = _form_of(plain)
    try:
        times = pd.to_datetime(plain, errors="coerce", **form)
    except ValueError:  # offsets that differ, or only some times with one
        times = pd.to_datetime(plain, errors="coerce", utc=True, **form)
    if times.isna().any():
        if plain[times.isna()].str.contains(_OFFSET).any():
            times = pd.to_datetime(plain, errors="coerce", utc=True, **form)
        late = times.isna() & plain.str.contains(MIDNIGHT)
        if late.any():
            days = pd.to_datetime(plain[late].str.replace("24:", "00:", regex=False), errors="coerce", **form)
            times[late] = days + pd.Timedelta(days=1)
        doubtful = plain[times.isna()]
        bad = doubtful[~doubtful.str.strip().str.lower().isin(NOTHING)]
        if len(bad):
            cure = "Write dates as 2000-01-31 13:00."
            raise refuse("not-a-date", source, f'"{bad.iloc[0]}" is no date (value {bad.index[0] + 1}).', cure)
    return times


def _form_of(plain: pd.Series[Any]) -> tuple[pd.Series[Any], dict[str, Any]]:
    """Return texts and the form in which all of them are dates: what the first is not, not all are."""
    first = str(plain.iloc[0]) if len(plain) else ""
    if re.fullmatch(r"\d{8}", first) and plain.str.fullmatch(r"\d{8}").all():
        return plain, {"format": "%Y%m%d"}
    if re.match(_DAY_OR_MONTH_FIRST, first) and plain.str.match(_DAY_OR_MONTH_FIRST + r"\d{4}").all():
        parts = plain.str.extract(_DAY_OR_MONTH_FIRST).astype(int)
        return plain, {"format": "mixed", "dayfirst": bool((parts[0] > 12).any() or not (parts[1] > 12).any())}
    if re.match(r"\d{4}/", first) and plain.str.match(r"\d{4}/").all():
        return plain.str.replace("/", "-", regex=False), {"format": "ISO8601"}
    return plain, {"format": "ISO8601"}


def as_utc(times: pd.DatetimeIndex, time_zone: str, source: Source) -> pd.DatetimeIndex:
    """Return times in UTC; local times that a clock change makes doubtful are taken as they follow each other.

    Raises
    ------
    InputsAtFault
        When the time zone is unknown.
    """
    if times.tz is not None:
        return times.tz_convert("UTC")
    try:
        try:
            local = times.tz_localize(time_zone, ambiguous="infer", nonexistent="shift_forward")
        except ValueError:
            # Where the hour is not written twice, it is the first (summer) one.
            local = times.tz_localize(time_zone, ambiguous=np.ones(len(times), dtype=bool), nonexistent="shift_forward")
    except (KeyError, OSError, ValueError) as error:
        cure = 'Use a name such as time_zone = "Europe/London", or "UTC".'
        raise refuse("unknown-time-zone", source, f'"{time_zone}" is no time zone known here.', cure) from error
    return local.tz_convert("UTC")

"""Rain as agencies publish it: a depth-duration table, a series over years, potential evaporation."""

from __future__ import annotations

import re
from typing import Any, Final

import numpy as np
import pandas as pd

from catchscreen.brief_sources import EvaporationSource, RainTableSource, Source
from catchscreen.inputs.columns import NOTHING, as_numbers, as_text
from catchscreen.inputs.desk import Desk, listed, refuse
from catchscreen.inputs.tables import read_table

MM: Final = {"mm": 1.0, "0.1 mm": 0.1, "m": 1000.0, "cm": 10.0, "inch": 25.4, "0.01 inch": 0.254}
LARGEST_DAY_MM: Final = 15.0
PLAUSIBLE_MM: Final = (0.1, 2000.0)
"""Depth of one storm."""
_DURATION_UNITS: Final = {"min": 1.0, "m": 1.0, "h": 60.0, "hr": 60.0, "hour": 60.0, "d": 1440.0, "day": 1440.0}


def read_rain_table(source: Source, desk: Desk) -> pd.DataFrame:
    """Read depths [mm] by duration [min] (index) and return period [years] (columns), both ascending.

    A file is either wide (one row for each duration, one column for each return period) or long (columns for duration,
    return period and depth).

    Raises
    ------
    InputsAtFault
        When it is no such table, a depth is missing, or depths do not rise with duration and return period.
    """
    inline = isinstance(source, RainTableSource) and source.file is None and source.data is None
    table = _inline_table(source) if inline else _file_table(source)
    unit = source.unit if isinstance(source, RainTableSource) else "mm"
    table = (table * MM[unit]).sort_index().sort_index(axis="columns")
    table.index.name, table.columns.name = "duration_min", "return_period_years"
    _check_table(table, source, desk)
    return table


def _inline_table(source: Source) -> pd.DataFrame:
    """Make the table from the brief's own keys."""
    if not isinstance(source, RainTableSource):
        return pd.DataFrame()
    periods = list(source.return_periods_years)
    rows: dict[float, list[float]] = {}
    for key, depths in source.depths_mm.items():
        duration = minutes_of(key, 1.0)
        if duration is None or len(depths) != len(periods):
            message = f"depths_mm.{key} has {len(depths)} depths for {len(periods)} return periods."
            cure = "Write return_periods_years = [2, 30] and depths_mm = { 60 = [13, 30] }, durations in minutes."
            raise refuse("wrong-shape", source, message, cure)
        rows[duration] = list(depths)
    return pd.DataFrame.from_dict(rows, orient="index", columns=pd.Index(periods, dtype=float), dtype=float)


def minutes_of(text: str, default_factor: float) -> float | None:
    """Return a duration in minutes from "15", "15 min", "1 h", "1 day"; None when it is none."""
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*([a-zA-Z]*)\.?\s*", str(text))
    if match is None:
        return None
    word = match.group(2).lower().rstrip("s") or ""
    if word.startswith("minute"):
        word = "min"
    factor = _DURATION_UNITS.get(word) if word else default_factor
    return float(match.group(1).replace(",", ".")) * factor if factor is not None else None


def _number_in(text: str) -> float | None:
    """Return the last number in a heading such as "1 in 30", "T30", "rp_2", "100 yr"."""
    found = re.findall(r"\d+(?:\.\d+)?", str(text))
    return float(found[-1]) if found else None


def _file_table(source: Source) -> pd.DataFrame:
    """Make the table from a file or a frame."""
    frame = read_table(source)
    frame.columns = pd.Index([str(name).strip() for name in frame.columns])
    names = list(frame.columns)
    duration = source.columns.get("duration_min") or next((n for n in names if "dur" in n.lower()), names[0])
    depth = source.columns.get("depth_mm") or next(
        (n for n in names if "depth" in n.lower() and _number_in(n) is None), None
    )
    period = source.columns.get("return_period_years") or next(
        (
            n
            for n in names
            if n != depth and re.search(r"return|period|rp|years?$", n.lower()) and _number_in(n) is None
        ),
        None,
    )
    factor = 60.0 if re.search(r"_h$|hour|\(h\)|_hr$", duration.lower()) else 1.0
    if duration not in names:
        raise refuse(
            "missing-column", source, f'There is no column "{duration}".', f"Columns are: {listed(names, 20)}."
        )
    minutes = [minutes_of(str(value), factor) for value in frame[duration]]
    if any(value is None for value in minutes):
        bad = str(frame[duration].iloc[minutes.index(None)])
        cure = "The first column holds durations in minutes (or as 15 min, 1 h), each other one a return period."
        raise refuse("wrong-shape", source, f'"{bad}" is no duration.', cure)
    if depth is not None and period is not None:
        long = pd.DataFrame(
            {"d": minutes, "p": frame[period].map(_number_in).to_numpy(), "v": as_numbers(frame[depth]).to_numpy()}
        )
        return long.pivot_table(index="d", columns="p", values="v", aggfunc="first")
    periods = {name: number for name in names if name != duration and (number := _number_in(name)) is not None}
    if not periods:
        cure = "Head each column with its return period in years, as in duration_min,2,30,100."
        raise refuse("wrong-shape", source, "No column is headed by a return period.", cure)
    values = {number: as_numbers(frame[name]).to_numpy() for name, number in periods.items()}
    return pd.DataFrame(values, index=pd.Index(minutes, dtype=float))


def _check_table(table: pd.DataFrame, source: Source, desk: Desk) -> None:
    """Refuse tables with gaps, or whose depths do not rise."""
    if table.empty or table.isna().to_numpy().any():
        raise refuse(
            "missing-value", source, "The table has gaps.", "Give a depth for each duration and return period."
        )
    if table.index.has_duplicates or table.columns.has_duplicates:
        raise refuse("duplicate-id", source, "A duration or a return period stands twice.", "Keep one of each.")
    values = table.to_numpy(dtype=np.float64)
    down, across = np.diff(values, axis=0) < 0, np.diff(values, axis=1) < 0
    if down.any() or across.any():
        row, col = (int(place[0]) for place in np.nonzero(down if down.any() else across))
        where = f"{table.index[row]:g} min, {table.columns[col]:g} years"
        cure = "Check which column is which: a depth never falls with duration or with return period."
        raise refuse("not-rising", source, f"Depths fall after {where}.", cure)
    odd = (values < PLAUSIBLE_MM[0]) | (values > PLAUSIBLE_MM[1])
    if odd.any():
        message = f"A depth of {values[odd].flat[0]:g} mm is implausible."
        raise refuse("implausible-value", source, message, f"Set unit: {', '.join(MM)}. Intensities are not depths.")
    hour = table.loc[60.0].to_numpy() if 60.0 in table.index else None
    if hour is not None and (hour.min() < 4 or hour.max() > 200):
        desk.note(
            "note", "unusual-rain", source, f"One hour gives {hour.min():g} to {hour.max():g} mm: is the unit right?"
        )


def read_evaporation(source: Source, desk: Desk) -> pd.Series[float]:
    """Read potential evaporation [mm/day] by month 1..12 or by day (UTC).

    Raises
    ------
    InputsAtFault
        When there are not twelve months, or a value is implausible.
    """
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


def parse_times(values: pd.Series[Any], source: Source) -> pd.Series[Any]:
    """Turn texts or numbers into timestamps: ISO, 20000131, 2000/01/31, 31/01/2000 (day first when a day exceeds 12).

    Raises
    ------
    InputsAtFault
        When one is no date, named.
    """
    if pd.api.types.is_datetime64_any_dtype(values):
        return values
    plain = as_text(values)
    form: dict[str, Any] = {"format": "ISO8601"}
    if plain.str.fullmatch(r"\d{8}").all():
        form = {"format": "%Y%m%d"}
    elif plain.str.match(r"\d{1,2}[./-]\d{1,2}[./-]\d{4}").all():
        parts = plain.str.extract(r"^(\d{1,2})[./-](\d{1,2})").astype(int)
        form = {"format": "mixed", "dayfirst": bool((parts[0] > 12).any() or not (parts[1] > 12).any())}
    elif plain.str.match(r"\d{4}/").all():
        plain = plain.str.replace("/", "-", regex=False)
    aware = plain.str.contains(r"(?:Z|[+-]\d{2}:?\d{2})$", regex=True).any()
    times = pd.to_datetime(plain, errors="coerce", utc=bool(aware), **form)
    bad = times.isna() & ~plain.str.lower().isin(NOTHING)
    if bad.any():
        raise refuse("not-a-date", source, f'"{plain[bad].iloc[0]}" is no date.', "Write dates as 2000-01-31 13:00.")
    return times


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

"""A depth-duration table as agencies publish it, wide, long or in the brief; what is wrong is named by its cell."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.brief_sources import RainTableSource, Source
from catchscreen.inputs.columns import as_numbers, as_text
from catchscreen.inputs.desk import Desk, listed, refuse
from catchscreen.inputs.rainfall import MM
from catchscreen.inputs.tables import read_table

PLAUSIBLE_MM: Final = (0.1, 2000.0)
"""Depth of one storm."""
PLAUSIBLE_MIN: Final = (1.0, 60.0 * 24 * 60)
PLAUSIBLE_YEARS: Final = (0.05, 100_000.0)
STEEPEST: Final = 1.05
"""Mean intensity may rise so much with duration, for rounded figures; no rain keeps up more for longer."""
_DURATION_UNITS: Final = {"min": 1.0, "m": 1.0, "h": 60.0, "hr": 60.0, "hour": 60.0, "d": 1440.0, "day": 1440.0}


@dataclass(frozen=True, slots=True)
class _Cells:
    """A table on its way in: depth, text and place of each cell, all alike in index (minutes) and columns (years)."""

    depth: pd.DataFrame
    text: pd.DataFrame
    place: pd.DataFrame

    def name(self, row: int, column: int) -> str:
        """Name a cell by its place and by what it means."""
        minutes = self.depth.index.to_numpy(np.float64)[row]
        years = self.depth.columns.to_numpy(np.float64)[column]
        return f"{self.place.iloc[row, column]!s} ({minutes:g} min, 1-in-{years:g} years)"

    def say(self, row: int, column: int) -> str:
        """Say what stands in a cell."""
        said = str(self.text.iloc[row, column]).strip()
        return f'"{said}"' if said else "nothing"


def read_rain_table(source: Source, desk: Desk) -> pd.DataFrame:
    """Read depths [mm] by duration [min] (index) and return period [years] (columns), both ascending.

    A file is either wide (one row for each duration, one column for each return period) or long (columns for duration,
    return period and depth).

    Raises
    ------
    InputsAtFault
        When it is no such table, a depth is missing, or depths do not rise with duration and return period; the cell
        is named.
    """
    inline = isinstance(source, RainTableSource) and source.file is None and source.data is None
    cells = _inline_cells(source) if inline else _file_cells(source)
    unit = source.unit if isinstance(source, RainTableSource) else "mm"
    cells = _Cells(*(part.sort_index().sort_index(axis="columns") for part in (cells.depth, cells.text, cells.place)))
    _check_cells(cells, MM[unit], source, desk)
    table = cells.depth * MM[unit]
    table.index.name, table.columns.name = "duration_min", "return_period_years"
    return table


def _inline_cells(source: Source) -> _Cells:
    """Make the table from the brief's own keys."""
    periods = list(source.return_periods_years) if isinstance(source, RainTableSource) else []
    given = dict(source.depths_mm) if isinstance(source, RainTableSource) else {}
    rows: list[float] = []
    for key, depths in given.items():
        duration = minutes_of(key, 1.0)
        if duration is None or len(depths) != len(periods):
            message = f"depths_mm.{key} has {len(depths)} depths for {len(periods)} return periods."
            if duration is None:
                message = f'The key "{key}" of depths_mm is no duration.'
            cure = "Write return_periods_years = [2, 30] and depths_mm = { 60 = [13, 30] }, durations in minutes."
            raise refuse("wrong-shape", source, message, cure)
        rows.append(duration)
    text = [[f"{depth:g}" for depth in depths] for depths in given.values()]
    place = [[f"depths_mm.{key}, value {n}" for n in range(1, len(periods) + 1)] for key in given]
    index, columns = pd.Index(rows, dtype=float), pd.Index(periods, dtype=float)
    return _Cells(
        pd.DataFrame([list(depths) for depths in given.values()], index, columns, dtype=float),
        pd.DataFrame(text, index, columns, dtype=object),
        pd.DataFrame(place, index, columns, dtype=object),
    )


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


def _file_cells(source: Source) -> _Cells:
    """Make the table from a file or a frame."""
    frame = read_table(source)
    frame.columns = pd.Index([str(name).strip() for name in frame.columns])
    names = list(frame.columns)
    duration = source.columns.get("duration_min") or next((n for n in names if "dur" in n.lower()), names[0])
    if duration not in names:
        cure = f"Columns are: {listed(names, 20)}."
        raise refuse("missing-column", source, f'There is no column "{duration}".', cure)
    factor = 60.0 if re.search(r"_h$|hour|\(h\)|_hr$", duration.lower()) else 1.0
    minutes = [minutes_of(str(value), factor) for value in frame[duration]]
    if None in minutes:
        row = minutes.index(None)
        said = f'Row {row + 1} below the header, column "{duration}": "{frame[duration].iloc[row]}" is no duration.'
        cure = "The first column holds durations in minutes (or as 15 min, 1 h), each other one a return period."
        raise refuse("wrong-shape", source, said, cure)
    known = [float(value) for value in minutes if value is not None]
    depth, period = _long_columns(source, names)
    if depth is not None and period is not None:
        return _long_cells(frame, known, (period, depth), source)
    return _wide_cells(frame, known, duration, source)


def _long_columns(source: Source, names: list[str]) -> tuple[str | None, str | None]:
    """Return the columns of depth and return period of a long table, None where there is none."""
    depth = source.columns.get("depth_mm") or next(
        (n for n in names if "depth" in n.lower() and _number_in(n) is None), None
    )
    words = r"return|period|rp|years?$"
    period = source.columns.get("return_period_years") or next(
        (n for n in names if n != depth and re.search(words, n.lower()) and _number_in(n) is None), None
    )
    return depth, period


def _long_cells(frame: pd.DataFrame, minutes: list[float], columns: tuple[str, str], source: Source) -> _Cells:
    """Turn one row for each depth into a table."""
    period, depth = columns
    years = [_number_in(value) for value in frame[period]]
    if None in years:
        row = years.index(None)
        said = f'Row {row + 1} below the header, column "{period}": "{frame[period].iloc[row]}" is no return period.'
        raise refuse("wrong-shape", source, said, "Write return periods in years.")
    long = pd.DataFrame(
        {
            "d": minutes,
            "p": [float(value) for value in years if value is not None],
            "depth": as_numbers(frame[depth]).to_numpy(),
            "text": as_text(frame[depth]).to_numpy(object),
            "place": [f'row {row} below the header, column "{depth}"' for row in range(1, len(frame) + 1)],
        }
    )
    twice = long.duplicated(["d", "p"])
    if twice.any():
        again = long[twice].iloc[0]
        said = f"{again['d']:g} min, 1-in-{again['p']:g} years stands twice, the second time in {again['place']}."
        raise refuse("duplicate-id", source, said, "Keep one of each.")
    depths, texts, places = (
        long.pivot_table(index="d", columns="p", values=v, aggfunc="first", dropna=False)
        for v in ("depth", "text", "place")
    )
    absent = places.isna()
    return _Cells(depths, texts.where(~absent, ""), places.where(~absent, "no row"))


def _wide_cells(frame: pd.DataFrame, minutes: list[float], duration: str, source: Source) -> _Cells:
    """Turn a column for each return period into a table."""
    periods = {
        name: number for name in map(str, frame) if name != duration and (number := _number_in(name)) is not None
    }
    if not periods:
        cure = "Head each column with its return period in years, as in duration_min,2,30,100."
        raise refuse("wrong-shape", source, "No column is headed by a return period.", cure)
    index, columns = pd.Index(minutes, dtype=float), pd.Index(list(periods.values()), dtype=float)
    rows = range(1, len(frame) + 1)
    places = [[f'row {row} below the header, column "{name}"' for name in periods] for row in rows]
    return _Cells(
        pd.DataFrame(np.column_stack([as_numbers(frame[name]).to_numpy() for name in periods]), index, columns),
        pd.DataFrame(np.column_stack([as_text(frame[name]).to_numpy(object) for name in periods]), index, columns),
        pd.DataFrame(places, index, columns, dtype=object),
    )


def _check_cells(cells: _Cells, to_mm: float, source: Source, desk: Desk) -> None:
    """Refuse tables with gaps, doubles, impossible figures, or whose depths do not rise; note odd ones."""
    _check_headings(cells, source)
    values = cells.depth.to_numpy(dtype=np.float64) * to_mm
    unread = np.isnan(values)
    if (at := _first(unread)) is not None:
        message = f"{_capital(cells.name(*at))} holds {cells.say(*at)}, no depth{_and_more(unread)}."
        raise refuse("missing-value", source, message, "Give a depth for each duration and return period.")
    odd = (values < PLAUSIBLE_MM[0]) | (values > PLAUSIBLE_MM[1])
    if (at := _first(odd)) is not None:
        message = f"{_capital(cells.name(*at))}: a depth of {values[at]:g} mm is implausible{_and_more(odd)}."
        raise refuse("implausible-value", source, message, f"Set unit: {', '.join(MM)}. Intensities are not depths.")
    _check_rise(cells, values, source)
    hour = values[cells.depth.index == 60.0]
    if hour.size and (hour.min() < 4 or hour.max() > 200):
        message = f"One hour gives {hour.min():g} to {hour.max():g} mm: is the unit right?"
        desk.note("note", "unusual-rain", source, message)


def _check_headings(cells: _Cells, source: Source) -> None:
    """Refuse an empty table, and durations and return periods that stand twice or cannot be."""
    if cells.depth.empty:
        raise refuse("missing-value", source, "The table is empty.", "Give depths by duration and return period.")
    for labels, name, limits in (
        (cells.depth.index, "duration of {:g} min", PLAUSIBLE_MIN),
        (cells.depth.columns, "return period of {:g} years", PLAUSIBLE_YEARS),
    ):
        numbers = labels.to_numpy(np.float64)
        if labels.has_duplicates:
            twice = name.format(float(numbers[labels.duplicated()][0]))
            raise refuse("duplicate-id", source, f"The {twice} stands twice.", "Keep one of each.")
        odd = numbers[(numbers < limits[0]) | (numbers > limits[1])]
        if odd.size:
            cure = "Durations are in minutes, return periods in years."
            raise refuse("implausible-value", source, f"A {name.format(float(odd[0]))} is implausible.", cure)


def _check_rise(cells: _Cells, values: NDArray[np.float64], source: Source) -> None:
    """Refuse depths that do not rise with duration and return period, or rise faster than the duration itself."""
    cure = "Check which column is which: depths rise with duration and with return period."
    for axis, along in enumerate(("duration", "return period")):
        falls = np.diff(values, axis=axis) <= 0.0
        if (at := _first(falls)) is not None:
            after = (at[0] + 1, at[1]) if axis == 0 else (at[0], at[1] + 1)
            message = (
                f"{_capital(cells.name(*after))}: {values[after]:g} mm does not rise with {along}; "
                f"{cells.name(*at)} has {values[at]:g} mm{_and_more(falls)}."
            )
            raise refuse("not-rising", source, message, cure)
    intensity = values / cells.depth.index.to_numpy(np.float64)[:, None]
    if (at := _first(intensity[1:] > STEEPEST * intensity[:-1])) is not None:
        row, column = at
        shorter = cells.name(row, column)
        message = (
            f"{_capital(cells.name(row + 1, column))}: {values[row + 1, column]:g} mm is a greater mean intensity than "
            f"the {values[row, column]:g} mm of {shorter}."
        )
        raise refuse("too-steep", source, message, "No rain is heavier over a longer time: check units and rows.")


def _first(wrong: NDArray[np.bool_]) -> tuple[int, int] | None:
    """Return row and column of the first wrong cell, None where all are right."""
    rows, columns = np.nonzero(wrong)
    return (int(rows[0]), int(columns[0])) if rows.size else None


def _and_more(wrong: NDArray[np.bool_]) -> str:
    """Say how many cells are wrong besides the one that is named."""
    more = int(wrong.sum()) - 1
    return "" if more < 1 else f", and {more} more cell{'s' if more > 1 else ''}"


def _capital(text: str) -> str:
    """Begin a sentence; a key keeps its letters."""
    return text if text.startswith("depths_mm") else text[0].upper() + text[1:]

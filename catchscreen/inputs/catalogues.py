"""The user's own layer catalogue and unit costs: TOML like the shipped files, or CSV with one row for each."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from math import isfinite
from pathlib import Path
from typing import Any

from catchscreen.brief_faults import key_lines
from catchscreen.brief_sources import Source
from catchscreen.errors import Fault, InputsAtFault
from catchscreen.records.catalogue import (
    COMMON_COST_ENTRIES,
    COMMON_LAYER_ENTRIES,
    COST_ENTRIES,
    LAYER_ENTRIES,
    Entry,
    Table,
)

BAND = ("_low", "", "_high")
KINDS: dict[str, tuple[Mapping[str, Entry], Mapping[str, Entry], str]] = {
    "layer_catalogue": (LAYER_ENTRIES, COMMON_LAYER_ENTRIES, "product"),
    "unit_costs": (COST_ENTRIES, COMMON_COST_ENTRIES, "item"),
}


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a value stands in the file."""

    file: str
    line: int | None
    key: str

    def fault(self, code: str, message: str, cure: str) -> Fault:
        return Fault(code, message, cure, file=self.file, line=self.line, key=self.key)


def read_catalogue(source: Source) -> Table:
    """Read a layer catalogue or a table of unit costs, whichever the source's role is.

    Parameters
    ----------
    source : names the file; its ``columns`` may map our names to the file's (CSV).

    Returns
    -------
    Table

    Raises
    ------
    InputsAtFault
        With every fault of the file: each names file, line and key.
    """
    path = source.path
    if path is None:
        fault = Fault("no-file", f"[{source.role}] names no file.", 'Give file = "...".', key=source.role)
        raise InputsAtFault([fault])
    read = _read_toml if path.suffix.lower() == ".toml" else _read_csv
    table, lines = read(path, source)
    faults = list(_look_over(table, lines, source))
    if faults:
        raise InputsAtFault(faults)
    return Table(
        rows={name: row for name, row in table.items() if isinstance(row, dict)},
        common={name: value for name, value in table.items() if not isinstance(value, dict)},
        file=str(source.file),
        lines={key[0]: line for key, line in lines.items() if len(key) == 1},
    )


def _read_toml(path: Path, source: Source) -> tuple[dict[str, Any], dict[tuple[Any, ...], int]]:
    try:
        text = path.read_text(encoding="utf-8")
        return tomllib.loads(text), dict(key_lines(text))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as cause:
        cure = "Mend it there; the shipped file (command `measures`) shows the shape."
        fault = Fault("unreadable", f"It is no TOML: {cause}.", cure, file=str(source.file), key=source.role)
        raise InputsAtFault([fault]) from cause


def _read_csv(path: Path, source: Source) -> tuple[dict[str, Any], dict[tuple[Any, ...], int]]:
    """Read one row per product or item; a band stands in three columns that end on _low, nothing and _high."""
    entries, _, first = KINDS[source.role]
    theirs = {their: ours for ours, their in source.columns.items()}
    table: dict[str, Any] = {}
    lines: dict[tuple[Any, ...], int] = {}
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.DictReader(stream)
            for row in reader:
                cells = {theirs.get(key or "", key or ""): (cell or "").strip() for key, cell in row.items()}
                name = cells.pop(first, "")
                lines[(name,)] = reader.line_num
                table[name] = _gather_bands({key: _number(cell) for key, cell in cells.items() if cell}, entries)
    except (UnicodeDecodeError, csv.Error) as cause:
        fault = Fault("unreadable", f"It is no CSV: {cause}.", "Save it as CSV in UTF-8.", file=str(source.file))
        raise InputsAtFault([fault]) from cause
    return table, lines


def _number(cell: str) -> float | str:
    try:
        return float(cell)
    except ValueError:
        return cell


def _gather_bands(cells: dict[str, float | str], entries: Mapping[str, Entry]) -> dict[str, Any]:
    row: dict[str, Any] = dict(cells)
    for name, entry in entries.items():
        parts = [name + end for end in BAND]
        if entry.kind == "band" and all(part in row for part in parts):
            row = {key: value for key, value in row.items() if key not in parts} | {name: [row[part] for part in parts]}
    return row


def _look_over(table: dict[str, Any], lines: dict[tuple[Any, ...], int], source: Source) -> Iterator[Fault]:
    entries, common, first = KINDS[source.role]
    file = str(source.file)
    for name, row in table.items():
        place = _Place(file, lines.get((name,)), name)
        if not isinstance(row, dict):
            yield from _look_at(name, row, common, place)
            continue
        if not name:
            yield place.fault("no-name", f"A row has no {first}.", f"Give each row its {first}.")
        for key, value in row.items():
            line = lines.get((name, key), lines.get((name,)))
            yield from _look_at(key, value, entries, _Place(file, line, f"{name}.{key}"))


def _look_at(key: str, value: Any, entries: Mapping[str, Entry], place: _Place) -> Iterator[Fault]:
    entry = entries.get(key)
    if entry is None:
        near = get_close_matches(key, list(entries), n=1)
        cure = f"Did you mean {near[0]!r}?" if near else f"There are {', '.join(entries)}."
        yield place.fault("unknown-key", f"There is no {key!r}.", cure)
    elif entry.kind == "text":
        if not isinstance(value, str):
            yield place.fault("wrong-type", f"{key} is {value!r}, not a text.", "Put it in quotation marks.")
    elif entry.kind == "band":
        fits = isinstance(value, list) and len(value) == len(BAND) and all(_is_within(part, entry) for part in value)
        if not fits or list(value) != sorted(value):
            cure = f"Give low, mid and high, rising, from {entry.least:g} to {entry.most:g}."
            yield place.fault("no-band", f"{key} is {value!r}.", cure)
    elif not _is_within(value, entry):
        yield place.fault("implausible-value", f"{key} is {value!r}.", f"Give {entry.least:g} to {entry.most:g}.")


def _is_within(value: Any, entry: Entry) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)
    return number and entry.least <= value <= entry.most

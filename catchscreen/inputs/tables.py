"""Plain tables: delimited text as offices and agencies write it, attribute tables, frames given straight in."""

from __future__ import annotations

import csv
import io
import warnings
import zipfile
from collections import Counter
from itertools import repeat
from pathlib import Path
from typing import Final

import pandas as pd
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError

from catchscreen.brief_sources import Source, split_zip
from catchscreen.inputs.desk import refuse

DELIMITERS: Final = (",", ";", "\t", "|")
TEXT_SUFFIXES: Final = (".csv", ".txt", ".tsv", ".dat", "")
ENCODINGS: Final = ("utf-8-sig", "cp1252")
LOOKED_AT: Final = 200
LONGEST_PREAMBLE: Final = 1000
RUN_LENGTH: Final = 3
"""A header is the first line followed by this many lines of as many fields."""


def read_table(source: Source) -> pd.DataFrame:
    """Read a table; values of text files stay text, so that ids keep their zeros.

    Raises
    ------
    InputsAtFault
        When it cannot be read as a table.
    """
    if source.data is not None:
        if not isinstance(source.data, pd.DataFrame | pd.Series):
            cure = "Give a path or a DataFrame."
            raise refuse("wrong-type", source, f"A {type(source.data).__name__} is no table.", cure)
        frame = source.data.to_frame() if isinstance(source.data, pd.Series) else source.data
        return frame.reset_index() if frame.index.name is not None else frame.reset_index(drop=True)
    path = source.path
    if path is None:
        raise refuse("missing-key", source, f"[{source.role}] names no file.", 'Add file = "...".')
    if path.suffix.lower() in (*TEXT_SUFFIXES, ".zip"):
        return parse_text(_text_of(path, source), source)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return pd.DataFrame(pyogrio.read_dataframe(path, layer=source.layer, read_geometry=False))
    except (DataSourceError, DataLayerError, ValueError) as error:
        reason = str(error).splitlines()[0].rstrip(".")
        raise refuse(
            "unreadable-file", source, f"It cannot be read as a table: {reason}.", "Save it as .csv."
        ) from error


def _text_of(path: Path, source: Source) -> str:
    """Return the text of a file, also inside a zip."""
    archive = split_zip(path)
    try:
        if archive is not None:
            with zipfile.ZipFile(archive[0]) as opened:
                content = opened.read(archive[1] or _only_text(opened.namelist(), archive[0], source))
        else:
            content = path.read_bytes()
    except (OSError, KeyError, zipfile.BadZipFile) as error:
        raise refuse("unreadable-file", source, f"{path.name} cannot be opened.", "Check the name.") from error
    for encoding in ENCODINGS:
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise refuse("unreadable-file", source, f"{path.name} is no text.", "Save it as .csv with the encoding UTF-8.")


def texts_in(names: list[str]) -> list[str]:
    """Return those of an archive's names that are tables of text."""
    return sorted(name for name in names if name.lower().endswith(TEXT_SUFFIXES[:-1]))


def _only_text(names: list[str], archive: Path, source: Source) -> str:
    """Return the one text in an archive.

    Raises
    ------
    InputsAtFault
        When there is none, or several.
    """
    texts = texts_in(names)
    if len(texts) == 1:
        return texts[0]
    if not texts:
        raise refuse("unreadable-file", source, f"{archive.name} holds no table.", "Name an archive with a .csv file.")
    cure = f'Name one of them: file = "{archive.name}/{texts[0]}".'
    raise refuse("several-layers", source, f"{archive.name} holds {len(texts)} tables.", cure)


def parse_text(content: str, source: Source) -> pd.DataFrame:
    """Parse delimited text whose header may follow lines of explanation.

    Raises
    ------
    InputsAtFault
        When no run of lines looks like a table.
    """
    lines = list(filter(str.strip, content.splitlines()))
    found = _find_header(lines)
    if found is None:
        cure = "Save it as .csv with one header line and commas, semicolons or tabs between fields."
        raise refuse("unreadable-file", source, "It does not look like a table.", cure)
    start, delimiter = found
    rows = lines[start:]
    names = next(csv.reader(rows[:1], delimiter=delimiter, skipinitialspace=True))
    header = [name.strip().lstrip("#").strip() for name in names]
    even = _parse_even(rows, delimiter)
    frame = _parse_uneven(rows, delimiter, len(header)) if even is None else even
    frame.columns = pd.Index(header)
    return frame.loc[:, [bool(name) for name in header]]


def _parse_even(lines: list[str], delimiter: str) -> pd.DataFrame | None:
    """Parse lines of evenly many plain fields at once; None where quotes or uneven lines need a closer look."""
    text = "\n".join(lines)
    width = lines[0].count(delimiter)
    if len(lines) < 2 or '"' in text or "\0" in text or set(map(str.count, lines, repeat(delimiter))) != {width}:
        return None
    cells = text.replace(delimiter, "\n").split("\n")
    if _is_padded(text, delimiter):
        cells = list(map(str.strip, cells))
    count = width + 1
    return pd.DataFrame({place: pd.array(cells[count + place :: count], dtype="str") for place in range(count)})


def _is_padded(text: str, delimiter: str) -> bool:
    """Tell whether fields may have blanks around them; "2000-01-31 13:00" has one within."""
    ends = (f" {delimiter}", f"{delimiter} ", " \n", "\n ", "\t")
    return not text.isascii() or text[:1] == " " or text[-1:] == " " or any(pad in text for pad in ends)


def _parse_uneven(lines: list[str], delimiter: str, width: int) -> pd.DataFrame:
    """Parse lines one by one: quoted fields, missing and surplus ones."""
    rows = csv.reader(io.StringIO("\n".join(lines[1:])), delimiter=delimiter, skipinitialspace=True)
    body = [[cell.strip() for cell in (row + [""] * width)[:width]] for row in rows]
    return pd.DataFrame(body, columns=range(width), dtype=str)


def _find_header(lines: list[str]) -> tuple[int, str] | None:
    """Return the header line's number and the delimiter: the one that gives most lines the same number of fields."""
    best: tuple[int, str, int] | None = None
    for delimiter in DELIMITERS:
        counts = [line.count(delimiter) for line in lines[-LOOKED_AT:]]
        common, times = Counter(counts).most_common(1)[0] if counts else (0, 0)
        if common and (best is None or times > best[2]):
            start = _first_of_run([line.count(delimiter) for line in lines[:LONGEST_PREAMBLE]], common)
            if start is not None:
                best = (start, delimiter, times)
    if best is not None:
        return best[:2]
    # Quoted fields that hold the delimiter make the counts uneven: then the first line must be the header.
    first = max(DELIMITERS, key=lines[0].count) if lines else ""
    return (0, first) if first and first in lines[0] else None


def _first_of_run(counts: list[int], common: int) -> int | None:
    """Return the first line that has the common number of delimiters and is followed by lines that have it too."""
    length = min(RUN_LENGTH, len(counts) - 1)
    for place in range(len(counts) - length):
        if all(count == common for count in counts[place : place + length + 1]):
            return place
    return None

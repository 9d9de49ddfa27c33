"""The same layers as CSV, for people without a GIS: one file a layer, and one that explains every column."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.outputs.columns import Column, Layer
from catchscreen.outputs.wording import CAUTIONS


def write_tables(folder: Path, frames: Mapping[str, pd.DataFrame], layers: Mapping[str, Layer]) -> None:
    """Write ``<layer>.csv`` for each layer, ``columns.csv`` and ``CAUTIONS.txt`` (UTF-8, comma, full stop, LF).

    A table too long for a spreadsheet (surfaces, water balance by parcel) is written whole all the same.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, layer in layers.items():
        frame = frames[name]
        cells = [_written(frame[column.name], column) for column in layer.columns]
        _write_csv(folder / f"{name}.csv", list(layer.names), cells)
    rows = [
        (layer.name, column.name, column.type, column.unit, column.meaning)
        for layer in layers.values()
        for column in layer.columns
    ]
    heads = ["table", "column", "type", "unit", "meaning"]
    _write_csv(
        folder / "columns.csv", heads, [[_quoted(cell) for cell in column] for column in zip(*rows, strict=True)]
    )
    (folder / "CAUTIONS.txt").write_text("\n".join(CAUTIONS) + "\n", encoding="utf-8", newline="\n")


def _write_csv(path: Path, heads: list[str], columns: list[list[str]]) -> None:
    """Write finished cells, column by column."""
    lines = [",".join(heads), *map(",".join, zip(*columns, strict=True))]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def _written(values: pd.Series, column: Column) -> list[str]:
    """Return a column as cells: unknown is empty, whole numbers stand without a decimal point."""
    if column.type == "REAL":
        numbers = values.to_numpy(np.float64)
        known = ~np.isnan(numbers)
        if column.decimals > 0:
            return _filled(map(repr, numbers[known].tolist()), known)
        return _filled(map(str, numbers[known].astype(np.int64).tolist()), known)
    if column.type == "TEXT":
        return _quoted_column(values.tolist())
    known = values.notna().to_numpy()
    return _filled(map(str, values[known].tolist()), known)


def _filled(cells: Iterable[str], known: NDArray[np.bool_]) -> list[str]:
    """Put cells where values are known; the others stay empty."""
    if known.all():
        return list(cells)
    filled = np.full(len(known), "", dtype=object)
    filled[known] = list(cells)
    return list(filled)


def _quoted_column(texts: list[str | None]) -> list[str]:
    """Quote the texts of a column; one that many rows share is looked at once."""
    quoted: dict[str | None, str] = {text: _quoted(text) if text else "" for text in set(texts)}
    return [quoted[text] for text in texts]


def _quoted(text: str) -> str:
    """Quote a cell where RFC 4180 asks for it."""
    if '"' in text:
        return '"' + text.replace('"', '""') + '"'
    return f'"{text}"' if "," in text or "\n" in text or "\r" in text else text

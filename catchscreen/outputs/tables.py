"""The same layers as CSV, for people without a GIS: one file a layer, and one that explains every column."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from catchscreen.outputs.columns import Layer
from catchscreen.outputs.wording import CAUTIONS


def write_tables(folder: Path, frames: Mapping[str, pd.DataFrame], layers: Mapping[str, Layer]) -> None:
    """Write ``<layer>.csv`` for each layer, ``columns.csv`` and ``CAUTIONS.txt`` (UTF-8, comma, full stop, LF).

    A table too long for a spreadsheet (surfaces, water balance by parcel) is written whole all the same.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, layer in layers.items():
        frame = pd.DataFrame(frames[name])[list(layer.names)]
        frame.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n", encoding="utf-8")
    rows = [
        (layer.name, column.name, column.type, column.unit, column.meaning)
        for layer in layers.values()
        for column in layer.columns
    ]
    columns = pd.DataFrame(rows, columns=["table", "column", "type", "unit", "meaning"])
    columns.to_csv(folder / "columns.csv", index=False, lineterminator="\n", encoding="utf-8")
    (folder / "CAUTIONS.txt").write_text("\n".join(CAUTIONS) + "\n", encoding="utf-8", newline="\n")

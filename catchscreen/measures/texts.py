"""Sentences gathered row by row: rules strike some rows each, and a reader sees one text for each row."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

SEPARATOR = "; "


class Notes:
    """Sentences for some of many rows, kept in the order in which they are added; each is said once in a row."""

    def __init__(self, count: int) -> None:
        """Start with no sentence on any of ``count`` rows."""
        self.count = count
        self._rows: list[NDArray[np.int64]] = []
        self._texts: list[NDArray[np.object_]] = []

    def add(self, rows: NDArray[np.int64], texts: str | Sequence[str] | NDArray[np.object_]) -> None:
        """Add one sentence to several rows, or one to each."""
        if len(rows) == 0:
            return
        said = np.full(len(rows), texts, dtype=object) if isinstance(texts, str) else np.asarray(texts, dtype=object)
        self._rows.append(np.asarray(rows, dtype=np.int64))
        self._texts.append(said)

    def any(self) -> NDArray[np.bool_]:
        """Tell which rows have a sentence."""
        out = np.zeros(self.count, bool)
        for rows in self._rows:
            out[rows] = True
        return out

    def joined(self) -> NDArray[np.object_]:
        """Give the text of each row, "" where nothing was said."""
        out = np.full(self.count, "", dtype=object)
        if not self._rows:
            return out
        rows, texts = np.concatenate(self._rows), np.concatenate(self._texts)
        order = np.argsort(rows, kind="stable")
        rows, texts = rows[order], texts[order]
        starts = np.flatnonzero(np.r_[True, rows[1:] != rows[:-1]])
        out[rows[starts]] = texts[starts]
        ends = np.r_[starts[1:], rows.size]
        for place in np.flatnonzero(ends - starts > 1):
            out[rows[starts[place]]] = SEPARATOR.join(dict.fromkeys(texts[starts[place] : ends[place]]))
        return out


def join_texts(*columns: pd.Series) -> pd.Series:
    """Join texts row by row, empty ones left out and each said once; alike rows are joined once only."""
    index = columns[0].index
    coded = [pd.factorize(np.asarray(column, dtype=object)) for column in columns]
    code = np.zeros(len(index), np.int64)
    for codes, texts in coded:
        # Numbered anew after each column, so that many columns of many texts do not run out of numbers.
        _, code = np.unique(code * max(len(texts), 1) + codes, return_inverse=True)
    _, first, back = np.unique(code, return_index=True, return_inverse=True)
    said = np.array(
        [_join_parts([str(texts[codes[row]]) for codes, texts in coded]) for row in first] or [""], dtype=object
    )
    return pd.Series(said[back] if len(index) else [], index=index, dtype=object)


def _join_parts(cells: list[str]) -> str:
    return SEPARATOR.join(dict.fromkeys(part for cell in cells if cell for part in cell.split(SEPARATOR)))


def say_each(values: NDArray[np.object_], say: Callable[[object], str]) -> NDArray[np.object_]:
    """Write a sentence for each value, for equal values once."""
    codes, different = pd.factorize(values)
    said = np.array([say(value) for value in different], dtype=object)
    return np.asarray(said[codes], dtype=object)

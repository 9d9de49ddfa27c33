"""What a layer and a column are, and short ways to write them down."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

SqlType = Literal["TEXT", "INTEGER", "REAL", "BOOLEAN"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: ``decimals`` is how many a REAL is rounded to, once, when it is written."""

    name: str
    type: SqlType
    unit: str
    decimals: int
    meaning: str


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer (``geometry`` is an OGC type name) or attribute table (``geometry`` is "")."""

    name: str
    title: str
    geometry: str
    columns: tuple[Column, ...]

    @property
    def key(self) -> str:
        """Return the name of the first column, which identifies a row."""
        return self.columns[0].name

    @property
    def names(self) -> tuple[str, ...]:
        """Return the column names in order."""
        return tuple(column.name for column in self.columns)


def text(name: str, meaning: str) -> Column:
    """Describe a TEXT column."""
    return Column(name, "TEXT", "", 0, meaning)


def flag(name: str, meaning: str) -> Column:
    """Describe a BOOLEAN column."""
    return Column(name, "BOOLEAN", "", 0, meaning)


def count(name: str, meaning: str, unit: str = "") -> Column:
    """Describe an INTEGER column."""
    return Column(name, "INTEGER", unit, 0, meaning)


def real(name: str, unit: str, decimals: int, meaning: str) -> Column:
    """Describe a REAL column, rounded to ``decimals`` when it is written."""
    return Column(name, "REAL", unit, decimals, meaning)


def reals(unit: str, decimals: int, rows: Iterable[tuple[str, str]]) -> tuple[Column, ...]:
    """Describe REAL columns that share unit and decimals, from (name, meaning)."""
    return tuple(real(name, unit, decimals, meaning) for name, meaning in rows)


def as_markdown(layers: Iterable[Layer]) -> str:
    """Render the layers as the Markdown tables that README carries."""
    lines: list[str] = []
    for layer in layers:
        lines += [f"**{layer.name}** — {layer.title}", "", "| column | type | unit | meaning |", "|---|---|---|---|"]
        lines += [f"| `{c.name}` | {c.type} | {c.unit} | {c.meaning} |" for c in layer.columns]
        lines.append("")
    return "\n".join(lines)

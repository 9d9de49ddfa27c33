"""Rules as data: the built-in measures keep thresholds, constraints and grades in a table of their own, read once."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from catchscreen.measures.contract import ConstraintRule, Threshold
from catchscreen.records import GradeRule


@dataclass(frozen=True, slots=True)
class Rules:
    """What decides about a measure, in the order in which it stands in the table."""

    thresholds: tuple[Threshold, ...]
    constraints: tuple[ConstraintRule, ...]
    grades: tuple[GradeRule, ...]


def read_rules(name: str) -> Rules:
    """Read the rules that ship with a built-in measure.

    Raises
    ------
    TypeError
        When a row has a field that the contract does not know, or lacks one.
    """
    text = (files("catchscreen.measures") / "data" / f"{name}.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    return Rules(
        thresholds=tuple(Threshold(**_tuples(row)) for row in table.get("threshold", ())),
        constraints=tuple(ConstraintRule(**row) for row in table.get("constraint", ())),
        grades=tuple(_grade(row) for row in table.get("grade", ())),
    )


def _tuples(row: dict[str, Any]) -> dict[str, Any]:
    return {name: tuple(value) if isinstance(value, list) else value for name, value in row.items()}


def _grade(row: dict[str, Any]) -> GradeRule:
    return GradeRule(**{"zero_at": None, "one_at": None, **row})

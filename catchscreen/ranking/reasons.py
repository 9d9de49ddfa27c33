"""Why a candidate stands where it stands, in plain words, and what to check next."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from catchscreen.ranking.grading import concerns
from catchscreen.records import Floats, GradeRule

SEPARATOR = "; "
GOOD, BAD = 0.6, 0.3
HOW_MANY = 3
UNITS = (
    ("_per_100m2", " m per 100 m2"),
    ("_per_year", " a year"),
    ("_m2", " m2"),
    ("_m3", " m3"),
    ("_m_s", " m/s"),
    ("_km", " km"),
    ("_percent", " %"),
    ("_deg", " degrees"),
    ("_m", " m"),
)
RATE_UNIT = " m/s"
"""Rates of soils are small by nature; any other value this small is nothing."""
YEAR = re.compile(r"^year_|^renewal_year$")
EXCLUDED = "excluded: "
INFILTRATION_TEST = "infiltration test at base depth, in a wet season"
STRUCTURE_SURVEY = "structural survey by a chartered engineer, with the roof's build-up opened"
SITE_VISIT = "walk the site with this sheet"


def format_value(column: str, value: object) -> str:
    """Write a value with the unit that its column's name ends on; a year without a comma; else about three figures."""
    if isinstance(value, str):
        return value.replace("_", " ")
    number = float(value)  # type: ignore[arg-type]
    if YEAR.search(column):
        return f"{number:.0f}"
    unit = next((text for ending, text in UNITS if column.endswith(ending)), "")
    if number != 0.0 and abs(number) < 0.01:
        return f"{number:.1e}{unit}" if unit == RATE_UNIT else f"{round(number, 2) + 0.0:g}{unit}"
    return f"{number:,.0f}{unit}" if abs(number) >= 100.0 else f"{number:.3g}{unit}"


def write_reasons(
    facts: pd.DataFrame,
    grades: pd.DataFrame,
    rules: tuple[GradeRule, ...],
    weights: pd.DataFrame,
    index_weights: Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """Write what speaks for and against each option, the heaviest criteria first, and what is not known.

    Parameters
    ----------
    index_weights : benefit, feasibility, delivery -> weight: a heavy criterion of a light index pulls little. None: the
        three weigh alike.

    Returns
    -------
    DataFrame
        Index option_id; reasons_for, reasons_against, unknown_criteria, unknown_checks (texts, "; " between).
    """
    asked = dict(zip(weights["criterion"], weights["weight"].astype(float), strict=True))
    share = dict(zip(weights["criterion"], weights["used_weight"].astype(float), strict=True))
    grade = np.column_stack([grades[rule.name].to_numpy(np.float64) for rule in rules])
    asks = np.column_stack([concerns(facts, rule) for rule in rules])
    pull = index_weights or {}
    weight = np.array([share[rule.name] * pull.get(rule.index, 1.0) for rule in rules])
    titles = _criteria_texts(facts, rules)
    grade_said = np.where(asks, grade, np.nan)
    good = _heaviest(titles, np.where(grade_said >= GOOD, weight * grade, 0.0))
    bad = _heaviest(titles, np.where(grade_said <= BAD, weight * (1.0 - grade), 0.0))
    order = sorted(range(len(rules)), key=lambda place: -asked[rules[place].name])
    unknown, kind = np.unique((np.isnan(grade) & asks)[:, order], axis=0, return_inverse=True)
    missing = [[rules[order[place]] for place in np.flatnonzero(row)] for row in unknown]
    named = [SEPARATOR.join(rule.title for rule in own) for own in missing]
    checks = [
        SEPARATOR.join(dict.fromkeys(rule.unknown_check for rule in own if rule.unknown_check)) for own in missing
    ]
    which = kind.ravel().tolist()
    texts = {
        "reasons_for": good,
        "reasons_against": bad,
        "unknown_criteria": [named[one] for one in which],
        "unknown_checks": [checks[one] for one in which],
    }
    return pd.DataFrame(texts, index=facts.index, dtype=object)


def _criteria_texts(facts: pd.DataFrame, rules: tuple[GradeRule, ...]) -> list[list[str]]:
    """Write each criterion's title and value for every row; a value that many rows share is written once."""
    columns = []
    for rule in rules:
        if rule.column not in facts:
            columns.append([""] * len(facts))
            continue
        told = rule.text_column if rule.text_column in facts else ""
        codes, values = pd.factorize(facts[told or rule.column])
        written = [str(value) if told else _say_criterion(rule, value) for value in values]
        columns.append([written[code] if code >= 0 else "" for code in codes.tolist()])
    return columns


def _say_criterion(rule: GradeRule, value: object) -> str:
    if rule.zero_text and not isinstance(value, str) and float(value) == 0.0:  # type: ignore[arg-type]
        return rule.zero_text
    said = format_value("" if rule.unit else rule.column, value)
    return f"{rule.title}: {said}{f' {rule.unit}' if rule.unit else ''}"


def _heaviest(texts: list[list[str]], force: Floats) -> list[str]:
    """Join each row's texts of the greatest force (0: says nothing), at most ``HOW_MANY``; equal force goes by text."""
    rows = []
    for row, forces in enumerate(force.tolist()):
        said = sorted((-strength, texts[place][row]) for place, strength in enumerate(forces) if strength > 0.0)
        rows.append(SEPARATOR.join(text for _, text in said[:HOW_MANY]))
    return rows


def join_texts(*columns: pd.Series) -> pd.Series:
    """Join texts row by row, empty ones left out, each part once."""
    rows = []
    for cells in zip(*(column.tolist() for column in columns), strict=True):
        full = [cell for cell in cells if isinstance(cell, str) and cell]
        parts = [part for cell in full for part in cell.split(SEPARATOR)]
        rows.append(SEPARATOR.join(dict.fromkeys(parts)))
    return pd.Series(rows, index=columns[0].index, dtype=object)


def gather_texts(keys: Iterable[str], texts: Iterable[str]) -> dict[str, str]:
    """Join the different texts of each key in their order, empty ones left out.

    "excluded: " stands once, before what excludes: repeated before each part it would read like a stutter.
    """
    found: dict[str, dict[str, None]] = {}
    for key, text in zip(keys, texts, strict=True):
        own = found.setdefault(key, {})
        if text:
            own[text] = None
    return {key: SEPARATOR.join(_say_excluded_once(list(own))) for key, own in found.items()}


def _say_excluded_once(texts: list[str]) -> list[str]:
    barred = [text for text in texts if text.startswith(EXCLUDED)]
    parts = dict.fromkeys(part for text in barred for part in text.removeprefix(EXCLUDED).split(SEPARATOR))
    others = [text for text in texts if not text.startswith(EXCLUDED)]
    return [EXCLUDED + SEPARATOR.join(parts), *others] if parts else others


CHECK_COLUMNS = ("soaks", "q_source", "ground", "structure_state", "checks", "unknown_checks")
"""What ``choose_next_check`` reads."""


def choose_next_check(option: Mapping[Any, object]) -> str:
    """Name the one check that would settle most: soil where water soaks, structure of a roof, else the first open one.

    A yes or no on soil or structure moves a rank more than any weight does.
    """
    if option.get("soaks") in ("all", "part") and option.get("q_source") != "test":
        return INFILTRATION_TEST
    if option.get("ground") == "roof" and option.get("structure_state") != "confirmed":
        return STRUCTURE_SURVEY
    for name in ("checks", "unknown_checks"):
        text = option.get(name)
        if isinstance(text, str) and text:
            return text.split(SEPARATOR)[0]
    return SITE_VISIT

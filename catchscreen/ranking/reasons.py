"""Why a candidate stands where it stands, in plain words, and what to check next."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.ranking.grading import concerns
from catchscreen.ranking.scoring import IDLE
from catchscreen.records import Floats, GradeRule

Mask = NDArray[np.bool_]
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
    ("_deg", " degrees"),
    ("_m", " m"),
)
RATE_UNIT = " m/s"
"""Rates of soils are small by nature; any other value this small is nothing."""
OWNERS = {"private_single": "one private owner", "private_many": "many private owners"}
SAID_OTHERWISE: tuple[tuple[re.Pattern[str], Callable[[float], str]], ...] = (
    (re.compile(r"^year_|^renewal_year$"), "{:.0f}".format),
    (re.compile(r"^years_to_"), lambda years: f"{years:.0f} year{'' if round(years) == 1 else 's'}"),
    (re.compile(r"_fraction$"), lambda share: f"{100.0 * share:.0f} %"),
    (re.compile(r"_percent$"), "{:.1f} %".format),
)
"""Columns whose values are no plain number with a unit."""
EXCLUDED = "excluded: "
INFILTRATION_TEST = "infiltration test at base depth, in a wet season"
STRUCTURE_SURVEY = "structural survey by a chartered engineer, with the roof's build-up opened"
SITE_VISIT = "walk the site with this sheet"


def format_value(column: str, value: object) -> str:
    """Write a value with the unit that its column's name ends on: a year without a comma, a share in per cent.

    A slope has one decimal, what else there is about three figures.
    """
    if isinstance(value, str):
        return OWNERS.get(value, value.replace("_", " "))
    number = float(value)  # type: ignore[arg-type]
    say, unit = _way_of_saying(column)
    if say is not None:
        return say(number)
    if number != 0.0 and abs(number) < 0.01:
        return f"{number:.1e}{unit}" if unit == RATE_UNIT else f"{round(number, 2) + 0.0:g}{unit}"
    return f"{number:,.0f}{unit}" if abs(number) >= 100.0 else f"{number:.3g}{unit}"


@lru_cache(maxsize=256)
def _way_of_saying(column: str) -> tuple[Callable[[float], str] | None, str]:
    """Give what writes a column's values where they are no plain number, and the unit of those that are."""
    say = next((say for pattern, say in SAID_OTHERWISE if pattern.search(column)), None)
    return say, next((text for ending, text in UNITS if column.endswith(ending)), "")


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
    grade_said = np.where(asks, grade, np.nan)
    praised = np.array([not rule.only_against for rule in rules])
    for_it, against = (grade_said >= GOOD) & praised, grade_said <= BAD
    texts = _criteria_texts(facts, rules, for_it, against)
    good = _heaviest(texts, np.where(for_it, weight * grade, 0.0))
    bad = _heaviest(texts, np.where(against, weight * (1.0 - grade), 0.0))
    # Where no site gains anything, that is known of every one.
    idle = set(weights["criterion"][weights["state"] == IDLE]) if "state" in weights else set()
    asks &= np.array([rule.name not in idle for rule in rules])
    order = sorted(range(len(rules)), key=lambda place: -asked[rules[place].name])
    unknown, kind = np.unique((np.isnan(grade) & asks)[:, order], axis=0, return_inverse=True)
    missing = [[rules[order[place]] for place in np.flatnonzero(row)] for row in unknown]
    named = [SEPARATOR.join(dict.fromkeys(rule.unknown_text or rule.title for rule in own)) for own in missing]
    checks = [
        SEPARATOR.join(dict.fromkeys(rule.unknown_check for rule in own if rule.unknown_check)) for own in missing
    ]
    which = kind.ravel().tolist()
    words = {
        "reasons_for": good,
        "reasons_against": bad,
        "unknown_criteria": [named[one] for one in which],
        "unknown_checks": [checks[one] for one in which],
    }
    return pd.DataFrame(words, index=facts.index, dtype=object)


def _criteria_texts(facts: pd.DataFrame, rules: tuple[GradeRule, ...], for_it: Mask, against: Mask) -> list[list[str]]:
    """Word each criterion where it speaks for or against a row; a value that many rows share is worded once.

    for_it, against : (rows, rules); no cell is in both.
    """
    columns = []
    for place, rule in enumerate(rules):
        texts = np.full(len(facts), "", dtype=object)
        if rule.column in facts:
            told = rule.text_column if rule.text_column in facts else ""
            values = facts[told or rule.column].to_numpy()
            for speaks, form in ((for_it[:, place], rule.good_text), (against[:, place], rule.bad_text)):
                rows = np.flatnonzero(speaks)
                codes, different = pd.factorize(values[rows])
                said = [_say_criterion(rule, value, form) for value in different]
                texts[rows] = np.array([*said, ""], dtype=object)[codes]
        columns.append(texts.tolist())
    return columns


def _say_criterion(rule: GradeRule, value: object, form: str) -> str:
    if isinstance(value, str) and rule.text_column:
        return form.format(value=value) if form and value != rule.zero_text else value
    if rule.zero_text and not isinstance(value, str) and float(value) == 0.0:  # type: ignore[arg-type]
        return rule.zero_text
    said = format_value("" if rule.unit else rule.column, value) + (f" {rule.unit}" if rule.unit else "")
    return form.format(value=said) if form else f"{rule.title}: {said}"


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


CHECK_COLUMNS = ("soaks", "q_source", "test_depth_said", "ground", "structure_state", "checks", "unknown_checks")
"""What ``choose_next_check`` reads."""


def choose_next_check(option: Mapping[Any, object]) -> str:
    """Name the one check that would settle most: soil where water soaks, structure of a roof, else the first open one.

    A test of the soil elsewhere than at the base leaves the one at the base to do.
    A yes or no on soil or structure moves a rank more than any weight does.
    """
    if option.get("soaks") in ("all", "part") and (option.get("q_source") != "test" or option.get("test_depth_said")):
        return INFILTRATION_TEST
    if option.get("ground") == "roof" and option.get("structure_state") != "confirmed":
        return STRUCTURE_SURVEY
    for name in ("checks", "unknown_checks"):
        text = option.get(name)
        if isinstance(text, str) and text:
            return text.split(SEPARATOR)[0]
    return SITE_VISIT

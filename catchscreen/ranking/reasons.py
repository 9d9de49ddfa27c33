"""Why a candidate stands where it stands, in plain words, and what to check next."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from catchscreen.records import GradeRule

SEPARATOR = "; "
GOOD, BAD = 0.6, 0.3
HOW_MANY = 3
UNITS = (
    ("_m3_properties", " m3 x properties"),
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
INFILTRATION_TEST = "infiltration test at base depth, in a wet season"
STRUCTURE_SURVEY = "structural survey by a chartered engineer, with the roof's build-up opened"
SITE_VISIT = "walk the site with this sheet"


def format_value(column: str, value: object) -> str:
    """Write a value with the unit that its column's name ends on; two significant figures for small numbers."""
    if isinstance(value, str):
        return value.replace("_", " ")
    number = float(value)  # type: ignore[arg-type]
    unit = next((text for ending, text in UNITS if column.endswith(ending)), "")
    if number != 0.0 and abs(number) < 0.01:
        return f"{number:.1e}{unit}"
    return f"{number:,.0f}{unit}" if abs(number) >= 100.0 else f"{number:.3g}{unit}"


def write_reasons(
    facts: pd.DataFrame, grades: pd.DataFrame, rules: tuple[GradeRule, ...], weights: pd.DataFrame
) -> pd.DataFrame:
    """Write what speaks for and against each option, the heaviest criteria first, and what is not known.

    Returns
    -------
    DataFrame
        Index option_id; reasons_for, reasons_against, unknown_criteria, unknown_checks (texts, "; " between).
    """
    asked = dict(zip(weights["criterion"], weights["weight"].astype(float), strict=True))
    share = dict(zip(weights["criterion"], weights["used_weight"].astype(float), strict=True))
    rows = []
    listed = {rule.column: facts[rule.column].to_numpy() for rule in rules if rule.column in facts}
    numbers = {rule.name: grades[rule.name].to_numpy(float) for rule in rules}
    for row in range(len(facts)):
        good, bad, unknown = [], [], []
        for rule in rules:
            grade, weight = numbers[rule.name][row], share[rule.name]
            if np.isnan(grade):
                unknown.append((-asked[rule.name], rule.title, rule.unknown_check))
            elif weight > 0.0:
                text = f"{rule.title}: {format_value(rule.column, listed[rule.column][row])}"
                if grade >= GOOD:
                    good.append((-weight * grade, text))
                elif grade <= BAD:
                    bad.append((-weight * (1.0 - grade), text))
        unknown.sort(key=lambda entry: entry[0])
        rows.append(
            (
                SEPARATOR.join(text for _, text in sorted(good)[:HOW_MANY]),
                SEPARATOR.join(text for _, text in sorted(bad)[:HOW_MANY]),
                SEPARATOR.join(title for _, title, _ in unknown),
                SEPARATOR.join(dict.fromkeys(check for _, _, check in unknown if check)),
            )
        )
    columns = ["reasons_for", "reasons_against", "unknown_criteria", "unknown_checks"]
    return pd.DataFrame(rows, columns=columns, index=facts.index)


def join_texts(*columns: pd.Series) -> pd.Series:
    """Join texts row by row, empty ones left out, each part once."""
    rows = []
    for cells in zip(*columns, strict=True):
        parts = [part for cell in cells if isinstance(cell, str) and cell for part in cell.split(SEPARATOR)]
        rows.append(SEPARATOR.join(dict.fromkeys(parts)))
    return pd.Series(rows, index=columns[0].index, dtype=object)


def choose_next_check(option: Mapping[str, object]) -> str:
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

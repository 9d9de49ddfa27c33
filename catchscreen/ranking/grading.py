"""Grades: a column of facts turned into 0 to 1 by a rule, the unknown told from the bad."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.records import Floats, GradeRule

DISTRICT_PERCENTILE = 95.0


def grade_values(values: pd.Series, rule: GradeRule, one_at: float | None = None) -> Floats:
    """Turn values into grades 0..1; NaN where the value is unknown.

    Parameters
    ----------
    values : numbers, or texts for a rule with classes.
    rule : its ``zero_at`` may lie above ``one_at``: less is better then.
    one_at : the district's value for a rule that has none of its own.

    Returns
    -------
    (n,) float64
    """
    if rule.classes:
        return np.asarray(values.map(dict(rule.classes)).astype(float).to_numpy(np.float64))
    number = pd.to_numeric(values, errors="coerce").to_numpy(np.float64)
    zero, one = rule.zero_at, rule.one_at if rule.one_at is not None else one_at
    if zero is None or one is None:
        return np.full(number.size, np.nan)
    if rule.scale == "log":
        # Nothing at all is at the bad end of a log scale, whichever way it runs.
        floor = min(zero, one) * 1e-6
        number, zero, one = np.log10(np.fmax(number, floor)), float(np.log10(zero)), float(np.log10(one))
        number = np.where(np.isnan(pd.to_numeric(values, errors="coerce").to_numpy(np.float64)), np.nan, number)
    if one == zero:
        return np.where(np.isnan(number), np.nan, 0.0)
    return np.clip((number - zero) / (one - zero), 0.0, 1.0)


def district_value(values: pd.Series) -> float:
    """Give the 95th percentile (linear between ranks) of the sites that gain anything at all; 0 where none does.

    Over all sites it would be nothing wherever fewer than one in twenty gains, and hide just those few.
    """
    known = pd.to_numeric(values, errors="coerce").to_numpy(np.float64)
    gaining = known[known > 0.0]
    return float(np.percentile(gaining, DISTRICT_PERCENTILE)) if gaining.size else 0.0


def concerns(facts: pd.DataFrame, rule: GradeRule) -> NDArray[np.bool_]:
    """Tell of which options a criterion speaks: the soil's rate is nothing to a lined store."""
    if not rule.variants or "variant" not in facts:
        return np.ones(len(facts), dtype=bool)
    return facts["variant"].isin(rule.variants).to_numpy()


def fill_unknown(grades: Floats, rule: GradeRule, reference: Floats) -> Floats:
    """Put the stated treatment in place of unknown grades: the median of the known reference grades, or a fixed grade.

    Where no grade of the reference is known the result stays NaN: the criterion is dropped for all.
    """
    known = reference[~np.isnan(reference)]
    if known.size == 0:
        return grades
    fill = float(np.median(known)) if rule.when_unknown == "median" else float(rule.when_unknown)
    return np.where(np.isnan(grades), fill, grades)

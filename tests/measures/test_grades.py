"""Every grade of every installed measure: below its zero, at it, half way, at its one, above it, and unknown."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from catchscreen.measures.registry import find_measures
from catchscreen.ranking.grading import fill_unknown, grade_values

MEASURES = {entry.name: entry.measure for entry in find_measures()}
GRADES = [(name, rule) for name, measure in MEASURES.items() for rule in measure.grades]
DISTRICT = 40.0
"""Stands for the district's 95th percentile where a grade has no upper end of its own."""


@pytest.mark.parametrize(("name", "rule"), GRADES, ids=[f"{name}.{rule.name}" for name, rule in GRADES])
def test_a_grade_runs_from_nought_to_one_and_no_further(name, rule):
    if rule.classes:
        values = pd.Series([*rule.classes, "nobody has heard of it", ""])
        expected = [*rule.classes.values(), np.nan, np.nan]
    else:
        zero, one = rule.zero_at, DISTRICT if rule.one_at is None else rule.one_at
        step = 1e-3 * (one - zero)
        middle = np.sqrt(zero * one) if rule.scale == "log" else 0.5 * (zero + one)
        values = pd.Series([zero - step, zero, middle, one, one + step, np.nan])
        expected = [0.0, 0.0, 0.5, 1.0, 1.0, np.nan]
    found = grade_values(values, rule, DISTRICT)
    assert list(found) == pytest.approx(expected, nan_ok=True, abs=1e-12)
    inside = found[~np.isnan(found)]
    filled = fill_unknown(found, rule, found)
    median = np.median(inside) if rule.when_unknown == "median" else rule.when_unknown
    assert filled[-1] == pytest.approx(median)
    assert name in MEASURES


def test_the_weights_and_ends_of_the_trade_s_table_are_the_defaults():
    """The published table of graded criteria for paving, row by row: zero, one, weight.

    Distance to buildings has a row without a weight in it: its three points come from slope, size and services.
    """
    rules = {rule.name: rule for rule in MEASURES["permeable_paving"].grades}
    table = {
        "captured_area": (100.0, 5000.0, 16.0),
        "combined_sewer": (0.0, 30.0, 12.0),
        "hollow_kept": (0.0, None, 12.0),
        "recharge": (0.0, 0.8, 5.0),
        "fairness": (10.0, 1.0, 5.0),
        "infiltration": (1e-7, pytest.approx(10**-4.5), 8.0),
        "groundwater": (1.0, 3.0, 4.0),
        "slope": (5.0, 1.0, 4.0),
        "host_size": (50.0, 1000.0, 3.0),
        "building_clearance": (0.0, 1.0, 3.0),
        "utilities": (20.0, 2.0, 3.0),
        "roots": (0.5, 0.0, 2.0),
        "traffic": (1.0, 0.0, 3.0),
        "control": (None, None, 9.0),
        "renewal": (10.0, 2.0, 5.0),
        "access": (0.0, 1.0, 2.0),
        "upkeep": (0.0, 1.0, 2.0),
        "haul": (80.0, 15.0, 2.0),
    }
    assert {name: (rule.zero_at, rule.one_at, rule.weight) for name, rule in rules.items()} == table
    roof = {rule.name: (rule.zero_at, rule.one_at, rule.weight) for rule in MEASURES["green_roof"].grades}
    assert roof == {
        "combined_roof": (100.0, 3000.0, 14.0),
        "hollow_kept": (0.0, None, 9.0),
        "annual_retention": (0.15, 0.6, 8.0),
        "fairness": (10.0, 1.0, 9.0),
        "insulation": (2006.0, 1980.0, 5.0),
        "structure": (0.1, 0.9, 16.0),
        "pitch": (20.0, 3.0, 8.0),
        "usable": (0.3, 0.9, 6.0),
        "exposure": (30.0, 10.0, 3.0),
        "upstand": (0.0, 1.0, 5.0),
        "control": (None, None, 7.0),
        "reroofing": (12.0, 2.0, 6.0),
        "roof_access": (0.0, 1.0, 2.0),
        "haul": (100.0, 20.0, 2.0),
    }

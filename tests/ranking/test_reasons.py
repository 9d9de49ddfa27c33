"""Words: values with their units, sides for and against, and the one check to do next."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from catchscreen.ranking.reasons import choose_next_check, format_value, join_texts, write_reasons
from catchscreen.records import GradeRule


@pytest.mark.parametrize(
    ("column", "value", "text"),
    [
        ("captured_connected_m2", 2610.4, "2,610 m2"),
        ("q_m_s", 2e-5, "2.0e-05 m/s"),
        ("slope_percent", 3.25, "3.25 %"),
        ("owner_class", "private_many", "private many"),
        ("hollow_kept_m3_properties", 0.0, "0 m3 x properties"),
        ("combined_spills_per_year", 31.0, "31 a year"),
        ("building_distance_m", 4.0, "4 m"),
        ("share", 0.25, "0.25"),
    ],
)
def test_values_read_with_their_unit(column, value, text):
    assert format_value(column, value) == text


def test_the_heaviest_reasons_stand_first_and_the_middle_says_nothing():
    rules = tuple(
        GradeRule(name, "benefit", name, 0.0, 1.0, 1.0, name.title(), unknown_check=f"check {name}")
        for name in ("area", "spills", "slope", "roots")
    )
    facts = pd.DataFrame({"area": [1.0], "spills": [0.9], "slope": [0.1], "roots": [np.nan]}, index=["A"])
    weights = pd.DataFrame(
        {
            "criterion": ["area", "spills", "slope", "roots"],
            "weight": [10.0, 40.0, 20.0, 30.0],
            "used_weight": [14.0, 57.0, 29.0, 0.0],
        }
    )
    row = write_reasons(facts, facts, rules, weights).loc["A"]
    assert row["reasons_for"] == "Spills: 0.9; Area: 1"
    assert row["reasons_against"] == "Slope: 0.1"
    assert row["unknown_criteria"] == "Roots"
    assert row["unknown_checks"] == "check roots"


@pytest.mark.parametrize(
    ("option", "check"),
    [
        ({"soaks": "all", "q_source": "soil map"}, "infiltration test"),
        ({"soaks": "all", "q_source": "test", "checks": "utility records search; levels"}, "utility records search"),
        ({"soaks": "none", "ground": "roof", "structure_state": ""}, "structural survey"),
        (
            {"soaks": "none", "ground": "roof", "structure_state": "confirmed", "unknown_checks": "trace the drain"},
            "trace",
        ),
        ({"soaks": "none", "ground": "paved", "checks": "", "unknown_checks": ""}, "walk the site"),
    ],
)
def test_the_next_check_is_the_one_that_moves_most(option, check):
    assert choose_next_check(option).startswith(check)


def test_joined_texts_say_each_part_once():
    one = pd.Series(["a; b", "", None])
    other = pd.Series(["b; c", "d", ""])
    assert join_texts(one, other).tolist() == ["a; b; c", "d", ""]

"""Words: values with their units, sides for and against, and the one check to do next."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from catchscreen.ranking.reasons import choose_next_check, format_value, gather_texts, join_texts, write_reasons
from catchscreen.records import GradeRule


@pytest.mark.parametrize(
    ("column", "value", "text"),
    [
        ("captured_connected_m2", 2610.4, "2,610 m2"),
        ("q_m_s", 2e-5, "2.0e-05 m/s"),
        ("slope_percent", 3.24, "3.2 %"),
        ("owner_class", "private_many", "many private owners"),
        ("combined_spills_per_year", 31.0, "31 a year"),
        ("building_distance_m", 4.0, "4 m"),
        ("share", 0.25, "0.25"),
        ("clear_fraction", 0.0097, "1 %"),
        ("pitch_deg", 1.3e-13, "0 degrees"),
        ("years_to_renewal", 1.0, "1 year"),
        ("years_to_renewal", 12.0, "12 years"),
        ("year_built", 1956.0, "1956"),
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
        ({"soaks": "all", "q_source": "test", "test_depth_said": "made elsewhere"}, "infiltration test at base depth"),
        ({"soaks": "none", "q_source": "", "test_depth_said": "", "checks": "levels"}, "levels"),
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


@pytest.mark.parametrize(
    ("changes", "values", "said"),
    [
        ({}, (0.9, 0.1), ("rise: 0.9", "rise: 0.1")),
        ({"good_text": "gentle: {value}", "bad_text": "steep: {value}"}, (0.9, 0.1), ("gentle: 0.9", "steep: 0.1")),
        ({"unit": "of 1"}, (0.9, 0.1), ("rise: 0.9 of 1", "rise: 0.1 of 1")),
        ({"zero_text": "level", "bad_text": "steep: {value}"}, (1.0, 0.0), ("rise: 1", "level")),
        ({"text_column": "told"}, (0.9, 0.1), ("high", "low")),
        ({"text_column": "told", "bad_text": "only {value}"}, (0.9, 0.1), ("high", "only low")),
        ({"text_column": "told", "bad_text": "only {value}", "zero_text": "low"}, (0.9, 0.1), ("high", "low")),
        ({"only_against": True}, (0.9, 0.1), ("", "rise: 0.1")),
    ],
    ids=[
        "title and value",
        "for and against",
        "a unit",
        "nought",
        "words of their own",
        "those shaped",
        "those of nought",
        "never in favour",
    ],
)
def test_a_criterion_speaks_for_and_against_in_its_own_words(changes, values, said):
    own = (GradeRule("rise", "feasibility", "rise", 0.0, 1.0, 1.0, "rise", **changes),)
    facts = pd.DataFrame({"rise": values, "told": ["high", "low"]}, index=["good", "bad"])
    weights = pd.DataFrame({"criterion": ["rise"], "weight": [1.0], "used_weight": [100.0]})
    words = write_reasons(facts, facts[["rise"]], own, weights)
    assert (words.at["good", "reasons_for"], words.at["bad", "reasons_against"]) == said
    assert (words.at["bad", "reasons_for"], words.at["good", "reasons_against"]) == ("", "")


def test_the_unknown_is_named_as_what_is_missing_and_nothing_to_gain_is_no_unknown():
    rules = (
        GradeRule(
            "insulation", "benefit", "year_built", 2006.0, 1980.0, 5.0, "weak insulation", unknown_text="year built"
        ),
        GradeRule("hollow", "benefit", "kept", 0.0, None, 9.0, "water kept"),
    )
    facts = pd.DataFrame({"year_built": [np.nan], "kept": [0.0]}, index=["A"])
    grades = pd.DataFrame({"insulation": [np.nan], "hollow": [np.nan]}, index=["A"])
    states = ["dropped: no data for any site", "dropped: nothing to gain at any site"]
    weights = pd.DataFrame(
        {"criterion": ["insulation", "hollow"], "weight": [5.0, 9.0], "used_weight": 0.0, "state": states}
    )
    assert write_reasons(facts, grades, rules, weights).at["A", "unknown_criteria"] == "year built"


def test_a_heavy_criterion_of_a_light_index_pulls_little():
    rules = (
        GradeRule("owner", "delivery", "owner", 0.0, 1.0, 1.0, "owner"),
        GradeRule("area", "benefit", "area", 0.0, 1.0, 1.0, "area"),
    )
    facts = pd.DataFrame({"owner": [1.0], "area": [1.0]}, index=["A"])
    weights = pd.DataFrame({"criterion": ["owner", "area"], "weight": [1.0, 1.0], "used_weight": [50.0, 32.0]})
    plain = write_reasons(facts, facts, rules, weights)
    pulled = write_reasons(facts, facts, rules, weights, {"benefit": 0.5, "feasibility": 0.3, "delivery": 0.2})
    assert (plain.at["A", "reasons_for"], pulled.at["A", "reasons_for"]) == ("owner: 1; area: 1", "area: 1; owner: 1")


def test_joined_texts_say_each_part_once():
    one = pd.Series(["a; b", "", None])
    other = pd.Series(["b; c", "d", ""])
    assert join_texts(one, other).tolist() == ["a; b; c", "d", ""]


def test_gathered_texts_say_excluded_once_and_each_part_once():
    keys = ["A", "A", "B", "A", "C"]
    texts = ["excluded: too steep; wet", "excluded: too steep", "possible", "excluded: made ground", ""]
    assert gather_texts(keys, texts) == {"A": "excluded: too steep; wet; made ground", "B": "possible", "C": ""}


def test_a_value_shared_by_many_rows_reads_the_same_in_each_and_an_absent_column_is_unknown():
    rules = (
        GradeRule("area", "benefit", "host_area_m2", 0.0, 1.0, 1.0, "area"),
        GradeRule("haul", "delivery", "supply_km", 1.0, 0.0, 1.0, "haul", unknown_check="give supply points"),
    )
    facts = pd.DataFrame({"host_area_m2": [1200.0, 1200.0, 3.0]}, index=["A", "B", "C"])
    grades = pd.DataFrame({"area": [1.0, 1.0, 0.0], "haul": [np.nan] * 3}, index=facts.index)
    weights = pd.DataFrame({"criterion": ["area", "haul"], "weight": [1.0, 1.0], "used_weight": [100.0, 0.0]})
    words = write_reasons(facts, grades, rules, weights)
    assert words["reasons_for"].tolist() == ["area: 1,200 m2", "area: 1,200 m2", ""]
    assert words["reasons_against"].tolist() == ["", "", "area: 3 m2"]
    assert set(words["unknown_criteria"]) == {"haul"}
    assert set(words["unknown_checks"]) == {"give supply points"}

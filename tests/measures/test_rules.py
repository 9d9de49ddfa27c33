"""Every gate, switch and flag of every installed measure, just below its limit, at it, just above it, and unknown."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from catchscreen.measures.gates import judge_options, strikes
from catchscreen.measures.registry import find_measures

MEASURES = {entry.name: entry.measure for entry in find_measures()}
RULES = [(name, rule) for name, measure in MEASURES.items() for rule in measure.thresholds]
CONSTRAINTS = [(name, rule) for name, measure in MEASURES.items() for rule in measure.constraints]
SIDES = {"<": (True, False, False), "<=": (True, True, False), ">": (False, False, True), ">=": (False, True, True)}
NO_CONSTRAINT = pd.DataFrame(columns=["candidate_id", "kind", "rule", "reason", "also_flag"])


def options_of(measure, column, value):
    variants = [variant.name for variant in measure.variants]
    return pd.DataFrame(
        {"candidate_id": "C", "variant": variants, column: [value] * len(variants)},
        index=[f"C.{name}" for name in variants],
    )


def near(value):
    step = max(abs(value) * 1e-6, 1e-9)
    return value - step, value, value + step


@pytest.mark.parametrize(("name", "rule"), RULES, ids=[f"{name}.{rule.name}" for name, rule in RULES])
def test_a_rule_strikes_on_its_side_of_the_limit_and_nowhere_when_unknown(name, rule):
    measure = MEASURES[name]
    if isinstance(rule.value, tuple):
        cases = [(word, rule.comparison == "in") for word in rule.value] + [("something else", rule.comparison != "in")]
    else:
        cases = list(zip(near(rule.value), SIDES[rule.comparison], strict=True))
    for value, expected in cases:
        struck, unknown = strikes(pd.Series([value]), rule)
        assert bool(struck[0]) is expected, value
        assert not unknown[0]
        waits = rule.unless_half_empty
        text = "conditions" if waits else {"gate": "gates", "switch": "switches", "flag": "flags"}[rule.kind]
        verdict = judge_options(options_of(measure, rule.column, value), measure, NO_CONSTRAINT)
        for variant in measure.variants:
            hit = expected and (not rule.variants or variant.name in rule.variants)
            words = rule.reason.format(value=value.replace("_", " ") if isinstance(value, str) else value)
            assert (words in verdict.at[f"C.{variant.name}", text]) is hit
            if hit and rule.kind != "flag" and not waits:
                assert not verdict.at[f"C.{variant.name}", "admissible"]
            if hit and rule.kind == "switch" and not waits:
                assert f"(so {rule.to_variant})" in verdict.at[f"C.{variant.name}", text]
    missing = "" if isinstance(rule.value, tuple) else np.nan
    struck, unknown = strikes(pd.Series([missing]), rule)
    assert not struck[0]
    assert unknown[0]
    verdict = judge_options(options_of(measure, rule.column, missing), measure, NO_CONSTRAINT)
    for variant in measure.variants:
        concerned = not rule.variants or variant.name in rule.variants
        assert (bool(rule.unknown_text) and rule.unknown_text in verdict.at[f"C.{variant.name}", "unknowns"]) is (
            concerned and bool(rule.unknown_text)
        )


@pytest.mark.parametrize(("name", "rule"), CONSTRAINTS, ids=[f"{name}.{rule.kind}" for name, rule in CONSTRAINTS])
def test_a_mapped_constraint_does_what_its_rule_says(name, rule):
    measure = MEASURES[name]
    found = pd.DataFrame([("C", rule.kind, rule.rule, rule.reason, rule.also_flag)], columns=NO_CONSTRAINT.columns)
    verdict = judge_options(options_of(measure, "q_m_s", 1e-3), measure, found)
    for variant in measure.variants:
        row = verdict.loc[f"C.{variant.name}"]
        soaks = variant.soaks != "none"
        excluded = rule.rule == "gate" or (rule.rule == "switch" and soaks)
        assert (rule.reason in row["gates"]) is (rule.rule == "gate")
        assert (rule.reason in row["switches"]) is (rule.rule == "switch" and soaks)
        assert (rule.reason in row["flags"]) is (rule.rule == "flag" or (rule.also_flag and not excluded))
        assert (row["gates"] == row["switches"] == "") is not excluded


def test_an_unknown_infiltration_rate_keeps_the_site_in_the_partial_variant():
    measure = MEASURES["permeable_paving"]
    verdict = judge_options(options_of(measure, "q_m_s", np.nan), measure, NO_CONSTRAINT)
    assert not verdict.at["C.full-infiltration", "admissible"]
    assert verdict.at["C.full-infiltration", "waits_for_test"]
    assert verdict.at["C.partial-infiltration", "admissible"]
    assert "infiltration test" in verdict.at["C.full-infiltration", "checks"]


def test_a_full_variant_that_fails_for_another_reason_does_not_wait_for_a_test():
    measure = MEASURES["permeable_paving"]
    options = options_of(measure, "groundwater_clearance_m", 0.2)
    options["q_m_s"] = np.nan
    assert not judge_options(options, measure, NO_CONSTRAINT)["waits_for_test"].any()


def test_all_limits_of_the_table_are_present_with_a_source():
    """The rows of the trade's tables for gates and switches, by name; a lost row would fail here."""
    paving = {rule.name: rule for rule in MEASURES["permeable_paving"].thresholds}
    expected = {
        "infiltration_full_min": 1e-5,
        "infiltration_partial_min": 1e-6,
        "groundwater_clearance_min_m": 1.0,
        "flotation_clearance_min_m": 0.3,
        "infiltration_full_floor": 1e-6,
        "slope_max_percent": 5.0,
        "slope_check_dams_percent": 3.0,
        "host_area_min_m2": 50.0,
        "width_min_m": 2.4,
        "run_on_ratio_flag": 2.0,
        "run_on_ratio_max": 5.0,
    }
    assert {name: paving[name].value for name in expected} == expected
    roof = {rule.name: rule for rule in MEASURES["green_roof"].thresholds}
    expected = {
        "pitch_max_deg": 30.0,
        "pitch_deep_max_deg": 10.0,
        "pitch_storage_max_deg": 2.0,
        "plane_error_max_m": 0.3,
        "host_area_min_m2": 50.0,
        "reroof_soon_years": 2.0,
        "reroof_wait_years": 5.0,
    }
    assert {name: roof[name].value for name in expected} == expected
    for measure in MEASURES.values():
        assert all(rule.source for rule in (*measure.thresholds, *measure.constraints, *measure.grades))

"""Every number that decides has a source, it is printed, and one that the brief has set says so."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from catchscreen.measures import open_measures, propose
from catchscreen.measures.describing import describe, list_rules
from catchscreen.measures.overrides import apply_overrides
from catchscreen.measures.registry import find_measures
from catchscreen.options import MeasureOptions

PAVING = "permeable_paving"
OURS = tuple(entry.measure for entry in find_measures() if entry.distribution == "catchscreen")
RULES = list_rules(OURS)
PLAIN = re.compile(r"common practice|from memory|as quoted|given by the brief|^survey$")
CITED = re.compile(
    r"CIRIA C\d+|Buckinghamshire Council|Scottish Green Infrastructure Forum|Minnesota Stormwater Manual"
)


@pytest.mark.parametrize(("rule_id", "source"), list(zip(RULES.index, RULES["source"], strict=True)))
def test_each_rule_and_number_says_where_it_comes_from(rule_id, source):
    """ "As quoted" for what was read second-hand, "common practice", "from memory", or a document that can be found."""
    assert PLAIN.search(source) or CITED.search(source), rule_id


def test_no_kind_of_number_is_left_out_of_the_list():
    for measure in OURS:
        own = RULES[RULES["measure"] == measure.name]["kind"].value_counts()
        assert own["variant"] == len(measure.variants)
        assert own.get("grade", 0) == len(measure.grades)
        assert own.get("number", 0) == len(measure.extra)
        assert own.get("constraint", 0) == len(measure.constraints)
        assert own.reindex(["gate", "switch", "flag"]).sum() == len(measure.thresholds)
    assert RULES.index.is_unique


def test_what_the_brief_sets_says_so_and_nothing_else_does():
    options = MeasureOptions(
        thresholds={f"{PAVING}.slope_max_percent": 8.0, "green_roof.doubtful_deck": ("steel",)},
        numbers={f"{PAVING}.dig_limit_mm": 900.0},
        grades={f"{PAVING}.slope": (8.0, 2.0)},
        constraint_rules={"mining": "gate"},
    )
    table = list_rules(apply_overrides(OURS, options))
    said = table[table["source"] == "the brief"]
    assert said["rule"].to_dict() == {
        f"{PAVING}.gate.slope_max_percent": "> 8",
        f"{PAVING}.number.dig_limit_mm": "900",
        f"{PAVING}.grade.slope": "0 at 8, 1 at 2",
        f"{PAVING}.constraint.mining": "gate: touches",
        "green_roof.gate.doubtful_deck": "in steel",
    }
    others = table.index.difference(said.index)
    pd.testing.assert_frame_equal(table.loc[others], RULES.loc[others])


def test_a_site_s_own_value_has_its_place_in_the_words_of_a_rule():
    assert not RULES["reason"].str.contains(r"[{}]").any()
    assert RULES.at[f"{PAVING}.gate.width_min_m", "reason"] == "only [value] m wide"


def test_the_proposals_carry_the_rules_that_were_used(make_district, layers, run):
    options = MeasureOptions(thresholds={f"{PAVING}.host_area_min_m2": 60.0})
    data, land, cover = make_district(**layers)
    rules = propose(data, land, cover, open_measures(options), options, run).rules
    assert rules.at[f"{PAVING}.gate.host_area_min_m2", "rule"] == "< 60"
    assert rules.at[f"{PAVING}.gate.host_area_min_m2", "source"] == "the brief"
    assert rules.at[f"{PAVING}.number.half_emptying_max_h", "source"].startswith("24 h after 1-in-30")


def test_a_rule_for_a_kind_of_constraint_is_used_and_shown(make_district, layers, run):
    """The map gives no rule of its own: the brief's goes before the measure's."""
    from shapely.geometry import box

    zone = layers["soils"].iloc[:1][["geometry"]].assign(kind="flood_zone", rule="", reason="")
    layers["constraints"] = zone.set_geometry([box(80, 0, 120, 200)])
    data, land, cover = make_district(**layers)
    for rules, column in (({}, "flags"), ({"flood_zone": "gate"}, "gates")):
        options = MeasureOptions(constraint_rules=rules)
        table = propose(data, land, cover, open_measures(options), options, run).options
        assert "in a flood zone" in table.at["P1-paved-permeable_paving-14_7.lined", column]


def test_the_description_of_a_measure_names_the_source_of_its_numbers():
    paving = next(measure for measure in OURS if measure.name == PAVING)
    table = describe(paving).query("kind == 'number'").set_index("name")
    assert table.at["structural_depth_car_mm", "source"] == "from memory"
    assert table.at["dig_limit_mm", "source"] == "common practice"

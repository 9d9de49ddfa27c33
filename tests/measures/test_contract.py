"""The contract: what every installed measure must hold, what a simple one needs, and what the registry refuses."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace
from importlib.metadata import EntryPoint

import pandas as pd
import pytest

from catchscreen.errors import InputsAtFault, MeasureFailed
from catchscreen.measures import registry
from catchscreen.measures.contract import Measure, Threshold, Variant
from catchscreen.measures.describing import DESCRIBED, describe, describe_as_markdown
from catchscreen.measures.overrides import apply_overrides
from catchscreen.measures.registry import find_measures, open_measures, requirements
from catchscreen.measures.site_columns import SITE_COLUMNS, site_columns
from catchscreen.options import MeasureOptions

INSTALLED = [entry for entry in find_measures() if entry.measure is not None]


def simple(**changes):
    fields = {
        "name": "rain_garden",
        "title": "Rain garden",
        "ground": "paved",
        "variants": (Variant("planted", "Basin"),),
    }
    return Measure(**{**fields, **changes})


@pytest.mark.parametrize("entry", INSTALLED, ids=[entry.name for entry in INSTALLED])
class TestEveryInstalledMeasure:
    def test_weighs_to_a_hundred(self, entry):
        indices = {"benefit": 0.0, "feasibility": 0.0, "delivery": 0.0}
        for rule in entry.measure.grades:
            indices[rule.index] += rule.weight
        assert all(total > 0.0 for total in indices.values())
        if entry.distribution == "catchscreen" and entry.name != "sports_turf":
            assert sum(indices.values()) == pytest.approx(100.0)

    def test_names_a_unit_or_words_and_a_meaning_for_each_column(self, entry):
        for column in entry.measure.columns:
            assert column.meaning
            assert column.when_unknown

    def test_knows_its_package_and_cannot_be_changed(self, entry):
        assert entry.measure.distribution == entry.distribution
        with pytest.raises(FrozenInstanceError):
            entry.measure.name = "other"

    def test_describes_every_rule(self, entry):
        frame = describe(entry.measure)
        assert list(frame.columns) == DESCRIBED
        count = len(entry.measure.thresholds) + len(entry.measure.constraints) + len(entry.measure.grades)
        assert frame["kind"].isin(["gate", "switch", "flag", "constraint", "grade"]).sum() == count
        assert describe_as_markdown(entry.measure).count("\n") == len(frame) + 4


@pytest.mark.parametrize("name", ["permeable_paving", "green_roof", "sports_turf"])
def test_our_own_measures_read_only_columns_that_they_declare(name):
    measure = next(entry.measure for entry in INSTALLED if entry.name == name)
    declared = {column.name for column in measure.columns} | {"host_area_m2"}
    assert {rule.column for rule in measure.thresholds} <= declared


def test_what_our_measures_declare_is_in_the_site_table(proposals):
    """Each declared column is one of the list, and the options that are judged really have it."""
    for entry in INSTALLED:
        if entry.distribution == "catchscreen":
            assert all(SITE_COLUMNS[column.name] is column for column in entry.measure.columns)
    assert set(SITE_COLUMNS) <= set(proposals.options)


def test_built_ins_come_through_the_same_door():
    found = {entry.name: entry.distribution for entry in find_measures()}
    assert {name: found[name] for name in ("permeable_paving", "green_roof", "sports_turf")} == dict.fromkeys(
        ("permeable_paving", "green_roof", "sports_turf"), "catchscreen"
    )


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"name": "Rain Garden"}, "small letters"),
        ({"ground": "lawn"}, "none of paved"),
        ({"variants": ()}, "no variant"),
        ({"variants": (Variant("a", "A"), Variant("a", "B"))}, "stands twice"),
        ({"thresholds": (Threshold("t", "gate", "x", "<", 1.0, "r", "s", variants=("b",)),)}, "no variant of it"),
    ],
)
def test_a_broken_measure_is_refused_by_name(changes, message):
    with pytest.raises(ValueError, match=message):
        simple(**changes)


@pytest.mark.parametrize("depths", [(), (300, 200), (0, 100), (100, 100)])
def test_a_catalogue_must_rise(depths):
    with pytest.raises(ValueError, match="ascending"):
        Variant("a", "A", depths_mm=depths)


def test_a_switch_needs_a_goal_and_words_need_in():
    with pytest.raises(ValueError, match="to_variant"):
        Threshold("t", "switch", "x", "<", 1.0, "r", "s")
    with pytest.raises(ValueError, match="does not fit"):
        Threshold("t", "gate", "x", "<", ("a",), "r", "s")


def point(name, value="nothing.there:measure"):
    return EntryPoint(name=name, value=value, group=registry.GROUP)


def test_an_entry_that_cannot_be_imported_is_named_and_left_out(monkeypatch, caplog):
    monkeypatch.setattr(registry, "entry_points", lambda group: [point("broken_one")])
    monkeypatch.setattr(registry, "_distribution", lambda point: "gardens-outside")
    options = MeasureOptions()
    names = [measure.name for measure in open_measures(options)]
    assert "broken_one" not in names
    assert "broken_one" in caplog.text
    assert "gardens-outside" in caplog.text


def test_a_broken_entry_of_a_stranger_stops_the_run_when_the_brief_says_so(monkeypatch):
    monkeypatch.setattr(registry, "entry_points", lambda group: [point("broken_one")])
    with pytest.raises(MeasureFailed, match="broken_one"):
        open_measures(MeasureOptions(use=("broken_one",), on_plugin_error="stop"))


def test_two_distributions_with_one_name_are_both_named(monkeypatch):
    monkeypatch.setattr(registry, "entry_points", lambda group: [point("green_roof", "other_place:measure")])
    monkeypatch.setattr(registry, "_distribution", lambda point: "roofs-of-others")
    with pytest.raises(MeasureFailed, match=r"catchscreen.*roofs-of-others"):
        find_measures()


def test_an_unknown_name_lists_what_is_installed():
    with pytest.raises(InputsAtFault, match=r"no measure 'swale'.*permeable_paving"):
        open_measures(MeasureOptions(use=("swale",)))


def test_the_brief_chooses_and_orders():
    names = [measure.name for measure in open_measures(MeasureOptions(use=("sports_turf", "green_roof")))]
    assert names == ["sports_turf", "green_roof"]


def test_requirements_list_every_declared_column():
    measures = open_measures(MeasureOptions())
    frame = requirements(measures)
    assert len(frame) == sum(len(measure.columns) for measure in measures)
    assert list(frame.columns) == ["measure", "column", "unit", "meaning", "when_unknown"]


def test_overrides_reach_thresholds_numbers_and_grades():
    options = MeasureOptions(
        thresholds={"permeable_paving.slope_max_percent": 8.0},
        numbers={"permeable_paving.dig_limit_mm": 900.0},
        grades={"permeable_paving.slope": (8.0, 2.0)},
    )
    paving = next(m for m in apply_overrides(open_measures(options), options) if m.name == "permeable_paving")
    rule = next(rule for rule in paving.thresholds if rule.name == "slope_max_percent")
    assert (rule.value, rule.source) == (8.0, "the brief")
    assert paving.extra["dig_limit_mm"] == 900.0
    grade = next(rule for rule in paving.grades if rule.name == "slope")
    assert (grade.zero_at, grade.one_at) == (8.0, 2.0)


@pytest.mark.parametrize(
    "changes",
    [
        {"thresholds": {"permeable_paving.slope_max": 8.0}},
        {"thresholds": {"permeable_paving.slope_max_percent": ("a",)}},
        {"numbers": {"green_roof.dig": 1.0}},
        {"grades": {"permeable_paving.control": (0.0, 1.0)}},
        {"grades": {"permeable_paving.slope": (3.0, 3.0)}},
    ],
)
def test_an_override_that_fits_nothing_is_a_fault_with_a_cure(changes):
    options = MeasureOptions(**changes)
    with pytest.raises(InputsAtFault) as caught:
        apply_overrides(open_measures(options), options)
    assert all(fault.cure for fault in caught.value.faults)


def test_a_plugin_cannot_change_its_inputs_and_its_failure_is_named(district, options, run):
    from catchscreen.measures import propose

    seen = []

    def spoil(patches):
        patches["area_m2"] = 0.0
        patches["parcel_id"] = "mine"
        seen.append(len(patches))
        raise OSError("no licence")

    data, land, cover = district
    before = cover.patches.copy()
    bad = replace(simple(hosts=spoil), distribution="gardens-outside")
    measures = (*open_measures(MeasureOptions(use=("permeable_paving",))), bad)
    proposals = propose(data, land, cover, measures, options, run)
    pd.testing.assert_frame_equal(pd.DataFrame(cover.patches), pd.DataFrame(before))
    assert seen == [3]
    assert set(proposals.hosts["measure"]) == {"permeable_paving"}
    with pytest.raises(MeasureFailed, match=r"rain_garden.*gardens-outside.*no licence"):
        propose(data, land, cover, measures, MeasureOptions(on_plugin_error="stop"), run)


def test_a_simple_measure_goes_through_the_whole_stage(district, options, run):
    from catchscreen.measures import propose, store_trials

    data, land, cover = district
    proposals = propose(data, land, cover, (simple(),), options, run)
    assert set(proposals.options["variant"]) == {"planted"}
    assert proposals.options["admissible"].all()
    trials = store_trials(proposals, options)
    assert len(trials.store_id) == 3 * len(proposals.hosts)


def test_the_description_says_which_switch_waits_for_the_run():
    measure = next(entry.measure for entry in INSTALLED if entry.name == "permeable_paving")
    rules = describe(measure).set_index("name")["rule"]
    assert rules["infiltration_full_min"] == "< 1e-05, unless its store half-empties in time"
    assert rules["infiltration_full_floor"] == "< 1e-06"


def test_the_site_table_names_the_columns_it_has_where_one_is_asked_for_that_it_lacks():
    with pytest.raises(KeyError, match="no 'moon_phase'; it has q_m_s"):
        site_columns("q_m_s", "moon_phase")


@pytest.mark.parametrize(
    "changes",
    [
        {"unknown_infiltration_m_s": (1e-5, 1e-6, 1e-7)},
        {"unknown_infiltration_m_s": (1e-7, 1e-6, 36.0)},
        {"safety_factors": (5.0, 3.0, 1.5)},
        {"safety_factors": (0.5, 3.0, 5.0)},
        {"safety_factor_building": 1000.0},
        {"current_year": 25},
        {"evidence_reach_m": 1e6},
        {"base_clearance_m": -1.0},
        {"haul_factor": 0.5},
        {"supply_haul_km": 0.0},
        {"supply_years": 1000.0},
        {"contingency_fraction": 30.0},
        {"discount_rate": 3.5},
        {"whole_life_years": 0},
        {"plastic_diversion_t_co2e_per_t": 3.0},
    ],
    ids=str,
)
def test_absurd_options_are_refused(changes):
    with pytest.raises(ValueError, match=next(iter(changes))):
        MeasureOptions(**changes)

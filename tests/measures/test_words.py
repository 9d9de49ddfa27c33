"""What a reader is told: nothing that does not concern the variant, nothing twice, no jargon."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString, box

from catchscreen.measures import open_measures, propose, store_trials
from catchscreen.measures.texts import Notes, join_texts
from catchscreen.options import MeasureOptions
from catchscreen.ranking.grading import grade_values
from catchscreen.ranking.reasons import write_reasons

SCHOOL = "P1-paved-permeable_paving-14_7"
ROOF = "P1-roof-green_roof-5_5"
CAR_PARK = "P3-paved-permeable_paving-50_10"


def reasons_of(variant, **values):
    """Word the reasons of one paved option by the paving's own grades."""
    (measure,) = open_measures(MeasureOptions(use=("permeable_paving",)))
    facts = pd.DataFrame({"variant": [variant], **{name: [value] for name, value in values.items()}}, index=["o"])
    rules = tuple(rule for rule in measure.grades if rule.column in values)
    grades = pd.DataFrame({rule.name: grade_values(facts[rule.column], rule, 100.0) for rule in rules}, index=["o"])
    weights = pd.DataFrame({"criterion": [rule.name for rule in rules], "weight": 10.0, "used_weight": 10.0})
    return write_reasons(facts, grades, rules, weights).loc["o"]


def test_a_lined_store_says_nothing_of_the_soil():
    """1e-4 m/s speaks for soaking variants; a lined one neither gains nor lacks anything by it."""
    assert "the soil takes water well: 1.0e-04 m/s" in reasons_of("full-infiltration", q_m_s=1e-4)["reasons_for"]
    assert reasons_of("lined", q_m_s=1e-4)["reasons_for"] == ""
    assert reasons_of("lined", q_m_s=1e-7)["reasons_against"] == ""
    assert reasons_of("lined", q_m_s=np.nan)["unknown_criteria"] == ""
    assert reasons_of("partial-infiltration", q_m_s=np.nan)["unknown_criteria"] == "infiltration rate"


def test_nothing_is_said_in_words_where_the_number_is_nought():
    against = reasons_of("lined", combined_spills_weighted=0.0, hollow_kept_m3_properties=0.0)["reasons_against"]
    assert "keeps no water out of a combined sewer with a known overflow" in against
    assert "keeps no water from a hollow with properties in it" in against
    assert "0 " not in against
    assert "31 spills a year" in reasons_of("lined", combined_spills_weighted=31.0)["reasons_for"]
    said = "keeps its water out of a combined sewer whose overflow spills 31 times a year"
    told = {"combined_spills_weighted": 31.0, "combined_sewer_said": said}
    assert reasons_of("full-infiltration", **told)["reasons_for"] == said
    assert (
        "worse off: social decile 1 of 10 (1 is the worst off)" in reasons_of("lined", social_decile=1.0)["reasons_for"]
    )


def test_neither_roofs_nor_lined_stores_name_the_source_of_a_rate(proposals):
    table = proposals.options
    assert (table.loc[table["soaks"] == "none", "q_source"] == "").all()
    assert table.at[f"{SCHOOL}.full-infiltration", "q_source"] == "soil map"
    assert proposals.hosts.at[ROOF, "q_source"] == ""
    assert proposals.hosts.loc[ROOF, ["q_m_s", "q_low_m_s", "q_high_m_s"]].isna().all()


def test_a_pitch_that_reaches_no_sewer_now_has_a_drain_to_one_held_against_it(make_district, layers, options, run):
    """The playing field P4 sheds its water over the ground: draining its layer to the sewer is new water there."""
    data, land, cover = make_district(**layers)
    data.parcels.loc["P4", "land_use"] = "pitch"
    for piped, said in ((0.0, True), (0.04, True), (0.06, False), (0.9, False), (np.nan, False)):
        surfaces = cover.surfaces.copy()
        surfaces.loc["S7", "piped_fraction"] = piped
        measures = open_measures(MeasureOptions(use=("sports_turf",)))
        table = propose(data, land, replace(cover, surfaces=surfaces), measures, options, run).options
        assert len(table) == 2
        assert table["flags"].str.contains("a sewer that it does not reach now").all() == said


def test_maps_that_are_not_given_are_named_in_plain_words(make_district, layers, options, run):
    zone = gpd.GeoDataFrame(
        {"kind": ["flood_zone"], "rule": [""], "reason": [""]}, geometry=[box(0, 300, 10, 310)], crs=32628
    )
    data, land, cover = make_district(**{**layers, "constraints": zone})
    unknowns = propose(data, land, cover, open_measures(options), options, run).options.at[
        f"{SCHOOL}.full-infiltration", "unknowns"
    ]
    assert "contaminated ground" in unknowns
    assert "inner protection zones of water supplies" in unknowns
    assert "flood zones" not in unknowns
    assert "_" not in unknowns


def test_buried_services_and_foundations_are_cautioned_once(make_district, layers, options, run):
    near = layers["buildings"].copy()
    near.loc["B1", "geometry"] = box(40, 10, 50, 60)
    data, land, cover = make_district(**{**layers, "buildings": near})
    cautions = propose(data, land, cover, open_measures(options), options, run).hosts["cautions"]
    assert cautions[SCHOOL].count("before any digging") == 1
    assert cautions[SCHOOL].count("foundation") == 1
    assert "foundation" not in cautions[CAR_PARK]
    assert cautions[ROOF].count("load") == 1
    assert "services" not in cautions[ROOF]


def test_no_room_is_said_without_a_negative_depth(make_district, layers, options, run):
    data, land, cover = make_district(**layers)
    narrow = MeasureOptions(numbers={"permeable_paving.dig_limit_mm": 100.0})
    gates = propose(data, land, cover, open_measures(options), narrow, run).options.at[f"{SCHOOL}.lined", "gates"]
    assert gates == "the digging depth leaves no room for a store"


def test_a_set_aside_parcel_says_excluded_once(proposals):
    reasons = proposals.set_aside["reason"]
    assert (reasons.str.count("excluded: ") <= 1).all()
    assert reasons.str.contains("excluded: ").any()


def test_options_carry_the_low_mid_and_high_rate_of_their_soil(make_district, layers, options, run):
    """The soil's own range where the map gives one, else ten either way; stores soak at both ends over the factor."""
    layers["soils"]["infiltration_low_m_s"], layers["soils"]["infiltration_high_m_s"] = [1e-5, np.nan], [5e-5, np.nan]
    data, land, cover = make_district(**layers)
    proposals = propose(data, land, cover, open_measures(options), options, run)
    own = proposals.options.loc[f"{SCHOOL}.full-infiltration"]
    assert list(own[["q_low_m_s", "q_mid_m_s", "q_high_m_s"]]) == pytest.approx([1e-5, 2e-5, 5e-5])
    other = proposals.options.loc[f"{CAR_PARK}.partial-infiltration"]
    assert list(other[["q_low_m_s", "q_mid_m_s", "q_high_m_s"]]) == pytest.approx([2e-7, 2e-6, 2e-5])
    trials = store_trials(proposals, options)
    row = trials.option_id.index(f"{SCHOOL}.full-infiltration")
    rates = [trials.soak_low_mm_h[row], trials.soak_design_mm_h[row], trials.soak_high_mm_h[row]]
    assert rates == pytest.approx([3.6e6 * rate / own["safety_factor"] for rate in (1e-5, 2e-5, 5e-5)])
    lined = trials.option_id.index(f"{SCHOOL}.lined") if f"{SCHOOL}.lined" in trials.option_id else row
    assert trials.soak_low_mm_h[lined] <= trials.soak_high_mm_h[lined]


@pytest.mark.parametrize(
    ("kind", "water_m", "outfall", "after"),
    [
        ("combined", 20.0, "watercourse", "ground, the rest slowed to watercourse"),
        ("separate", 20.0, "watercourse", "ground, the rest slowed to watercourse"),
        ("separate", 500.0, "surface-water sewer", "ground, the rest slowed to surface-water sewer"),
        ("combined", 500.0, "combined sewer", "ground, the rest slowed to combined sewer"),
        ("none", 500.0, "none", "ground, the rest slowed to none"),
    ],
)
def test_what_cannot_soak_goes_to_the_watercourse_then_the_clean_sewer_then_the_combined_one(
    make_district, layers, options, run, kind, water_m, outfall, after
):
    layers["sewer_zones"]["sewer_kind"] = kind
    brook = LineString([(0, 60 + water_m), (400, 60 + water_m)])
    layers["watercourses"] = gpd.GeoDataFrame({"name": [""]}, geometry=[brook], crs=32628)
    data, land, cover = make_district(**layers)
    proposals = propose(data, land, cover, open_measures(options), options, run)
    assert proposals.hosts.at[SCHOOL, "outfall"] == outfall
    assert proposals.options.at[f"{SCHOOL}.partial-infiltration", "receiving_after"] == after
    assert proposals.options.at[f"{SCHOOL}.full-infiltration", "receiving_after"] == "ground"


@pytest.mark.parametrize(
    ("kind", "variant", "expected"),
    [
        ("combined", "full-infiltration", 0.9 * 2900.0),
        ("separate", "full-infiltration", 0.0),
        ("combined", "lined", 0.0),
        ("combined", "partial-infiltration", 0.0),
    ],
)
def test_only_what_went_to_the_combined_sewer_is_kept_out_of_it(
    make_district, layers, options, run, kind, variant, expected
):
    """2,000 m2 of yard and 900 m2 of roof, nine tenths of both piped; what is slowed comes there all the same."""
    layers["sewer_zones"]["sewer_kind"] = kind
    data, land, cover = make_district(**layers)
    table = propose(data, land, cover, open_measures(options), options, run).options
    assert table.at[f"{SCHOOL}.{variant}", "off_combined_sewer_m2"] == pytest.approx(expected)


@pytest.mark.parametrize(("kind", "area"), [("", np.nan), ("separate", 0.0)])
def test_where_the_sewer_is_not_known_nobody_says_what_is_kept_out_of_it(
    make_district, layers, options, run, kind, area
):
    """No kind of sewer zone: what receives the water is unknown, and so is what is kept out of a combined sewer."""
    if kind:
        layers["sewer_zones"]["sewer_kind"] = kind
    else:
        layers["sewer_zones"] = None
    data, land, cover = make_district(**layers)
    proposals = propose(data, land, cover, open_measures(options), options, run)
    found = proposals.options.at[f"{SCHOOL}.full-infiltration", "off_combined_sewer_m2"]
    assert found == pytest.approx(area, nan_ok=True)
    certainty = proposals.hosts.at[SCHOOL, "receiving_certainty"]
    assert certainty == ("assumed from the map" if kind else "unknown")


def test_sentences_are_joined_once_in_order_and_row_by_row():
    notes = Notes(3)
    notes.add(np.array([0, 2]), "first")
    notes.add(np.array([2, 2, 0]), ["second", "first", "first"])
    assert list(notes.joined()) == ["first", "", "first; second"]
    assert list(notes.any()) == [True, False, True]
    joined = join_texts(pd.Series(["a", "", "a; b"]), pd.Series(["b", "", "b; c"]), pd.Series(["", "", "a"]))
    assert list(joined) == ["a; b", "", "a; b; c"]

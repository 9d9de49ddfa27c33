"""Sizes: hand-worked stores, and the choice among trials that the real store runs have gone through."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from catchscreen import runoff
from catchscreen.measures import choose_size, open_measures, propose, settle, store_trials
from catchscreen.measures.defaults import orifice_l_s
from catchscreen.measures.sizing import quick_depth_mm
from catchscreen.measures.variants import choose_safety_factor, slope_store_fraction
from catchscreen.options import MeasureOptions
from catchscreen.records import RunOn, StoreEvents, Storms

SCHOOL = "P1-paved-permeable_paving-14_7"
CAR_PARK = "P3-paved-permeable_paving-50_10"


def one_storm(depth_mm=30.0, minutes=60.0, step_min=1.0):
    steps = int(minutes / step_min)
    frame = pd.DataFrame(
        {
            "label": "uniform",
            "return_period_years": np.nan,
            "duration_min": minutes,
            "uplift": 1.0,
            "depth_mm": depth_mm,
            "profile": "uniform",
            "season": "",
            "climate": "now",
            "antecedent": "",
            "is_sizing": True,
        },
        index=pd.Index(["storm"], name="storm_id"),
    )
    return Storms(frame, {"storm": np.full(steps, depth_mm / steps)}, {"storm": step_min})


def run_on_of(trials, storm):
    """Every square metre of run-on sheds the storm as it falls: one loss class without losses."""
    ratio = (trials.run_on_area_m2 / trials.host_area_m2)[:, None]
    return RunOn(ratio, {"storm": storm.depths_mm["storm"][None, :].copy()})


def sizes_for(proposals, storm, run, options):
    trials = store_trials(proposals, options)
    events = runoff.run_store_events(trials, run_on_of(trials, storm), storm, run)
    return trials, events, choose_size(proposals, trials, events, storm, options)


@pytest.mark.parametrize(("factor", "expected"), [(1.0, 60.0), (2.0, 180.0), (5.0, 252.0)])
def test_quick_depth_at_three_safety_factors(factor, expected):
    """q 2e-5 m/s = 72 mm/h, R 3, 30 mm in 1 h, n 0.3: (90 - 72/SF)/0.3 = 60, 180, 252 mm."""
    assert quick_depth_mm(3.0, 30.0, 1.0, 2e-5, factor, 0.3) == pytest.approx(expected)


@pytest.mark.parametrize(("q", "depth", "hours"), [(1e-5, 80.0, 0.33), (1e-6, 188.0, 7.8)])
def test_quick_depth_and_half_emptying_of_a_plane_store(q, depth, hours):
    """R 2, 30 mm/h for 1 h, n 0.3: h = (60 - q)/0.3; half-empty after n h / (2 q)."""
    found = quick_depth_mm(2.0, 30.0, 1.0, q, 1.0, 0.3)
    assert found == pytest.approx(depth, abs=0.5)
    assert 0.3 * found / (2.0 * q * 3.6e6) == pytest.approx(hours, rel=0.02)


@pytest.mark.parametrize(
    ("depth", "slope", "bay", "share"),
    [(350, 0.03, 10, 0.57), (350, 0.05, 10, 0.35), (350, 0.05, 5, 0.64), (350, 0.0, 10, 1)],
)
def test_slope_takes_store_away(depth, slope, bay, share):
    """d 0.35 m: gL 0.3 m leaves 1 - 0.3/0.7; gL 0.5 m > d leaves d/(2gL) = 0.35; gL 0.25 m leaves 1 - 0.25/0.7."""
    found = slope_store_fraction(float(depth), pd.Series([slope]), pd.Series([float(bay)]))
    assert found[0] == pytest.approx(share, abs=0.005)


def test_slope_share_has_no_step_where_the_formulas_meet():
    """At d = gL both give one half."""
    share = [slope_store_fraction(300.0, pd.Series([0.03 + e]), pd.Series([10.0]))[0] for e in (-1e-9, 0.0, 1e-9)]
    assert share == pytest.approx([0.5] * 3, abs=1e-6)


def test_a_hole_of_50_mm_under_350_mm_lets_out_3_1_litres_a_second():
    """0.6 x 0.0019635 m2 x sqrt(2 x 9.81 x 0.35) = 3.09 l/s."""
    assert orifice_l_s(50.0, 0.35) == pytest.approx(3.09, abs=0.005)
    assert orifice_l_s(50.0, -1.0) == 0.0


@pytest.mark.parametrize(("area", "factor"), [(99.9, 1.5), (100.0, 3.0), (1000.0, 3.0), (1000.1, 5.0)])
def test_safety_factor_steps(area, factor):
    found = choose_safety_factor(pd.Series([area]), pd.Series(["road"]), MeasureOptions())
    assert found[0] == factor
    assert choose_safety_factor(pd.Series([area]), pd.Series(["building"]), MeasureOptions())[0] == 10.0


def test_trials_are_every_catalogue_depth_that_fits(proposals, options):
    """The yard is a playground: 200 mm at least; the car park needs 300 mm, its lined catalogue begins there."""
    trials = store_trials(proposals, options)
    depths = pd.Series(trials.depth_mm, index=trials.option_id)
    assert list(depths[f"{SCHOOL}.full-infiltration"]) == [200, 250, 300, 350, 400, 500, 600]
    assert list(depths[f"{CAR_PARK}.lined"]) == [300, 350, 400, 500, 600]
    assert f"{CAR_PARK}.full-infiltration" not in depths.index
    assert list(trials.store_id) == sorted(trials.store_id)


def test_the_smallest_depth_that_holds_the_storm_is_chosen(proposals, options, run):
    """R 1.45, q/SF 14.4 mm/h, 60 mm in 1 h: at most 87 - 2 - 14.4 = 70.6 mm of water. On a slope of 1 % with bays of
    10 m, 0.3 (d - 50 mm) is usable: d = 285, so 300 mm is chosen and 250 mm overflows.
    """
    storm = one_storm(60.0)
    _, events, sizes = sizes_for(proposals, storm, run, options)
    option = f"{SCHOOL}.full-infiltration"
    assert sizes.options.at[option, "store_depth_mm"] == 300.0
    assert sizes.options.at[option, "passes_sizing_storm"]
    over = events.events.set_index("store_id")["overflow_m3"]
    assert over[f"{option}@0250"] > 0.0
    assert over[f"{option}@0300"] == pytest.approx(0.0, abs=1e-9)
    assert sizes.options.at[option, "quick_depth_mm"] == pytest.approx((1.45 * 60.0 - 14.4) / 0.3)
    assert "least catalogue depth" in sizes.options.at[option, "size_reason"]
    assert [*sizes.stores.option_id] == [*sizes.options.index]


def test_the_deepest_is_chosen_where_none_holds_it(proposals, options, run):
    storm = one_storm(220.0)
    *_, sizes = sizes_for(proposals, storm, run, options)
    row = sizes.options.loc[f"{SCHOOL}.full-infiltration"]
    assert row["store_depth_mm"] == 600.0
    assert not row["passes_sizing_storm"]
    assert "still overflows" in row["size_reason"]
    assert row["sizing_overflow_m3"] > 0.0


def test_groundwater_limits_the_depth_of_a_soaking_store(make_district, layers, options, run):
    """1.6 m to water, 1.0 m of clearance, 130 mm of surface: 470 mm are left, so 400 mm is the deepest trial."""
    layers["groundwater"] = layers["groundwater"].assign(depth_m=1.6)
    data, land, cover = make_district(**layers)
    proposals = propose(data, land, cover, open_measures(options), options, run)
    trials = store_trials(proposals, options)
    depths = pd.Series(trials.depth_mm, index=trials.option_id)
    assert depths[f"{SCHOOL}.full-infiltration"].max() == 400.0


def test_a_site_with_no_room_for_any_depth_is_excluded_with_the_reason(make_district, layers, run):
    """Digging ends at 300 mm, 130 of them surface: no lined catalogue depth fits."""
    options = MeasureOptions(numbers={"permeable_paving.dig_limit_mm": 300.0})
    data, land, cover = make_district(**layers)
    proposals = propose(data, land, cover, open_measures(options), options, run)
    row = proposals.options.loc[f"{SCHOOL}.lined"]
    assert not row["admissible"]
    assert "the digging depth leaves room for a store of 170 mm, and 300 mm are needed" in row["gates"]


def test_green_roofs_start_a_winter_storm_wet(proposals, options):
    """80 mm of substrate hold 20 mm; 2 mm are free: the start is 0.9 of it."""
    trials = store_trials(proposals, options)
    row = trials.store_id.index("P1-roof-green_roof-5_5.extensive@0080")
    assert trials.substrate_mm[row] == pytest.approx(20.0)
    assert trials.substrate_start_fraction[row] == pytest.approx(0.9)
    assert trials.run_on_area_m2[row] == 0.0
    assert trials.base_area_m2[row] == 0.0


def test_a_known_spare_load_limits_the_build_up(make_district, layers, options, run):
    """Spare 1.0 kN/m2 with the ballast's 0.9 traded makes 1.9: semi-intensive weighs 1.2 to 2.4 over 150 to 250 mm, so
    208 mm fit; intensive (2.0) does not.
    """
    buildings = layers["buildings"].copy()
    buildings.loc["B1", "spare_load_kn_m2"] = 1.0
    data, land, cover = make_district(**{**layers, "buildings": buildings})
    proposals = propose(data, land, cover, open_measures(options), options, run)
    roof = "P1-roof-green_roof-5_5"
    assert proposals.options.at[f"{roof}.semi-intensive", "max_depth_mm"] == pytest.approx(150.0 + 0.7 / 0.012)
    assert not proposals.options.at[f"{roof}.intensive", "admissible"]
    assert "falls short" in proposals.options.at[f"{roof}.intensive", "gates"]


def test_an_unproven_site_brings_its_bounding_variants_to_the_trials(make_district, layers, options, run):
    layers.pop("soils")
    data, land, cover = make_district(**layers)
    proposals = propose(data, land, cover, open_measures(options), options, run)
    storm = one_storm()
    *_, sizes = sizes_for(proposals, storm, run, options)
    assert {f"{SCHOOL}.full-infiltration", f"{SCHOOL}.lined", f"{SCHOOL}.partial-infiltration"} <= set(
        sizes.options.index
    )


def test_a_store_function_that_leaves_a_column_out_is_named(proposals, options):
    from catchscreen.errors import MeasureFailed

    bad = replace(proposals.measures[0], store=lambda options, variant, depth: pd.DataFrame(index=options.index))
    broken = replace(proposals, measures=(bad,))
    with pytest.raises(MeasureFailed, match="lacks wetting_mm"):
        store_trials(broken, MeasureOptions(on_plugin_error="stop"))


def test_surface_that_turns_water_away_is_no_matter_of_depth(proposals, options):
    """Two depths with the same intake excess: the smaller is chosen, and the excess is said."""
    trials = store_trials(proposals, options)
    events = pd.DataFrame(
        {
            "store_id": trials.store_id,
            "storm_id": "storm",
            "overflow_m3": 3.0,
            "intake_excess_m3": 3.0,
            "greatest_store_mm": 1.0,
            "half_emptying_h": 1.0,
        }
    )
    sizes = choose_size(proposals, trials, StoreEvents(events), one_storm(), options)
    row = sizes.options.loc[f"{SCHOOL}.full-infiltration"]
    assert row["store_depth_mm"] == 200.0
    assert not row["passes_sizing_storm"]
    assert "lets too little in: 3.0 m3" in row["size_reason"]
    assert "holds the sizing storms" not in row["size_reason"]


@pytest.mark.parametrize(
    ("rate", "half_h", "overflow", "stays", "said"),
    [
        (9.9e-6, 23.9, 0.0, True, ""),
        (9.9e-6, 24.0, 0.0, True, ""),
        (9.9e-6, 24.1, 0.0, False, "takes 24 h to half-empty at the low end of its rate (at most 24 h)"),
        (9.9e-6, np.inf, 0.0, False, "never half-empties"),
        (9.9e-6, 1.0, 5.0, False, "does not hold the sizing storm"),
        (1e-6, 1.0, 0.0, True, ""),
        (1e-5, 99.0, 5.0, True, ""),
    ],
)
def test_a_slow_soil_takes_all_only_if_the_store_is_half_empty_in_a_day(
    make_district, layers, options, run, rate, half_h, overflow, stays, said
):
    """From 1e-6 to 1e-5 m/s the run of the store decides; from 1e-5 m/s on it is not asked."""
    layers["soils"]["infiltration_m_s"] = layers["soils"]["infiltration_low_m_s"] = rate
    data, land, cover = make_district(**layers)
    proposals = propose(data, land, cover, open_measures(options), options, run)
    trials = store_trials(proposals, options)
    events = pd.DataFrame(
        {
            "store_id": trials.store_id,
            "storm_id": "storm",
            "overflow_m3": overflow,
            "greatest_store_mm": 1.0,
            "half_emptying_h": half_h,
        }
    )
    option = f"{SCHOOL}.full-infiltration"
    assert proposals.options.at[option, "admissible"]
    sizes = choose_size(proposals, trials, StoreEvents(events), one_storm(), options)
    settled = settle(proposals, sizes)
    assert (option in sizes.options.index) is stays
    assert bool(settled.options.at[option, "admissible"]) is stays
    assert said in settled.options.at[option, "switches"]
    assert settled.options.at[option, "reason"].startswith("possible" if stays else "another variant")
    assert settled.options.at[f"{SCHOOL}.partial-infiltration", "admissible"]


@pytest.mark.parametrize(("half_h", "stays"), [(11.9, True), (12.1, False)])
def test_half_empty_in_time_also_at_the_low_end_of_the_rate(make_district, layers, options, run, half_h, stays):
    """A soil of 8e-6 that may be 4e-6 m/s takes twice the run's time."""
    layers["soils"]["infiltration_m_s"], layers["soils"]["infiltration_low_m_s"] = 8e-6, 4e-6
    data, land, cover = make_district(**layers)
    proposals = propose(data, land, cover, open_measures(options), options, run)
    trials = store_trials(proposals, options)
    events = {"store_id": trials.store_id, "storm_id": "storm", "overflow_m3": 0.0, "greatest_store_mm": 1.0}
    events = pd.DataFrame(events).assign(half_emptying_h=half_h)
    sizes = choose_size(proposals, trials, StoreEvents(events), one_storm(), options)
    assert (f"{SCHOOL}.full-infiltration" in sizes.options.index) is stays


def test_a_soil_below_the_floor_is_not_even_tried(make_district, layers, options, run):
    layers["soils"]["infiltration_m_s"] = 9.9e-7
    data, land, cover = make_district(**layers)
    table = propose(data, land, cover, open_measures(options), options, run).options
    assert not table.at[f"{SCHOOL}.full-infiltration", "admissible"]
    assert "too little water" in table.at[f"{SCHOOL}.full-infiltration", "switches"]


def test_what_goes_over_the_top_is_said_with_its_way_only_where_something_does(proposals, options):
    trials = store_trials(proposals, options)
    near = replace(proposals, options=proposals.options.assign(passes_building=True))
    for overflow, said in ((0.0, False), (3.0, True)):
        events = pd.DataFrame(
            {
                "store_id": trials.store_id,
                "storm_id": "storm",
                "overflow_m3": overflow,
                "greatest_store_mm": 1.0,
                "half_emptying_h": 1.0,
            }
        )
        sizes = choose_size(near, trials, StoreEvents(events), one_storm(), options)
        assert ("it would pass beside a building" in sizes.options.at[f"{SCHOOL}.lined", "size_reason"]) is said


@pytest.mark.parametrize(
    ("half_h", "said"),
    [
        (23.9, ""),
        (24.0, ""),
        (92.2, "its store takes 92 h to half-empty after the sizing storm (at most 24 h)"),
        (np.inf, "its store never half-empties after the sizing storm (at most 24 h)"),
    ],
)
def test_a_store_that_is_late_to_half_empty_carries_its_hours_against_it(
    make_district, layers, options, run, half_h, said
):
    """Unknown soil: nothing moves the site to another variant, so the hours have to be said."""
    layers.pop("soils")
    data, land, cover = make_district(**layers)
    proposals = propose(data, land, cover, open_measures(options), options, run)
    trials = store_trials(proposals, options)
    events = {"store_id": trials.store_id, "storm_id": "storm", "overflow_m3": 0.0, "greatest_store_mm": 1.0}
    events = pd.DataFrame(events).assign(half_emptying_h=half_h)
    settled = settle(proposals, choose_size(proposals, trials, StoreEvents(events), one_storm(), options))
    flags = settled.options.at[f"{SCHOOL}.partial-infiltration", "flags"]
    assert ("half-empt" in flags) is bool(said)
    assert said in flags
    assert "half-empt" not in settled.options.at["P1-roof-green_roof-5_5.extensive", "flags"]


@pytest.mark.parametrize(("excess", "said"), [(0.04, "less than 0.1 m3"), (0.06, "0.1 m3")])
def test_a_volume_that_rounds_to_nought_is_said_in_words(proposals, options, excess, said):
    trials = store_trials(proposals, options)
    events = {"store_id": trials.store_id, "storm_id": "storm", "overflow_m3": excess, "intake_excess_m3": excess}
    events = pd.DataFrame(events).assign(greatest_store_mm=1.0, half_emptying_h=1.0)
    sizes = choose_size(proposals, trials, StoreEvents(events), one_storm(), options)
    assert f"too little in: {said} of" in sizes.options.at[f"{SCHOOL}.full-infiltration", "size_reason"]


@pytest.mark.parametrize(
    ("use", "rain_mm", "said"),
    [
        ("car_park", 20.0, "300 mm, the least that car traffic asks for, holds the sizing storms"),
        ("playground", 20.0, "200 mm, the least catalogue depth, holds the sizing storms"),
        ("playground", 60.0, "300 mm is the least catalogue depth that holds the sizing storms"),
    ],
)
def test_what_sets_the_depth_is_said(make_district, layers, options, run, use, rain_mm, said):
    """20 mm leave 29 - 14.4 - 2 mm of water, 42 mm of store and 50 mm lost to slope: less than the thinnest store."""
    layers["land_cover"].loc[0, "ground_use"] = use
    data, land, cover = make_district(**layers)
    proposals = propose(data, land, cover, open_measures(options), options, run)
    *_, sizes = sizes_for(proposals, one_storm(rain_mm), run, options)
    assert sizes.options.at[f"{SCHOOL}.full-infiltration", "size_reason"] == said

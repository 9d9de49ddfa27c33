"""What the words of the trade mean here: rates, ratios, default storms, outfalls, and in what order water passes."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString

from catchscreen import runoff
from catchscreen.measures import open_measures, propose, store_trials
from catchscreen.options import MeasureOptions, RainOptions, RunoffOptions
from catchscreen.outputs.schema import CANDIDATES
from catchscreen.progress import Run
from catchscreen.records import RunOn

SCHOOL = "P1-paved-permeable_paving-14_7"
CAR_PARK = "P3-paved-permeable_paving-50_10"
FULL, PARTIAL, LINED = (f"{SCHOOL}.{name}" for name in ("full-infiltration", "partial-infiltration", "lined"))
MEANING = {column.name: column.meaning for column in CANDIDATES}
TABLE = pd.DataFrame(
    {2.0: [7.5, 13.0, 19.0], 30.0: [17.0, 30.0, 41.0], 100.0: [22.0, 38.0, 51.0]},
    index=pd.Index([15.0, 60.0, 180.0], name="duration_min"),
)


def propose_with(district, options=None):
    options = options or MeasureOptions()
    return propose(*district, open_measures(options), options, Run())


def trial(proposals, name):
    trials = store_trials(proposals, MeasureOptions())
    return trials, trials.store_id.index(name)


def test_storms_use_the_rate_over_the_safety_factor_and_years_the_rate_itself(proposals):
    """q 2e-5 m/s = 72 mm/h; 2,900 m2 drained: factor 5, 14.4 mm/h."""
    trials, row = trial(proposals, f"{FULL}@0300")
    assert trials.soak_design_mm_h[row] == pytest.approx(14.4)
    assert trials.soak_mean_mm_h[row] == pytest.approx(72.0)


def test_a_variant_is_gated_by_the_rate_itself(make_district, layers):
    """q 2e-5 m/s is above the 1e-5 of the gate, q/SF 4e-6 m/s is below it: no switch speaks of a slow soil."""
    option = propose_with(make_district(**layers)).options.loc[FULL]
    assert option["q_m_s"] > 1e-5 > option["q_design_m_s"]
    assert option["switches"] == option["conditions"] == ""


def test_the_safety_factor_moves_the_storm_and_not_the_yearly_recharge(make_district, layers):
    """Every tenth day an hour of 40 mm. At 72 mm/h the yard (R 1.45) takes it as it falls; at 7.2 mm/h a storm of 60 mm

    overflows 200 mm of store (30 mm of it usable voids less slope). Recharge is the inflow less what evaporates.
    """
    recharge, overflow = [], []
    times = pd.date_range("2001-01-01", "2003-12-31 23:00", freq="h", tz="UTC")
    day = (times - times[0]).days.to_numpy()
    rain = pd.Series(np.where((day % 10 == 0) & (times.hour.to_numpy() == 3), 40.0, 0.0), index=times)
    storms = runoff.prepare_rain(None, None, RainOptions(sizing_depth_mm=60.0), Run())
    for factor in (1.0, 10.0):
        options = MeasureOptions(safety_factors=(factor,) * 3)
        proposals = propose_with(make_district(**layers), options)
        trials = store_trials(proposals, options)
        row = trials.store_id.index(f"{FULL}@0200")
        years = runoff.run_stores(trials, rain, None, Run()).years.iloc[row]
        recharge.append(years["to_ground_m3_yr"])
        none = RunOn(
            np.zeros((len(trials.store_id), 1)), {k: np.zeros((1, v.size)) for k, v in storms.depths_mm.items()}
        )
        events = runoff.run_store_events(trials, none, storms, Run()).events
        own = events[(events["store_id"] == f"{FULL}@0200") & (events["storm_id"] == "060mm-0060min")]
        overflow.append(float(own["overflow_m3"].iloc[0]))
    assert recharge[0] == recharge[1] > 0.0
    assert overflow[0] == 0.0 < overflow[1]


def test_r_and_the_run_on_ratio_are_two_columns_with_their_own_meaning(make_district, layers):
    """Host 2,000, run-on 900 m2; a wall along the yard takes 5 m of its 40 m off the base: 1,750 m2.

    R = (2,000 + 900) / 1,750 = 1.657; run-on ratio = 900 / 2,000 = 0.45.
    """
    layers["buildings"].loc["B1", "geometry"] = gpd.GeoSeries.from_wkt(["POLYGON((40 10,50 10,50 60,40 60,40 10))"])[0]
    option = propose_with(make_district(**layers)).options.loc[FULL]
    assert option["base_area_m2"] == pytest.approx(1750.0, rel=1e-3)
    assert option["drained_to_base_ratio"] == pytest.approx(2900.0 / 1750.0, rel=1e-3)
    assert option["run_on_ratio"] == pytest.approx(0.45)
    assert MEANING["drained_to_base_ratio"] == "R: host and run-on area over the base area"
    assert MEANING["run_on_ratio"] == "run-on ratio: run-on area over host area"


def test_without_a_table_stores_are_sized_on_30_mm_in_one_hour_uniform_without_uplift():
    """30 mm over sixty minutes, the same in every step."""
    storms = runoff.prepare_rain(None, None, RainOptions(), Run())
    own = storms.storms[storms.storms["is_sizing"].astype(bool)]
    assert list(own["depth_mm"]) == [30.0]
    assert list(own["duration_min"]) == [60.0]
    assert list(own["uplift"]) == [1.0]
    assert list(own["profile"]) == ["uniform"]
    steps = storms.depths_mm[own.index[0]]
    np.testing.assert_allclose(steps, 30.0 / steps.size)


def test_with_a_table_stores_are_sized_on_1_in_30_times_the_upper_of_1_2_and_1_4_over_all_durations():
    """17, 30 and 41 mm times 1.4 = 23.8, 42.0 and 57.4 mm."""
    rain = RainOptions(durations_min=(15.0, 60.0, 180.0))
    assert rain.uplift == (1.2, 1.4)
    storms = runoff.prepare_rain(TABLE, None, rain, Run()).storms
    own = storms[storms["is_sizing"].astype(bool)].sort_values("duration_min")
    assert (own["return_period_years"] == 30.0).all()
    assert (own["uplift"] == 1.4).all()
    assert sorted(set(own["duration_min"])) == [15.0, 60.0, 180.0]
    assert sorted(set(own["depth_mm"].round(6))) == [23.8, 42.0, 57.4]


@pytest.mark.parametrize(("depth_m", "said"), [(0.7299, True), (0.73, False), (0.7301, False), (np.nan, False)])
def test_a_lined_store_near_groundwater_is_checked_for_floating(make_district, layers, depth_m, said):
    """130 mm of surface and 300 mm of store: the base lies at 0.43 m; under 0.3 m of clearance from 0.73 m."""
    layers["groundwater"]["depth_m"] = depth_m
    proposals = propose_with(make_district(**layers))
    assert ("does not float" in proposals.options.at[f"{CAR_PARK}.lined", "flags"]) is said
    assert "does not float" not in proposals.options.at[PARTIAL, "flags"]


@pytest.mark.parametrize(
    ("level_m", "gated", "unknown"),
    [(49.58, True, False), (49.57, False, False), (49.0, False, False), (np.nan, False, True)],
)
def test_an_unknown_level_of_the_outfall_is_unknown_not_a_pass(make_district, layers, level_m, gated, unknown):
    """Ground at 50.00 m, base of the lined store 0.43 m below: a drain needs an outfall at 49.57 m or lower."""
    data, land, cover = make_district(**layers)
    proposals = propose_with((data, land, cover))
    hosts = proposals.hosts
    assert "ground_level_m" in hosts
    from catchscreen.measures.gates import judge_options
    from catchscreen.measures.variants import pair_hosts_with_variants

    measure = next(m for m in proposals.measures if m.name == "permeable_paving")
    own = hosts.assign(ground_level_m=50.0, outfall_level_m=level_m, outfall="combined sewer")
    table = pair_hosts_with_variants(own, measure, MeasureOptions())
    nothing = pd.DataFrame(columns=["candidate_id", "kind", "rule", "reason", "also_flag"])
    verdict = judge_options(table, measure, nothing).loc[LINED]
    assert ("outfall lies above the base" in verdict["gates"]) is gated
    assert ("level of the outfall" in verdict["unknowns"]) is unknown
    assert ("invert level of the nearest sewer" in verdict["checks"]) is unknown


def test_an_unknown_outfall_is_named_where_the_water_goes_after(make_district, layers):
    """No sewer zones and no watercourses: nobody knows where a drain from the base could lead."""
    layers.pop("sewer_zones")
    option = propose_with(make_district(**layers)).options.loc[LINED]
    assert option["receiving_after"] == "slowed to unknown outfall"
    assert "outfall" in option["unknowns"].split("; ")
    assert "drainage records and a level survey" in option["checks"]


def test_the_structural_depth_is_said_not_to_be_checked(proposals):
    on_ground = proposals.options[proposals.options["ground"] == "paved"]
    assert on_ground["notes"].str.contains("structural depth not checked beyond a stated minimum").all()
    roofs = proposals.options[proposals.options["ground"] == "roof"]
    assert not roofs["notes"].str.contains("structural").any()
    assert "not checked" in MEANING["notes"]


def test_run_on_enters_after_the_losses_of_the_surface_that_sheds_it(make_district, layers):
    """The yard takes a roof of 900 m2: of 30 mm it gets what the roof sheds, less than 27 m3, beside its own 60 m3."""
    data, land, cover = make_district(**layers)
    proposals = propose_with((data, land, cover))
    storms = runoff.prepare_rain(None, None, RainOptions(), Run())
    now = runoff.run_storms(cover.ledger, land, data.sewer_zones, storms, RunoffOptions(), Run(), soils=data.soils)
    trials, row = trial(proposals, f"{FULL}@0300")
    inflow = runoff.gather_run_on(trials, proposals.options["candidate_id"], proposals.run_on, cover.ledger, now)
    events = runoff.run_store_events(trials, inflow, storms, Run()).events
    own = events[(events["store_id"] == trials.store_id[row]) & (events["storm_id"] == "030mm-0060min")].iloc[0]
    shed_mm = now.runoff_mm["030mm-0060min"][list(cover.ledger["surface_id"]).index("S1")]
    assert 27.0 < shed_mm < 30.0
    assert own["inflow_m3"] == pytest.approx(60.0 + 0.9 * shed_mm)


def test_a_green_roof_takes_no_run_on_even_where_a_roof_drains_to_it(make_district, layers):
    """A link from the depot's roof onto the school's: the school's green roof gets its own rain only."""
    data, land, cover = make_district(**layers)
    more = pd.DataFrame([("P1-r", "S4", 1600.0, "roof_pipe")], columns=cover.links.columns)
    linked = replace(cover, links=pd.concat([cover.links, more], ignore_index=True))
    proposals = propose_with((data, land, linked))
    roofs = proposals.options[proposals.options["measure"] == "green_roof"]
    assert (roofs["run_on_area_m2"] == 0.0).all()
    assert not proposals.run_on["candidate_id"].isin(set(roofs["candidate_id"])).any()


def test_an_outfall_goes_by_the_nearest_watercourse(make_district, layers):
    layers["watercourses"] = gpd.GeoDataFrame(geometry=[LineString([(315, 0), (315, 400)])], crs=32628)
    option = propose_with(make_district(**layers)).options.loc[f"{CAR_PARK}.lined"]
    assert option["receiving_after"] == "slowed to watercourse"


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("supply_cover_fraction", "null without tonnes_per_year"),
        ("supplier_layers", "empty without a supplier's layer"),
        ("safety_factor", "null where nothing soaks"),
        ("slope_fraction", "null on roofs"),
        ("inflow_m3_yr", "less its first year, which warms the stores up"),
        ("cost_over_main", "a main beneath"),
    ],
)
def test_meanings_say_when_a_column_is_empty(name, words):
    assert words in MEANING[name]


def test_roofs_and_lined_stores_have_no_safety_factor_and_roofs_no_slope(proposals):
    table = proposals.options
    assert table.loc[table["soaks"] == "none", "safety_factor"].isna().all()
    assert table.loc[table["soaks"] != "none", "safety_factor"].notna().all()
    assert table.loc[table["ground"] == "roof", "slope_fraction"].isna().all()

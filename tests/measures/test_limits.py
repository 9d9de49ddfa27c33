"""What limits the depth of a store, what dirty ground forbids, and what a candidate is cautioned for."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString, Point, box

from catchscreen.measures import open_measures, propose
from catchscreen.measures.gates import judge_options
from catchscreen.measures.people import HAZARD
from catchscreen.measures.variants import pair_hosts_with_variants
from catchscreen.options import MeasureOptions

SCHOOL = "P1-paved-permeable_paving-14_7"
ROOF = "P1-roof-green_roof-5_5"
CAR_PARK = "P3-paved-permeable_paving-50_10"
FULL, PARTIAL, LINED = "full-infiltration", "partial-infiltration", "lined"


def paired(proposals, options=None, **changes):
    """Pair the school's yard anew with the variants after changing what is known of it."""
    (measure,) = (measure for measure in proposals.measures if measure.name == "permeable_paving")
    hosts = proposals.hosts.loc[[SCHOOL]].assign(**changes)
    return pair_hosts_with_variants(hosts, measure, options or MeasureOptions()).set_index("variant"), measure


@pytest.mark.parametrize(
    ("changes", "variant", "depth_mm", "limit"),
    [
        ({"groundwater_depth_m": 9.0}, FULL, 1200.0 - 130.0, "the digging depth"),
        ({"groundwater_depth_m": 9.0, "main_under_host": "yes"}, FULL, 700.0 - 130.0, "the main beneath the host"),
        ({"groundwater_depth_m": 1.5}, FULL, 500.0 - 130.0, "groundwater"),
        ({"groundwater_depth_m": 1.5}, LINED, 1200.0 - 130.0, "the digging depth"),
        (
            {"groundwater_depth_m": 9.0, "ground_level_m": 50.0, "outfall_level_m": 49.2},
            LINED,
            800.0 - 130.0,
            "the level of the outfall",
        ),
        (
            {"groundwater_depth_m": 9.0, "ground_level_m": 50.0, "outfall_level_m": 49.2},
            FULL,
            1200.0 - 130.0,
            "the digging depth",
        ),
    ],
)
def test_the_depth_is_limited_by_digging_mains_groundwater_and_outfall(proposals, changes, variant, depth_mm, limit):
    """All less the 130 mm above the store; groundwater keeps its 1 m from what soaks, outfalls bind drains."""
    table, _ = paired(proposals, **changes)
    assert table.at[variant, "max_depth_mm"] == pytest.approx(depth_mm)
    assert table.at[variant, "depth_limit"] == limit


@pytest.mark.parametrize(
    ("use", "least_mm"), [("playground", 200.0), ("car_park", 300.0), ("goods_yard", 450.0), ("", 300.0)]
)
def test_traffic_asks_for_a_least_depth(proposals, use, least_mm):
    table, _ = paired(proposals, ground_use=use)
    assert table.at[FULL, "min_depth_mm"] == least_mm


def test_the_brief_says_what_drives_on_ground_of_unknown_use(proposals):
    goods = MeasureOptions(traffic_class="goods")
    assert paired(proposals, goods, ground_use="")[0].at[FULL, "min_depth_mm"] == 450.0
    assert paired(proposals, goods, ground_use="playground")[0].at[FULL, "min_depth_mm"] == 200.0


@pytest.mark.parametrize(
    ("use", "soaks", "flagged"),
    [
        ("roof", True, False),
        ("playground", True, False),
        ("homes", True, False),
        ("car_park", True, False),
        ("goods_yard", True, True),
        ("fuel", False, True),
        (None, True, False),
    ],
)
def test_dirty_ground_passes_asks_for_treatment_or_forbids_soaking(proposals, use, soaks, flagged):
    """Hazard less the treatment of 0.7: up to 0 passes, above it asks for treatment, from 0.2 on nothing may soak."""
    hazard = np.nan if use is None else HAZARD[use]
    table, measure = paired(proposals, pollution_hazard=hazard)
    nothing = pd.DataFrame(columns=["candidate_id", "kind", "rule", "reason", "also_flag"])
    verdict = judge_options(table.reset_index().set_index(table["candidate_id"] + "." + table.index), measure, nothing)
    row = verdict.loc[f"{SCHOOL}.{FULL}"]
    assert ("too dirty" not in row["switches"]) is soaks
    assert ("further treatment" in row["flags"]) is flagged
    assert ("pollution hazard" in row["unknowns"]) is (use is None)


def cautions_of(district, options, run):
    data, land, cover = district
    return propose(data, land, cover, open_measures(options), options, run).hosts["cautions"]


@pytest.mark.parametrize(("gap_m", "said"), [(49.0, True), (51.0, False)])
def test_infiltration_at_two_sites_within_50_m_is_cautioned(make_district, layers, options, run, gap_m, said):
    """The school's yard ends at x = 90; the depot, which soaks once its fuel is gone, begins at 105: 15 m."""
    layers["land_cover"].loc[1, "ground_use"] = "car_park"
    wide = MeasureOptions(mounding_distance_m=15.0 * 50.0 / gap_m)
    assert ("raises groundwater together" in cautions_of(make_district(**layers), wide, run)[SCHOOL]) is said


@pytest.mark.parametrize(
    ("kind", "away", "said"), [("basement", 30.0, True), ("cutting", 30.0, True), ("basement", 60.0, False)]
)
def test_infiltration_near_a_basement_or_a_cutting_is_cautioned(make_district, layers, options, run, kind, away, said):
    place = gpd.GeoDataFrame(
        {"kind": [kind], "rule": [""], "reason": [""]}, geometry=[box(60, 60 + away, 80, 70 + away)], crs=32628
    )
    layers["constraints"] = place
    assert ("let water out there" in cautions_of(make_district(**layers), options, run)[SCHOOL]) is said


@pytest.mark.parametrize(("depth_m", "said"), [(1.9, True), (2.0, False)])
def test_groundwater_within_two_metres_is_cautioned(make_district, layers, options, run, depth_m, said):
    layers["groundwater"]["depth_m"] = depth_m
    assert ("read it over a winter" in cautions_of(make_district(**layers), options, run)[SCHOOL]) is said


@pytest.mark.parametrize(
    ("deck", "words"),
    [("asbestos_cement", "nobody steps on it"), ("fibre_cement", "nobody steps on it"), ("", "find out whether")],
)
def test_a_roof_that_may_break_is_cautioned(make_district, layers, options, run, deck, words):
    layers["buildings"]["deck"] = deck
    assert words in cautions_of(make_district(**layers), options, run)[ROOF]


def test_roots_roads_schools_and_doubtful_ground_are_cautioned(make_district, layers, options, run):
    layers["trees"] = gpd.GeoDataFrame({"kind": [""]}, geometry=[Point(70, 30)], crs=32628)
    layers["roads"] = gpd.GeoDataFrame({"is_adopted": [True]}, geometry=[box(205, 10, 295, 20)], crs=32628)
    layers["constraints"] = gpd.GeoDataFrame(
        {"kind": ["made_ground"], "rule": ["flag"], "reason": [""]}, geometry=[box(205, 10, 230, 30)], crs=32628
    )
    said = cautions_of(make_district(**layers), options, run)
    for words in ("Roots", "School ground", "records of buried services"):
        assert words in said[SCHOOL]
    for words in ("highway authority", "may be contaminated"):
        assert words in said[CAR_PARK]
    assert "Roots" not in said[CAR_PARK]
    assert "contaminated" not in said[SCHOOL]


def test_cautions_defer_to_licensed_practice(make_district, layers, options, run):
    near = layers["buildings"].copy()
    near.loc["B1", "geometry"] = box(40, 10, 50, 60)
    said = cautions_of(make_district(**{**layers, "buildings": near}), options, run)
    assert "an engineer decides" in said[SCHOOL]
    assert "chartered structural engineer decides" in said[ROOF]


def test_a_roof_takes_no_run_on(make_district, layers, options, run):
    data, land, cover = make_district(**layers)
    proposals = propose(data, land, cover, open_measures(options), options, run)
    roofs = proposals.options[proposals.options["ground"] == "roof"]
    assert (roofs["run_on_area_m2"] == 0.0).all()
    assert not proposals.run_on["candidate_id"].isin(set(roofs["candidate_id"])).any()


def test_a_main_under_the_bay_is_found_from_its_line(make_district, layers, options, run):
    layers["utilities"] = gpd.GeoDataFrame(
        {"kind": ["gas_main"]}, geometry=[LineString([(50, 30), (90, 30)])], crs=32628
    )
    data, land, cover = make_district(**layers)
    hosts = propose(data, land, cover, open_measures(options), options, run).hosts
    assert hosts.at[SCHOOL, "main_under_host"] == "yes"
    assert hosts.at[CAR_PARK, "main_under_host"] == "no"
    assert hosts.at[SCHOOL, "utility_m_per_100m2"] == pytest.approx(2.0)

"""Hosts: what a parcel without one says, pitches, check dams in sloping stores, and the way of an overflow."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString, box

from catchscreen.measures import open_measures, propose
from catchscreen.measures.check_dams import add_check_dams, say_check_dams

SCHOOL = "P1-paved-permeable_paving-14_7"
SCHOOL_ROOF = "P1-roof-green_roof-5_5"
CAR_PARK = "P3-paved-permeable_paving-50_10"


@pytest.mark.parametrize(("slope", "dams"), [(0.0, 0), (0.0007, 0), (0.0008, 0), (0.0009, 4), (0.02, 4)])
def test_check_dams_are_counted_from_the_slope_that_needs_them(make_district, layers, options, run, slope, dams):
    """The yard is 50 m long, its thinnest store 200 mm: a tenth of it is lost from g = 2 x 0.1 x 0.2 m / 50 m = 0.08 %.

    In bays of 10 m four dams part it, each as long as the yard is wide: 160 m.
    """
    data, land, cover = make_district(**layers)
    patches = cover.patches.assign(slope_fraction=slope)
    table = propose(data, land, replace(cover, patches=patches), open_measures(options), options, run).options
    row = table.loc[f"{SCHOOL}.full-infiltration"]
    assert row["check_dams"] == pytest.approx(dams, nan_ok=True)
    assert row["check_dam_length_m"] == (160.0 if dams == 4 else 0.0)
    assert row["check_dam_spacing_m"] == pytest.approx(10.0 if dams == 4 else np.nan, nan_ok=True)
    said = "4 check dams every 10 m are assumed in the store, which needs them from a slope of 0.08 % on"
    assert (said in row["notes"]) is (dams == 4)
    assert "structural depth not checked" in row["notes"]
    roof = table.loc[f"{SCHOOL_ROOF}.extensive"]
    assert (roof["check_dams"], roof["check_dam_length_m"]) == (0.0, 0.0)


def test_check_dams_of_an_unknown_slope_are_unknown_and_of_an_unknown_width_uncounted(proposals, options):
    measure = next(m for m in proposals.measures if m.name == "permeable_paving")
    table = proposals.options.loc[[f"{SCHOOL}.full-infiltration"] * 2].copy()
    table["slope_fraction"], table["width_m"] = [np.nan, 0.02], [40.0, np.nan]
    add_check_dams(table, measure, options)
    assert table["check_dams"].isna().all()
    assert list(table["check_dam_spacing_m"].isna()) == [True, False]
    assert list(table["check_dam_length_m"]) == [0.0, 2000.0 / 10.0]
    assert "check dams every 10 m are assumed" in say_check_dams(table).iloc[1]
    assert say_check_dams(table).iloc[0] == ""


def test_a_parcel_without_a_host_says_what_it_has_and_what_is_wrong_with_it(make_district, layers, options, run):
    """Nothing of the kind; parts that make no patch; a roof of which nothing is usable, by pitch or want of room."""
    data, land, cover = make_district(**layers)

    def reasons(patches):
        aside = propose(data, land, replace(cover, patches=patches), open_measures(options), options, run).set_aside
        return aside.set_index(["parcel_id", "measure"])["reason"]

    patches = cover.patches.copy()
    patches.loc["P1-r", ["usable_area_m2", "pitch_deg"]] = [0.0, 41.0]
    patches.loc["P2-r", ["usable_area_m2", "roof_reason"]] = [0.0, "narrower than its edge strips"]
    said = reasons(patches.drop("P3-a"))
    assert said["P1", "green_roof"] == "900 m2 of roof, none of it usable: it pitches 41 degrees"
    assert said["P2", "green_roof"] == "1,600 m2 of roof, none of it usable: narrower than its edge strips"
    assert said["P3", "green_roof"] == "no roof"
    assert said["P3", "permeable_paving"] == "7,200 m2 of paved ground, no part of it wide and large enough"
    assert said["P4", "permeable_paving"] == "no paved ground"
    patches.loc["P1-r", "pitch_deg"] = 10.0
    small = reasons(patches.drop("P2-r"))
    assert small["P1", "green_roof"].endswith("edge strips, plant and what stands on no plane leave nothing")
    assert small["P2", "green_roof"] == "1,600 m2 of roof, in parts too small"


def test_pitches_have_a_width_and_slivers_of_them_are_no_hosts(make_district, layers, options, run):
    """A pitch of 80 by 50 m in the park P4 reaches 0.2 m into P1: 4,000 m2 and 50 m wide; 16 m2 are no pitch."""
    pitch = gpd.GeoDataFrame(
        {"cover_class": ["grass"], "ground_use": ["pitch"]}, geometry=[box(10, 99.8, 90, 150)], crs=32628
    )
    layers["land_cover"] = pd.concat([layers["land_cover"], pitch], ignore_index=True)
    data, land, cover = make_district(**layers)
    hosts = propose(data, land, cover, open_measures(options), options, run).hosts
    own = hosts[hosts["ground"] == "pitch"]
    assert list(own["parcel_id"]) == ["P4"]
    assert list(own["host_area_m2"]) == pytest.approx([4000.0])
    assert list(own["width_m"]) == pytest.approx([50.0])


@pytest.mark.parametrize("met", ["road", "watercourse", ""])
def test_an_overflow_is_traced_to_the_next_road_or_watercourse(make_district, layers, options, run, met):
    """The car park's overflow runs south along x = 252.5: what crosses it takes it, what ends before does not."""
    ends = (200, 300) if met else (200, 240)
    if met == "watercourse":
        layers["watercourses"] = gpd.GeoDataFrame(geometry=[LineString([(200, 5), (300, 5)])], crs=32628)
    else:
        layers["roads"] = gpd.GeoDataFrame({"is_adopted": [True]}, geometry=[box(ends[0], 3, ends[1], 8)], crs=32628)
    data, land, cover = make_district(**layers)
    hosts = propose(data, land, cover, open_measures(options), options, run).hosts
    assert hosts.at[CAR_PARK, "exceedance"] == met
    assert not hosts.at[CAR_PARK, "passes_building"]

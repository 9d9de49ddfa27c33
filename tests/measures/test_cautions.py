"""Cautions: each appears where a candidate touches what it speaks of, nowhere else, and says who decides."""

from __future__ import annotations

import re
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString, Point, box

from catchscreen.measures import open_measures, propose
from catchscreen.measures.cautions import CAUTIONS
from catchscreen.options import MeasureOptions
from catchscreen.progress import Run

SCHOOL = "P1-paved-permeable_paving-14_7"
SCHOOL_ROOF = "P1-roof-green_roof-5_5"
CAR_PARK = "P3-paved-permeable_paving-50_10"
DEFERS = re.compile(r"local codes|local law|local safety|licensed|engineer|officer|authority")


def propose_for(district):
    options = MeasureOptions()
    return propose(*district, open_measures(options), options, Run())


def said_of(district):
    return propose_for(district).hosts["cautions"]


def begins(name):
    """Give the fixed words with which a caution begins."""
    return CAUTIONS[name].split("{", maxsplit=1)[0]


def constraint(kind, shape):
    return gpd.GeoDataFrame({"kind": [kind], "rule": ["flag"], "reason": [""]}, geometry=[shape], crs=32628)


def with_parcel(data, name, shape, land_use="homes", title=""):
    parcels = data.parcels.assign(name="")
    more = gpd.GeoDataFrame(
        {"land_use": [land_use], "owner_class": ["private_single"], "name": [title]},
        geometry=[shape],
        crs=parcels.crs,
        index=pd.Index([name], name="parcel_id"),
    )
    return replace(data, parcels=pd.concat([parcels, more]))


@pytest.mark.parametrize("name", list(CAUTIONS))
def test_each_caution_defers_to_local_codes_or_licensed_practice(name):
    assert DEFERS.search(CAUTIONS[name])


@pytest.mark.parametrize(("gap_m", "said"), [(4.9, True), (5.0, False), (5.1, False)])
def test_foundations_within_the_clearance(make_district, layers, gap_m, said):
    """The yard begins at x = 50; a building's wall stands at 50 less the gap. Ground keeps 5 m."""
    layers["buildings"].loc["B1", "geometry"] = box(10, 10, 50 - gap_m, 40)
    district = make_district(**layers)
    assert (begins("foundations") in said_of(district)[SCHOOL]) is said
    assert begins("foundations") not in said_of(district)[CAR_PARK]


def test_a_lined_store_beside_foundations_is_dug_there_too(make_district, layers):
    layers["buildings"].loc["B1", "geometry"] = box(10, 10, 47, 40)
    layers["groundwater"]["depth_m"] = 1.2
    proposals = propose_for(make_district(**layers))
    own = proposals.options[(proposals.options["candidate_id"] == SCHOOL) & proposals.options["admissible"]]
    assert list(own["variant"]) == ["lined"]
    assert begins("foundations") in proposals.hosts.at[SCHOOL, "cautions"]


@pytest.mark.parametrize("kind", ["contaminated", "made_ground", "landfill"])
def test_contaminated_ground_only_where_the_map_shows_it(make_district, layers, kind):
    layers["constraints"] = constraint(kind, box(205, 10, 230, 30))
    said = said_of(make_district(**layers))
    assert begins("contaminated") in said[CAR_PARK]
    assert begins("contaminated") not in said[SCHOOL]
    assert begins("contaminated") not in said[SCHOOL_ROOF]


def test_roof_load_on_roofs_only(make_district, layers):
    said = said_of(make_district(**layers))
    assert begins("roof_load") in said[SCHOOL_ROOF]
    assert "structural engineer" not in said[SCHOOL]


@pytest.mark.parametrize(
    ("deck", "name"),
    [("asbestos_cement", "fragile"), ("fibre_cement", "fragile"), ("", "unknown_roof"), ("concrete", "")],
)
def test_fragile_and_asbestos_roofs(make_district, layers, deck, name):
    layers["buildings"]["deck"] = deck
    said = said_of(make_district(**layers))
    for other in ("fragile", "unknown_roof"):
        assert (begins(other) in said[SCHOOL_ROOF]) is (other == name)
        assert begins(other) not in said[SCHOOL]


@pytest.mark.parametrize(("depth_m", "said"), [(1.99, True), (2.0, False), (2.01, False), (np.nan, False)])
def test_groundwater_less_than_two_metres_deep(make_district, layers, depth_m, said):
    layers["groundwater"]["depth_m"] = depth_m
    texts = said_of(make_district(**layers))
    assert (begins("groundwater") in texts[SCHOOL]) is said
    assert begins("groundwater") not in texts[SCHOOL_ROOF]


@pytest.mark.parametrize(("gap_m", "said"), [(49.9, True), (50.0, True), (50.1, False)])
def test_mounding_where_water_soaks_at_more_than_one_site_within_50_m(make_district, layers, gap_m, said):
    """The school's yard ends at x = 90; the depot's soaks once no goods stand on it, and begins at 90 plus the gap."""
    yard = box(90 + gap_m, 10, 130 + gap_m, 60)
    layers["land_cover"].loc[1, "ground_use"] = "car_park"
    layers["land_cover"].loc[1, "geometry"] = yard
    layers["buildings"].loc["B2", "geometry"] = box(350, 350, 390, 390)
    layers["groundwater"]["depth_m"] = 6.0
    data, land, cover = make_district(**layers)
    patches = cover.patches.copy()
    patches.loc["P2-a", "geometry"] = yard
    far = patches.drop("P3-a")
    assert (begins("mounding") in said_of((data, land, replace(cover, patches=far)))[SCHOOL]) is said


def test_no_mounding_where_the_other_site_is_lined(make_district, layers):
    """With groundwater at 0.9 m beneath the car park nothing soaks there; the depot holds goods."""
    said = said_of(make_district(**layers))
    assert begins("mounding") not in said[SCHOOL]
    assert begins("mounding") not in said[CAR_PARK]


@pytest.mark.parametrize("kind", ["basement", "cutting"])
@pytest.mark.parametrize(
    ("left", "name"),
    [(90 + 49.9, "uphill"), (90 + 50.1, ""), (50 - 30 - 5, "beside")],
)
def test_mounding_uphill_of_a_basement_or_cutting(make_district, layers, kind, left, name):
    """The ground falls to the east: what lies east of the yard within 50 m is below it, what lies west of it above."""
    layers["constraints"] = constraint(kind, box(left, 20, left + 5, 40))
    data, land, cover = make_district(**layers)
    rows, cols = data.grid.shape
    falling = np.repeat(np.arange(cols, 0, -1, dtype=np.int32)[None, :] * 1000, rows, axis=0)
    said = said_of((replace(data, ground_ticks=falling), land, cover))
    for other in ("uphill", "beside"):
        assert (begins(other) in said[SCHOOL]) is (other == name)
        assert begins(other) not in said[SCHOOL_ROOF]


def test_an_unknown_level_counts_as_uphill(make_district, layers):
    layers["constraints"] = constraint("basement", box(95, 20, 99, 40))
    data, land, cover = make_district(**layers)
    blind = replace(data, ground_valid=np.zeros_like(data.ground_valid))
    assert begins("uphill") in said_of((blind, land, cover))[SCHOOL]


def test_buried_services_are_asked_for_before_any_digging_on_the_ground_only(make_district, layers):
    layers.pop("utilities")
    said = said_of(make_district(**layers))
    assert begins("services") in said[SCHOOL]
    assert "before any digging" in CAUTIONS["services"]
    assert begins("services") not in said[SCHOOL_ROOF]


@pytest.mark.parametrize(("east", "said"), [(95.9, True), (96.1, False)])
def test_roots_only_where_they_reach_the_host(make_district, layers, east, said):
    """The yard ends at x = 90, the root area of a tree reaches 6 m."""
    layers["trees"] = gpd.GeoDataFrame({"kind": [""]}, geometry=[Point(east, 30)], crs=32628)
    texts = said_of(make_district(**layers))
    assert (begins("roots") in texts[SCHOOL]) is said
    assert begins("roots") not in texts[CAR_PARK]


@pytest.mark.parametrize(
    ("land_use", "ground_use", "adopted", "said"),
    [
        ("highway", "", False, True),
        ("highway", "bay", False, True),
        ("highway", "car_park", False, False),
        ("retail", "car_park", False, False),
        ("retail", "car_park", True, True),
    ],
)
def test_traffic_on_carriageways_not_on_the_highway_s_car_parks(
    make_district, layers, land_use, ground_use, adopted, said
):
    layers["land_cover"].loc[2, "ground_use"] = ground_use
    layers["roads"] = gpd.GeoDataFrame({"is_adopted": [adopted]}, geometry=[box(205, 10, 295, 20)], crs=32628)
    data, land, cover = make_district(**layers)
    data.parcels.loc["P3", "land_use"] = land_use
    texts = said_of((data, land, cover))
    assert (begins("traffic") in texts[CAR_PARK]) is said
    assert begins("traffic") not in texts[SCHOOL]


def test_school_ground_only_on_a_school_s_parcel(make_district, layers):
    said = said_of(make_district(**layers))
    assert begins("school") in said[SCHOOL]
    assert begins("school") in said[SCHOOL_ROOF]
    assert begins("school") not in said[CAR_PARK]


@pytest.mark.parametrize(("west", "said"), [(72.4, True), (72.6, False)])
def test_an_overflow_onto_another_parcel_says_which(make_district, layers, west, said):
    """The overflow of the yard runs south along x = 72.5 into a hollow, which lies on the cottage's ground."""
    data, land, cover = make_district(**layers)
    data.parcels.loc["P1", "geometry"] = box(0, 9, 100, 100)
    cottage = with_parcel(data, "P5", box(west, 0, 100, 9), title="The Cottage")
    proposals = propose_for((cottage, land, cover))
    text = proposals.hosts.at[SCHOOL, "cautions"]
    assert ("flows towards a neighbour onto parcel P5 (The Cottage)" in text) is said
    assert proposals.hosts.at[SCHOOL, "exceedance_parcel_id"] == ("P5" if said else "")
    assert "neighbour" not in proposals.hosts.at[SCHOOL_ROOF, "cautions"]
    assert "neighbour" not in proposals.hosts.at[CAR_PARK, "cautions"]


def test_a_street_is_no_neighbour(make_district, layers):
    data, land, cover = make_district(**layers)
    data.parcels.loc["P1", "geometry"] = box(0, 9, 100, 100)
    street = with_parcel(data, "P5", box(50, 0, 100, 9), land_use="highway")
    assert "neighbour" not in said_of((street, land, cover))[SCHOOL]


def test_the_way_counts_no_further_than_the_first_thing_it_meets(make_district, layers):
    """A watercourse along the border takes the overflow before it runs onto the parcel behind."""
    data, land, cover = make_district(**layers)
    data.parcels.loc["P3", "geometry"] = box(200, 9, 300, 100)
    south = with_parcel(data, "P5", box(200, 0, 300, 9))
    assert "onto parcel P5" in said_of((south, land, cover))[CAR_PARK]
    ditch = gpd.GeoDataFrame(geometry=[LineString([(200, 9.5), (300, 9.5)])], crs=32628)
    assert "onto parcel P5" not in said_of((replace(south, watercourses=ditch), land, cover))[CAR_PARK]


@pytest.mark.parametrize(("other", "said"), [(True, True), (False, False)])
def test_a_drain_to_the_watercourse_across_another_parcel_says_which(make_district, layers, other, said):
    """The lined car park drains 20 m east to a watercourse; the strip between is its own or a neighbour's."""
    layers["watercourses"] = gpd.GeoDataFrame(geometry=[LineString([(315, 0), (315, 400)])], crs=32628)
    data, land, cover = make_district(**layers)
    if other:
        data = with_parcel(data, "P7", box(300, 0, 312, 100))
    proposals = propose_for((data, land, cover))
    text = proposals.hosts.at[CAR_PARK, "cautions"]
    assert ("drain from its base to the watercourse would cross parcel P7" in text) is said
    assert "to the watercourse would cross" not in proposals.hosts.at[SCHOOL, "cautions"]


@pytest.mark.parametrize(("wall", "said"), [(box(71, 5, 74, 9), True), (box(80, 5, 84, 9), False)])
def test_an_overflow_towards_a_building(make_district, layers, wall, said):
    layers["buildings"].loc["B2", "geometry"] = wall
    assert (begins("building") in said_of(make_district(**layers))[SCHOOL]) is said

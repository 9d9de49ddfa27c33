"""Siting on a district that can be worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString, Point, Polygon, box

from catchscreen.measures import open_measures, propose
from catchscreen.measures.hosts import name_hosts
from catchscreen.options import MeasureOptions

SCHOOL = "P1-paved-permeable_paving-14_7"
SCHOOL_ROOF = "P1-roof-green_roof-5_5"
CAR_PARK = "P3-paved-permeable_paving-50_10"
DEPOT = "P2-paved-permeable_paving-25_7"


def propose_all(district, options, run):
    data, land, cover = district
    return propose(data, land, cover, open_measures(options), options, run)


def evidence(rows, crs):
    frame = gpd.GeoDataFrame(
        [
            {
                "unit": "",
                "depth_m": np.nan,
                "date": "2024-02-01",
                "document": "D1",
                "tester_role": "engineer",
                "reach_m": np.nan,
                **row,
            }
            for row in rows
        ],
        geometry="geometry",
        crs=crs,
    )
    frame.index = pd.Index([f"E{number}" for number in range(len(rows))], name="evidence_id")
    return frame


def test_hosts_have_ids_of_parcel_ground_measure_and_place(proposals):
    """The yard (50..90, 10..60) has its inner point at (70, 35): cell 14, 7 on the 5 m grid."""
    expected = [SCHOOL, SCHOOL_ROOF, DEPOT, "P2-roof-green_roof-34_6", CAR_PARK]
    assert list(proposals.hosts.index) == sorted(expected)
    assert proposals.hosts.at[SCHOOL, "host_area_m2"] == pytest.approx(2000.0)
    assert proposals.hosts.at[SCHOOL_ROOF, "host_area_m2"] == pytest.approx(700.0)


def test_of_two_hosts_in_one_cell_the_smaller_one_gets_a_letter():
    hosts = pd.DataFrame(
        {
            "parcel_id": "P",
            "ground": "paved",
            "measure": "m",
            "host_area_m2": [60.0, 900.0, 60.0],
            "inner_x": [11.0, 12.0, 12.0],
            "inner_y": [13.0, 14.0, 12.0],
        }
    )
    assert name_hosts(hosts) == ["P-paved-m-2_2c", "P-paved-m-2_2", "P-paved-m-2_2b"]


def test_run_on_is_clean_and_counted_once(proposals):
    """The school's roof (900 m2) runs on to its yard; grass never does, whatever the link says."""
    assert list(proposals.run_on["surface_id"]) == ["S1", "S4"]
    assert proposals.hosts.at[SCHOOL, "run_on_area_m2"] == pytest.approx(900.0)
    assert proposals.hosts.at[SCHOOL, "run_on_ratio"] == pytest.approx(0.45)
    assert proposals.run_on.groupby("surface_id")["fraction"].sum().max() <= 1.0


def test_run_on_stops_at_the_limit_of_the_ratio(district, run):
    """At a limit of 0.2 the yard of 2,000 m2 takes 400 of the roof's 900 m2; the rest goes where it went."""
    proposals = propose_all(district, MeasureOptions(run_on_ratio_max=0.2), run)
    taken = proposals.run_on.set_index("candidate_id").loc[SCHOOL]
    assert taken["area_m2"] == pytest.approx(400.0)
    assert taken["fraction"] == pytest.approx(400.0 / 900.0)


def test_one_surface_linked_to_two_hosts_goes_to_the_upstream_one(make_district, layers, options, run):
    data, land, cover = make_district(**layers)
    more = pd.concat([cover.links, pd.DataFrame([("P3-a", "S1", 900.0, "gravity")], columns=cover.links.columns)])
    # Accumulation grows southwards; both inner points lie in rows 70 and 72: the car park's stands higher up.
    proposals = propose(data, land, replace(cover, links=more), open_measures(options), options, run)
    assert proposals.run_on.loc[proposals.run_on["surface_id"] == "S1", "candidate_id"].tolist() == [CAR_PARK]


def test_captured_area_is_impermeable_times_piped(proposals):
    """(2,000 + 900) m2 x 1.0 x 0.9."""
    assert proposals.hosts.at[SCHOOL, "captured_connected_m2"] == pytest.approx(2610.0)


def test_variants_follow_the_ground(proposals):
    options = proposals.options
    assert options.at[f"{SCHOOL}.full-infiltration", "admissible"]
    assert not options.at[f"{CAR_PARK}.full-infiltration", "admissible"]
    assert not options.at[f"{CAR_PARK}.partial-infiltration", "admissible"]
    assert options.at[f"{CAR_PARK}.lined", "admissible"]
    assert "groundwater" in options.at[f"{CAR_PARK}.partial-infiltration", "switches"]
    assert not options.loc[options["candidate_id"] == DEPOT, "admissible"].any()
    assert options.loc[options["candidate_id"] == DEPOT, "gates"].str.contains("goods yard").all()


def test_groundwater_is_counted_from_the_base_of_the_build_up(proposals):
    """0.9 m to water, 130 mm of surface and 300 mm of store: 0.47 m of clearance, flotation is no matter above 0.3."""
    assert proposals.options.at[f"{CAR_PARK}.lined", "groundwater_clearance_m"] == pytest.approx(0.47)


def test_set_aside_names_every_parcel_without_candidate_and_why(proposals):
    said = proposals.set_aside.set_index(["parcel_id", "measure"])["reason"]
    assert "light steel" in said[("P2", "green_roof")]
    assert said[("P4", "permeable_paving")] == "no paved ground"
    assert ("P1", "permeable_paving") not in said.index


def test_safety_factor_follows_the_drained_area(proposals):
    """The yard drains 2,900 m2 (over 1,000): factor 5, so 2e-5 m/s is sized as 4e-6."""
    option = proposals.options.loc[f"{SCHOOL}.full-infiltration"]
    assert option["safety_factor"] == 5.0
    assert option["q_design_m_s"] == pytest.approx(4e-6)


def test_unknown_soil_gives_an_unproven_partial_sized_at_the_low_rate(make_district, layers, options, run):
    layers.pop("soils")
    proposals = propose_all(make_district(**layers), options, run)
    partial = proposals.options.loc[f"{SCHOOL}.partial-infiltration"]
    assert partial["admissible"]
    assert partial["is_unproven"]
    assert partial["q_m_s"] == pytest.approx(1e-7)
    full = proposals.options.loc[f"{SCHOOL}.full-infiltration"]
    assert not full["admissible"]
    assert full["is_range_only"]
    assert full["q_m_s"] == pytest.approx(1e-5)


def test_absent_layers_are_unknown_never_clear(make_district, options, run):
    proposals = propose_all(make_district(), options, run)
    unknowns = proposals.options.at[f"{SCHOOL}.partial-infiltration", "unknowns"]
    for word in ("groundwater", "use of the ground", "outfall", "no map of constraints"):
        assert word in unknowns
    assert np.isnan(proposals.hosts.at[SCHOOL, "building_distance_m"])
    assert np.isnan(proposals.hosts.at[SCHOOL, "utility_m_per_100m2"])
    assert proposals.hosts.at[SCHOOL, "receiving_certainty"] == "unknown"


def test_a_test_pit_overrides_the_map_and_is_called_out(make_district, layers, options, run):
    """Mapped 2e-5 m/s (full); a pit reads 10.8 mm/h = 3e-6 m/s: full only if half empty in time, and it is said."""
    pit = {"kind": "infiltration", "value": 10.8, "unit": "mm/h", "depth_m": 0.5, "geometry": Point(70, 30)}
    data, land, cover = make_district(**layers)
    data = replace(data, evidence=evidence([pit], data.crs))
    proposals = propose(data, land, cover, open_measures(options), options, run)
    assert proposals.hosts.at[SCHOOL, "q_m_s"] == pytest.approx(3e-6)
    assert proposals.hosts.at[SCHOOL, "q_source"] == "test"
    assert proposals.options.at[f"{SCHOOL}.full-infiltration", "conditions"] == "the soil takes water slowly"
    assert "contradicts the soil map" in proposals.options.at[f"{SCHOOL}.partial-infiltration", "flags"]


def test_the_lowest_of_several_tests_rules_and_old_or_shallow_ones_carry_a_caution(make_district, layers, options, run):
    rows = [
        {"kind": "infiltration", "value": 3e-5, "depth_m": 0.5, "geometry": Point(70, 30)},
        {"kind": "infiltration", "value": 1.5e-5, "depth_m": 2.0, "date": "2005-02-01", "geometry": Point(72, 30)},
    ]
    data, land, cover = make_district(**layers)
    data = replace(data, evidence=evidence(rows, data.crs))
    proposals = propose(data, land, cover, open_measures(options), options, run)
    flags = proposals.options.at[f"{SCHOOL}.full-infiltration", "flags"]
    assert proposals.hosts.at[SCHOOL, "q_m_s"] == pytest.approx(1.5e-5)
    assert "2 tests from 1.5e-05 to 3.0e-05" in flags
    assert proposals.options.at[f"{SCHOOL}.full-infiltration", "test_depth_m"] == 2.0
    assert "years old" in flags
    assert "19 years old" in flags


def test_evidence_that_meets_no_host_is_noted(make_district, layers, options, run):
    rows = [
        {"kind": "infiltration", "value": 3e-5, "geometry": Point(390, 390)},
        {"kind": "infiltration", "value": 3e-5, "reach_m": 1.0, "geometry": Point(48, 30)},
    ]
    data, land, cover = make_district(**layers)
    data = replace(data, evidence=evidence(rows, data.crs))
    propose(data, land, cover, open_measures(options), options, run)
    assert [issue.feature for issue in run.issues if issue.code == "evidence_without_host"] == ["E0", "E1"]


@pytest.mark.parametrize(("value", "state", "able"), [("confirmed", "confirmed", True), ("refused", "refused", False)])
def test_a_structural_survey_decides(make_district, layers, options, run, value, state, able):
    rows = [{"kind": "roof_structure", "value": value, "geometry": Point(25, 25)}]
    data, land, cover = make_district(**layers)
    data = replace(data, evidence=evidence(rows, data.crs))
    proposals = propose(data, land, cover, open_measures(options), options, run)
    assert proposals.hosts.at[SCHOOL_ROOF, "structure_state"] == state
    assert proposals.options.at[f"{SCHOOL_ROOF}.extensive", "admissible"] is np.bool_(able)


def test_age_alone_never_makes_a_roof_likely(proposals):
    """Concrete with ballast: 0.65 + 0.20, under what a survey would give; the deck decides, not 1974."""
    assert proposals.hosts.at[SCHOOL_ROOF, "structure_likelihood"] == pytest.approx(0.85)
    assert "spare load" in proposals.options.at[f"{SCHOOL_ROOF}.extensive", "unknowns"]


def test_a_constraint_switches_before_it_excludes(make_district, layers, options, run):
    zone = gpd.GeoDataFrame(
        {"kind": ["protection_zone_1"], "rule": [""], "reason": [""]}, geometry=[box(80, 0, 120, 200)]
    )
    data, land, cover = make_district(**layers)
    data = replace(data, constraints=zone.set_crs(data.crs))
    proposals = propose(data, land, cover, open_measures(options), options, run)
    assert proposals.options.at[f"{SCHOOL}.lined", "admissible"]
    assert not proposals.options.at[f"{SCHOOL}.full-infiltration", "admissible"]
    assert "inner protection zone" in proposals.options.at[f"{SCHOOL}.full-infiltration", "switches"]


def test_the_map_s_own_rule_and_reason_go_first(make_district, layers, options, run):
    zone = gpd.GeoDataFrame(
        {"kind": ["protection_zone_1"], "rule": ["gate"], "reason": ["the well of the dairy"]},
        geometry=[box(80, 0, 120, 200)],
    )
    data, land, cover = make_district(**layers)
    data = replace(data, constraints=zone.set_crs(data.crs))
    proposals = propose(data, land, cover, open_measures(options), options, run)
    assert proposals.options.at[f"{SCHOOL}.lined", "gates"].startswith("the well of the dairy (")


@pytest.mark.parametrize(("height", "soaks"), [(np.nan, True), (9.0, True), (12.0, False)])
def test_the_height_of_a_face_stretches_its_distance(make_district, layers, options, run, height, soaks):
    """The cutting lies 10 m from the yard: 5 m of distance spares it, a face of 12 m does not."""
    face = gpd.GeoDataFrame(
        {"kind": ["cutting"], "rule": [""], "reason": [""], "face_height_m": [height]},
        geometry=[LineString([(50, 70), (90, 70)])],
    )
    data, land, cover = make_district(**layers)
    data = replace(data, constraints=face.set_crs(data.crs))
    proposals = propose(data, land, cover, open_measures(options), options, run)
    assert bool(proposals.options.at[f"{SCHOOL}.full-infiltration", "admissible"]) is soaks


def test_run_on_keeps_off_buildings_direct_rain_is_graded(make_district, layers, options, run):
    """A building against the yard's long side: 5 m of its 40 m width are lined when run-on soaks."""
    near = layers["buildings"].copy()
    near.loc["B1", "geometry"] = box(40, 10, 50, 60)
    data, land, cover = make_district(**{**layers, "buildings": near})
    proposals = propose(data, land, cover, open_measures(options), options, run)
    full = proposals.options.loc[f"{SCHOOL}.full-infiltration"]
    assert full["base_area_m2"] == pytest.approx(2000.0 - 5.0 * 50.0, rel=1e-3)
    assert full["drained_to_base_ratio"] == pytest.approx(2900.0 / 1750.0, rel=1e-3)
    assert proposals.grades.at[f"{SCHOOL}.full-infiltration", "clear_fraction"] == pytest.approx(0.875, rel=1e-3)
    assert "an engineer decides" in proposals.hosts.at[SCHOOL, "cautions"]
    direct = propose(data, land, replace(cover, links=cover.links.iloc[:0]), open_measures(options), options, run)
    assert direct.options.at[f"{SCHOOL}.full-infiltration", "base_area_m2"] == pytest.approx(2000.0)


def test_overflow_follows_the_ground_to_the_first_thing_that_it_meets(proposals):
    """From the yard's middle the flow runs south into the hollow; the car park's meets nothing."""
    assert proposals.hosts.at[SCHOOL, "exceedance"] == "hollow"
    assert proposals.hosts.at[CAR_PARK, "exceedance"] == ""


@pytest.mark.parametrize(
    ("wall", "met", "said", "factor"),
    [
        (box(71, 5, 74, 9), "building", "run into a building", 10.0),
        (box(74, 5, 78, 9), "hollow", "", 5.0),
        (box(80, 5, 84, 9), "hollow", "", 5.0),
    ],
)
def test_an_overflow_into_a_building_doubles_the_safety_factor(
    make_district, layers, options, run, wall, met, said, factor
):
    """The way runs south along x = 72.5: through the first house, 1.5 m beside the second (half a cell is 2.5 m)."""
    buildings = layers["buildings"].copy()
    buildings.loc["B2", "geometry"] = wall
    data, land, cover = make_district(**{**layers, "buildings": buildings})
    proposals = propose(data, land, cover, open_measures(options), options, run)
    assert proposals.hosts.at[SCHOOL, "exceedance"] == met
    option = proposals.options.loc[f"{SCHOOL}.full-infiltration"]
    assert option["safety_factor"] == factor
    assert (said in option["flags"]) if said else ("building" not in option["flags"])
    assert bool(proposals.hosts.at[SCHOOL, "passes_building"]) is (wall.bounds[0] < 80)


def test_the_eased_hollow_is_the_first_with_properties_on_the_way_down(proposals):
    assert proposals.hosts.at[SCHOOL, "hollow_id"] == "H1"
    assert proposals.hosts.at[SCHOOL, "eased_hollow_id"] == "H2"
    assert proposals.hosts.at[SCHOOL, "hollow_properties"] == 10.0


def test_receiving_now_and_after_with_certainty(proposals):
    assert proposals.hosts.at[SCHOOL, "receiving_now"] == "combined sewer"
    assert proposals.hosts.at[SCHOOL, "receiving_certainty"] == "assumed from the map"
    assert proposals.options.at[f"{SCHOOL}.full-infiltration", "receiving_after"] == "ground"
    assert proposals.options.at[f"{CAR_PARK}.lined", "receiving_after"] == "slowed to combined sewer"


def test_cautions_name_what_a_candidate_touches(proposals):
    assert "buried services" in proposals.hosts.at[SCHOOL, "cautions"]
    assert "holidays" in proposals.hosts.at[SCHOOL, "cautions"]
    assert "structural engineer" in proposals.hosts.at[SCHOOL_ROOF, "cautions"]
    assert "Groundwater is near" in proposals.hosts.at[CAR_PARK, "cautions"]


def test_unknown_cover_gives_a_range_without_a_place(make_district, options, run):
    """Parcel P4 (10,000 m2), impermeable 0.2 / 0.4 / 0.6: paving 400, 1,600, 3,600 m2 and no polygon."""
    data, land, cover = make_district()
    surfaces = cover.surfaces.copy()
    surfaces.loc["S7", ["kind", "cover_class"]] = "unknown"
    shares = ["impermeable_low_fraction", "impermeable_fraction", "impermeable_high_fraction"]
    surfaces.loc["S7", shares] = [0.2, 0.4, 0.6]
    blind = replace(cover, surfaces=surfaces)
    open_ground = data.parcels.assign(land_use=data.parcels["land_use"].mask(data.parcels.index == "P4", "park"))
    hosts = propose(replace(data, parcels=open_ground), land, blind, open_measures(options), options, run).hosts
    assert list(hosts.loc[hosts["parcel_id"] == "P4", "measure"]) == ["permeable_paving"]
    homes = data.parcels.assign(land_use=data.parcels["land_use"].mask(data.parcels.index == "P4", "homes"))
    proposals = propose(replace(data, parcels=homes), land, blind, open_measures(options), options, run)
    own = proposals.hosts[proposals.hosts["parcel_id"] == "P4"].set_index("measure")
    assert list(own.index) == ["permeable_paving", "green_roof"]
    assert own.geometry.isna().all()
    area = own.loc["permeable_paving", ["host_area_low_m2", "host_area_m2", "host_area_high_m2"]]
    assert list(area) == pytest.approx([400.0, 1600.0, 3600.0])
    assert own["inner_x"].notna().all()
    # All 1,600 m2 are impermeable, 0.9 of it piped; they make up 0.4 of the surface's 4,000 impermeable square metres.
    assert own.at["permeable_paving", "captured_connected_m2"] == pytest.approx(1440.0)
    taken = proposals.host_surfaces[proposals.host_surfaces["surface_id"] == "S7"]["fraction"]
    assert taken.max() == pytest.approx(0.4)


def test_the_same_inputs_give_the_same_frames_in_any_order(make_district, layers, options, run):
    first = propose_all(make_district(**layers), options, run)
    data, land, cover = make_district(**layers)
    turned = replace(
        cover, patches=cover.patches.iloc[::-1], links=cover.links.iloc[::-1], surfaces=cover.surfaces.iloc[::-1]
    )
    second = propose(data, land, turned, open_measures(options), options, run)
    pd.testing.assert_frame_equal(pd.DataFrame(first.hosts), pd.DataFrame(second.hosts))
    pd.testing.assert_frame_equal(first.options, second.options)
    pd.testing.assert_frame_equal(first.run_on, second.run_on)


def test_a_surveyed_load_replaces_the_attribute_and_ballast_is_traded_on_top(make_district, layers, options, run):
    """0.5 kN/m2 by survey and 0.9 of gravel make 1.4: 0.8 above the lightest extensive, 0.6 short of intensive."""
    rows = [{"kind": "roof_structure", "value": 0.5, "unit": "kN/m2", "geometry": Point(25, 25)}]
    data, land, cover = make_district(**layers)
    data = replace(data, evidence=evidence(rows, data.crs))
    proposals = propose(data, land, cover, open_measures(options), options, run)
    assert proposals.options.at[f"{SCHOOL_ROOF}.extensive", "load_margin_kn_m2"] == pytest.approx(0.8)
    assert proposals.options.at[f"{SCHOOL_ROOF}.intensive", "load_margin_kn_m2"] == pytest.approx(-0.6)
    assert not proposals.options.at[f"{SCHOOL_ROOF}.intensive", "admissible"]


@pytest.mark.parametrize(("tidal", "said"), [(True, True), (False, False), (None, False)])
def test_an_outfall_that_the_tide_shuts_is_flagged(make_district, layers, options, run, tidal, said):
    zones = layers["sewer_zones"].assign(outfall_is_tidal=pd.array([tidal], dtype="boolean"))
    data, land, cover = make_district(**{**layers, "sewer_zones": zones})
    proposals = propose(data, land, cover, open_measures(options), options, run)
    assert ("shut at high tide" in proposals.options.at[f"{SCHOOL}.lined", "flags"]) is said
    assert "shut at high tide" not in proposals.options.at[f"{SCHOOL}.full-infiltration", "flags"]


def test_invalid_patches_and_surfaces_are_mended_before_they_are_overlaid(make_district, layers, options, run):
    """The yard with a spike folded back on itself keeps its 2,000 m2 and its one surface."""
    spiked = Polygon([(50, 10), (90, 10), (90, 60), (70, 60), (70, 70), (70, 60), (50, 60)])
    assert not spiked.is_valid
    data, land, cover = make_district(**layers)
    patches, surfaces = cover.patches.copy(), cover.surfaces.copy()
    patches.loc["P1-a", "geometry"] = spiked
    surfaces.loc["S2", "geometry"] = spiked
    bent = replace(cover, patches=patches, surfaces=surfaces)
    proposals = propose(data, land, bent, open_measures(options), options, run)
    own = proposals.host_surfaces[proposals.host_surfaces["candidate_id"].str.startswith("P1-paved")]
    assert own[["surface_id", "area_m2", "fraction"]].to_numpy().tolist() == [["S2", 2000.0, 1.0]]
    assert proposals.hosts.geometry.dropna().is_valid.all()

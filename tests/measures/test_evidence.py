"""Evidence on site goes before maps: every kind, its reach, its document, and what it changes."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import Point

from catchscreen.measures import open_measures, propose
from catchscreen.options import MeasureOptions
from catchscreen.progress import Run

SCHOOL = "P1-paved-permeable_paving-14_7"
ROOF = "P1-roof-green_roof-5_5"
YARD = Point(70, 30)


@pytest.fixture
def with_evidence(make_district, layers):
    """Return a maker of proposals for the school with one piece of evidence at a point."""

    def made(kind, value, point=YARD, **changes):
        row = {
            "kind": kind,
            "value": value,
            "unit": "",
            "depth_m": np.nan,
            "date": "2024-02-01",
            "document": "report 7",
        }
        frame = gpd.GeoDataFrame([{**row, "reach_m": np.nan, **changes}], geometry=[point], crs=32628)
        frame.index = pd.Index(["E1"], name="evidence_id")
        data, land, cover = make_district(**layers)
        run = Run()
        options = MeasureOptions()
        data = replace(data, evidence=frame)
        return propose(data, land, cover, open_measures(options), options, run), run

    return made


@pytest.mark.parametrize(("answer", "now", "connected"), [("yes", "combined sewer", 2610.0), ("no", "ground", 810.0)])
def test_a_traced_connection_decides_where_the_water_goes_now(with_evidence, answer, now, connected):
    """Yard 2,000 m2 and roof 900 m2, nine tenths piped; the trace speaks of the yard alone."""
    proposals, _ = with_evidence("sewer_connection", answer)
    host = proposals.hosts.loc[SCHOOL]
    assert (host["receiving_now"], host["receiving_certainty"]) == (now, "traced")
    assert host["captured_connected_m2"] == pytest.approx(connected)


@pytest.mark.parametrize(("read_m", "soaks"), [(1.379, False), (1.381, True), (3.0, True)])
def test_a_groundwater_reading_goes_before_the_map(with_evidence, read_m, soaks):
    """Mapped at 6 m. The thinnest partial build-up is 130 + 250 mm, and 1 m of clearance is asked for: 1.38 m."""
    proposals, _ = with_evidence("groundwater", read_m)
    host, option = proposals.hosts.loc[SCHOOL], proposals.options.loc[f"{SCHOOL}.partial-infiltration"]
    assert (host["groundwater_source"], host["groundwater_depth_m"]) == ("reading", read_m)
    assert option["groundwater_clearance_m"] == pytest.approx(read_m - 0.38)
    assert ("groundwater" not in option["switches"]) is soaks


def test_a_service_that_was_found_counts_as_a_main_beneath(with_evidence):
    proposals, _ = with_evidence("utility", "found")
    assert proposals.hosts.at[SCHOOL, "main_under_host"] == "yes"
    assert "a main runs beneath" in proposals.options.at[f"{SCHOOL}.full-infiltration", "flags"]
    assert proposals.hosts.at[ROOF, "main_under_host"] == ""


@pytest.mark.parametrize(("reach", "meets"), [(10.1, True), (9.9, False)])
def test_evidence_speaks_as_far_as_its_reach_and_names_its_document(with_evidence, reach, meets):
    """The point lies 10 m east of the yard (its edge at x = 90)."""
    proposals, run = with_evidence("infiltration", 3e-5, Point(100, 30), reach_m=reach, unit="m/s")
    assert (proposals.hosts.at[SCHOOL, "evidence_documents"] == "report 7") is meets
    assert (proposals.hosts.at[SCHOOL, "q_source"] == "test") is meets
    stray = [issue for issue in run.issues if issue.code == "evidence_without_host"]
    assert bool(stray) is not (meets or proposals.hosts["evidence_documents"].ne("").any())


def test_a_kind_that_nobody_knows_is_a_fault_line_with_the_kinds_there_are(with_evidence):
    _, run = with_evidence("divining_rod", 1.0)
    (issue,) = (issue for issue in run.issues if issue.code == "evidence_of_unknown_kind")
    assert "infiltration" in issue.cure


@pytest.mark.parametrize(
    ("date", "said"), [("2014-02-01", False), ("2013-01-01", True)], ids=["ten years", "eleven years"]
)
def test_an_old_test_carries_a_caution(make_district, layers, date, said):
    """Counted from the day that the brief gives; the limit is ten years."""
    row = {"kind": "infiltration", "value": 3e-5, "unit": "m/s", "depth_m": 0.5, "date": date}
    row |= {"document": "", "reach_m": 5.0}
    frame = gpd.GeoDataFrame([row], geometry=[Point(70, 30)], crs=32628)
    frame.index = pd.Index(["E1"], name="evidence_id")
    data, land, cover = make_district(**layers)
    options = MeasureOptions(evidence_date="2024-02-01")
    proposals = propose(replace(data, evidence=frame), land, cover, open_measures(options), options, Run())
    assert ("years old" in proposals.options.at[f"{SCHOOL}.full-infiltration", "flags"]) is said


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"tester_role": "drainage engineer"}, "infiltration test of 2024-02-01: report 7, by a drainage engineer"),
        ({}, "infiltration test of 2024-02-01: report 7, nobody named who tested"),
        (
            {"document": "", "date": "", "tester_role": "soil laboratory"},
            "infiltration test: no document named, by a soil laboratory",
        ),
    ],
)
def test_evidence_is_shown_with_its_document_and_the_role_of_who_tested(with_evidence, changes, said):
    proposals, _ = with_evidence("infiltration", 3e-5, unit="m/s", **changes)
    assert proposals.hosts.at[SCHOOL, "evidence"] == said
    assert proposals.hosts.at[ROOF, "evidence"] == ""


@pytest.mark.parametrize(
    ("value", "now", "sure", "after"),
    [
        ("existing", "re-use, then combined sewer", "; re-use existing, surveyed on site", "slowed to re-use, then "),
        ("planned", "combined sewer", "; re-use planned, surveyed on site", "slowed to re-use, then "),
        ("none", "combined sewer", "", "slowed to combined sewer"),
        (np.nan, "combined sewer", "", "slowed to combined sewer"),
    ],
)
def test_a_tank_that_was_found_receives_first_and_is_credited_with_nothing(with_evidence, value, now, sure, after):
    """The tank stands by the yard; what soaks away whole never comes to it; the area off the sewer stays the same."""
    proposals, _ = with_evidence("reuse_tank", value)
    host, table = proposals.hosts.loc[SCHOOL], proposals.options
    assert host["receiving_now"] == now
    assert host["receiving_certainty"] == f"assumed from the map{sure}"
    assert table.at[f"{SCHOOL}.lined", "receiving_after"].startswith(after)
    assert table.at[f"{SCHOOL}.partial-infiltration", "receiving_after"].startswith(f"ground, the rest {after}")
    assert table.at[f"{SCHOOL}.full-infiltration", "receiving_after"] == "ground"
    assert table.at[f"{SCHOOL}.full-infiltration", "off_combined_sewer_m2"] == pytest.approx(0.9 * 2900.0)
    assert ("no volume is credited for re-use" in table.at[f"{SCHOOL}.lined", "notes"]) is bool(sure)


@pytest.mark.parametrize(
    ("state", "roof_now", "roof_after", "lined_after"),
    [
        ("existing", "re-use, then combined sewer", "re-use, then combined sewer", "slowed to combined sewer"),
        ("planned", "combined sewer", "re-use, then combined sewer", "slowed to re-use, then combined sewer"),
        ("none", "combined sewer", "combined sewer", "slowed to combined sewer"),
        ("unknown", "combined sewer", "combined sewer", "slowed to combined sewer"),
    ],
)
def test_a_parcel_s_own_word_on_re_use_speaks_of_its_roofs(
    make_district, layers, options, run, state, roof_now, roof_after, lined_after
):
    """A tank takes what roofs shed; only one still to be built can take what a store drains."""
    data, land, cover = make_district(**layers)
    data.parcels["reuse"] = state
    proposals = propose(data, land, cover, open_measures(options), options, run)
    roof, yard = proposals.hosts.loc[ROOF], proposals.hosts.loc[SCHOOL]
    assert roof["receiving_now"] == roof_now
    assert yard["receiving_now"] == "combined sewer"
    assert ("stated for the parcel" in roof["receiving_certainty"]) is (state in ("existing", "planned"))
    assert proposals.options.at[f"{ROOF}.extensive", "receiving_after"] == f"air, the rest slowed to {roof_after}"
    assert proposals.options.at[f"{SCHOOL}.lined", "receiving_after"] == lined_after


def test_evidence_on_re_use_goes_before_the_parcel_s_word(make_district, layers, options, run):
    data, land, cover = make_district(**layers)
    data.parcels["reuse"] = "existing"
    row = {"kind": "reuse_tank", "value": "none", "unit": "", "depth_m": np.nan, "date": "", "document": "walk 3"}
    frame = gpd.GeoDataFrame([{**row, "reach_m": 100.0}], geometry=[Point(50, 50)], crs=32628)
    frame.index = pd.Index(["E1"], name="evidence_id")
    proposals = propose(replace(data, evidence=frame), land, cover, open_measures(options), options, run)
    assert proposals.hosts.at[ROOF, "reuse"] == "none, surveyed on site"
    assert proposals.hosts.at[ROOF, "receiving_now"] == "combined sewer"

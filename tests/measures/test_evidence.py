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

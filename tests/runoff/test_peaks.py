"""Peaks of the two flows: overland by sub-catchment, piped by zone, and the worst duration of each target."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from catchscreen.options import RainOptions, RunoffOptions
from catchscreen.progress import Run
from catchscreen.runoff import prepare_rain, routing


def test_two_flows_never_added(make_ledger, make_storms, make_zones, run_ledger) -> None:
    """Steady rain for longer than every travel: each peak is its own flow, 0.9 and 0.1 of 36 mm/h.

    36 mm/h over 1,000 m2 are 10 l/s: 9 in the pipe (capacity 40 mm/h over 900 m2 takes all), 1 overland.
    """
    storms = make_storms(step_min=5.0, S=np.full(60, 3.0))
    runs = run_ledger(make_ledger(), storms, zones=make_zones(Z1=40.0))
    land = runs.peaks.query("subcatchment_id == 'C1'").iloc[0]
    zone = runs.peaks.query("zone_id == 'Z1'").iloc[0]
    assert land["overland_peak_l_s"] == pytest.approx(1.0, rel=1e-9)
    assert zone["piped_peak_l_s"] == pytest.approx(9.0, rel=1e-9)
    assert np.isnan(land["piped_peak_l_s"])
    assert np.isnan(zone["overland_peak_l_s"])


@pytest.mark.parametrize("method", ["unit_hydrograph", "linear_reservoir"])
def test_a_burst_is_routed(method: str, make_ledger, make_storms, make_zones, run_ledger) -> None:
    """One wet step without sewer: the peak is the response's greatest share of 11 mm less 1 mm over 1,000 m2."""
    storms = make_storms(step_min=5.0, S=np.array([11.0, 0.0]))
    runs = run_ledger(make_ledger(), storms, zones=make_zones(Z1=0.0), options=RunoffOptions(routing=method))
    row = runs.peaks.query("subcatchment_id == 'C1'").iloc[0]
    response = routing.unit_hydrograph(20.0, 5.0)
    if method == "linear_reservoir":
        response = routing.linear_reservoir(12.0, 5.0)
    assert row["overland_peak_l_s"] == pytest.approx(10_000.0 * response.max() / 300.0)
    assert row["time_of_peak_min"] == pytest.approx((response.argmax() + 0.5) * 5.0)


def test_peaks_of_parcels_arrive_apart(make_ledger, make_storms, make_land, make_zones, run_ledger) -> None:
    """Upstream C2 reaches the outlet of C1 after 5 minutes: the joint peak is below the sum of the two alone."""
    ledger = make_ledger({}, {"subcatchment_id": "C2"})
    storms = make_storms(step_min=5.0, S=np.array([11.0, 0.0]))
    runs = run_ledger(ledger, storms, land=make_land(below={"C2": "C1"}), zones=make_zones(Z1=0.0))
    peaks = runs.peaks.set_index("subcatchment_id")["overland_peak_l_s"]
    assert peaks["C2"] < peaks["C1"] < 2.0 * peaks["C2"]


def test_unknown_time_gives_no_peak(make_ledger, make_storms, make_land, run_ledger) -> None:
    land = make_land()
    land.subcatchments["time_of_concentration_min"] = np.nan
    runs = run_ledger(make_ledger(), make_storms(S=np.ones(10)), land=land)
    row = runs.peaks.query("subcatchment_id == 'C1'").iloc[0]
    assert np.isnan(row["overland_peak_l_s"])
    assert np.isnan(row["rational_check_l_s"])


def test_pipe_length_of_the_zone_is_used(make_ledger, make_storms, make_zones, run_ledger) -> None:
    """600 m at 1 m/s take 10 minutes: a single 5-minute step leaves as 1/4, 1/2, 1/4 of its volume."""
    zones = make_zones(Z1=1e6).assign(pipe_length_m=600.0)
    runs = run_ledger(make_ledger(), make_storms(step_min=5.0, S=np.array([11.0, 0.0, 0.0])), zones=zones)
    row = runs.peaks.query("zone_id == 'Z1'").iloc[0]
    assert row["piped_peak_l_s"] == pytest.approx(9_000.0 / 2.0 / 300.0)


def test_rational_check_stands_beside_and_stops_at_80_ha(make_ledger, make_storms, run_ledger) -> None:
    """Steady 36 mm/h, Cv 0.75, 0.1 ha: 2.7778 x 0.75 x 36 x 0.1 = 7.5 l/s; with Cr 1.3 9.75 l/s; none above 80 ha."""
    storms = make_storms(step_min=5.0, S=np.full(60, 3.0))
    small = run_ledger(make_ledger(), storms).peaks.iloc[0]
    large = run_ledger(make_ledger({"area_m2": 810_000.0}), storms).peaks.iloc[0]
    assert small["rational_check_l_s"] == pytest.approx(7.5)
    assert small["modified_rational_check_l_s"] == pytest.approx(9.75)
    assert small["check_note"].endswith("a check only")
    assert np.isnan(large[["rational_check_l_s", "modified_rational_check_l_s"]].to_numpy(float)).all()
    assert large["check_note"] == "refused: 81 ha, the rational formula is not used above 80 ha"


def test_a_zone_says_what_it_can_carry_and_where_to(make_ledger, make_storms, make_zones, run_ledger) -> None:
    """12 mm/h over 900 m2 connected are 3 l/s: the piped peak of a long heavy storm is just that."""
    runs = run_ledger(make_ledger(), make_storms(step_min=5.0, S=np.full(60, 3.0)), zones=make_zones(Z1=12.0))
    zone = runs.peaks.query("level == 'sewer_zone'").iloc[0]
    assert (zone["unit_id"], zone["outfall"]) == ("Z1", "O1")
    assert zone["sewer_capacity_l_s"] == pytest.approx(3.0)
    assert zone["piped_peak_l_s"] == pytest.approx(3.0)


@pytest.mark.parametrize("source", ["", "flow survey 2023"])
def test_peaks_say_whether_they_are_calibrated(source: str, make_ledger, make_storms, run_ledger) -> None:
    runs = run_ledger(make_ledger(), make_storms(S=np.ones(10)), options=RunoffOptions(calibration_source=source))
    assert runs.peaks["is_calibrated"].tolist() == [bool(source)] * 2
    assert ("uncalibrated" in runs.calibration) is not bool(source)


def test_rows_name_their_critical_storm(make_ledger, run_ledger) -> None:
    """Every row of one unit, return period and climate points at one storm; that storm's row has the greatest peak."""
    table = pd.DataFrame({2.0: [8.0, 13.0, 18.0], 30.0: [17.0, 30.0, 41.0]}, index=[15.0, 60.0, 180.0])
    storms = prepare_rain(table, None, RainOptions(), Run())
    peaks = run_ledger(make_ledger(), storms).peaks.join(storms.storms, on="storm_id")
    peaks["peak"] = peaks["overland_peak_l_s"].fillna(peaks["piped_peak_l_s"])
    groups = list(peaks.groupby(["level", "unit_id", "return_period_years", "uplift"]))
    assert len(groups) == 2 * 3 * 3  # 1-in-5 lies between the columns
    for _, group in groups:
        assert len(set(group["critical_storm_id"])) == 1
        assert group["is_critical"].sum() == 1
        worst = group[group["is_critical"]].iloc[0]
        assert worst["storm_id"] == worst["critical_storm_id"]
        assert worst["peak"] == pytest.approx(group["peak"].max(), rel=1e-9)


def test_critical_duration_is_a_pointer(make_ledger, make_land, run_ledger) -> None:
    """For each target and return period the storm named is the one with the greatest value, by a search on paper."""
    table = pd.DataFrame({30.0: [17.0, 30.0, 41.0]}, index=[15.0, 60.0, 180.0])
    storms = prepare_rain(table, None, RainOptions(), Run())
    land = make_land({"H1": (5.0, "")})
    runs = run_ledger(make_ledger({"hollow_id": "H1"}), storms, land=land)
    critical = runs.critical
    assert set(critical["level"]) == {"subcatchment", "sewer_zone", "hollow"}
    assert len(critical) == 3 * 3
    for row in critical.itertuples():
        if row.quantity == "inflow_m3":
            hollows = runs.balance.query("level == 'hollow'").set_index("storm_id")
            values = hollows["overland_m3"] + hollows["inflow_m3"]
        else:
            key = "subcatchment_id" if row.level == "subcatchment" else "zone_id"
            values = runs.peaks[runs.peaks[key] == row.unit_id].set_index("storm_id")[row.quantity]
        same = storms.storms[storms.storms["uplift"] == row.uplift].index
        assert values[row.storm_id] == row.value == pytest.approx(values[same].max(), rel=1e-9)
        assert storms.storms.loc[row.storm_id, "duration_min"] == row.duration_min
        alike = np.isclose(values[same], row.value, rtol=1e-9).sum()
        if alike > 1:
            assert row.note == f"the same in {alike} durations (a full sewer passes no more): the shortest is named"
        else:
            assert (row.note != "") == (row.duration_min == 180.0)
    assert critical["note"].str.startswith("the longest duration tried").any()


def test_a_full_sewer_points_at_the_shortest_storm_that_fills_it(make_ledger, make_zones, run_ledger) -> None:
    """1 mm/h is full in every storm, for longer than the water travels: 15 min is named, though rounding differs."""
    table = pd.DataFrame({30.0: [17.0, 30.0, 41.0]}, index=[15.0, 60.0, 180.0])
    storms = prepare_rain(table, None, RainOptions(), Run())
    ledger = make_ledger({}, {"area_m2": 333.3}, {"area_m2": 77.7})
    critical = run_ledger(ledger, storms, zones=make_zones(Z1=1.0)).critical
    zones = critical.query("level == 'sewer_zone'")
    assert set(zones["duration_min"]) == {15.0}
    assert zones["note"].str.contains("the same in 4 durations").all()


def test_plain_depths_have_no_critical_duration(make_ledger, run_ledger) -> None:
    runs = run_ledger(make_ledger(), prepare_rain(None, None, RainOptions(), Run()))
    assert runs.critical.empty
    assert "storm_id" in runs.critical
    assert not runs.peaks["is_critical"].any()
    assert (runs.peaks["critical_storm_id"] == "").all()

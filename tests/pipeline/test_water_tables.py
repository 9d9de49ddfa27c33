"""The tables of rain and flows as a reader of the GeoPackage finds them: peaks, critical storms, depths, rates."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import pytest

from catchscreen.brief import Brief
from catchscreen.pipeline import screen

RUNOFF = {
    "greenfield_formula_applies": True,
    "annual_rain_mm": 750.0,
    "soil_index": 0.3,
    "growth_factors": {"30": 2.0},
    "calibration_source": "flow survey, spring",
    "connection_scale": 0.9,
    "survey": [{"start": "2003-05-01T00:00", "end": "2003-05-03T00:00", "volume_m3": 60.0, "zone_id": "core"}],
}


def hourly_record() -> pd.Series:
    """Six years of hours with bursts, one of them missing for a day."""
    index = pd.date_range("2001-01-01", "2006-12-31 23:00", freq="h", tz="UTC")
    rng = np.random.default_rng(8)
    values = rng.gamma(0.6, 2.5, len(index)) * (rng.random(len(index)) < 0.07)
    values[1000:1024] = np.nan
    return pd.Series(values, index=index)


@pytest.fixture(scope="module")
def written(pieces: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("water")
    brief = Brief(name="Water", runoff=RUNOFF, rain_series=hourly_record(), **pieces)
    screen(brief).write(folder)
    return folder / "screening.gpkg"


def read(path: Path, layer: str) -> pd.DataFrame:
    return pd.DataFrame(pyogrio.read_dataframe(path, layer=layer, read_geometry=False))


def test_two_peaks_stand_apart_with_their_storm(written: Path) -> None:
    """Overland by sub-catchment, piped by zone, one row for each storm; no row has both, none is a sum of two."""
    peaks, storms = read(written, "peak_flows"), read(written, "storms")
    labels = storms.set_index("storm_id")["label"]
    assert set(peaks["level"]) == {"subcatchment", "sewer_zone"}
    assert (peaks["storm"] == peaks["storm_id"].map(labels)).all()
    assert (peaks["overland_peak_l_s"].isna() | peaks["piped_peak_l_s"].isna()).all()
    assert len(peaks) == peaks[["level", "unit_id"]].drop_duplicates().shape[0] * len(storms)
    zones = peaks[peaks["level"] == "sewer_zone"]
    assert set(zones["outfall"]) == {"bridge"}
    assert (zones["piped_peak_l_s"] > 0.0).all()
    assert (zones["piped_peak_l_s"] <= zones["sewer_capacity_l_s"] + 0.1).all()
    lands = peaks[peaks["level"] == "subcatchment"]
    small = lands["area_ha"] < 80.0
    ratio = lands["modified_rational_check_l_s"] / lands["rational_check_l_s"]
    assert np.allclose(ratio[small & (lands["rational_check_l_s"] > 50.0)], 1.3, atol=0.01)
    assert peaks["is_calibrated"].all()


def test_the_survey_is_fitted_and_said(written: Path) -> None:
    """One event: the run says what it was fitted to, with both factors, and how well the event is met."""
    said = read(written, "run").set_index("key")["value"]["calibration"]
    assert said.startswith("Connection x ")
    assert said.endswith("after flow survey, spring (1 events).")
    issues = read(written, "data_issues").set_index("code")["message"]
    assert "volumes are met within 0 %" in issues["survey_fitted"]
    assert "runoff_uncalibrated" not in issues.index


def test_the_map_layer_shows_a_row_of_that_table(written: Path) -> None:
    lands, peaks = read(written, "subcatchments"), read(written, "peak_flows").set_index(["unit_id", "storm_id"])
    for row in lands.itertuples():
        same = peaks.loc[(row.subcatchment_id, row.storm_id)]
        assert row.overland_peak_l_s == pytest.approx(same["overland_peak_l_s"], abs=0.5)
        assert row.critical_storm_id == same["critical_storm_id"]
        assert row.is_calibrated


def test_the_critical_duration_is_a_pointer(written: Path) -> None:
    """Each pointer names a storm that was run, of its own return period and climate, and the value of that row."""
    critical, storms = read(written, "critical_storms"), read(written, "storms").set_index("storm_id")
    peaks = read(written, "peak_flows").set_index(["level", "unit_id", "storm_id"])
    assert {"subcatchment", "sewer_zone"} <= set(critical["level"])
    for row in critical.itertuples():
        storm = storms.loc[row.storm_id]
        assert (storm["return_period_years"], storm["climate"]) == (row.return_period_years, row.climate)
        assert storm["duration_min"] == row.duration_min
        if row.level != "hollow":
            assert peaks.loc[(row.level, row.unit_id, row.storm_id), row.quantity] == row.value
            assert peaks.loc[(row.level, row.unit_id, row.storm_id), "is_critical"]


def test_every_row_with_a_storm_says_it_in_words(written: Path) -> None:
    """Parcels stand in the reference storm of today, candidates in their sizing storm of the future: both say so."""
    labels = read(written, "storms").set_index("storm_id")["label"]
    for layer in ("parcels", "candidates", "subcatchments", "hollows", "options", "water_balance", "peak_flows"):
        frame = read(written, layer)
        held = frame.dropna(subset=["storm_id"])
        assert len(held), layer
        role = {"candidates": "sizing storm: ", "options": "sizing storm: "}.get(layer, "reference storm: ")
        said = role if layer not in {"water_balance", "peak_flows"} else ""
        assert (held["storm"] == said + held["storm_id"].map(labels)).all(), layer
        at = list(frame.columns)
        assert at.index("storm") == at.index("storm_id") + 1
    assert set(read(written, "parcels")["storm"]) == {"reference storm: 1-in-30, 1 h, now"}
    assert read(written, "candidates")["storm"].dropna().str.startswith("sizing storm: 1-in-30, ").all()
    assert read(written, "candidates")["storm"].dropna().str.endswith("future +40 %").all()


def test_depths_show_source_limits_and_warnings(written: Path) -> None:
    """The given table is used; the six-year record stands beside it with limits, conversions, warnings and refusals."""
    depths = read(written, "rain_depths")
    given = depths[depths["kind"] == "given"]
    assert len(given) == 12
    assert given["is_used"].all()
    assert given[["low_mm", "high_mm"]].isna().all(axis=None)
    fitted = depths[depths["kind"].isin(["GEV", "Gumbel"])]
    assert not fitted["is_used"].any()
    assert (fitted["low_mm"] <= fitted["depth_mm"]).all()
    assert (fitted["depth_mm"] <= fitted["high_mm"]).all()
    beyond = fitted["return_period_years"] > 6.0
    assert fitted["is_beyond_record"].tolist() == beyond.tolist()
    assert fitted.loc[beyond, "note"].str.contains("beyond the record of 6 complete years").all()
    often = fitted["return_period_years"] == 2.0
    assert fitted.loc[often, "note"].str.contains("1-in-2.54 of the annual maxima").all()
    refused = depths[depths["kind"] == "refused"]
    assert sorted(refused["duration_min"]) == [15.0, 30.0, 60.0]
    assert refused["depth_mm"].isna().all()
    assert sorted(refused["depth_id"]) == ["refused:0015", "refused:0030", "refused:0060"]
    assert refused["note"].str.contains("shorter than twice the record's step of 60 min").all()
    maxima = read(written, "rain_maxima")
    assert sorted(set(maxima["year"])) == list(range(2001, 2007))
    assert set(maxima.loc[maxima["duration_min"] == 180.0, "window_factor"]) == {1.03}


def test_gaps_of_the_record_are_counted_and_shown(written: Path) -> None:
    said = read(written, "data_issues")["message"]
    assert said.str.contains("lacks 24 of 52584 steps in 1 gaps, the longest 24 h", regex=False).any()


def test_greenfield_rates_only_where_confirmed(written: Path) -> None:
    """0.00108 x 0.5^0.89 x 750^1.17 x 0.3^2.17 m3/s over 50 ha, by hand 1.98 l/s/ha; twice that at 1-in-30."""
    rates = read(written, "greenfield_rates")
    parcel = rates[rates["level"] == "parcel"].set_index("greenfield_id")
    by_hand = 0.00108 * 0.5**0.89 * 750.0**1.17 * 0.3**2.17 * 1000.0 / 50.0
    assert parcel["rate_l_s_ha"].tolist() == pytest.approx([2.0 * by_hand, by_hand], abs=0.005)
    assert rates["reason"].isna().all()
    district = rates[rates["level"] == "district"].iloc[0]
    assert district["rate_l_s"] == pytest.approx(district["rate_l_s_ha"] * district["area_ha"], rel=0.02)


def test_without_word_or_survey_the_result_says_so(brief: Brief) -> None:
    """No confirmation: no rate, with the reason. No survey: peaks, run table and issues say uncalibrated."""
    result = screen(brief)
    rates = result.frame("greenfield_rates")
    assert rates["rate_l_s_ha"].isna().all()
    assert set(rates["reason"]) == {"not confirmed that the regression applies here"}
    assert not result.frame("peak_flows")["is_calibrated"].any()
    assert "uncalibrated" in result.frame("run").loc["calibration", "value"]
    assert "runoff_uncalibrated" in set(result.data_issues["code"])
    assert result.frame("rain_maxima").empty

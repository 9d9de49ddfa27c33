"""A flow survey: its events cut from the rain series, and connection and capacity fitted to them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError

from catchscreen.errors import InputsAtFault
from catchscreen.options import RunoffOptions, SurveyedEvent
from catchscreen.progress import Run
from catchscreen.runoff import fit_to_survey, survey

START = datetime(2021, 6, 1, tzinfo=UTC)


def event(hour: float, hours: float, volume_m3: float = 1.0, zone_id: str = "") -> SurveyedEvent:
    start = START + timedelta(hours=hour)
    return SurveyedEvent(start=start, end=start + timedelta(hours=hours), volume_m3=volume_m3, zone_id=zone_id)


@pytest.fixture
def rain() -> pd.Series:
    """Ten days of 15 min: an hour of 10 mm/h at 24 h, one of 60 mm/h at 48 h, and a gap at 72 h."""
    series = pd.Series(0.0, pd.date_range(START, periods=960, freq="15min"))
    series.iloc[96:100] = 2.5
    series.iloc[192:196] = 15.0
    series.iloc[288] = np.nan
    return series


def test_events_are_cut_out_of_the_series(rain: pd.Series) -> None:
    """Each 15-minute step becomes three of 5 min; gaps, dry spells and other times are passed over and named."""
    run = Run()
    asked = (event(24, 2), event(71, 3), event(5, 1), event(-30, 2), event(48, 1))
    used, storms = survey.observe_storms(rain, asked, "wet", run)
    assert used == [asked[0], asked[4]]
    assert storms.storms.index.tolist() == ["observed-001", "observed-002"]
    assert storms.storms["depth_mm"].tolist() == [10.0, 60.0]
    assert storms.storms["antecedent"].tolist() == ["wet", "wet"]
    np.testing.assert_allclose(storms.depths_mm["observed-001"], [2.5 / 3.0] * 12 + [0.0] * 12)
    assert storms.step_min["observed-002"] == 5.0
    said = [issue.message for issue in run.issues if issue.code == "survey_event_without_rain"]
    assert [text.split(" (")[0] for text in said] == ["Surveyed event 2", "Surveyed event 3", "Surveyed event 4"]


def test_times_with_an_offset_are_brought_to_utc(rain: pd.Series) -> None:
    """01:00 on 2 June at +01:00 is midnight in UTC, when the first burst begins."""
    moved = SurveyedEvent(start="2021-06-02T01:00+01:00", end="2021-06-02T02:00+01:00", volume_m3=1.0)
    _, storms = survey.observe_storms(rain, [moved], "normal", Run())
    assert storms.storms["depth_mm"].tolist() == [10.0]


def test_the_truth_is_found_again(rain, make_ledger, make_land, make_zones) -> None:
    """70 % of the connection and 130 % of the capacity of one zone come out of what they would have measured.

    1,000 m2, 10 mm less 1 mm x 0.9 x 0.7 = 5.67 m3, all of it below capacity. The great storm offers 59 mm: capacity
    12 mm/h x 900 m2 x 0.7 x 1.3 = 9.828 m3 in its hour.
    """
    ground = (make_ledger(), make_land(), make_zones(Z1=12.0))
    run = Run()
    events = (event(24, 1, 5.67, "Z1"), event(48, 1, 9.828, "Z1"))
    fitted = fit_to_survey(*ground, rain, RunoffOptions(survey=events), run)
    assert fitted.connection_scale == pytest.approx(0.7)
    assert fitted.capacity_scale == pytest.approx(1.3)
    assert fitted.calibration_source == "a flow survey (2 events)"
    said = next(issue for issue in run.issues if issue.code == "survey_fitted")
    assert "1 below the sewer's capacity and 1 at it: volumes are met within 0 %" in said.message
    assert "More events" in said.cure
    assert not [issue for issue in run.issues if issue.code == "runoff_uncalibrated"]


def test_all_zones_together_where_none_is_named(rain, make_ledger, make_land, make_zones) -> None:
    ground = (make_ledger({}, {"zone_id": "Z2"}), make_land(), make_zones(Z1=12.0, Z2=12.0))
    fitted = fit_to_survey(*ground, rain, RunoffOptions(survey=(event(24, 1, 8.1),)), Run())
    assert fitted.connection_scale == pytest.approx(0.5)
    assert fitted.capacity_scale == 1.0


def test_without_survey_or_rain_nothing_moves(rain, make_ledger, make_land, make_zones) -> None:
    ground = (make_ledger(), make_land(), make_zones(Z1=12.0))
    plain = RunoffOptions()
    assert fit_to_survey(*ground, rain, plain, Run()) is plain
    for series in (None, rain.iloc[:50]):
        run = Run()
        asked = RunoffOptions(survey=(event(24, 1),))
        assert fit_to_survey(*ground, series, asked, run) is asked
        assert run.issues[-1].code == "survey_without_rain"


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        ((event(24, 1, 5000.0),), "survey_implausible"),
        ((event(24, 1, 8.1, "Z9"),), "survey_zone_unknown"),
    ],
)
def test_a_survey_that_cannot_be_is_refused(asked, code, rain, make_ledger, make_land, make_zones) -> None:
    ground = (make_ledger(), make_land(), make_zones(Z1=12.0))
    with pytest.raises(InputsAtFault) as caught:
        fit_to_survey(*ground, rain, RunoffOptions(survey=asked), Run())
    assert [fault.code for fault in caught.value.faults] == [code]


@pytest.mark.parametrize("wrong", [{"hours": 0.0}, {"hours": -1.0}, {"hours": 1000.0}, {"volume_m3": 0.0}])
def test_events_that_cannot_be_are_refused(wrong: dict) -> None:
    with pytest.raises(ValidationError):
        event(**{"hour": 1.0, "hours": 1.0} | wrong)


def test_coarse_rain_is_said(rain: pd.Series) -> None:
    run = Run()
    hourly = rain.resample("h").sum()
    _, storms = survey.observe_storms(hourly, [event(48, 1)], "normal", run)
    assert storms.step_min["observed-001"] == 5.0
    assert [issue.code for issue in run.issues] == ["survey_coarse_rain"]

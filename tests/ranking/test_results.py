"""What the runs of the stores say about an option: looked up by store and storm, the period passed, the range."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from catchscreen.errors import InputsAtFault
from catchscreen.options import RankingOptions
from catchscreen.ranking.results import add_ranges, choose_storm, gather_results, say_hollow
from catchscreen.records import StoreYears

STORMS = pd.DataFrame(
    {
        "climate": ["now", "now", "now", "future"],
        "return_period_years": [2.0, 30.0, 100.0, 30.0],
        "duration_min": [60.0, 60.0, 60.0, 60.0],
        "depth_mm": [13.0, 30.0, 38.0, 42.0],
    },
    index=pd.Index(["two", "thirty", "hundred", "coming"], name="storm_id"),
)


def events(overflow):
    """Runs of one store in the four storms; inflow counts 1, 2, 3, 4 so that a wrong row would show."""
    return pd.DataFrame(
        {
            "store_id": "s",
            "storm_id": STORMS.index,
            "inflow_m3": [1.0, 2.0, 3.0, 4.0],
            "retained_m3": [1.0, 2.0, 3.0, 3.5],
            "slowed_m3": 0.0,
            "overflow_m3": overflow,
            "half_emptying_h": 2.0,
            "second_storm_overflow_m3": 0.0,
        }
    )


def gathered(runs, storm="coming", stores="s"):
    sizes = SimpleNamespace(
        options=pd.DataFrame({"store_id": [stores], "storm_id": [storm]}, index=pd.Index(["o"], name="option_id")),
        storms=STORMS,
    )
    proposals = SimpleNamespace(options=pd.DataFrame({"host_area_m2": [100.0]}, index=["o"]))
    years = StoreYears(pd.DataFrame(), "no series")
    return gather_results(proposals, sizes, SimpleNamespace(events=runs), years, "thirty").loc["o"]


def test_an_option_stands_in_its_sizing_storm_and_in_the_hollows_storm():
    row = gathered(events([0.0, 0.25, 0.5, 0.75]))
    assert (row["inflow_m3"], row["overflow_m3"], row["hollow_overflow_m3"]) == (4.0, 0.75, 0.25)
    assert row["hollow_storm_id"] == "thirty"


def test_what_was_not_run_is_unknown():
    row = gathered(events([0.0] * 4).iloc[:1])
    assert np.isnan(row["inflow_m3"])
    assert np.isnan(row["hollow_overflow_m3"])
    assert np.isnan(gathered(events([0.0] * 4), stores="another")["inflow_m3"])


@pytest.mark.parametrize(
    ("overflow", "period"),
    [
        ([0.0, 0.0, 0.0, 9.0], 100.0),
        ([0.0, 0.0, 1.0, 9.0], 30.0),
        ([0.0, 1.0, 0.0, 0.0], 2.0),
        ([1.0, 0.0, 0.0, 0.0], np.nan),
        ([0.0, 0.0, 1e-5, 0.0], 100.0),
    ],
    ids=["all of today's", "fails at 100", "fails at 30, so not 100 either", "fails at once", "less than a thimble"],
)
def test_the_period_passed_counts_today_s_storms_only(overflow, period):
    """The future storm does not count; 1e-5 m3 over 100 m2 is a tenth of the least that is called overflow."""
    assert gathered(events(overflow))["passes_return_period_years"] == pytest.approx(period, nan_ok=True)


@pytest.mark.parametrize(
    ("overflow", "words"),
    [
        ([0.0, 0.0, 0.0, 9.0], "at least 100 years"),
        ([0.0, 0.0, 1.0, 9.0], "30 years, not 100"),
        ([1.0, 0.0, 0.0, 0.0], "less than 2 years"),
    ],
)
def test_the_end_of_the_rain_table_is_no_limit_of_the_store(overflow, words):
    assert gathered(events(overflow))["passes_return_period"] == words
    assert gathered(events(overflow), stores="another")["passes_return_period"] == ""


def ranged(ground="paved", unproven=(True, True, True), low=100.0, runs=None):
    frame = pd.DataFrame({"retained_m3": [5.0, 30.0, 80.0]}, index=["lined", "partial", "full"])
    if runs:
        frame = frame.assign(retained_low_m3=runs[0], retained_high_m3=runs[1])
    options = pd.DataFrame(
        {
            "candidate_id": "A",
            "is_unproven": unproven,
            "ground": ground,
            "host_area_low_m2": low,
            "host_area_m2": 100.0,
            "host_area_high_m2": 100.0,
        },
        index=frame.index,
    )
    row = add_ranges(frame, SimpleNamespace(options=options)).loc["partial"]
    return row["retained_low_m3"], row["retained_m3"], row["retained_high_m3"]


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({}, (5.0, 30.0, 80.0)),
        ({"unproven": (True, False, True)}, (30.0, 30.0, 30.0)),
        ({"ground": "roof"}, (30.0, 30.0, 30.0)),
        ({"low": 50.0}, (2.5, 30.0, 80.0)),
        ({"unproven": (False,) * 3, "runs": ([4.0, 20.0, 70.0], [6.0, 45.0, 90.0])}, (20.0, 30.0, 45.0)),
        ({"unproven": (False,) * 3, "runs": ([np.nan] * 3, [np.nan] * 3)}, (30.0, 30.0, 30.0)),
    ],
    ids=[
        "unproven ground: lined to full",
        "proven",
        "a roof",
        "area is a range",
        "the runs have ends",
        "ends unknown",
    ],
)
def test_a_range_is_never_empty_and_holds_its_middle(given, expected):
    assert ranged(**given) == pytest.approx(expected)


def test_the_hollows_storm_is_the_briefs_else_the_nearest_of_today():
    assert choose_storm(STORMS, RankingOptions(hollow_storm="two")) == "two"
    assert choose_storm(STORMS, RankingOptions()) == "thirty"
    with pytest.raises(InputsAtFault, match=r"no storm 'thirsty' was run\. The nearest are thirty"):
        choose_storm(STORMS, RankingOptions(hollow_storm="thirsty"))
    depths = STORMS.assign(return_period_years=np.nan)
    assert choose_storm(depths, RankingOptions()) == "thirty"
    assert choose_storm(STORMS.iloc[:0], RankingOptions()) == ""


def test_the_water_kept_from_a_hollow_is_worded_with_its_properties():
    words = say_hollow(np.array([368.4, 0.2, 5.0, 0.0, 7.0]), np.array([47.0, 47.0, 1.0, 47.0, np.nan]))
    assert words == [
        "368 m3 kept from a hollow with 47 properties in it",
        "less than 1 m3 kept from a hollow with 47 properties in it",
        "5 m3 kept from a hollow with 1 property in it",
        "keeps no water from a hollow with properties in it",
        "keeps no water from a hollow with properties in it",
    ]

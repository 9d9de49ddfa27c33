"""What a candidate keeps out of a combined sewer above a busy overflow, as a weight and in words."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from catchscreen.options import RankingOptions
from catchscreen.ranking.kept_out import add_kept_out

PLAIN = RankingOptions()


def kept_out(options=PLAIN, **changes):
    """One option in a combined zone of 40 spills a year; 20 m3 come, 6 stay, 14 are slowed; a year: 50 % and 50 %."""
    site = {
        "combined_spills_per_year": 40.0,
        "captured_connected_m2": 500.0,
        "outfall": "combined sewer",
        "soaks": "none",
        "ground": "paved",
    }
    run = {"inflow_m3": 20.0, "retained_m3": 6.0, "slowed_m3": 14.0}
    run |= {"retained_year_fraction": np.nan, "slowed_year_fraction": np.nan}
    site |= {name: value for name, value in changes.items() if name in site}
    run |= {name: value for name, value in changes.items() if name in run}
    proposals = SimpleNamespace(options=pd.DataFrame([site], index=["o"]))
    row = add_kept_out(pd.DataFrame([run], index=["o"]), proposals, options).loc["o"]
    return row["combined_spills_weighted"], row["combined_sewer_said"]


@pytest.mark.parametrize(
    ("changes", "value", "words"),
    [
        ({"soaks": "all"}, 40.0, "keeps its water out of a combined sewer whose overflow spills 40 times a year"),
        ({"outfall": "watercourse"}, 40.0, "keeps its water out"),
        ({"outfall": "surface-water sewer", "soaks": "part"}, 40.0, "keeps its water out"),
        ({"soaks": "part"}, 40.0 * 0.3, "keeps 30 % of its water out of a combined sewer"),
        ({"soaks": "part", "retained_year_fraction": 0.8, "slowed_year_fraction": 0.2}, 32.0, "keeps 80 %"),
        ({"retained_m3": 0.2, "slowed_m3": 19.8}, 40.0 * 0.25 * 0.99, "only slows the water that it sends back"),
        ({"retained_m3": 5.0, "slowed_m3": 15.0}, 40.0 * 0.25, "keeps 25 %"),
        ({"ground": "roof", "outfall": "watercourse", "retained_m3": 1.0}, 40.0 * 0.25 * 0.7, "only slows"),
        ({"soaks": "all", "captured_connected_m2": 0.0}, 0.0, "no water of it reaches the combined sewer now"),
        ({"soaks": "all", "captured_connected_m2": np.nan}, np.nan, ""),
        ({"combined_spills_per_year": 0.0, "captured_connected_m2": np.nan}, 0.0, "drains to no combined sewer with"),
        ({"soaks": "all", "combined_spills_per_year": np.nan}, np.nan, ""),
        ({"inflow_m3": 0.0}, np.nan, ""),
    ],
    ids=[
        "all soaks",
        "drains to a watercourse",
        "drains to another sewer",
        "part soaks in the storm",
        "the year goes before the storm",
        "only slowed",
        "never added",
        "a roof drains where it did",
        "never came there",
        "connection unknown",
        "no combined sewer",
        "spills unknown",
        "nothing runs",
    ],
)
def test_the_credit_is_for_what_leaves_the_combined_sewer(changes, value, words):
    found, said = kept_out(**changes)
    assert found == pytest.approx(value, nan_ok=True)
    assert said.startswith(words)
    assert bool(said) is bool(words)


@pytest.mark.parametrize(("credit", "value"), [(0.0, 0.4), (0.5, 19.8), (1.0, 39.6)])
def test_the_credit_for_slowing_is_the_brief_s(credit, value):
    found, _ = kept_out(RankingOptions(slowed_credit=credit), retained_m3=0.2, slowed_m3=19.8)
    assert found == pytest.approx(value)

"""Calibration: factors found by hand come back, and applied they bring the ledger to the survey."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from catchscreen.options import RunoffOptions
from catchscreen.runoff.calibration import calibrate


def events(*rows: tuple[float, float, float]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=["surveyed_m3", "sewer_m3", "least_capture_fraction"])


def test_factors_by_hand() -> None:
    """Small events: (8 + 4) / (10 + 5) = 0.8. A full one: 12 of 10 computed = 1.2, so capacity x 1.2 / 0.8 = 1.5."""
    found = calibrate(events((8.0, 10.0, 1.0), (4.0, 5.0, 1.0), (12.0, 10.0, 0.4)))
    assert found.connection_scale == pytest.approx(0.8)
    assert found.capacity_scale == pytest.approx(1.5)
    assert (found.events_below_capacity, found.events_at_capacity) == (2, 1)
    assert found.spread_fraction == pytest.approx(0.0, abs=1e-12)


def test_a_kind_without_events_stays_alone() -> None:
    assert calibrate(events((8.0, 10.0, 1.0))).capacity_scale == 1.0
    assert calibrate(events((8.0, 10.0, 0.5))).connection_scale == 1.0


@pytest.mark.parametrize("rows", [[], [(0.0, 1.0, 1.0)], [(1.0, -1.0, 1.0)], [(float("nan"), 1.0, 1.0)]])
def test_unusable_events_are_refused(rows: list) -> None:
    with pytest.raises(ValueError, match="above zero"):
        calibrate(events(*rows))


def test_the_ledger_meets_the_survey(make_ledger, make_storms, run_ledger) -> None:
    """A truth with 70 % of the connection and 130 % of the capacity is found again from a small and a large storm."""
    storms = make_storms(step_min=5.0, large=np.full(12, 5.0), small=np.full(12, 0.8))
    truth = RunoffOptions(connection_scale=0.7, capacity_scale=1.3, calibration_source="truth")

    def sewer(options: RunoffOptions) -> pd.DataFrame:
        runs = run_ledger(make_ledger(), storms, options=options)
        table = runs.balance.query("level == 'district'").set_index("storm_id")[["sewer_m3"]]
        return table.assign(least_capture_fraction=[runs.capture_fraction[s].min() for s in table.index])

    survey = sewer(truth)["sewer_m3"].rename("surveyed_m3")
    found = calibrate(sewer(RunoffOptions()).join(survey))
    assert found.connection_scale == pytest.approx(0.7)
    assert found.capacity_scale == pytest.approx(1.3)
    again = sewer(found.apply(RunoffOptions(), "flow survey"))
    np.testing.assert_allclose(again["sewer_m3"], survey, rtol=1e-12)

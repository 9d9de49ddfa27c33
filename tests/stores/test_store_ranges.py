"""What the soil's range and the wetness before a storm leave open, in storms and in years."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from catchscreen.runoff.store_events import run_store_events
from catchscreen.runoff.store_ranges import RANGE_YEARS, at_bound, last_years, open_to_soil, open_to_storm
from catchscreen.runoff.store_years import run_stores


def _soaking(make_stores, low: float, high: float, **columns: object):
    """Make stores that soak at 6 mm/h by design, their soil between low and high times that."""
    stores = make_stores(soak_design_mm_h=6.0, soak_mean_mm_h=12.0, **columns)
    rate = stores.soak_design_mm_h
    return replace(stores, soak_low_mm_h=rate * low, soak_high_mm_h=rate * high)


def test_ends_of_a_storm_by_hand(make_stores, make_storms, no_run_on, run):
    """40 mm in 1 h on 100 m2, brim at 20 mm, no outlet: soak 3, 6, 12 mm retain 20 + soak = 2.3, 2.6, 3.2 m3.

    (The brim is reached within the hour at all three rates.)
    """
    stores = _soaking(make_stores, 0.5, 2.0, void_mm=20.0)
    storms = make_storms({"a": (30.0, 60.0, np.full(60, 40.0 / 60.0), 1.0)})
    row = run_store_events(stores, no_run_on(stores, storms), storms, run).events.iloc[0]
    found = row[["retained_low_m3", "retained_m3", "retained_high_m3"]].to_numpy(float)
    np.testing.assert_allclose(found, [2.3, 2.6, 3.2], rtol=1e-9)


def test_a_substrate_is_full_at_its_low_end_and_as_in_summer_at_its_high(make_stores, make_storms, no_run_on, run):
    """30 mm in 1 h on 20 mm of substrate with 2 mm free: 0, 2 and 12 mm are kept, on 8 mm at most all 8.

    12 mm is the middle of the 8 to 15 mm that are remembered as free in summer under 80 mm of build-up.
    """
    stores = make_stores(
        substrate_mm=[20.0, 8.0],
        substrate_start_fraction=[0.9, 0.75],
        void_mm=50.0,
        outlet_mm_h=50.0,
        outlet_exponent=1.0,
    )
    storms = make_storms({"a": (30.0, 60.0, np.full(60, 0.5), 1.0)})
    events = run_store_events(stores, no_run_on(stores, storms), storms, run).events
    np.testing.assert_allclose(events["retained_low_m3"], 0.0, atol=1e-9)
    np.testing.assert_allclose(events["retained_m3"], [0.2, 0.2], atol=1e-9)
    np.testing.assert_allclose(events["retained_high_m3"], [1.2, 0.8], atol=1e-9)


def test_nothing_in_doubt_has_one_value(make_stores, make_storms, no_run_on, rain_years, months, run):
    """A lined store without substrate has neither range; its ends are its value."""
    stores = make_stores(void_mm=[30.0, 60.0], outlet_mm_h=5.0)
    assert open_to_soil(stores).size == 0
    assert open_to_storm(stores).size == 0
    storms = make_storms({"a": (30.0, 60.0, np.full(60, 0.5), 1.0)})
    events = run_store_events(stores, no_run_on(stores, storms), storms, run).events
    years = run_stores(stores, rain_years(3), months, run).years
    for frame, name, unit in ((events, "retained", "m3"), (years, "retained", "fraction")):
        for bound in ("low", "high"):
            np.testing.assert_array_equal(frame[f"{name}_{bound}_{unit}"], frame[f"{name}_{unit}"])


def test_ends_of_years_are_those_of_full_runs(make_stores, rain_years, months, run):
    """Low <= own <= high, and each end within 0.03 of a full run of its own at that rate (a measured closeness)."""
    columns = {"void_mm": [30.0, 60.0, 90.0], "outlet_mm_h": [20.0, 5.0, 2.0], "run_on_area_m2": [200.0, 100.0, 0.0]}
    stores = _soaking(make_stores, 0.05, 4.0, **columns)
    rain = rain_years(9)
    years = run_stores(stores, rain, months, run).years
    assert (years["retained_low_fraction"] <= years["retained_fraction"]).all()
    assert (years["retained_fraction"] <= years["retained_high_fraction"]).all()
    for bound in ("low", "high"):
        whole = run_stores(at_bound(stores, np.arange(3), bound), rain, months, run).years
        assert (years[f"retained_{bound}_fraction"] - whole["retained_fraction"]).abs().max() < 0.03
    assert (years["retained_high_fraction"] - years["retained_low_fraction"]).max() > 0.2


def test_the_last_years_are_whole(rain_years):
    """A warm-up year and the account years are cut from the end; a shorter series is taken as it is."""
    rain = rain_years(9)
    tail = last_years(rain)
    assert tail.index[-1] == rain.index[-1]
    assert RANGE_YEARS + 1.0 <= (tail.index[-1] - tail.index[0]) / pd.Timedelta(days=365.25) < RANGE_YEARS + 1.02
    short = rain_years(2)
    assert last_years(short).size == short.size


@pytest.mark.parametrize("unknown", [None, np.nan])
def test_an_unknown_end_is_no_range(make_stores, unknown):
    """Where no end of the rate is known, the store's own rate is both ends."""
    stores = make_stores(soak_design_mm_h=6.0)
    ends = None if unknown is None else np.full(1, unknown)
    stores = replace(stores, soak_low_mm_h=ends, soak_high_mm_h=ends)
    assert open_to_soil(stores).size == 0
    assert at_bound(stores, np.array([0]), "low").soak_design_mm_h[0] == 6.0

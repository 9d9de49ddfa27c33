"""Shipped stores in stated climates against what was measured in the field, or is remembered of it.

The rain is the invented hourly series of these tests scaled to the year's depth, potential evaporation likewise, so a
range is a test of plausibility, not of truth. Sources stand beside each range in
``tests/reference/store_field_ranges.csv``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from catchscreen.measures import green_roof, permeable_paving
from catchscreen.measures.defaults import plain_store
from catchscreen.runoff.store_events import run_store_events
from catchscreen.runoff.store_years import run_stores

RANGES = pd.read_csv(
    Path(__file__).parent.parent / "reference" / "store_field_ranges.csv", comment="#", dtype={"variant": str}
)
HOST_M2 = 200.0


def _shipped_store(row: pd.Series, make_stores):
    """Make the store that the measure ships for this row."""
    module = green_roof if row["measure"] == "green_roof" else permeable_paving
    wanted = row["variant"].replace("_", "")
    variant = next(v for v in module.VARIANTS if v.name.replace("_", "").replace("-", "").startswith(wanted))
    option = pd.DataFrame(
        {
            "host_area_m2": [HOST_M2],
            "base_area_m2": [HOST_M2],
            "run_on_area_m2": [HOST_M2 * row["run_on_ratio"]],
            "store_fraction": [1.0],
            "q_m_s": [row["q_m_s"]],
            "q_design_m_s": [row["q_m_s"]],
        },
        index=["a"],
    )
    fill = green_roof.fill_roof_store if row["measure"] == "green_roof" else plain_store
    filled = fill(option, variant, float(row["depth_mm"])).iloc[0]
    areas = {name: float(option[name].iloc[0]) for name in ("host_area_m2", "base_area_m2", "run_on_area_m2")}
    return make_stores(**filled.to_dict(), **areas)


@pytest.mark.parametrize("number", range(len(RANGES)))
def test_retention_lies_in_the_range(number, make_stores, rain_years, months, run):
    """The share of the rain that reaches the store and never leaves as runoff lies in the range of the field."""
    row = RANGES.iloc[number]
    rain = rain_years(12) * (row["rain_mm_yr"] / 900.0)
    potential = months * (row["potential_mm_yr"] / 580.0)
    years = run_stores(_shipped_store(row, make_stores), rain, potential, run).years.iloc[0]
    assert row["low"] <= years["retained_fraction"] <= row["high"] + 1e-9, (
        f"{row['measure']} {row['variant']} {row['depth_mm']} mm: {years['retained_fraction']:.3f}; {row['source']}"
    )
    assert np.isclose(years["years"], 11)


def test_deeper_substrate_keeps_more_with_falling_gain(make_stores, rain_years, months, run):
    """Retention grows with the water held, by less for each further 10 mm; a wetter climate lowers it."""
    stores = make_stores(
        wetting_mm=1.0, substrate_mm=[10.0, 20.0, 30.0, 40.0], void_mm=25.0, outlet_mm_h=60.0, outlet_exponent=1.0
    )
    dry = run_stores(stores, rain_years(6), months, run).years["retained_fraction"].to_numpy()
    wet = run_stores(stores, rain_years(6) * 2.0, months, run).years["retained_fraction"].to_numpy()
    assert (np.diff(dry) > 0.0).all()
    assert (np.diff(dry, 2) < 0.0).all()
    assert (wet < dry).all()


@pytest.mark.parametrize(
    ("variant", "depth_mm", "coefficient"),
    [("extensive", 80.0, 0.5), ("extensive", 120.0, 0.4), ("semi_intensive", 200.0, 0.3), ("intensive", 300.0, 0.2)],
)
def test_peak_of_a_wet_roof_is_that_of_the_guideline(
    variant, depth_mm, coefficient, make_stores, make_storms, no_run_on, run
):
    """Peak coefficients by depth under 300 l/(s ha) for 15 min on a wet roof, pitch up to 15 degrees, within 0.1.

    6-10 cm 0.5, 10-15 cm 0.4, 15-25 cm 0.3, 25-50 cm 0.2: German green-roof guideline, from memory; consistent with
    the 0.5 (under 10 cm) and 0.4 of DIN 1986-100 as quoted. The drainage law of the shipped roofs (free pores and board
    over a linear outlet) is held by this: half-emptying within the hour is what these coefficients mean.
    """
    row = pd.Series(
        {"measure": "green_roof", "variant": variant, "depth_mm": depth_mm, "run_on_ratio": 0.0, "q_m_s": 0.0}
    )
    store = _shipped_store(row, make_stores)
    rain_mm = 300.0 * 0.36 / 4.0  # 300 l/(s ha) is 108 mm/h
    storms = make_storms({"a": (5.0, 15.0, np.full(15, rain_mm / 15.0), 1.0)})
    events = run_store_events(store, no_run_on(store, storms), storms, run).events.iloc[0]
    peak = events["peak_outflow_l_s"] / (300.0 * HOST_M2 / 10_000.0)
    assert peak == pytest.approx(coefficient, abs=0.1)
    assert 0.1 < events["half_emptying_h"] < 1.5
    assert events["overflow_m3"] == 0.0


def test_a_wet_roof_keeps_little_at_any_depth(make_stores, make_storms, no_run_on, run):
    """Before a winter storm evaporation frees the same few millimetres under any depth; in summer more, up to the hold.

    0 to 3 mm free in a wet winter and 8 to 15 mm in summer for 80 mm of build-up are from memory; the wetting layer
    comes on top. What is kept is what was free.
    """
    storms = make_storms({"a": (30.0, 60.0, np.full(60, 40.0 / 60.0), 1.0)})
    for variant, depth_mm in (("extensive", 80.0), ("semi_intensive", 250.0), ("intensive", 500.0)):
        row = pd.Series(
            {"measure": "green_roof", "variant": variant, "depth_mm": depth_mm, "run_on_ratio": 0.0, "q_m_s": 0.0}
        )
        store = _shipped_store(row, make_stores)
        event = run_store_events(store, no_run_on(store, storms), storms, run).events.iloc[0]
        mm = event[["retained_low_m3", "retained_m3", "retained_high_m3"]].to_numpy(float) / HOST_M2 * 1000.0
        wetting = store.wetting_mm[0]
        np.testing.assert_allclose(mm - wetting, [0.0, 2.0, 12.0], atol=1e-9)

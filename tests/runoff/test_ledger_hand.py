"""The hand test of the water ledger: figures that anyone can do on paper."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from catchscreen.records import Stores, StormRuns, Storms
from catchscreen.runoff import CandidatePieces

Make = Callable[..., object]


def row_of(runs: StormRuns, level: str, unit: str) -> pd.Series:
    """The balance of one unit in the only storm."""
    table = runs.balance
    found = table[(table["level"] == level) & (table["unit_id"] == unit)]
    assert len(found) == 1
    return found.iloc[0]


@pytest.mark.parametrize(
    ("step_min", "capacity", "sewer", "overland"),
    [(1.0, 12.0, 10.44, 18.56), (5.0, 12.0, 10.80, 18.20), (1.0, 0.0, 0.00, 29.00), (1.0, 1e9, 26.10, 2.90)],
)
def test_one_piece(
    make_ledger: Make,
    make_storms: Make,
    make_zones: Make,
    run_ledger: Make,
    step_min: float,
    capacity: float,
    sewer: float,
    overland: float,
) -> None:
    """1,000 m2, 90 % piped, 1 mm depression, 30 mm in 1 h.

    The depression fills in two minutes; for 58 minutes 900 m2 x 0.5 mm = 0.45 m3/min are offered and 12 mm/h x 900 m2 =
    0.18 m3/min taken: 10.44 m3. In 5-minute steps the first step already offers 1.35 m3 and the sewer takes 0.9: 12 x
    0.9.
    """
    steps = round(60 / step_min)
    storms = make_storms(step_min=step_min, S=np.full(steps, 30.0 / steps))
    runs = run_ledger(make_ledger(), storms, zones=make_zones(Z1=capacity))
    for level, unit in (("parcel", "P1"), ("subcatchment", "C1"), ("sewer_zone", "Z1"), ("district", "district")):
        row = row_of(runs, level, unit)
        assert row["rain_m3"] == pytest.approx(30.0, abs=1e-12)
        assert row["sewer_m3"] == pytest.approx(sewer, abs=1e-9)
        assert row["overland_m3"] == pytest.approx(overland, abs=1e-9)
        assert row["store_change_m3"] == pytest.approx(1.0, abs=1e-12)
        assert abs(row["residual_m3"]) < 1e-9 * 30.0
    assert row_of(runs, "district", "district")["leaving_m3"] == pytest.approx(overland, abs=1e-9)
    assert runs.runoff_mm["S"][0] == pytest.approx(29.0)
    assert runs.overland_m3["S"][0] == pytest.approx(overland)


def paving(stores: Stores, run_on_m2: float = 300.0) -> CandidatePieces:
    """200 m2 of host and the run-on area, both in ledger row 0."""
    return CandidatePieces(
        stores=stores,
        hosts=pd.DataFrame({"candidate": [0], "row": [0], "area_m2": [200.0]}),
        run_on=pd.DataFrame({"candidate": [0], "row": [0], "area_m2": [run_on_m2]}),
        passes_to=np.array([-1]),
        passed_fraction=np.array([0.0]),
    )


def test_full_infiltration_paving(make_ledger: Make, make_storms: Make, make_stores: Make, run_ledger: Make) -> None:
    """The same piece with paving of void 0.3, q 5e-6 m/s = 18 mm/h, run-on 300 m2.

    In: 200 m2 x 30 mm + 300 m2 x 29 mm = 14.70. Soak 18 mm/h x 200 m2 x 1 h = 3.60, so 11.10 stay: 55.5 mm of water,
    185 mm of stone; half of 11.10 goes in 5.55 / 3.6 h = 1.54 h. Left 500 m2 x 29 mm = 14.50, of which the sewer
    still takes 10.44.
    """
    storms: Storms = make_storms(S=np.full(60, 0.5))
    stores = make_stores({"base_area_m2": 200.0, "void_mm": 1000.0 * 0.3, "soak_design_mm_h": 18.0})
    runs = run_ledger(make_ledger(), storms, candidates=paving(stores))
    store = runs.candidates.iloc[0]
    assert store["rain_m3"] + store["run_on_m3"] == pytest.approx(14.70, abs=1e-9)
    assert store["soaked_m3"] == pytest.approx(3.60, abs=1e-9)
    assert store["store_change_m3"] == pytest.approx(11.10, abs=1e-9)
    assert store["store_change_m3"] / 200.0 * 1000.0 / 0.3 == pytest.approx(185.0, abs=1e-6)
    assert store["store_change_m3"] / 2.0 / 3.6 == pytest.approx(1.54, abs=0.005)
    for level, unit in (("parcel", "P1"), ("sewer_zone", "Z1"), ("district", "district")):
        row = row_of(runs, level, unit)
        assert row["sewer_m3"] == pytest.approx(10.44, abs=1e-9)
        assert row["overland_m3"] == pytest.approx(4.06, abs=1e-9)
        assert row["infiltration_m3"] == pytest.approx(3.60, abs=1e-9)
        assert row["store_change_m3"] == pytest.approx(0.80 + 11.10, abs=1e-9)
        assert row["rain_m3"] == pytest.approx(30.0, abs=1e-12)
        assert abs(row["residual_m3"]) < 1e-9 * 30.0

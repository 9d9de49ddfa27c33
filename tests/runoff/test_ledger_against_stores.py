"""The candidate in the water ledger and the store on its own are two computations: they must tell one story."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from catchscreen.options import RunoffOptions
from catchscreen.progress import Run
from catchscreen.runoff import CandidatePieces, gather_run_on, run_store_events, run_storms


@pytest.mark.parametrize("seed", range(6))
def test_one_store_two_ways(seed, make_ledger, make_land, make_storms, make_zones, make_stores) -> None:
    """A store of 200 m2 with 300 m2 of run-on and an endless sewer: each term within 2 % of what flows in.

    The ledger follows the store minute by minute, outlet before inflow; the store run lets half of the inflow in before
    the outlet. Stores are deep enough here that a minute does not fill them.
    """
    rng = np.random.default_rng(seed)
    store = {
        "base_area_m2": rng.uniform(50, 200),
        "wetting_mm": rng.uniform(0, 2),
        "intake_mm_h": rng.uniform(150, 400),
        "substrate_mm": float(rng.choice([0.0, 20.0])),
        "substrate_start_fraction": 0.5,
        "void_mm": rng.uniform(40, 90),
        "outlet_mm_h": float(rng.choice([0.0, 10.0, 40.0])),
        "outlet_exponent": float(rng.choice([0.5, 1.0])),
        "soak_design_mm_h": rng.uniform(0, 30),
    }
    store["sill_mm"] = store["void_mm"] * rng.uniform(0.0, 0.5)
    stores = make_stores(store)
    ledger = make_ledger({"area_m2": 2000.0})
    storms = make_storms(step_min=5.0, S=np.concatenate([np.arange(1.0, 9.0), np.full(6, 1.5)]))
    taken = {"candidate": [0], "row": [0]}
    pieces = CandidatePieces(
        stores,
        pd.DataFrame(taken | {"area_m2": [200.0]}),
        pd.DataFrame(taken | {"area_m2": [300.0]}),
        np.array([-1]),
        np.array([0.0]),
    )
    now, after = (
        run_storms(ledger, make_land(), make_zones(Z1=1e9), storms, RunoffOptions(), Run(), candidates=candidates)
        for candidates in (None, pieces)
    )
    drained = pd.DataFrame({"candidate_id": ["C"], "surface_id": ["S00000"], "fraction": [0.15]})
    inflow = gather_run_on(stores, pd.Series({"K0": "C"}), drained, ledger, now)
    alone = run_store_events(stores, inflow, storms, Run()).events.iloc[0]
    inside = after.candidates.iloc[0]
    total = inside["rain_m3"] + inside["run_on_m3"]
    assert total == pytest.approx(alone["inflow_m3"])
    pairs = {
        "soaked_m3": "soaked_m3",
        "to_sewer_m3": "outlet_m3",
        "overflow_m3": "overflow_m3",
        "store_change_m3": "store_change_m3",
    }
    for ours, theirs in pairs.items():
        assert inside[ours] == pytest.approx(alone[theirs], abs=0.02 * total)

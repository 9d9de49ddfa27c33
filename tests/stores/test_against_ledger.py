"""The store on its own against the store inside the water ledger: two programs of one design, outlets without a cap."""

from __future__ import annotations

import numpy as np

from catchscreen.runoff import _ledger_kernels as ledger
from catchscreen.runoff.store_events import run_store_events


def _by_ledger(stores, rain: np.ndarray, hours: float) -> dict[str, np.ndarray]:
    """Step every store through the storm with the ledger's kernels; the sewer takes all that outlets ask for."""
    count = stores.host_area_m2.size
    columns = ("host_area_m2", "base_area_m2", "wetting_mm", "intake_mm_h", "substrate_mm", "substrate_start_fraction")
    columns += ("void_mm", "sill_mm", "outlet_mm_h", "outlet_exponent", "soak_design_mm_h")
    store = np.zeros((count, 15))
    store[:, :11] = np.column_stack([getattr(stores, name) for name in columns])
    store[:, 13] = -1.0
    state, totals = np.zeros((count, 5)), np.zeros((count, 11))
    state[:, 1] = store[:, 4] * store[:, 5]
    run_on = stores.run_on_area_m2 / 1000.0
    wanted, left = np.zeros(1), np.zeros(count)
    step = np.array([hours, 0.0])
    for depth in rain:
        ledger.demand_outlets(store, state, hours, wanted)
        ledger.run_candidates(depth, step, store, state, run_on * depth / hours, np.ones(1), totals, left)
    return {"soaked_m3": totals[:, 3], "outlet_m3": totals[:, 4], "overflow_m3": totals[:, 8]}


def test_both_tell_the_same(random_stores, make_storms, make_run_on, run):
    """By steps of a minute no term of a storm differs by more than 1 % of the inflow, on the mean by under 0.1 %.

    The ledger lets outlets go first, from what stands at the start of the step, as their sewer's capacity must be
    shared out; the store on its own lets half of a step's gain in before. The difference is of the order of the step.
    """
    stores = random_stores(200, seed=41)
    shape = np.exp(-np.abs(np.linspace(-3.0, 3.0, 180)))
    rain = 60.0 * shape / shape.sum()
    storms = make_storms({"a": (30.0, 180.0, rain, 1.0)})
    ratio = (stores.run_on_area_m2 / stores.host_area_m2)[:, None]
    events = run_store_events(stores, make_run_on(ratio, {"a": rain[None, :]}), storms, run).events
    expected = _by_ledger(stores, rain, 1.0 / 60.0)
    inflow = events["inflow_m3"].to_numpy()
    for name, values in expected.items():
        moved = np.abs(events[name].to_numpy() - values) / inflow
        assert moved.max() < 0.01, name
        assert moved.mean() < 0.001, name
    assert (expected["overflow_m3"] > 0.01 * inflow).sum() > 20

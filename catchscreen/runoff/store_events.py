"""Event run: every store in every storm, outfall free and shut, with a second storm a day later."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.compiled import parallel_lock
from catchscreen.progress import Run
from catchscreen.records import RunOn, StoreEvents, Stores, Storms
from catchscreen.runoff import _store_kernels as k
from catchscreen.runoff.stores import Drains, Lanes, half_emptying_hours, open_drains, slowed_after
from catchscreen.units import MM_PER_M, SECONDS_PER_HOUR

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SECOND_RETURN_PERIOD_YEARS: Final = 10.0
SECOND_AFTER_H: Final = 24.0
GAP_STEP_H: Final = 0.25
"""Step of the dry day between the two storms."""

SAME_FAMILY: Final = ("duration_min", "uplift", "profile", "season", "climate", "antecedent")
"""Storms that agree in these differ by return period only, and may be interpolated between."""

EVENT_COLUMNS: Final = (
    "inflow_m3",
    "soaked_m3",
    "outlet_m3",
    "overflow_m3",
    "evaporation_m3",
    "store_change_m3",
    "retained_m3",
    "slowed_m3",
    "greatest_store_mm",
    "half_emptying_h",
    "second_storm_overflow_m3",
    "peak_outflow_l_s",
    "residual_m3",
    "intake_excess_m3",
    "overflow_shut_m3",
    "half_emptying_shut_h",
    "greatest_store_shut_mm",
    "second_storm_overflow_shut_m3",
)


@dataclass(frozen=True, slots=True)
class _Bench:
    """The lanes of a run: every store with its outfall free, then again, shut, those that have an outlet.

    shut_lane : (stores,) the lane with the outfall shut; (0,) where shut outfalls are not run.
    """

    stores: Stores
    lane_store: Ints
    shut_lane: Ints
    drains: Drains
    lanes: Lanes
    weights: Floats
    step_h: list[float]


@dataclass(frozen=True, slots=True)
class _Storm:
    """One storm for the kernel: rain (steps,) and run-on (steps, classes) in mm per step of ``step_h`` hours."""

    rain_mm: Floats
    run_on_mm: Floats
    step_h: float


def run_store_events(
    stores: Stores,
    inflow: RunOn,
    storms: Storms,
    run: Run,
    *,
    storm_ids: Sequence[str] | None = None,
    only_first: bool = False,
) -> StoreEvents:
    """Run each store through each storm and, a day later, through a 1-in-10 storm of the same duration.

    The ground takes at the design rate. Potential evaporation is nil during a storm. Totals are taken at the storm's
    end.

    Parameters
    ----------
    stores : Stores
        n stores.
    inflow : RunOn
        Run-on of the n stores, in their order; its hydrographs have the storms' steps.
    storms : Storms
        The storms; ``storm_ids`` picks among them (default: all).
    run : Run
        Asked between storms whether to stop.
    only_first : bool
        Leave out the second storm and the shut outfalls, whose columns are NaN then: trials are sized without them.

    Returns
    -------
    StoreEvents
        One row per store and storm, with the columns of ``EVENT_COLUMNS`` after ``store_id`` and ``storm_id``.

    Raises
    ------
    ValueError
        When the run-on does not fit the stores or the storms.
    KeyError
        When a storm id is not among the storms.
    """
    chosen = list(storms.storms.index) if storm_ids is None else list(storm_ids)
    _check_fit(stores, inflow, storms, chosen)
    bench = _prepare(stores, inflow, with_shut=not only_first)
    table = np.full((len(stores.store_id), len(chosen), len(EVENT_COLUMNS)), np.nan)
    for place, storm_id in enumerate(chosen):
        run.check_stop()
        first = _storm(storms, inflow, storm_id)
        second = None if only_first else _second_storm(storms, inflow, storm_id)
        columns = _run_storm(bench, first, second)
        for column, name in enumerate(EVENT_COLUMNS):
            table[:, place, column] = columns[name]
    return StoreEvents(_frame(stores, chosen, table))


def _check_fit(stores: Stores, inflow: RunOn, storms: Storms, chosen: list[str]) -> None:
    """Refuse run-on of another number of stores, classes or steps."""
    if inflow.class_weight.shape[0] != len(stores.store_id):
        raise ValueError(f"run-on is given for {inflow.class_weight.shape[0]} stores, not {len(stores.store_id)}")
    for storm_id in chosen:
        expected = (inflow.class_weight.shape[1], storms.depths_mm[storm_id].size)
        if inflow.steps_mm[storm_id].shape != expected:
            found = inflow.steps_mm[storm_id].shape
            raise ValueError(f"run-on of storm {storm_id} has shape {found}, not (classes, steps) = {expected}")


def _prepare(stores: Stores, inflow: RunOn, *, with_shut: bool) -> _Bench:
    """Pack the stores twice, outfall free and (if asked) shut; a store without outlet is packed once."""
    count = len(stores.store_id)
    with_outlet = np.flatnonzero(stores.outlet_mm_h > 0.0) if with_shut else np.empty(0, dtype=np.int64)
    lane_store = np.concatenate([np.arange(count), with_outlet])
    shut_lane = np.arange(count) if with_shut else np.empty(0, dtype=np.int64)
    shut_lane[with_outlet] = count + np.arange(with_outlet.size)
    free = open_drains(stores, stores.soak_design_mm_h)
    shut = open_drains(stores, stores.soak_design_mm_h, shut=np.ones(count, dtype=bool)).take(with_outlet)
    drains = Drains(
        np.concatenate([free.soak_mm_h, shut.soak_mm_h]),
        np.concatenate([free.root_coefficient, shut.root_coefficient]),
        np.concatenate([free.decay_per_h, shut.decay_per_h]),
        np.concatenate([free.sill_mm, shut.sill_mm]),
    )
    lanes = Lanes(lane_store.size)
    lanes.set_fixed(stores, lane_store)
    lanes.set_step(k.LONG, GAP_STEP_H, stores.intake_mm_h[lane_store], drains)
    return _Bench(stores, lane_store, shut_lane, drains, lanes, lanes.weights(inflow.class_weight[lane_store]), [0.0])


def _storm(storms: Storms, inflow: RunOn, storm_id: str) -> _Storm:
    """Take one storm as it stands."""
    run_on = np.ascontiguousarray(inflow.steps_mm[storm_id].T, dtype=np.float64)
    return _Storm(np.asarray(storms.depths_mm[storm_id], dtype=np.float64), run_on, storms.step_min[storm_id] / 60.0)


def _second_storm(storms: Storms, inflow: RunOn, storm_id: str) -> _Storm | None:
    """Interpolate the 1-in-10 storm of the same duration linearly in ln T, never beyond the tabulated return periods.

    Rain and run-on are interpolated step by step, so that the depth is the interpolated depth. None where it cannot be
    had.
    """
    frame = storms.storms
    me = frame.loc[storm_id]
    if not bool(frame["return_period_years"].notna()[storm_id]):
        return None
    family = frame[frame["return_period_years"].notna()]
    for column in SAME_FAMILY:
        if column in frame.columns and pd.notna(me[column]):
            family = family[family[column] == me[column]]
    family = family.sort_values("return_period_years", kind="stable")
    periods = family["return_period_years"].to_numpy(dtype=np.float64)
    if not periods[0] <= SECOND_RETURN_PERIOD_YEARS <= periods[-1]:
        return None
    upper = int(np.searchsorted(periods, SECOND_RETURN_PERIOD_YEARS))
    high = _storm(storms, inflow, str(family.index[upper]))
    if periods[upper] == SECOND_RETURN_PERIOD_YEARS:
        return high
    low = _storm(storms, inflow, str(family.index[upper - 1]))
    if low.rain_mm.size != high.rain_mm.size or low.step_h != high.step_h:
        return None
    share = math.log(SECOND_RETURN_PERIOD_YEARS / periods[upper - 1]) / math.log(periods[upper] / periods[upper - 1])
    rain = low.rain_mm + share * (high.rain_mm - low.rain_mm)
    return _Storm(rain, low.run_on_mm + share * (high.run_on_mm - low.run_on_mm), high.step_h)


def _use_step(bench: _Bench, step_h: float) -> None:
    """Make the short parameter set that of the given step, unless it is so already."""
    if bench.step_h[0] != step_h:
        intake = bench.stores.intake_mm_h[bench.lane_store]
        bench.lanes.set_step(k.SHORT, step_h, intake, bench.drains)
        bench.step_h[0] = step_h


def _step_through(bench: _Bench, storm: _Storm, source: int) -> None:
    """Run all lanes through the storm with one parameter set."""
    steps = storm.rain_mm.size
    drivers = np.column_stack([storm.rain_mm, np.zeros(steps), np.full(steps, storm.step_h)])
    plan = np.zeros((steps, 2), dtype=np.int64)
    plan[:, 0] = source
    blocks = bench.lanes.blocks.reshape(bench.lanes.blocks.shape[0], -1)
    with parallel_lock:
        k.simulate(blocks, bench.weights, drivers, storm.run_on_mm, plan)


def _run_storm(bench: _Bench, first: _Storm, second: _Storm | None) -> dict[str, Floats]:
    """Run the storm, then the dry day and the second storm; return the event columns, a value per store."""
    stores, lanes, of = bench.stores, bench.lanes, bench.lane_store
    start = (stores.substrate_start_fraction * stores.substrate_mm)[of]
    _use_step(bench, first.step_h)
    lanes.clear(start)
    _step_through(bench, first, k.SHORT)
    columns = _account(bench, first, start)
    unknown = np.full(len(stores.store_id), np.nan)
    columns |= {"second_storm_overflow_m3": unknown, "second_storm_overflow_shut_m3": unknown}
    if second is not None:
        dry_steps = round(SECOND_AFTER_H / GAP_STEP_H)
        dry = _Storm(np.zeros(dry_steps), np.zeros((dry_steps, second.run_on_mm.shape[1])), GAP_STEP_H)
        _step_through(bench, dry, k.LONG)
        lanes.clear_sums()
        _use_step(bench, second.step_h)
        _step_through(bench, second, k.SHORT)
        over = (lanes.get(k.OVERFLOW) + lanes.get(k.EXCESS)) * stores.host_area_m2[of] / MM_PER_M
        columns["second_storm_overflow_m3"] = over[: len(stores.store_id)]
        columns["second_storm_overflow_shut_m3"] = over[bench.shut_lane]
    return columns


def _account(bench: _Bench, storm: _Storm, start_mm: Floats) -> dict[str, Floats]:
    """Read the lanes at the storm's end: every term summed on its own, none by difference."""
    lanes, count = bench.lanes, len(bench.stores.store_id)
    volume = bench.stores.host_area_m2[bench.lane_store] / MM_PER_M
    soaked, air, outlet = lanes.get(k.GROUND), lanes.get(k.AIR), lanes.get(k.OUTLET)
    excess, stored, greatest = lanes.get(k.EXCESS), lanes.get(k.STORED), lanes.get(k.GREATEST)
    over = lanes.get(k.OVERFLOW) + excess
    change = lanes.get(k.WET) + (lanes.get(k.HELD) - start_mm) + stored
    inflow = storm.rain_mm.sum() + _summed_run_on(bench, storm)
    later = slowed_after(bench.drains, stored)
    half = half_emptying_hours(bench.drains, greatest)
    peak = lanes.get(k.PEAK) * bench.stores.host_area_m2[bench.lane_store] / SECONDS_PER_HOUR
    columns = {
        "inflow_m3": inflow * volume,
        "soaked_m3": soaked * volume,
        "outlet_m3": outlet * volume,
        "overflow_m3": over * volume,
        "evaporation_m3": air * volume,
        "store_change_m3": change * volume,
        "retained_m3": (soaked + air + change - later) * volume,
        "slowed_m3": (outlet + later) * volume,
        "greatest_store_mm": greatest,
        "half_emptying_h": half,
        "peak_outflow_l_s": peak,
        "residual_m3": (inflow - (soaked + air + outlet + over + change)) * volume,
        "intake_excess_m3": excess * volume,
    }
    columns = {name: values[:count] for name, values in columns.items()}
    shut = {
        "overflow_shut_m3": over * volume,
        "half_emptying_shut_h": half,
        "greatest_store_shut_mm": greatest,
    }
    with_shut = bench.shut_lane.size == count
    unknown = np.full(count, np.nan)
    return columns | {name: values[bench.shut_lane] if with_shut else unknown for name, values in shut.items()}


def _summed_run_on(bench: _Bench, storm: _Storm) -> Floats:
    """Sum the run-on of each lane over the storm [mm over the host], class by class in order."""
    total = np.zeros(bench.lane_store.size)
    depth = storm.run_on_mm.sum(axis=0)
    for c in range(depth.size):
        total += np.ascontiguousarray(bench.weights[:, c, :]).reshape(-1)[: total.size] * depth[c]
    return total


def _frame(stores: Stores, storm_ids: list[str], table: Floats) -> pd.DataFrame:
    """Lay the table out: stores in their order, storms within each."""
    ids = {
        "store_id": np.repeat(np.asarray(stores.store_id, dtype=object), len(storm_ids)),
        "storm_id": np.tile(np.asarray(storm_ids, dtype=object), len(stores.store_id)),
    }
    flat = table.reshape(-1, len(EVENT_COLUMNS))
    return pd.DataFrame({**ids, **{name: flat[:, place] for place, name in enumerate(EVENT_COLUMNS)}})

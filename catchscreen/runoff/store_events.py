"""Event run: every store in every storm, outfall free and shut, with a second storm a day later."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.progress import Run
from catchscreen.records import RunOn, StoreEvents, Stores, Storms
from catchscreen.runoff import _store_kernels as k
from catchscreen.runoff.store_ranges import BOUNDS, at_bound, open_to_storm
from catchscreen.runoff.stores import (
    Drains,
    Lanes,
    Timeline,
    find_lanes,
    half_emptying_hours,
    open_drains,
    slowed_after,
    take_stores,
)
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


STORMS_AT_ONCE: Final = 24
"""Storms that are run between two questions whether to stop; what they write is held in memory."""


AS_FREE: Final = {
    "overflow_shut_m3": "overflow_m3",
    "half_emptying_shut_h": "half_emptying_h",
    "greatest_store_shut_mm": "greatest_store_mm",
    "second_storm_overflow_shut_m3": "second_storm_overflow_m3",
}
"""A store without an outlet does the same with its outfall shut as with it free."""


@dataclass(frozen=True, slots=True)
class _Bench:
    """Stores ready to be run, outfall free or shut: lanes, and of each lane its run-on, drains and start [mm].

    step_lengths : lengths [h] of the lanes' parameter sets; the first is that of the dry day.
    """

    lanes: Lanes
    class_weight: Floats
    lane_weight: Floats
    drains: Drains
    start_mm: Floats
    step_lengths: tuple[float, ...]


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
        Leave out the second storm and the shut outfalls, whose columns are NaN then, and the ends of what is retained:
        trials are sized without them.

    Returns
    -------
    StoreEvents
        One row per store and storm, with the columns of ``EVENT_COLUMNS`` after ``store_id`` and ``storm_id``, then
        retained_low_m3 and retained_high_m3.

    Raises
    ------
    ValueError
        When the run-on does not fit the stores or the storms.
    KeyError
        When a storm id is not among the storms.
    """
    chosen = list(storms.storms.index) if storm_ids is None else list(storm_ids)
    _check_fit(stores, inflow, storms, chosen)
    count = len(stores.store_id)
    firsts = [_storm(storms, inflow, storm_id) for storm_id in chosen]
    seconds: list[_Storm | None] = [None] * len(chosen) if only_first else _second_storms(storms, inflow, chosen)
    lengths = (GAP_STEP_H, *sorted({storm.step_h for storm in firsts + seconds if storm is not None}))
    free = _prepare(stores, inflow.class_weight, lengths)
    with_outlet = np.flatnonzero(stores.outlet_mm_h > 0.0)
    shut_stores = take_stores(stores, with_outlet)
    shut_stores = replace(shut_stores, outlet_mm_h=np.zeros(with_outlet.size))
    shut = None if only_first else _prepare(shut_stores, inflow.class_weight[with_outlet], lengths)
    table = {name: np.full((count, len(chosen)), np.nan) for name in EVENT_COLUMNS}
    for begin in range(0, len(chosen), STORMS_AT_ONCE):
        run.check_stop()
        some = slice(begin, min(begin + STORMS_AT_ONCE, len(chosen)))
        columns = _run_free(free, stores, firsts[some], seconds[some])
        for name, values in columns.items():
            table[name][:, some] = values
        if shut is not None:
            columns = _run_shut(shut, shut_stores, firsts[some], seconds[some])
            for name, values in columns.items():
                table[name][:, some] = table[AS_FREE[name]][:, some]
                table[name][with_outlet, some] = values
    if not only_first:
        _add_ends(table, stores, inflow.class_weight, (firsts, lengths), run)
    return StoreEvents(_frame(stores, chosen, table))


def _add_ends(
    table: dict[str, Floats],
    stores: Stores,
    class_weight: Floats,
    given: tuple[list[_Storm], tuple[float, ...]],
    run: Run,
) -> None:
    """Add what is retained at least and at most, where the soil's rate or the wetness before the storm leave it open.

    An end never lies inside of what the store itself retains: wetter ground may keep more of one storm by chance.
    """
    firsts, lengths = given
    rows = open_to_storm(stores)
    for bound in BOUNDS:
        pick = np.fmin if bound == "low" else np.fmax
        run.check_stop()
        table[f"retained_{bound}_m3"] = table["retained_m3"].copy()
        bench = _prepare(at_bound(stores, rows, bound), class_weight[rows], lengths)
        host = (stores.host_area_m2[rows] / MM_PER_M)[:, None]
        for begin in range(0, len(firsts), STORMS_AT_ONCE):
            some = slice(begin, min(begin + STORMS_AT_ONCE, len(firsts)))
            states, _ = _run(bench, firsts[some], [None] * len(firsts[some]))
            end = _retained(bench, states)[bench.lanes.place] * host
            table[f"retained_{bound}_m3"][rows, some] = pick(end, table["retained_m3"][rows, some])


def _check_fit(stores: Stores, inflow: RunOn, storms: Storms, chosen: list[str]) -> None:
    """Refuse run-on of another number of stores, classes or steps."""
    if inflow.class_weight.shape[0] != len(stores.store_id):
        raise ValueError(f"run-on is given for {inflow.class_weight.shape[0]} stores, not {len(stores.store_id)}")
    for storm_id in chosen:
        expected = (inflow.class_weight.shape[1], storms.depths_mm[storm_id].size)
        if inflow.steps_mm[storm_id].shape != expected:
            found = inflow.steps_mm[storm_id].shape
            raise ValueError(f"run-on of storm {storm_id} has shape {found}, not (classes, steps) = {expected}")


def _prepare(stores: Stores, class_weight: Floats, step_lengths: tuple[float, ...]) -> _Bench:
    """Pack the stores, a parameter set for each step length."""
    lanes = Lanes(find_lanes(stores, stores.soak_design_mm_h, class_weight), len(step_lengths))
    drains = open_drains(stores, stores.soak_design_mm_h)
    lanes.set_fixed(stores)
    for number, step_h in enumerate(step_lengths):
        lanes.set_step(number, step_h, stores.intake_mm_h, drains)
    lanes.clear()
    one = lanes.one_store_of_each()
    start = (stores.substrate_start_fraction * stores.substrate_mm)[one]
    return _Bench(lanes, class_weight, class_weight[one], drains.take(one), start, step_lengths)


def _storm(storms: Storms, inflow: RunOn, storm_id: str) -> _Storm:
    """Take one storm as it stands."""
    run_on = np.ascontiguousarray(inflow.steps_mm[storm_id].T, dtype=np.float64)
    return _Storm(np.asarray(storms.depths_mm[storm_id], dtype=np.float64), run_on, storms.step_min[storm_id] / 60.0)


def _second_storms(storms: Storms, inflow: RunOn, chosen: list[str]) -> list[_Storm | None]:
    """Return the second storm of each: one for all that differ by return period only."""
    frame = storms.storms
    periods = frame["return_period_years"].astype(np.float64).to_numpy()
    alike = [pd.factorize(frame[name].to_numpy(dtype=object))[0] for name in SAME_FAMILY if name in frame.columns]
    families = np.column_stack([np.isnan(periods), *alike]).astype(np.int64)
    found: dict[tuple[int, ...], _Storm | None] = {}
    seconds = []
    for row in frame.index.get_indexer(pd.Index(chosen)):
        key = tuple(families[row].tolist())
        if key not in found:
            asked = families[row] >= 0  # what is not known of a storm parts it from no other
            own = (families == families[row])[:, asked].all(axis=1)
            found[key] = None if families[row, 0] else _second_storm(storms, inflow, np.flatnonzero(own))
        seconds.append(found[key])
    return seconds


def _second_storm(storms: Storms, inflow: RunOn, family: Ints) -> _Storm | None:
    """Interpolate a family's 1-in-10 storm linearly in ln T, never beyond the tabulated return periods.

    Rain and run-on are interpolated step by step, so that the depth is the interpolated depth. None where it cannot be
    had.
    """
    frame = storms.storms
    periods = frame["return_period_years"].astype(np.float64).to_numpy()
    family = family[np.argsort(periods[family], kind="stable")]
    periods, names = periods[family], frame.index[family]
    if not periods[0] <= SECOND_RETURN_PERIOD_YEARS <= periods[-1]:
        return None
    upper = int(np.searchsorted(periods, SECOND_RETURN_PERIOD_YEARS))
    high = _storm(storms, inflow, str(names[upper]))
    if periods[upper] == SECOND_RETURN_PERIOD_YEARS:
        return high
    low = _storm(storms, inflow, str(names[upper - 1]))
    if low.rain_mm.size != high.rain_mm.size or low.step_h != high.step_h:
        return None
    share = math.log(SECOND_RETURN_PERIOD_YEARS / periods[upper - 1]) / math.log(periods[upper] / periods[upper - 1])
    rain = low.rain_mm + share * (high.rain_mm - low.rain_mm)
    return _Storm(rain, low.run_on_mm + share * (high.run_on_mm - low.run_on_mm), high.step_h)


def _timeline(bench: _Bench, firsts: list[_Storm], seconds: list[_Storm | None]) -> Timeline:
    """Lay storms end to end: each writes out at its end, and again after the dry day and its second storm.

    A storm without a second writes the same twice.
    """
    classes = bench.class_weight.shape[1]
    dry_steps = round(SECOND_AFTER_H / GAP_STEP_H)
    dry = _Storm(np.zeros(dry_steps), np.zeros((dry_steps, classes)), GAP_STEP_H)
    pieces: list[tuple[_Storm, int]] = []
    for first, second in zip(firsts, seconds, strict=True):
        pieces.append((first, k.MARK_SAVE if second is not None else k.MARK_SAVE | k.MARK_EMPTY))
        if second is not None:
            pieces += [(dry, k.MARK_CLEAR), (second, k.MARK_SAVE | k.MARK_EMPTY)]
    lengths = np.array([storm.rain_mm.size for storm, _ in pieces])
    last = np.cumsum(lengths) - 1
    plan = np.zeros((int(lengths.sum()), 2), dtype=np.int64)
    plan[:, 0] = np.repeat([bench.step_lengths.index(storm.step_h) for storm, _ in pieces], lengths)
    plan[last, 1] = [mark for _, mark in pieces]
    drivers = np.zeros((plan.shape[0], 3))
    drivers[:, 0] = np.concatenate([storm.rain_mm for storm, _ in pieces])
    drivers[:, 2] = np.repeat([storm.step_h for storm, _ in pieces], lengths)
    saves = sum(bool(mark & k.MARK_SAVE) for _, mark in pieces)
    return Timeline(drivers, np.concatenate([storm.run_on_mm for storm, _ in pieces]), plan, saves)


def _run(bench: _Bench, firsts: list[_Storm], seconds: list[_Storm | None]) -> tuple[dict[int, Floats], Floats]:
    """Run storms; return the rows of each at its end (lanes, storms), and what overflows in the second storms [mm]."""
    has_second = np.array([second is not None for second in seconds])
    out = bench.lanes.run(bench.class_weight, _timeline(bench, firsts, seconds))
    at_end = np.cumsum(1 + has_second) - 1 - has_second
    count = bench.lanes.count
    whole = slice(0, out.shape[1])
    rows = {row: bench.lanes.written(out, row, whole)[:count] for row in range(k.WET, k.WET + k.SAVED_ROWS)}
    spilled = rows[k.OVERFLOW] + rows[k.EXCESS]
    second = np.full((count, has_second.size), np.nan)
    second[:, has_second] = spilled[:, at_end[has_second] + 1]
    return {row: values[:, at_end] for row, values in rows.items()}, second


def _run_free(bench: _Bench, stores: Stores, firsts: list[_Storm], seconds: list[_Storm | None]) -> dict[str, Floats]:
    """Run storms with the outfall free: columns (stores, storms), every term summed on its own, none by difference."""
    rows, second = _run(bench, firsts, seconds)
    soaked, air, outlet, excess = (rows[row] for row in (k.GROUND, k.AIR, k.OUTLET, k.EXCESS))
    over = rows[k.OVERFLOW] + excess
    change = rows[k.WET] + (rows[k.HELD] - bench.start_mm[:, None]) + rows[k.STORED]
    inflow = _inflow(bench, firsts)
    drains = bench.drains.along(len(firsts))
    later = slowed_after(drains, rows[k.STORED])
    volumes = {
        "inflow_m3": inflow,
        "soaked_m3": soaked,
        "outlet_m3": outlet,
        "overflow_m3": over,
        "evaporation_m3": air,
        "store_change_m3": change,
        "retained_m3": soaked + air + change - later,
        "slowed_m3": outlet + later,
        "residual_m3": inflow - (soaked + air + outlet + over + change),
        "intake_excess_m3": excess,
        "second_storm_overflow_m3": second,
    }
    others = {
        "greatest_store_mm": rows[k.GREATEST],
        "half_emptying_h": half_emptying_hours(drains, rows[k.GREATEST]),
    }
    columns = _by_store(bench, stores, volumes, others)
    litres = (stores.host_area_m2 / SECONDS_PER_HOUR)[:, None]
    return columns | {"peak_outflow_l_s": rows[k.EVENT_PEAK][bench.lanes.place] * litres}


def _run_shut(bench: _Bench, stores: Stores, firsts: list[_Storm], seconds: list[_Storm | None]) -> dict[str, Floats]:
    """Run storms with the outfall shut: columns (stores, storms)."""
    rows, second = _run(bench, firsts, seconds)
    drains = bench.drains.along(len(firsts))
    volumes = {
        "overflow_shut_m3": rows[k.OVERFLOW] + rows[k.EXCESS],
        "second_storm_overflow_shut_m3": second,
    }
    others = {
        "greatest_store_shut_mm": rows[k.GREATEST],
        "half_emptying_shut_h": half_emptying_hours(drains, rows[k.GREATEST]),
    }
    return _by_store(bench, stores, volumes, others)


def _retained(bench: _Bench, rows: dict[int, Floats]) -> Floats:
    """Return what each lane retains of each storm [mm]: soaked, evaporated, kept less what the outlet will yet pass."""
    change = rows[k.WET] + (rows[k.HELD] - bench.start_mm[:, None]) + rows[k.STORED]
    later = slowed_after(bench.drains.along(change.shape[1]), rows[k.STORED])
    return np.asarray(rows[k.GROUND] + rows[k.AIR] + change - later)


def _by_store(
    bench: _Bench, stores: Stores, volumes_mm: dict[str, Floats], others: dict[str, Floats]
) -> dict[str, Floats]:
    """Give every store the values of its lane: depths over its own host as volumes, the others as they are."""
    host = (stores.host_area_m2 / MM_PER_M)[:, None]
    place = bench.lanes.place
    columns = {name: values[place] * host for name, values in volumes_mm.items()}
    return columns | {name: values[place] for name, values in others.items()}


def _inflow(bench: _Bench, storms: list[_Storm]) -> Floats:
    """Sum rain and run-on of each lane over each storm [mm over the host], class by class in order."""
    depth = np.array([storm.run_on_mm.sum(axis=0) for storm in storms]).reshape(len(storms), -1)
    rain = np.array([storm.rain_mm.sum() for storm in storms])
    total = np.zeros((bench.lanes.count, len(storms)))
    fed = np.flatnonzero(bench.lane_weight.any(axis=1))
    run_on = np.zeros((fed.size, len(storms)))
    for c in range(depth.shape[1]):
        run_on += bench.lane_weight[fed, c][:, None] * depth[:, c]
    total[fed] = run_on
    return total + rain


def _frame(stores: Stores, storm_ids: list[str], table: dict[str, Floats]) -> pd.DataFrame:
    """Lay the table out: stores in their order, storms within each."""
    ids = {
        "store_id": np.repeat(np.asarray(stores.store_id, dtype=object), len(storm_ids)),
        "storm_id": np.tile(np.asarray(storm_ids, dtype=object), len(stores.store_id)),
    }
    return pd.DataFrame({**ids, **{name: values.reshape(-1) for name, values in table.items()}}, copy=False)

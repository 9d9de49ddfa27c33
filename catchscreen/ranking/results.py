"""The results of the store runs as columns that grades and readers use: water kept from hollows, recharge, ranges."""

from __future__ import annotations

from difflib import get_close_matches
from itertools import pairwise
from typing import NamedTuple, Self

import numpy as np
import pandas as pd

from catchscreen.errors import Fault, InputsAtFault
from catchscreen.options import RankingOptions
from catchscreen.records import Cover, Floats, Ints, Proposals, Sizes, StoreEvents, StoreYears, StormRuns

NO_OVERFLOW_M3_PER_M2 = 1e-6
YEAR_COLUMNS = {
    "recharge_fraction": "to_ground_m3_yr",
    "retained_year_fraction": "retained_fraction",
    "slowed_year_fraction": "slowed_fraction",
}
ENDS = ("retained_low_m3", "retained_high_m3")
EVENT_COLUMNS = (
    "inflow_m3",
    "retained_m3",
    "slowed_m3",
    "overflow_m3",
    "overflow_shut_m3",
    "half_emptying_h",
    "second_storm_overflow_m3",
)


def choose_storm(storms: pd.DataFrame, options: RankingOptions) -> str:
    """Choose the storm of the hollows: named by the brief, else the present-day one nearest to what it asks for.

    Raises
    ------
    InputsAtFault
        When the brief names a storm that was not run.
    """
    if options.hollow_storm and options.hollow_storm not in storms.index:
        near = get_close_matches(options.hollow_storm, list(storms.index), n=3, cutoff=0.0)
        cure = f"The nearest are {', '.join(near)}; leave it out for the storm of today nearest to 1-in-30, 1 h."
        message = f"no storm {options.hollow_storm!r} was run."
        raise InputsAtFault([Fault("unknown_storm", message, cure, key="ranking.hollow_storm")])
    if options.hollow_storm:
        return options.hollow_storm
    frame = storms[storms["climate"] == "now"] if "climate" in storms else storms
    frame = frame if len(frame) else storms
    if len(frame) == 0:
        return ""
    period = frame["return_period_years"]
    if period.notna().any():
        far = np.abs(np.log(period / options.hollow_return_period_years)).fillna(np.inf)
    else:
        far = (frame["depth_mm"] - 30.0).abs()
    near = np.abs(np.log(frame["duration_min"] / options.hollow_duration_min))
    order = pd.DataFrame({"far": far, "near": near, "name": frame.index}, index=frame.index)
    return str(order.sort_values(["far", "near", "name"], kind="stable").index[0])


def gather_results(
    proposals: Proposals, chosen: Sizes, events: StoreEvents, years: StoreYears, hollow_storm: str
) -> pd.DataFrame:
    """Lay the runs of the chosen stores beside their options.

    Returns
    -------
    DataFrame
        Index option_id; store_id, storm_id (the sizing storm), inflow_m3, retained_m3, slowed_m3, overflow_m3,
        half_emptying_h, second_storm_overflow_m3 in it; hollow_storm_id, hollow_overflow_m3; recharge_fraction,
        retained_year_fraction, slowed_year_fraction, passes_return_period_years, passes_return_period (in words).
    """
    frame = chosen.options.copy()
    run = _RunTable.of(events.events)
    own = run.rows_of(frame["store_id"], frame["storm_id"])
    for name in (*EVENT_COLUMNS, *(end for end in ENDS if end in run.frame)):
        frame[name] = run.take(name, own)
    frame["hollow_storm_id"] = hollow_storm
    rows = run.rows_of(frame["store_id"], frame["hollow_storm_id"])
    frame["hollow_overflow_m3"] = run.take("overflow_m3", rows)
    yearly = years.years
    for name, column in YEAR_COLUMNS.items():
        if len(yearly) and column in yearly:
            frame[name] = yearly[column].reindex(frame["store_id"]).to_numpy(float)
        else:
            frame[name] = np.nan
    if len(yearly) and "inflow_m3_yr" in yearly:
        inflow = yearly["inflow_m3_yr"].reindex(frame["store_id"]).to_numpy(float)
        frame["recharge_fraction"] = np.divide(
            frame["recharge_fraction"], inflow, out=np.full(len(frame), np.nan), where=inflow > 0.0
        )
    area = proposals.options["host_area_m2"].reindex(frame.index)
    passed, known = _greatest_period_passed(frame["store_id"], area, run, chosen.storms)
    frame["passes_return_period_years"] = passed.where(passed > 0.0)
    frame["passes_return_period"] = _say_periods(passed, known)
    return frame


class _RunTable(NamedTuple):
    """Every run of every store, looked up by store and storm; a million names are hashed once."""

    frame: pd.DataFrame
    store_codes: Ints
    stores: pd.Index
    storm_codes: Ints
    storms: pd.Index
    keys: pd.Index

    @classmethod
    def of(cls, frame: pd.DataFrame) -> Self:
        store_codes, stores = pd.factorize(frame["store_id"])
        storm_codes, storms = pd.factorize(frame["storm_id"])
        keys = pd.Index(store_codes.astype(np.int64) * len(storms) + storm_codes)
        return cls(frame, store_codes, pd.Index(stores), storm_codes, pd.Index(storms), keys)

    def rows_of(self, stores: pd.Series, storms: pd.Series) -> Ints:
        """Find the row of each (store, storm); -1 where it was not run."""
        store, storm = self.stores.get_indexer(pd.Index(stores)), self.storms.get_indexer(pd.Index(storms))
        known = (store >= 0) & (storm >= 0)
        return np.asarray(
            self.keys.get_indexer(pd.Index(np.where(known, store * len(self.storms) + storm, -1))), np.int64
        )

    def take(self, name: str, rows: Ints) -> Floats:
        """Take one column at the rows found; NaN where there is none."""
        if name not in self.frame or len(self.frame) == 0:
            return np.full(rows.size, np.nan)
        return np.where(rows >= 0, self.frame[name].to_numpy(float)[rows], np.nan)


def _greatest_period_passed(
    stores: pd.Series, area_m2: pd.Series, run: _RunTable, storms: pd.DataFrame
) -> tuple[pd.Series, Floats]:
    """Give the greatest return period of today's storms up to which no duration overflows, and the periods there are.

    0 where none is passed, NaN where none was run.
    """
    today = (
        storms[(storms["climate"] == "now") & storms["return_period_years"].notna()] if "climate" in storms else storms
    )
    is_today = run.storms.isin(today.index)[run.storm_codes] if len(run.frame) else np.zeros(0, dtype=bool)
    if not is_today.any():
        return pd.Series(np.nan, index=stores.index), np.zeros(0)
    limit = pd.Series(area_m2.to_numpy() * NO_OVERFLOW_M3_PER_M2, index=stores.to_numpy()).reindex(run.stores)
    store = run.store_codes[is_today]
    period = today["return_period_years"].reindex(run.storms).to_numpy(float)[run.storm_codes[is_today]]
    fails = run.frame["overflow_m3"].to_numpy(float)[is_today] > limit.to_numpy(float)[store]
    first_fail = np.full(len(run.stores), np.inf)
    np.fmin.at(first_fail, store[fails], period[fails])
    known = np.sort(today["return_period_years"].unique())
    place = np.searchsorted(known, first_fail) - 1
    ran = np.zeros(len(run.stores), dtype=bool)
    ran[store] = True
    passed = np.where(ran, np.where(place >= 0, known[place.clip(min=0)], 0.0), np.nan)
    return pd.Series(pd.Series(passed, index=run.stores).reindex(stores).to_numpy(float), index=stores.index), known


def _say_periods(passed: pd.Series, known: Floats) -> list[str]:
    """Word the period passed: what the table ends on is no limit of the store."""
    words = {year: f"{year:g} years, not {above:g}" for year, above in pairwise(known.tolist())}
    if known.size:
        words |= {0.0: f"less than {known[0]:g} years", float(known[-1]): f"at least {known[-1]:g} years"}
    return [words.get(year, "") for year in passed.tolist()]


def add_hollow_gain(
    results: pd.DataFrame, proposals: Proposals, now: StormRuns, cover: Cover, storm_id: str
) -> pd.DataFrame:
    """Add hollow_kept_m3 and, weighted by the properties in the hollow, hollow_kept_m3_properties.

    Overland water of host and run-on now, less the share of the overflow that runs over the ground as that water did.
    It reaches a hollow further down only as far as the hollows on the way spill in this storm. Standalone for each
    option: what a set keeps from a hollow is not the sum of its members'.
    """
    frame = results.copy()
    overland, runoff = _water_of_surfaces(now, cover, storm_id)
    option_candidate = proposals.options["candidate_id"].reindex(frame.index)
    now_m3 = _of_candidates(proposals, overland).reindex(option_candidate).fillna(0.0).to_numpy(float)
    all_m3 = _of_candidates(proposals, runoff).reindex(option_candidate).fillna(0.0).to_numpy(float)
    share = np.divide(now_m3, all_m3, out=np.zeros(len(frame)), where=all_m3 > 0.0)
    eased = np.fmax(now_m3 - np.nan_to_num(frame["hollow_overflow_m3"].to_numpy(float)) * share, 0.0)
    hosts = proposals.hosts.reindex(option_candidate)
    gains = (hosts["eased_hollow_id"].fillna("") != "").to_numpy()
    frame["hollow_kept_m3"] = np.where(gains, eased, 0.0)
    spill = _spill_of_hollows(now, storm_id)
    if spill is not None:
        first, last = hosts["hollow_id"].to_numpy(), hosts["eased_hollow_id"].to_numpy()
        limit = np.where(first == last, np.inf, spill.reindex(first).fillna(0.0).to_numpy(float))
        frame["hollow_kept_m3"] = np.fmin(frame["hollow_kept_m3"], limit)
    properties = hosts["hollow_properties"].to_numpy(float)
    # Without property points nobody knows what stands in a hollow: the criterion is then unknown for all.
    exposure = properties if np.isnan(properties).all() else np.nan_to_num(properties)
    frame["hollow_kept_m3_properties"] = frame["hollow_kept_m3"] * exposure
    frame["hollow_said"] = say_hollow(frame["hollow_kept_m3"].to_numpy(float), exposure)
    return frame


def say_hollow(kept_m3: Floats, properties: Floats) -> list[str]:
    """Word what is kept from a hollow and how many properties stand in it; equal figures are worded once."""
    gains = (kept_m3 > 0.0) & (properties > 0.0)
    rows = np.column_stack([np.where(gains, np.fmax(np.round(kept_m3), 0.5), 0.0), np.where(gains, properties, 0.0)])
    different, which = np.unique(rows, axis=0, return_inverse=True)
    said = [
        f"{f'{kept:,.0f}' if kept >= 1.0 else 'less than 1'} m3 kept from a hollow with {stand:.0f} "
        f"propert{'y' if stand == 1.0 else 'ies'} in it"
        if kept > 0.0
        else "keeps no water from a hollow with properties in it"
        for kept, stand in different.tolist()
    ]
    return [said[place] for place in which.ravel().tolist()]


def _water_of_surfaces(now: StormRuns, cover: Cover, storm_id: str) -> tuple[pd.Series, pd.Series]:
    """Give overland water and runoff [m3] of each surface in the storm; empty where the storm was not run."""
    nothing = pd.Series(dtype=float)
    if storm_id not in now.overland_m3:
        return nothing, nothing
    ledger = cover.ledger
    surface = ledger["surface_id"].to_numpy()
    overland = pd.Series(np.asarray(now.overland_m3[storm_id], float), index=surface)
    depth_mm = np.asarray(now.runoff_mm[storm_id], float)
    runoff = pd.Series(depth_mm * ledger["area_m2"].to_numpy(float) / 1000.0, index=surface)
    return overland.groupby(level=0).sum(), runoff.groupby(level=0).sum()


def _of_candidates(proposals: Proposals, by_surface: pd.Series) -> pd.Series:
    """Sum a surface's water over host and run-on of each candidate, by the share that it takes."""
    columns = ["candidate_id", "surface_id", "fraction"]
    parts = [part[columns] for part in (proposals.host_surfaces, proposals.run_on) if len(part)]
    if not parts or len(by_surface) == 0:
        return pd.Series(dtype=float)
    rows = pd.concat(parts, ignore_index=True)
    water = by_surface.reindex(rows["surface_id"]).fillna(0.0).to_numpy(float) * rows["fraction"].to_numpy(float)
    return pd.Series(water, index=rows["candidate_id"].to_numpy()).groupby(level=0).sum()


def _spill_of_hollows(now: StormRuns, storm_id: str) -> pd.Series | None:
    balance = now.balance
    if "leaving_m3" not in balance:
        return None
    own = balance[(balance["level"] == "hollow") & (balance["storm_id"] == storm_id)]
    return own.set_index("unit_id")["leaving_m3"]


def add_ranges(results: pd.DataFrame, proposals: Proposals) -> pd.DataFrame:
    """Add retained_low_m3 and retained_high_m3: at least and at most, at one value where nothing is in doubt.

    The runs' own ends where they have some; for unproven ground the span over the variants that bound it (lined to
    full) beside them; host areas that are a range stretch both in proportion.
    """
    frame = results.copy()
    options = proposals.options.reindex(frame.index)
    group = frame["retained_m3"].groupby(options["candidate_id"].to_numpy())
    unproven = options["is_unproven"].to_numpy(bool) & (options["ground"] != "roof").to_numpy()
    for bound, pick in (("low", np.fmin), ("high", np.fmax)):
        name = f"retained_{bound}_m3"
        own = frame[name].fillna(frame["retained_m3"]) if name in frame else frame["retained_m3"]
        end = pick(own.to_numpy(float), frame["retained_m3"].to_numpy(float))
        spread = group.transform("min" if bound == "low" else "max").to_numpy(float)
        stretch = options[f"host_area_{bound}_m2"] / options["host_area_m2"]
        frame[name] = np.where(unproven, pick(end, spread), end) * stretch.fillna(1.0).to_numpy(float)
    return frame

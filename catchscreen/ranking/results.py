"""The results of the store runs as columns that grades and readers use: water kept from hollows, recharge, ranges."""

from __future__ import annotations

import numpy as np
import pandas as pd

from catchscreen.options import RankingOptions
from catchscreen.records import Cover, Proposals, Sizes, StoreEvents, StoreYears, StormRuns

NO_OVERFLOW_M3_PER_M2 = 1e-6
EVENT_COLUMNS = ("inflow_m3", "retained_m3", "slowed_m3", "overflow_m3", "half_emptying_h", "second_storm_overflow_m3")


def choose_storm(storms: pd.DataFrame, options: RankingOptions) -> str:
    """Choose the storm of the hollows: named by the brief, else the present-day one nearest to what it asks for."""
    if options.hollow_storm in storms.index:
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
        retained_year_fraction, passes_return_period_years.
    """
    frame = chosen.options.copy()
    run = events.events
    by_both = run.set_index(["store_id", "storm_id"])
    own = by_both.reindex(pd.MultiIndex.from_frame(frame[["store_id", "storm_id"]]))
    for name in EVENT_COLUMNS:
        frame[name] = own[name].to_numpy(float) if name in own else np.nan
    in_hollow_storm = run[run["storm_id"] == hollow_storm].set_index("store_id")["overflow_m3"]
    frame["hollow_storm_id"] = hollow_storm
    frame["hollow_overflow_m3"] = in_hollow_storm.reindex(frame["store_id"]).to_numpy(float)
    yearly = years.years
    for name, column in (("recharge_fraction", "to_ground_m3_yr"), ("retained_year_fraction", "retained_fraction")):
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
    frame["passes_return_period_years"] = _greatest_period_passed(frame["store_id"], area, run, chosen.storms)
    return frame


def _greatest_period_passed(
    stores: pd.Series, area_m2: pd.Series, run: pd.DataFrame, storms: pd.DataFrame
) -> pd.Series:
    """Give the greatest return period of today's storms up to which no duration overflows; NaN where none is passed."""
    today = (
        storms[(storms["climate"] == "now") & storms["return_period_years"].notna()] if "climate" in storms else storms
    )
    own = run[run["storm_id"].isin(today.index)]
    if len(own) == 0:
        return pd.Series(np.nan, index=stores.index)
    limit = pd.Series(area_m2.to_numpy() * NO_OVERFLOW_M3_PER_M2, index=stores.to_numpy())
    period = today["return_period_years"].reindex(own["storm_id"]).to_numpy(float)
    fails = own["overflow_m3"].to_numpy(float) > limit.reindex(own["store_id"]).to_numpy(float)
    table = pd.DataFrame({"store": own["store_id"].to_numpy(), "period": period, "fails": fails})
    first_fail = table[table["fails"]].groupby("store")["period"].min().reindex(stores).to_numpy(float)
    first_fail = np.where(np.isnan(first_fail), np.inf, first_fail)
    known = np.sort(today["return_period_years"].unique())
    place = np.searchsorted(known, first_fail) - 1
    return pd.Series(np.where(place >= 0, known[place.clip(min=0)], np.nan), index=stores.index)


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
    exposure = np.ones(len(frame)) if np.isnan(properties).all() else np.nan_to_num(properties)
    frame["hollow_kept_m3_properties"] = frame["hollow_kept_m3"] * exposure
    return frame


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
    """Add retained_low_m3 and retained_high_m3: for an unproven option the span from the lined to the full variant.

    The other options have the one value at both ends; host areas that are a range stretch it in proportion.
    """
    frame = results.copy()
    options = proposals.options.reindex(frame.index)
    group = frame["retained_m3"].groupby(options["candidate_id"].to_numpy())
    unproven = options["is_unproven"].to_numpy(bool)
    frame["retained_low_m3"] = np.where(unproven, group.transform("min"), frame["retained_m3"])
    frame["retained_high_m3"] = np.where(unproven, group.transform("max"), frame["retained_m3"])
    for bound in ("low", "high"):
        stretch = options[f"host_area_{bound}_m2"] / options["host_area_m2"]
        frame[f"retained_{bound}_m3"] = frame[f"retained_{bound}_m3"] * stretch.fillna(1.0)
    return frame

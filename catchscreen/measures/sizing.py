"""Sizes: every catalogue depth as a trial store, and the choice among the trials once they have been run."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.measures.asking import ask
from catchscreen.measures.contract import Measure, Variant
from catchscreen.measures.settling import find_dropped
from catchscreen.measures.variants import slope_store_fraction
from catchscreen.options import MeasureOptions
from catchscreen.records import Floats, Proposals, Sizes, StoreEvents, Stores, Storms
from catchscreen.units import mm_h_from_m_s

STORE_COLUMNS = (
    "wetting_mm",
    "intake_mm_h",
    "substrate_mm",
    "substrate_start_fraction",
    "evaporation_factor",
    "void_mm",
    "sill_mm",
    "outlet_mm_h",
    "outlet_exponent",
    "soak_design_mm_h",
    "soak_mean_mm_h",
)
NO_OVERFLOW_M3_PER_M2 = 1e-6
"""Overflow under a thousandth of a millimetre is the rounding of the run, not water."""


def store_trials(proposals: Proposals, options: MeasureOptions) -> Stores:
    """Make a store for each option that can be built (or bounds the range) and each catalogue depth that fits.

    Raises
    ------
    MeasureFailed
        When a measure's store function raises or leaves out a column and the brief says to stop.
    """
    table = proposals.options
    wanted = table[table["admissible"] | table["is_range_only"]]
    parts = []
    for measure in proposals.measures:
        for variant in measure.variants:
            mine = (wanted["measure"] == measure.name) & (wanted["variant"] == variant.name)
            own = wanted[mine.to_numpy()].copy()
            if len(own):
                own["store_fraction"] = np.nan
                own = own.copy()
                parts += [_trial(own, measure, variant, depth, options) for depth in variant.depths_mm]
    filled = [part for part in parts if len(part)]
    trials = pd.concat(filled).sort_index(kind="stable") if filled else _no_trial()
    return make_stores(trials)


def quick_depth_mm(
    ratio: float, rain_mm: float, duration_h: float, q_m_s: float, safety_factor: float, void_fraction: float
) -> float:
    """Give the depth of a plane soaking store for a uniform storm by the hand formula, as a check on the run.

    h = (D / n) (R i - q / SF), not below zero, with R the drained area over the base area.

    Examples
    --------
    >>> [round(quick_depth_mm(3.0, 30.0, 1.0, 2e-5, factor, 0.3)) for factor in (1.0, 2.0, 5.0)]
    [60, 180, 252]
    """
    rate_mm_h = ratio * rain_mm / duration_h - mm_h_from_m_s(q_m_s) / safety_factor
    return max(0.0, duration_h / void_fraction * rate_mm_h)


def make_stores(trials: pd.DataFrame) -> Stores:
    """Turn a frame (index store_id) into the record of arrays."""
    arrays: dict[str, Floats] = {
        name: np.ascontiguousarray(trials[name].to_numpy(dtype=np.float64)) for name in STORE_COLUMNS
    }
    return Stores(
        store_id=tuple(trials.index.astype(str)),
        option_id=tuple(trials["option_id"].astype(str)),
        host_area_m2=trials["host_area_m2"].to_numpy(np.float64),
        base_area_m2=trials["base_area_m2"].to_numpy(np.float64),
        run_on_area_m2=trials["run_on_area_m2"].to_numpy(np.float64),
        outlet_to=tuple(trials["outlet_to"].astype(str)),
        depth_mm=trials["depth_mm"].to_numpy(np.float64),
        soak_low_mm_h=trials["soak_low_mm_h"].to_numpy(np.float64),
        soak_high_mm_h=trials["soak_high_mm_h"].to_numpy(np.float64),
        **arrays,
    )


def choose_size(
    proposals: Proposals, trials: Stores, events: StoreEvents, storms: Storms, options: MeasureOptions
) -> Sizes:
    """Choose the smallest catalogue depth that takes every sizing storm without overflow, else the deepest.

    What the surface does not let in is no matter of depth: it is left out of the choice, and said where it happens.

    Parameters
    ----------
    trials : from ``store_trials``; depths outside the limits are not among them.
    events : the runs of these trials in the sizing storms at least.

    Returns
    -------
    Sizes
        One store per option that can be built or bounds the range; what the runs rule out stands in ``dropped``.
    """
    wanted = options.sizing_storms or tuple(storms.storms.index[storms.storms["is_sizing"].astype(bool)])
    run = events.events[events.events["storm_id"].isin(wanted)]
    place = pd.Series(np.arange(len(trials.store_id)), index=pd.Index(trials.store_id))
    frame = pd.DataFrame(
        {
            "store_id": np.array(trials.store_id, dtype=object),
            "option_id": np.array(trials.option_id, dtype=object),
            "depth_mm": trials.depth_mm,
            "host_area_m2": trials.host_area_m2,
        }
    )
    # A district without any trial has frames without rows, and those have no type of their own.
    run = run.assign(store_id=run["store_id"].astype(object), storm_id=run["storm_id"].astype(object))
    if "intake_excess_m3" not in run:
        run = run.assign(intake_excess_m3=0.0)
    run = run.assign(over_the_top_m3=(run["overflow_m3"] - run["intake_excess_m3"]).clip(lower=0.0))
    worst = run.sort_values(
        ["store_id", "over_the_top_m3", "greatest_store_mm", "storm_id"],
        ascending=[True, False, False, True],
        kind="stable",
    ).drop_duplicates("store_id")
    excess = run.groupby("store_id")["intake_excess_m3"].max()
    frame = frame.merge(worst[["store_id", "storm_id", "over_the_top_m3"]], on="store_id", how="left")
    frame["intake_excess_m3"] = excess.reindex(frame["store_id"]).to_numpy(float)
    nothing = NO_OVERFLOW_M3_PER_M2 * frame["host_area_m2"]
    frame["passes"] = frame["over_the_top_m3"] <= nothing
    frame["lets_in"] = frame["intake_excess_m3"] <= nothing
    passing = frame[frame["passes"]].sort_values(["option_id", "depth_mm"], kind="stable").drop_duplicates("option_id")
    deepest = frame.sort_values(["option_id", "depth_mm"], ascending=[True, False], kind="stable")
    deepest = deepest.drop_duplicates("option_id")
    chosen = pd.concat([passing, deepest[~deepest["option_id"].isin(passing["option_id"])]])
    chosen = chosen.set_index("option_id").sort_index()
    longest = run.groupby("store_id")["half_emptying_h"].max().reindex(chosen["store_id"])
    dropped = find_dropped(proposals, chosen, longest.set_axis(chosen.index))
    chosen = chosen[~chosen.index.isin(dropped.index)]
    rows = place.reindex(chosen["store_id"]).to_numpy(np.int64)
    sized = _sized_columns(chosen)
    sized["size_reason"] = sized["size_reason"].astype(object) + _say_way(proposals, chosen)
    sized["quick_depth_mm"] = _quick_depths(proposals, chosen.index, storms.storms.loc[list(wanted)])
    return Sizes(_pick(trials, rows), sized, storms.storms, dropped)


def _trial(
    own: pd.DataFrame, measure: Measure, variant: Variant, depth: float, options: MeasureOptions
) -> pd.DataFrame:
    fits = (~(depth > own["max_depth_mm"]) & (depth >= own["min_depth_mm"])).to_numpy(bool)
    own = own if fits.all() else own[fits]
    if own.empty:
        return own

    def fault_of(store: pd.DataFrame) -> str:
        missing = [name for name in STORE_COLUMNS if name not in store]
        if missing:
            return f"the store lacks {missing[0]}"
        if not store.index.equals(own.index):
            return "the store has another index"
        return "the store has empty values" if np.isnan(store[list(STORE_COLUMNS)].to_numpy(float)).any() else ""

    def make_store() -> pd.DataFrame:
        handed = own.copy()
        handed["store_fraction"] = _store_fraction(own, depth, options)
        return measure.store(handed, variant, depth)

    store = ask(measure, "its store", make_store, fault_of, options)
    if store is None:
        return own.iloc[:0]
    trial = store[list(STORE_COLUMNS)].copy()
    for name in ("host_area_m2", "base_area_m2", "run_on_area_m2", "outlet_to"):
        trial[name] = own[name]
    for bound in ("low", "high"):
        share = (own[f"q_{bound}_m_s"] / own["q_used_m_s"]).fillna(1.0)
        trial[f"soak_{bound}_mm_h"] = trial["soak_design_mm_h"] * share
    trial["option_id"] = own.index
    trial["depth_mm"] = float(depth)
    trial.index = pd.Index(own.index + f"@{depth:04.0f}", name="store_id")
    return trial


def _store_fraction(own: pd.DataFrame, depth: float, options: MeasureOptions) -> pd.Series:
    """Give what the slope leaves of the store: roofs lose none, bays end at check dams or at the host's end."""
    length = (own["host_area_m2"] / own["width_m"]).where(own["width_m"] > 0.0, np.inf)
    bay = length.clip(upper=options.check_dam_spacing_m)
    slope = own["slope_fraction"].where(own["ground"] != "roof", 0.0)
    return slope_store_fraction(depth, slope.astype(float), bay)


def _no_trial() -> pd.DataFrame:
    areas = ("host_area_m2", "base_area_m2", "run_on_area_m2")
    columns = [*STORE_COLUMNS, *areas, "outlet_to", "option_id", "depth_mm", "soak_low_mm_h", "soak_high_mm_h"]
    return pd.DataFrame(columns=columns, index=pd.Index([], name="store_id", dtype=object))


def _quick_depths(proposals: Proposals, index: pd.Index, storms: pd.DataFrame) -> pd.Series:
    """Give the hand formula's depth over the sizing storms for options that only soak; NaN for the others."""
    voids = {(m.name, v.name): v.void_fraction for m in proposals.measures for v in m.variants}
    options = proposals.options.loc[index]
    depths = []
    for measure, variant, soaks, ratio, rate in zip(
        options["measure"],
        options["variant"],
        options["soaks"],
        options["drained_to_base_ratio"],
        options["q_design_m_s"],
        strict=True,
    ):
        known = soaks == "all" and np.isfinite(ratio) and np.isfinite(rate)
        storms_of = zip(storms["depth_mm"], storms["duration_min"], strict=True) if known else ()
        void = voids[(measure, variant)]
        tried = [quick_depth_mm(ratio, rain, minutes / 60.0, rate, 1.0, void) for rain, minutes in storms_of]
        depths.append(max(tried, default=np.nan))
    return pd.Series(depths, index=index, dtype=float)


def _pick(stores: Stores, rows: np.ndarray) -> Stores:
    """Take some stores, in the order asked for."""
    picked: dict[str, Any] = {}
    for part in fields(Stores):
        value = getattr(stores, part.name)
        if isinstance(value, np.ndarray):
            picked[part.name] = value[rows]
        elif isinstance(value, tuple):
            picked[part.name] = tuple(value[row] for row in rows)
    return Stores(**picked)


def _sized_columns(chosen: pd.DataFrame) -> pd.DataFrame:
    frame = pd.DataFrame(index=chosen.index)
    frame["store_id"] = chosen["store_id"]
    frame["store_depth_mm"] = chosen["depth_mm"]
    frame["storm_id"] = chosen["storm_id"].fillna("")
    frame["passes_sizing_storm"] = (chosen["passes"] & chosen["lets_in"]).astype(bool)
    frame["sizing_overflow_m3"] = chosen["over_the_top_m3"]
    frame["sizing_intake_excess_m3"] = chosen["intake_excess_m3"]
    frame["size_reason"] = [
        _size_text(*row)
        for row in zip(
            chosen["depth_mm"],
            chosen["passes"],
            chosen["over_the_top_m3"],
            chosen["intake_excess_m3"],
            chosen["lets_in"],
            strict=True,
        )
    ]
    return frame


def _say_way(proposals: Proposals, chosen: pd.DataFrame) -> NDArray[np.object_]:
    """Say where what the sizing storm puts over the top goes, where it does put something over."""
    options = proposals.options.reindex(chosen.index)
    over = ~chosen["passes"].to_numpy(bool)
    into = over & (options["exceedance"] == "building").to_numpy()
    beside = over & ~into & options["passes_building"].astype("boolean").fillna(value=False).to_numpy(bool)
    texts = ["; it would run into a building", "; it would pass beside a building"]
    return np.array(["", *texts], dtype=object)[np.where(into, 1, np.where(beside, 2, 0))]


def _size_text(depth: float, passes: bool, over_m3: float, excess_m3: float, lets_in: bool) -> str:  # noqa: FBT001
    text = (
        f"{depth:.0f} mm is the least catalogue depth that holds the sizing storms"
        if passes
        else f"{depth:.0f} mm is the deepest that fits and still overflows by {over_m3:.0f} m3 in the sizing storm"
    )
    return text if lets_in else f"{text}; the surface turns away {excess_m3:.0f} m3 of the heaviest of them"

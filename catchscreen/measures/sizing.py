"""Sizes: every catalogue depth as a trial store, and the choice among the trials once they have been run."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.measures.asking import ask
from catchscreen.measures.check_dams import host_length_m
from catchscreen.measures.contract import Measure, Variant
from catchscreen.measures.settling import find_dropped
from catchscreen.measures.variants import slope_store_fraction
from catchscreen.options import MeasureOptions
from catchscreen.records import Floats, Ints, Proposals, Sizes, StoreEvents, Stores, Storms
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
AREAS = ("host_area_m2", "base_area_m2", "run_on_area_m2")
NO_OVERFLOW_M3_PER_M2 = 1e-6
"""Overflow under a thousandth of a millimetre is the rounding of the run, not water."""
LEAST_SAID_M3 = 0.05
"""A volume below this would be printed as 0.0 m3."""


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
                kept = _kept_by_trials(own, options)
                parts += [_trial(own, kept, (measure, variant), depth, options) for depth in variant.depths_mm]
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
    frame = pd.DataFrame(
        {
            "store_id": np.array(trials.store_id, dtype=object),
            "option_id": np.array(trials.option_id, dtype=object),
            "depth_mm": trials.depth_mm,
            "host_area_m2": trials.host_area_m2,
            "row": np.arange(len(trials.store_id)),
        }
    )
    worst = _worst_storms(run, trials)
    frame = pd.concat([frame, worst], axis=1)
    nothing = NO_OVERFLOW_M3_PER_M2 * frame["host_area_m2"]
    frame["passes"] = frame["over_the_top_m3"] <= nothing
    frame["lets_in"] = frame["intake_excess_m3"] <= nothing
    option, names = pd.factorize(frame["option_id"].to_numpy(dtype=object), sort=True)
    chosen = frame.iloc[_least_that_passes(option, trials.depth_mm, frame["passes"].to_numpy(bool))]
    chosen = chosen.set_index("option_id")
    dropped = find_dropped(proposals, chosen, chosen["half_emptying_h"])
    chosen = chosen[~chosen.index.isin(dropped.index)]
    rows = chosen["row"].to_numpy(np.int64)
    least = np.full(len(names), np.inf)
    np.minimum.at(least, option, trials.depth_mm)
    chosen["lead"] = _say_least(proposals, chosen, pd.Series(least, index=pd.Index(names)))
    sized = _sized_columns(chosen)
    sized["size_reason"] = sized["size_reason"].astype(object) + _say_way(proposals, chosen)
    sized["quick_depth_mm"] = _quick_depths(proposals, chosen.index, storms.storms.loc[list(wanted)])
    return Sizes(_pick(trials, rows), sized, storms.storms, dropped)


def _least_that_passes(option: Ints, depth: Floats, passes: NDArray[np.bool_]) -> Ints:
    """Give the row of each option's least depth that passes, else of its deepest: (options,)."""
    out = np.empty(int(option.max(initial=-1)) + 1, dtype=np.int64)
    for rows, key in ((np.arange(option.size), -depth), (np.flatnonzero(passes), depth)):
        order = rows[np.lexsort((key[rows], option[rows]))]
        first = order[np.flatnonzero(np.diff(option[order], prepend=-1))]
        out[option[first]] = first
    return out


def _worst_storms(run: pd.DataFrame, trials: Stores) -> pd.DataFrame:
    """Give each trial's hardest sizing storm: most over the top, then fullest, then by id; in the order of the trials.

    Columns storm_id, over_the_top_m3; intake_excess_m3 and half_emptying_h, the greatest over the storms.
    """
    store = pd.Index(trials.store_id).get_indexer(pd.Index(run["store_id"]))
    run, store = run[store >= 0], store[store >= 0]
    storm, names = pd.factorize(run["storm_id"].to_numpy(dtype=object), sort=True)
    excess = run["intake_excess_m3"].to_numpy(float) if "intake_excess_m3" in run else np.zeros(len(run))
    over = np.maximum(run["overflow_m3"].to_numpy(float) - excess, 0.0)
    order = np.lexsort((storm, -run["greatest_store_mm"].to_numpy(float), -over, store))
    first = order[np.flatnonzero(np.diff(store[order], prepend=-1))]
    count = len(trials.store_id)
    columns = {name: np.full(count, np.nan) for name in ("over_the_top_m3", "intake_excess_m3", "half_emptying_h")}
    columns["over_the_top_m3"][store[first]] = over[first]
    np.fmax.at(columns["intake_excess_m3"], store, excess)
    np.fmax.at(columns["half_emptying_h"], store, run["half_emptying_h"].to_numpy(float))
    storms = np.full(count, "", dtype=object)
    storms[store[first]] = np.asarray(names, dtype=object)[storm[first]]
    return pd.DataFrame({"storm_id": storms, **columns})


def _trial(
    own: pd.DataFrame, kept: pd.DataFrame, kind: tuple[Measure, Variant], depth: float, options: MeasureOptions
) -> pd.DataFrame:
    """Make the stores of one depth: the measure's own parameters, and beside them what all depths share."""
    measure, variant = kind
    fits = (~(depth > own["max_depth_mm"]) & (depth >= own["min_depth_mm"])).to_numpy(bool)
    if not fits.all():
        own, kept = own[fits], kept[fits]
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
        handed["store_fraction"] = slope_store_fraction(depth, kept["slope"], kept["bay_m"])
        return measure.store(handed, variant, depth)

    store = ask(measure, "its store", make_store, fault_of, options)
    if store is None:
        return own.iloc[:0]
    numbers = {name: store[name].to_numpy(np.float64) for name in STORE_COLUMNS}
    numbers |= {name: kept[name].to_numpy(np.float64) for name in AREAS}
    for bound in ("low", "high"):
        numbers[f"soak_{bound}_mm_h"] = numbers["soak_design_mm_h"] * kept[f"{bound}_share"].to_numpy(np.float64)
    texts = {"outlet_to": kept["outlet_to"].to_numpy(dtype=object), "option_id": own.index.to_numpy(dtype=object)}
    names = [f"{name}@{depth:04.0f}" for name in texts["option_id"].tolist()]
    index = pd.Index(names, name="store_id", dtype=object)
    return pd.DataFrame({**numbers, **texts, "depth_mm": float(depth)}, index=index)


def _kept_by_trials(own: pd.DataFrame, options: MeasureOptions) -> pd.DataFrame:
    """Give what a store has at every depth: areas, outlet, slope and bay, and the ends of its soil's rate.

    Roofs lose nothing to slope; bays end at check dams, where there are some, or at the host's end.
    """
    frame = own[[*AREAS, "outlet_to"]].copy()
    bay_m = own["check_dam_spacing_m"].fillna(host_length_m(own))
    frame["bay_m"] = bay_m.where(np.isfinite(bay_m), options.check_dam_spacing_m)
    frame["slope"] = own["slope_fraction"].where(own["ground"] != "roof", 0.0).astype(float)
    for bound in ("low", "high"):
        frame[f"{bound}_share"] = (own[f"q_{bound}_m_s"] / own["q_used_m_s"]).fillna(1.0).astype(float)
    return frame


def _no_trial() -> pd.DataFrame:
    columns = [*STORE_COLUMNS, *AREAS, "outlet_to", "option_id", "depth_mm", "soak_low_mm_h", "soak_high_mm_h"]
    return pd.DataFrame(columns=columns, index=pd.Index([], name="store_id", dtype=object))


def _quick_depths(proposals: Proposals, index: pd.Index, storms: pd.DataFrame) -> pd.Series:
    """Give the hand formula's depth over the sizing storms for options that only soak; NaN for the others."""
    voids = {(m.name, v.name): v.void_fraction for m in proposals.measures for v in m.variants}
    options = proposals.options.loc[index]
    void = np.array([voids[key] for key in zip(options["measure"], options["variant"], strict=True)], dtype=float)
    ratio, rate = options["drained_to_base_ratio"].to_numpy(float), options["q_design_m_s"].to_numpy(float)
    soaks = (options["soaks"] == "all").to_numpy() & np.isfinite(ratio) & np.isfinite(rate)
    depth = np.where(soaks & bool(len(storms)), 0.0, np.nan)
    for rain, minutes in zip(storms["depth_mm"], storms["duration_min"], strict=True):
        tried = [
            quick_depth_mm(r, rain, minutes / 60.0, q, 1.0, v)
            for r, q, v in zip(ratio[soaks].tolist(), rate[soaks].tolist(), void[soaks].tolist(), strict=True)
        ]
        depth[soaks] = np.maximum(depth[soaks], tried)
    return pd.Series(depth, index=index, dtype=float)


def _pick(stores: Stores, rows: np.ndarray) -> Stores:
    """Take some stores, in the order asked for."""
    picked: dict[str, Any] = {}
    for part in fields(Stores):
        value = getattr(stores, part.name)
        if isinstance(value, np.ndarray):
            picked[part.name] = value[rows]
        elif isinstance(value, tuple):
            picked[part.name] = tuple(map(value.__getitem__, rows.tolist()))
    return Stores(**picked)


def _sized_columns(chosen: pd.DataFrame) -> pd.DataFrame:
    frame = pd.DataFrame(index=chosen.index)
    frame["store_id"] = chosen["store_id"]
    frame["store_depth_mm"] = chosen["depth_mm"]
    frame["storm_id"] = chosen["storm_id"].fillna("")
    frame["passes_sizing_storm"] = (chosen["passes"] & chosen["lets_in"]).astype(bool)
    frame["sizing_overflow_m3"] = chosen["over_the_top_m3"]
    frame["sizing_intake_excess_m3"] = chosen["intake_excess_m3"]
    frame["sizing_half_emptying_h"] = chosen["half_emptying_h"]
    frame["size_reason"] = [
        _size_text(*row)
        for row in zip(
            chosen["depth_mm"],
            chosen["lead"],
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


def _say_least(proposals: Proposals, chosen: pd.DataFrame, least_mm: pd.Series) -> NDArray[np.object_]:
    """Say what sets a chosen depth that is the least that was tried: traffic or the catalogue; "" where water does."""
    options = proposals.options.reindex(chosen.index)
    thinnest = {(m.name, v.name): v.depths_mm[0] for m in proposals.measures for v in m.variants}
    keys = zip(options["measure"], options["variant"], strict=True)
    catalogue = np.array([thinnest[key] for key in keys], dtype=float)
    is_least = chosen["depth_mm"].to_numpy(float) <= least_mm.reindex(chosen.index).to_numpy(float)
    by_traffic = is_least & (options["min_depth_mm"].to_numpy(float) > catalogue)
    traffic = ("the least that " + options["traffic_class"].astype(object) + " traffic asks for").to_numpy(dtype=object)
    plain = np.where(is_least, "the least catalogue depth", "").astype(object)
    return np.where(by_traffic, traffic, plain)


def _size_text(depth: float, least: str, passes: bool, over_m3: float, excess_m3: float, lets_in: bool) -> str:  # noqa: FBT001
    excess = f"the surface lets too little in: {_say_m3(excess_m3)} of the heaviest of them run off it"
    how = f", {least}," if least else " is the least catalogue depth that"
    if passes and lets_in:
        return f"{depth:.0f} mm{how} holds the sizing storms"
    if passes:
        return f"{depth:.0f} mm{how} has room for the sizing storms, but {excess}"
    text = f"{depth:.0f} mm is the deepest that fits and still overflows by {_say_m3(over_m3)} in the sizing storm"
    return text if lets_in else f"{text}; {excess}"


def _say_m3(volume_m3: float) -> str:
    """Write a volume; what would round to nought is said in words."""
    return f"{volume_m3:,.1f} m3" if volume_m3 >= LEAST_SAID_M3 else "less than 0.1 m3"

"""Options: each host with each variant of its measure, and the columns that depend on both."""

from __future__ import annotations

import numpy as np
import pandas as pd

from catchscreen.measures.contract import Measure, Variant
from catchscreen.options import MeasureOptions

TRAFFIC_CLASS = {
    "playground": "foot",
    "pitch": "foot",
    "bay": "car",
    "car_park": "car",
    "yard": "car",
    "driveway": "car",
    "goods_yard": "goods",
}
OUTLETS = {"combined sewer": "sewer", "surface-water sewer": "sewer", "watercourse": "watercourse"}


def pair_hosts_with_variants(hosts: pd.DataFrame, measure: Measure, options: MeasureOptions) -> pd.DataFrame:
    """Make the options of one measure.

    Returns
    -------
    DataFrame
        Index option_id; candidate_id, variant, soaks, base_area_m2, drained_to_base_ratio, q_m_s (used), q_design_m_s,
        safety_factor, is_unproven, groundwater_clearance_m, outfall_fall_m, pollution_gap, load_margin_kn_m2,
        min_depth_mm,
        max_depth_mm, outlet_to, beside every column of the host.
    """
    own = hosts[hosts["measure"] == measure.name].drop(columns="geometry")
    frames = [_options_of(own, measure, variant, options) for variant in measure.variants]
    return pd.concat(frames)


def slope_store_fraction(depth_mm: float, slope_fraction: pd.Series, bay_m: pd.Series) -> pd.Series:
    """Give the share of a store that fills on a slope, between check dams.

    A level water surface in a bay of length L and gradient g has the mean depth d - gL/2 if d >= gL, else d^2/(2gL).

    Examples
    --------
    >>> one = pd.Series([1.0])
    >>> round(float(slope_store_fraction(350.0, 0.03 * one, 10.0 * one)[0]), 2)
    0.57
    """
    depth_m = depth_mm / 1000.0
    rise_m = (slope_fraction.fillna(0.0) * bay_m).to_numpy(float)
    share = np.where(depth_m >= rise_m, 1.0 - rise_m / (2.0 * depth_m), depth_m / (2.0 * np.fmax(rise_m, 1e-9)))
    return pd.Series(share, index=slope_fraction.index)


def choose_safety_factor(drained_m2: pd.Series, exceedance: pd.Series, options: MeasureOptions) -> pd.Series:
    """Choose the factor on infiltration: under 100, to 1,000, over 1,000 m2 drained; the greatest beside a building."""
    small, middle, large = options.safety_factors
    by_area = np.select([drained_m2 < 100.0, drained_m2 <= 1000.0], [small, middle], large)
    return pd.Series(
        np.where(exceedance == "building", options.safety_factor_building, by_area), index=drained_m2.index
    )


def _options_of(own: pd.DataFrame, measure: Measure, variant: Variant, options: MeasureOptions) -> pd.DataFrame:
    frame = own.copy()
    frame["candidate_id"] = own.index
    frame["variant"] = variant.name
    frame["soaks"] = variant.soaks
    if not variant.takes_run_on:
        frame["run_on_area_m2"] = 0.0
    has_run_on = frame["run_on_area_m2"] > 0.0
    frame["base_fraction"] = frame["clear_fraction"].where(has_run_on, 1.0)
    trimmed = frame["base_fraction"].fillna(1.0) if variant.soaks != "none" else 1.0
    frame["base_area_m2"] = frame["host_area_m2"] * trimmed if measure.ground != "roof" else 0.0
    drained = frame["host_area_m2"] + frame["run_on_area_m2"]
    frame["drained_to_base_ratio"] = (drained / frame["base_area_m2"]).where(frame["base_area_m2"] > 0.0)
    _add_rates(frame, variant, drained, options)
    _add_depths(frame, measure, variant, options)
    frame["pollution_gap"] = frame["pollution_hazard"] - variant.treatment
    frame["load_margin_kn_m2"] = frame["spare_load_kn_m2"] - variant.saturated_kn_m2[0]
    frame["is_unproven"] |= (measure.ground == "roof") & frame["load_margin_kn_m2"].isna()
    lightest = min(other.saturated_kn_m2[0] for other in measure.variants)
    # What carries the lightest build-up need not carry a heavier one: the likelihood shrinks with the load.
    frame["structure_likelihood"] = frame["structure_likelihood"] * (lightest / variant.saturated_kn_m2[0])
    by_roof = np.where(frame["piped_fraction"].fillna(1.0) >= 0.5, "sewer", "ground")
    frame["outlet_to"] = by_roof if measure.ground == "roof" else frame["outfall"].map(OUTLETS).fillna("sewer")
    if variant.soaks == "all":
        frame["outlet_to"] = "ground"
    if variant.soaks == "none":
        frame["q_source"] = ""  # no soil, no rate, no source of it
    frame.index = pd.Index(own.index + "." + variant.name, name="option_id")
    return frame


def _add_rates(frame: pd.DataFrame, variant: Variant, drained: pd.Series, options: MeasureOptions) -> None:
    """Choose the rate that sizes the store: tested or mapped, else an end of what is possible.

    That is the low end, or the high end for the variant that waits for a test and only bounds the range.
    """
    unknown = frame["q_source"] == "unknown"
    guess = frame["q_high_m_s"] if variant.soaks == "all" else frame["q_low_m_s"]
    frame["is_unproven"] = unknown & (variant.soaks != "none")
    used = frame["q_m_s"].where(~unknown, guess)
    frame["q_known_m_s"] = frame["q_m_s"]
    frame["q_used_m_s"] = used if variant.soaks != "none" else np.nan
    frame["safety_factor"] = choose_safety_factor(drained, frame["exceedance"], options)
    frame["q_design_m_s"] = frame["q_used_m_s"] / frame["safety_factor"]


def _add_depths(frame: pd.DataFrame, measure: Measure, variant: Variant, options: MeasureOptions) -> None:
    """Add the least depth that traffic asks for and the greatest that digging, groundwater, mains and outfall allow."""
    if measure.ground == "roof":
        frame["min_depth_mm"], frame["traffic_class"] = 0.0, ""
        frame["max_depth_mm"] = _depth_that_loads_allow(frame["spare_load_kn_m2"], variant)
        frame["depth_limit"] = np.where(frame["max_depth_mm"].isna(), "", "the spare load of the roof")
        frame["groundwater_clearance_m"], frame["outfall_fall_m"] = np.nan, np.nan
        return
    extra = measure.extra
    least = {name: extra.get(f"structural_depth_{name}_mm", 0.0) for name in ("foot", "car", "goods")}
    frame["traffic_class"] = frame["ground_use"].map(TRAFFIC_CLASS).fillna(options.traffic_class)
    frame["min_depth_mm"] = frame["traffic_class"].map(least).astype(float)
    if variant.soaks == "none":
        frame["min_depth_mm"] = frame["min_depth_mm"].clip(lower=variant.depths_mm[0])
    _limit_depths(frame, measure, variant)
    thinnest = min((depth for depth in variant.depths_mm), default=0.0)
    build_up_m = (variant.cover_mm + np.fmax(thinnest, frame["min_depth_mm"])) / 1000.0
    frame["groundwater_clearance_m"] = frame["groundwater_depth_m"] - build_up_m
    frame["outfall_fall_m"] = frame["ground_level_m"] - build_up_m - frame["outfall_level_m"]


def _limit_depths(frame: pd.DataFrame, measure: Measure, variant: Variant) -> None:
    """Add the greatest depth of store and what sets it: digging, a main, groundwater or the outfall's level."""
    extra = measure.extra
    over_main = (frame["main_under_host"] == "yes").to_numpy()
    dig = np.where(over_main, extra.get("dig_limit_over_main_mm", np.inf), extra.get("dig_limit_mm", np.inf))
    limits = [("the main beneath the host", np.where(over_main, dig, np.nan)), ("the digging depth", dig)]
    if variant.soaks != "none":
        clearance = groundwater_clearance_m(measure)
        limits.append(("groundwater", (frame["groundwater_depth_m"].to_numpy(float) - clearance) * 1000.0))
    if variant.soaks != "all":
        fall_m = (frame["ground_level_m"] - frame["outfall_level_m"]).to_numpy(float)
        limits.append(("the level of the outfall", fall_m * 1000.0))
    room = np.array([np.where(np.isnan(values), np.inf, values) for _, values in limits]) - variant.cover_mm
    least = np.argmin(room, axis=0)
    frame["max_depth_mm"] = room[least, np.arange(len(frame))]
    frame["depth_limit"] = np.array([name for name, _ in limits], dtype=object)[least]


def groundwater_clearance_m(measure: Measure) -> float:
    """Give the clearance that the measure asks for between its base and groundwater; 0 where it asks for none."""
    asked = [rule.value for rule in measure.thresholds if rule.name == "groundwater_clearance_min_m"]
    return next((float(value) for value in asked if not isinstance(value, tuple)), 0.0)


def _depth_that_loads_allow(spare_kn_m2: pd.Series, variant: Variant) -> pd.Series:
    """Give the depth whose saturated load is the spare load, on the line from lightest to heaviest; NaN: unknown."""
    low, high = variant.saturated_kn_m2
    thin, thick = variant.depths_mm[0], variant.depths_mm[-1]
    per_mm = (high - low) / max(thick - thin, 1e-9)
    return thin + (spare_kn_m2 - low) / per_mm if per_mm > 0.0 else spare_kn_m2 * np.nan

"""What a sized option costs: layers, check dams, digging, disposal, traffic, mains, on-costs, upkeep, whole life."""

from __future__ import annotations

import numpy as np
import pandas as pd

from catchscreen.measures.traffic import on_carriageway
from catchscreen.options import MeasureOptions
from catchscreen.records import Floats, Proposals
from catchscreen.records.catalogue import Prices, UnitCost

COST_OVER_MAIN = (1.3, 1.65, 2.0)
"""Factor on low, mid and high cost where a main runs beneath: 1.3 to 2 (common practice)."""
ITEMS = ("build", "check_dams", "dig_out", "disposal", "traffic", "over_main")
AREAS = ("host_area_low_m2", "host_area_m2", "host_area_high_m2")
MM_PER_M = 1000.0


def add_costs(
    frame: pd.DataFrame, sized: pd.DataFrame, proposals: Proposals, prices: Prices, options: MeasureOptions
) -> None:
    """Add the cost band with its items, the cost beyond a like-for-like renewal, upkeep and whole life.

    The low end is the low area of the host at low prices, the high end the high area at high prices. Items (middle of
    the band): cost_build (layers laid), cost_check_dams, cost_dig_out, cost_disposal, cost_traffic, cost_over_main
    (what a main beneath the host adds), cost_on_top (surveys, design and supervision, contingency); they sum to
    ``cost``.
    """
    items = cost_items(sized, proposals, prices)
    dug_m = _dug_m(sized, proposals)
    area = sized["host_area_m2"].to_numpy(float)
    frame["dug_out_t"] = area * dug_m * prices.spoil_t_m3
    on_top = options.survey_fraction + options.design_fraction + options.contingency_fraction
    for place, name in enumerate(("cost_low", "cost", "cost_high")):
        parts = _items(sized, items, dug_m, prices, place)
        bare = np.sum(list(parts.values()), axis=0)
        frame[name] = bare * (1.0 + on_top)
        if name == "cost":
            for item, value in parts.items():
                frame[f"cost_{item}"] = value
            frame["cost_on_top"] = bare * on_top
    rebuild = np.array([item.rebuild_per_m2 for item in items]) * area * (1.0 + on_top)
    frame["extra_cost_at_renewal"] = frame["cost"] - rebuild
    for place, name in enumerate(("upkeep_low_per_yr", "upkeep_per_yr", "upkeep_high_per_yr")):
        rate = np.array([item.upkeep_per_m2_yr[place] for item in items])
        frame[name] = sized[AREAS[place]].to_numpy(float) * rate
    annuity = annuity_factor(options.discount_rate, options.whole_life_years)
    frame["whole_life_cost"] = frame["cost"] + frame["upkeep_per_yr"] * annuity
    frame["currency"] = prices.currency
    frame["price_year"] = prices.price_year
    frame["cost_source"] = [item.source for item in items]


def cost_items(sized: pd.DataFrame, proposals: Proposals, prices: Prices) -> list[UnitCost]:
    """Give the row of the unit-cost table of each sized option."""
    items = {(m.name, v.name): prices.item(v.cost_item) for m in proposals.measures for v in m.variants}
    return [items[key] for key in zip(sized["measure"], sized["variant"], strict=True)]


def annuity_factor(rate: float, years: int) -> float:
    """Give the present worth of one unit a year, at the year's end, over some years.

    Examples
    --------
    >>> round(annuity_factor(0.035, 30), 2)
    18.39
    """
    return float(years) if rate == 0.0 else (1.0 - (1.0 + rate) ** -years) / rate


def _dug_m(sized: pd.DataFrame, proposals: Proposals) -> Floats:
    """Give how deep is dug [m]: the whole build-up on the ground, nothing on a roof."""
    covers = {(m.name, v.name): v.cover_mm for m in proposals.measures for v in m.variants}
    cover = np.array([covers[key] for key in zip(sized["measure"], sized["variant"], strict=True)], dtype=float)
    depth = cover + sized["store_depth_mm"].to_numpy(float)
    return np.where((sized["ground"] != "roof").to_numpy(), depth / MM_PER_M, 0.0)


def _items(sized: pd.DataFrame, items: list[UnitCost], dug_m: Floats, prices: Prices, place: int) -> dict[str, Floats]:
    """Give each item of the cost at one place of the band (0 low, 1 mid, 2 high: area and prices), before on-costs."""
    area = sized[AREAS[place]].to_numpy(float)
    depth = sized["store_depth_mm"].to_numpy(float)
    deeper = np.array([item.per_m2_per_mm for item in items]) * (
        depth - np.array([item.base_depth_mm for item in items])
    )
    doubtful = (sized["doubtful_ground"] == "yes").to_numpy()
    tip = np.where(doubtful, prices.disposal_doubtful_per_t[place], prices.disposal_per_t[place])
    rate = np.array([item.per_m2[place] for item in items])
    dams_m = np.nan_to_num(sized["check_dam_length_m"].to_numpy(float)) * area / sized["host_area_m2"].to_numpy(float)
    parts = {
        "build": area * np.maximum(rate + deeper, 0.0),
        "check_dams": dams_m * prices.check_dam_per_m[place],
        "dig_out": area * dug_m * prices.dig_out_per_m3[place],
        "disposal": area * dug_m * prices.spoil_t_m3 * tip,
        "traffic": np.where(on_carriageway(sized), area * prices.traffic_per_m2[place], 0.0),
    }
    over_main = (sized["main_under_host"] == "yes").to_numpy()
    parts["over_main"] = np.sum(list(parts.values()), axis=0) * np.where(over_main, COST_OVER_MAIN[place] - 1.0, 0.0)
    return parts

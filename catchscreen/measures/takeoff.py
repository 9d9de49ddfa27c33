"""Take-off: layers, tonnes, lorry loads, haul, cost band, upkeep and carbon of each sized option, with sources."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from catchscreen.measures.asking import ask
from catchscreen.measures.catalogue import Prices, Product, load_prices, load_products
from catchscreen.measures.contract import Measure, Variant
from catchscreen.measures.texts import Notes
from catchscreen.options import MeasureOptions
from catchscreen.records import Proposals, Sizes

KG_PER_T = 1000.0
WATER_KG_M3 = 1000.0
GRAVITY_KN_PER_KG = 0.00981
COST_OVER_MAIN = (1.3, 1.65, 2.0)
"""Factor on low, mid and high cost where a main runs beneath: 1.3 to 2 (common practice)."""
RECYCLED_PLASTIC = "recycled_plastic_drainage"
VIRGIN_PLASTIC = "plastic_void_former"
LAYER_COLUMNS = ["option_id", "layer_number", "product", "thickness_mm", "area_m2"]
CARBON_BOUNDARY = (
    "product (A1-A3), haul (A4) and works (A5), less a like-for-like rebuild; upkeep, use and end of life "
    "are left out; a minus sign means less than the rebuild"
)


def take_off(proposals: Proposals, chosen: Sizes, options: MeasureOptions) -> pd.DataFrame:
    """Count what each sized option is made of and what that costs.

    Returns
    -------
    DataFrame
        Index option_id; layers (text), tonnes, loads, load_kn_m2, haul_km, haul_t_km, cost_low, cost, cost_high,
        extra_cost_at_renewal, upkeep_low_per_yr, upkeep_per_yr, upkeep_high_per_yr, whole_life_cost, currency,
        price_year,
        cost_source, carbon_product_kg, carbon_haul_kg, carbon_works_kg, carbon_rebuild_kg, carbon_net_kg,
        carbon_boundary,
        plastic_diversion_t_co2e (outside every total; 0 unless the brief turns it on).

    Raises
    ------
    InputsAtFault
        When the brief overrides a layer or a price that does not exist.
    """
    products, prices = load_products(options), load_prices(options)
    sized = proposals.options.loc[chosen.options.index].join(chosen.options)
    rows = list_layers(proposals, chosen, options)
    frame = _sum_layers(rows, sized.index)
    frame["loads"] = np.ceil(frame["tonnes"] / prices.lorry_t - 1e-9)
    frame["haul_km"] = sized["supply_km"]
    frame["haul_t_km"] = frame["tonnes"] * frame["haul_km"]
    _add_costs(frame, sized, proposals, prices, options)
    _add_carbon(frame, sized, proposals, prices)
    diverted = rows[rows["product"] == RECYCLED_PLASTIC].groupby("option_id")["tonnes"].sum().reindex(sized.index)
    frame["plastic_diversion_t_co2e"] = diverted_carbon_t(diverted.fillna(0.0), options)
    frame["layer_source"] = (
        "; ".join(sorted({product.source for product in products.values()} & {"the brief"})) or "generic"
    )
    return frame


def list_layers(proposals: Proposals, chosen: Sizes, options: MeasureOptions) -> pd.DataFrame:
    """List every layer of every sized option.

    Returns
    -------
    DataFrame
        option_id, layer_number, product, thickness_mm, void_fraction, area_m2, volume_m3, tonnes (waste included),
        load_kn_m2 (saturated), carbon_kg (A1-A3), source.

    Raises
    ------
    MeasureFailed
        When a measure's layer function raises or names a product that the catalogue does not hold, and the brief
        says to stop.
    """
    products = load_products(options)
    sized = proposals.options.loc[chosen.options.index].join(chosen.options)
    sized["depth_mm"] = sized["store_depth_mm"]
    parts = [pd.DataFrame(columns=LAYER_COLUMNS)]
    for measure in proposals.measures:
        for variant in measure.variants:
            own = sized[(sized["measure"] == measure.name) & (sized["variant"] == variant.name)]
            if len(own):
                parts.append(_ask_layers(measure, variant, own, products, options))
    rows = pd.concat([part for part in parts if len(part)] or parts, ignore_index=True)
    rows = rows.sort_values(["option_id", "layer_number"], kind="stable").reset_index(drop=True)
    return _weigh(rows, _without_double_credit(products, options))


def diverted_carbon_t(tonnes: pd.Series, options: MeasureOptions) -> pd.Series:
    """Give the carbon [t CO2e] that diverted mixed plastic is said to avoid: a line of its own, outside every total."""
    return tonnes * options.plastic_diversion_t_co2e_per_t


def annuity_factor(rate: float, years: int) -> float:
    """Give the present worth of one unit a year, at the year's end, over some years.

    Examples
    --------
    >>> round(annuity_factor(0.035, 30), 2)
    18.39
    """
    return float(years) if rate == 0.0 else (1.0 - (1.0 + rate) ** -years) / rate


def _ask_layers(
    measure: Measure, variant: Variant, own: pd.DataFrame, products: Mapping[str, Product], options: MeasureOptions
) -> pd.DataFrame:
    def fault_of(rows: pd.DataFrame) -> str:
        missing = [name for name in LAYER_COLUMNS if name not in rows]
        if missing:
            return f"the layers lack {missing[0]}"
        strange = sorted(set(rows["product"]) - set(products))
        return f"no layer product {strange[0]!r} in the catalogue" if strange else ""

    rows = ask(measure, "its layers", lambda: measure.layers(own.copy(), variant), fault_of, options)
    return pd.DataFrame(columns=LAYER_COLUMNS) if rows is None else rows[LAYER_COLUMNS]


def _without_double_credit(products: dict[str, Product], options: MeasureOptions) -> dict[str, Product]:
    """Count recycled plastic as new where the diversion line is on: never both credits for one tonne."""
    if options.plastic_diversion_t_co2e_per_t == 0.0:
        return products
    recycled = replace(products[RECYCLED_PLASTIC], carbon_kg_t=products[VIRGIN_PLASTIC].carbon_kg_t)
    return {**products, RECYCLED_PLASTIC: recycled}


def _weigh(rows: pd.DataFrame, products: Mapping[str, Product]) -> pd.DataFrame:
    def numbers(name: str) -> pd.Series:
        return rows["product"].map({key: getattr(product, name) for key, product in products.items()})

    own_thickness = numbers("thickness_mm").astype(float)
    rows["thickness_mm"] = own_thickness.fillna(rows["thickness_mm"].astype(float))
    rows["void_fraction"] = numbers("void_fraction").astype(float)
    rows["volume_m3"] = rows["area_m2"].astype(float) * rows["thickness_mm"] / 1000.0
    density = numbers("density_kg_m3").astype(float)
    rows["tonnes"] = rows["volume_m3"] * density / KG_PER_T * (1.0 + numbers("waste_fraction").astype(float))
    saturated = numbers("saturated_kg_m3").astype(float).fillna(density + rows["void_fraction"] * WATER_KG_M3)
    rows["load_kn_m2"] = rows["thickness_mm"] / 1000.0 * saturated * GRAVITY_KN_PER_KG
    rows["carbon_kg"] = rows["tonnes"] * numbers("carbon_kg_t").astype(float)
    rows["source"] = numbers("source")
    return rows


def _sum_layers(rows: pd.DataFrame, index: pd.Index) -> pd.DataFrame:
    frame = pd.DataFrame(index=index)
    texts = Notes(len(index))
    texts.add(
        index.get_indexer(pd.Index(rows["option_id"])),
        [
            f"{name.replace('_', ' ')} {thick:.4g} mm, {tonnes:.0f} t"
            for name, thick, tonnes in zip(rows["product"], rows["thickness_mm"], rows["tonnes"], strict=True)
        ],
    )
    frame["layers"] = texts.joined()
    grouped = rows.groupby("option_id")
    has_layers = index.isin(set(rows["option_id"]))
    for name in ("tonnes", "load_kn_m2", "carbon_kg"):
        frame[name] = grouped[name].sum().reindex(index).where(has_layers).astype(float)
    return frame.rename(columns={"carbon_kg": "carbon_product_kg"})


def _cost_items(sized: pd.DataFrame, proposals: Proposals) -> pd.Series:
    items = {(m.name, v.name): v.cost_item for m in proposals.measures for v in m.variants}
    keys = zip(sized["measure"], sized["variant"], strict=True)
    return pd.Series([items[key] for key in keys], index=sized.index, dtype=object)


def _add_costs(
    frame: pd.DataFrame, sized: pd.DataFrame, proposals: Proposals, prices: Prices, options: MeasureOptions
) -> None:
    costs = [prices.item(name) for name in _cost_items(sized, proposals)]
    area = sized["host_area_m2"].to_numpy(float)
    depth = sized["store_depth_mm"].to_numpy(float)
    deeper = np.array([item.per_m2_per_mm for item in costs]) * (
        depth - np.array([item.base_depth_mm for item in costs])
    )
    on_cost = 1.0 + options.survey_fraction + options.design_fraction + options.contingency_fraction
    over_main = (sized["main_under_host"] == "yes").to_numpy()
    for place, name in enumerate(("cost_low", "cost", "cost_high")):
        rate = np.maximum(np.array([item.per_m2[place] for item in costs]) + deeper, 0.0)
        frame[name] = area * rate * on_cost * np.where(over_main, COST_OVER_MAIN[place], 1.0)
    rebuild = np.array([item.rebuild_per_m2 for item in costs]) * area * on_cost
    frame["extra_cost_at_renewal"] = frame["cost"] - rebuild
    for place, name in enumerate(("upkeep_low_per_yr", "upkeep_per_yr", "upkeep_high_per_yr")):
        frame[name] = area * np.array([item.upkeep_per_m2_yr[place] for item in costs])
    annuity = annuity_factor(options.discount_rate, options.whole_life_years)
    frame["whole_life_cost"] = frame["cost"] + frame["upkeep_per_yr"] * annuity
    frame["currency"] = prices.currency
    frame["price_year"] = prices.price_year
    frame["cost_source"] = [item.source for item in costs]


def _add_carbon(frame: pd.DataFrame, sized: pd.DataFrame, proposals: Proposals, prices: Prices) -> None:
    area = sized["host_area_m2"].to_numpy(float)
    items = [prices.item(name) for name in _cost_items(sized, proposals)]
    frame["carbon_haul_kg"] = frame["haul_t_km"] * prices.haul_kg_co2e_t_km
    frame["carbon_works_kg"] = area * prices.works_kg_co2e_m2
    frame["carbon_rebuild_kg"] = area * np.array([item.rebuild_kg_co2e_m2 for item in items])
    parts = frame["carbon_product_kg"] + frame["carbon_haul_kg"] + frame["carbon_works_kg"]
    frame["carbon_net_kg"] = parts - frame["carbon_rebuild_kg"]
    frame["carbon_boundary"] = CARBON_BOUNDARY

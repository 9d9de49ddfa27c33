"""Take-off: layers, tonnes, lorry loads, haul, cost band, upkeep and carbon of each sized option, with sources."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.measures.asking import ask
from catchscreen.measures.catalogue import load_prices, load_products
from catchscreen.measures.contract import Measure, Variant
from catchscreen.measures.costing import add_costs, cost_items
from catchscreen.measures.supply import cover_supply
from catchscreen.measures.texts import Notes
from catchscreen.options import MeasureOptions
from catchscreen.records import Proposals, Sizes
from catchscreen.records.catalogue import Prices, Product

KG_PER_T = 1000.0
WATER_KG_M3 = 1000.0
GRAVITY_KN_PER_KG = 0.00981
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
        Index option_id; layers (text), tonnes, loads, load_kn_m2 (roofs), haul_km, haul_t_km, supply_tonnes_per_yr,
        supply_need_t_per_yr, supply_cover_fraction, dug_out_t, spoil_loads (beside ``loads``, which are deliveries),
        cost_low, cost, cost_high, cost_build, cost_check_dams, cost_dig_out, cost_disposal, cost_traffic,
        cost_over_main, cost_on_top, extra_cost_at_renewal, upkeep_low_per_yr, upkeep_per_yr,
        upkeep_high_per_yr, whole_life_cost, currency, price_year, cost_source, carbon_product_kg, carbon_haul_kg,
        carbon_works_kg, carbon_rebuild_kg, carbon_net_kg, carbon_boundary, supplier_layers (text: named suppliers'
        layers beside the generic ones, outside every total), plastic_diversion_t_co2e (outside every total; 0 unless
        the brief turns it on).

    Raises
    ------
    InputsAtFault
        When the brief overrides a layer or a price that does not exist.
    """
    products = load_products(options, proposals.layer_catalogue)
    prices = load_prices(options, proposals.unit_costs)
    sized = proposals.options.loc[chosen.options.index].join(chosen.options)
    rows = list_layers(proposals, chosen, options)
    frame = _sum_layers(rows, sized.index)
    # Traffic, not the store, loads the ground: the figure is for structures only.
    frame["load_kn_m2"] = frame["load_kn_m2"].where(sized["ground"] == "roof")
    frame["loads"] = _loads(frame["tonnes"], prices)
    frame["haul_km"] = sized["supply_km"]
    frame["haul_t_km"] = frame["tonnes"] * frame["haul_km"]
    frame = frame.join(cover_supply(sized, frame["tonnes"], proposals, options))
    add_costs(frame, sized, proposals, prices, options)
    frame["spoil_loads"] = _loads(frame["dug_out_t"], prices)
    _add_carbon(frame, sized, proposals, prices)
    diverted = rows[rows["product"] == RECYCLED_PLASTIC].groupby("option_id")["tonnes"].sum().reindex(sized.index)
    frame["plastic_diversion_t_co2e"] = diverted_carbon_t(diverted.fillna(0.0), options)
    frame["supplier_layers"] = _beside(rows, products, sized.index)
    frame["layer_source"] = _layer_sources(rows, sized.index)
    return frame.copy()  # in one block: it gained many columns one by one


def _loads(tonnes: pd.Series, prices: Prices) -> pd.Series:
    """Give the lorry loads of some tonnes; rounding of the sum makes no load more."""
    return np.ceil(tonnes / prices.lorry_t - 1e-9).clip(lower=0.0)


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
    products = load_products(options, proposals.layer_catalogue)
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


def _beside(rows: pd.DataFrame, products: Mapping[str, Product], index: pd.Index) -> NDArray[np.object_]:
    """Say what named suppliers' layers would weigh and emit in place of the generic ones; nothing else reads this."""
    said = Notes(len(index))
    for product in sorted(products.values(), key=lambda product: product.name):
        own = rows[rows["product"] == product.stands_for]
        if not product.supplier or len(own) == 0:
            continue
        volume = own["area_m2"].to_numpy(float) * own["thickness_mm"].to_numpy(float) / 1000.0
        tonnes = volume * product.density_kg_m3 / KG_PER_T * (1.0 + product.waste_fraction)
        name, generic = product.name.replace("_", " "), product.stands_for.replace("_", " ")
        said.add(
            index.get_indexer(pd.Index(own["option_id"])),
            [
                f"{name} of {product.supplier} in place of {generic}: {own_t:.0f} t for {generic_t:.0f} t, "
                f"{own_t * product.carbon_kg_t:,.0f} kg CO2e for {kg:,.0f} kg, as declared"
                for own_t, generic_t, kg in zip(tonnes, own["tonnes"], own["carbon_kg"], strict=True)
            ],
        )
    return said.joined()


def _layer_sources(rows: pd.DataFrame, index: pd.Index) -> NDArray[np.object_]:
    """Name where the numbers of each option's layers come from, each source once."""
    said = Notes(len(index))
    said.add(index.get_indexer(pd.Index(rows["option_id"])), rows["source"].to_numpy(dtype=object))
    return said.joined()


def diverted_carbon_t(tonnes: pd.Series, options: MeasureOptions) -> pd.Series:
    """Give the carbon [t CO2e] that diverted mixed plastic is said to avoid: a line of its own, outside every total."""
    return tonnes * options.plastic_diversion_t_co2e_per_t


def _ask_layers(
    measure: Measure, variant: Variant, own: pd.DataFrame, products: Mapping[str, Product], options: MeasureOptions
) -> pd.DataFrame:
    def fault_of(rows: pd.DataFrame) -> str:
        missing = [name for name in LAYER_COLUMNS if name not in rows]
        if missing:
            return f"the layers lack {missing[0]}"
        strange = sorted(set(rows["product"]) - {name for name, product in products.items() if not product.supplier})
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
            for name, thick, tonnes in zip(
                rows["product"].tolist(), rows["thickness_mm"].tolist(), rows["tonnes"].tolist(), strict=True
            )
        ],
    )
    frame["layers"] = texts.joined()
    grouped = rows.groupby("option_id")
    has_layers = index.isin(set(rows["option_id"]))
    for name in ("tonnes", "load_kn_m2", "carbon_kg"):
        frame[name] = grouped[name].sum().reindex(index).where(has_layers).astype(float)
    return frame.rename(columns={"carbon_kg": "carbon_product_kg"})


def _add_carbon(frame: pd.DataFrame, sized: pd.DataFrame, proposals: Proposals, prices: Prices) -> None:
    area = sized["host_area_m2"].to_numpy(float)
    items = cost_items(sized, proposals, prices)
    frame["carbon_haul_kg"] = frame["haul_t_km"] * prices.haul_kg_co2e_t_km
    frame["carbon_works_kg"] = area * prices.works_kg_co2e_m2
    frame["carbon_rebuild_kg"] = area * np.array([item.rebuild_kg_co2e_m2 for item in items])
    parts = frame["carbon_product_kg"] + frame["carbon_haul_kg"] + frame["carbon_works_kg"]
    frame["carbon_net_kg"] = parts - frame["carbon_rebuild_kg"]
    frame["carbon_boundary"] = CARBON_BOUNDARY

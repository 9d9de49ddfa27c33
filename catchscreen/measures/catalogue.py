"""The layer catalogue and the unit costs that ship with the package, with the brief's own numbers laid over them."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

from catchscreen.errors import Fault, InputsAtFault
from catchscreen.options import MeasureOptions

LAYER_NUMBERS = ("void_fraction", "density_kg_m3", "waste_fraction", "carbon_kg_t", "recycled_fraction", "strength_kpa")
LAYER_EXTRAS = ("thickness_mm", "saturated_kg_m3")
OTHER = "other"


@dataclass(frozen=True, slots=True)
class Product:
    """A layer's material. saturated_kg_m3 NaN: taken from density and voids; thickness_mm NaN: from the measure."""

    name: str
    void_fraction: float
    density_kg_m3: float
    waste_fraction: float
    carbon_kg_t: float
    recycled_fraction: float
    strength_kpa: float
    source: str
    thickness_mm: float = float("nan")
    saturated_kg_m3: float = float("nan")


@dataclass(frozen=True, slots=True)
class UnitCost:
    """Cost of a square metre of host (low, mid, high), upkeep a year, and the rebuild that it replaces."""

    item: str
    per_m2: tuple[float, float, float]
    upkeep_per_m2_yr: tuple[float, float, float]
    rebuild_per_m2: float
    rebuild_kg_co2e_m2: float
    base_depth_mm: float
    per_m2_per_mm: float
    source: str


@dataclass(frozen=True, slots=True)
class Prices:
    """The unit-cost table with what belongs to all of it."""

    currency: str
    price_year: int
    haul_kg_co2e_t_km: float
    works_kg_co2e_m2: float
    lorry_t: float
    items: dict[str, UnitCost]

    def item(self, name: str) -> UnitCost:
        """Return the item, or the wide band "other" for a measure that brings no prices."""
        return self.items.get(name, self.items[OTHER])


def load_products(options: MeasureOptions) -> dict[str, Product]:
    """Return the layer catalogue with the brief's numbers.

    Raises
    ------
    InputsAtFault
        When the brief names a number that no layer has, or a new product without every number.
    """
    table = _read("layers.toml")
    products = {name: Product(name=name, **row) for name, row in table.items() if isinstance(row, dict)}
    faults = []
    for name, numbers in options.layers.items():
        strange = sorted(set(numbers) - set(LAYER_NUMBERS) - set(LAYER_EXTRAS))
        missing = [] if name in products else sorted(set(LAYER_NUMBERS) - set(numbers))
        if strange or missing:
            what = f"unknown number {strange[0]!r}" if strange else f"{missing[0]!r} is missing"
            cure = f"A layer has {', '.join(LAYER_NUMBERS + LAYER_EXTRAS)}."
            faults.append(Fault("layer_at_fault", f"layer {name!r}: {what}.", cure, key="measures.layers"))
        elif name in products:
            products[name] = replace(products[name], **numbers, source="the brief")  # type: ignore[arg-type]
        else:
            products[name] = Product(name=name, **numbers, source="the brief")
    if faults:
        raise InputsAtFault(faults)
    return products


def load_prices(options: MeasureOptions) -> Prices:
    """Return the unit costs with the brief's numbers.

    Raises
    ------
    InputsAtFault
        When the brief prices an item that does not exist, or gives a band that does not rise.
    """
    table = _read("unit_costs.toml")
    items = {name: _unit_cost(name, row, table["source"]) for name, row in table.items() if isinstance(row, dict)}
    faults = []
    for name, band in options.unit_costs.items():
        if name not in items:
            cure = f"The items are {', '.join(sorted(items))}."
            faults.append(Fault("unknown_cost_item", f"no cost item {name!r}.", cure, key="measures.unit_costs"))
        elif list(band) != sorted(band):
            faults.append(
                Fault(
                    "cost_band_falls",
                    f"the costs of {name!r} do not rise: {band}.",
                    "Give low, mid, high.",
                    key="measures.unit_costs",
                )
            )
        else:
            items[name] = replace(items[name], per_m2=band, source="the brief")
    if faults:
        raise InputsAtFault(faults)
    common = {key: table[key] for key in ("currency", "haul_kg_co2e_t_km", "works_kg_co2e_m2", "lorry_t")}
    return Prices(**common, price_year=options.unit_cost_price_year or table["price_year"], items=items)


def _unit_cost(name: str, row: dict[str, Any], source: str) -> UnitCost:
    bands: dict[str, Any] = {key: tuple(row[key]) for key in ("per_m2", "upkeep_per_m2_yr")}
    rest = {key: value for key, value in row.items() if key not in bands}
    return UnitCost(item=name, source=source, **bands, **rest)


@cache
def _read(name: str) -> dict[str, Any]:
    return tomllib.loads((files("catchscreen.measures") / "data" / name).read_text(encoding="utf-8"))

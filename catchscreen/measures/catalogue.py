"""The layer catalogue and the unit costs: the shipped ones, the user's files over them, the brief over both."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import fields, replace
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from catchscreen.errors import Fault, InputsAtFault
from catchscreen.options import MeasureOptions
from catchscreen.records.catalogue import (
    COST_ENTRIES,
    COST_NUMBERS,
    LAYER_ENTRIES,
    LAYER_NUMBERS,
    Prices,
    Product,
    Table,
    UnitCost,
)

SHIPPED = {"layer_catalogue": "layers.toml", "unit_costs": "unit_costs.toml"}


def shipped_files() -> dict[str, Path]:
    """Return where the shipped catalogue and unit costs lie, by the role under which a brief names its own."""
    folder = Path(str(files("catchscreen.measures"))) / "data"
    return {role: folder / name for role, name in SHIPPED.items()}


def load_products(options: MeasureOptions, table: Table | None = None) -> dict[str, Product]:
    """Return the layer catalogue with the user's file and the brief's numbers.

    Parameters
    ----------
    table : the user's own catalogue as it was read; a row replaces the shipped one number by number.

    Raises
    ------
    InputsAtFault
        When the brief names a number that no layer has, a new product without every number, or a supplier's product
        that stands for none.
    """
    shipped = _read(SHIPPED["layer_catalogue"])
    products = {name: Product(name=name, **row) for name, row in shipped.items() if isinstance(row, dict)}
    faults = _faults_of_new_rows(table, set(products), LAYER_NUMBERS)
    if table is not None and not faults:
        for name, row in table.rows.items():
            said = {"source": str(table.common.get("source", table.file)), **row}
            products[name] = replace(products[name], **said) if name in products else Product(name=name, **said)
    for name, numbers in options.layers.items():
        fault = _fault_of_layer(name, numbers, products)
        if fault is not None:
            faults.append(fault)
            continue
        given: dict[str, Any] = {**numbers, "source": "the brief"}
        products[name] = replace(products[name], **given) if name in products else Product(name=name, **given)
    generic = sorted(name for name, product in products.items() if not product.supplier)
    strays = [product for product in products.values() if not _is_placed(product, products)]
    faults += [_fault_of_supplier(product, table, generic) for product in strays]
    if faults:
        raise InputsAtFault(faults)
    return products


def _faults_of_new_rows(table: Table | None, known: set[str], needed: Sequence[str]) -> list[Fault]:
    """Refuse rows of a name that is not shipped and that lack a number."""
    if table is None:
        return []
    lacking = {name: [key for key in needed if key not in row] for name, row in table.rows.items() if name not in known}
    cure = f"A row of a name that is not shipped brings {', '.join(needed)}"
    return [
        Fault(
            "missing-number",
            f"{name!r} lacks {', '.join(keys)}.",
            f"{cure}{_nearest(name, sorted(known))}.",
            file=table.file,
            line=table.lines.get(name),
            key=name,
        )
        for name, keys in lacking.items()
        if keys
    ]


def _fault_of_layer(name: str, numbers: Mapping[str, float], known: Collection[str]) -> Fault | None:
    is_new = name not in known
    allowed = [key for key, entry in LAYER_ENTRIES.items() if entry.kind == "number"]
    strange = sorted(set(numbers) - set(allowed))
    missing = sorted(set(LAYER_NUMBERS) - set(numbers)) if is_new else []
    absurd = [key for key in numbers if key in allowed and not _is_sane(key, numbers[key])]
    ranges = {key: f"{LAYER_ENTRIES[key].least:g} to {LAYER_ENTRIES[key].most:g}" for key in absurd}
    said = [
        *(f"there is no number {key!r}{_nearest(key, allowed)}" for key in strange),
        *([f"it lacks {', '.join(missing)}"] if missing else []),
        *(f"{key} is {numbers[key]:g}, outside {ranges[key]}" for key in absurd),
    ]
    if not said:
        return None
    cure = f"A layer of a name that is not shipped brings {', '.join(LAYER_NUMBERS)}" if missing else "Mend it"
    cure += "" if is_new and missing else f"; a layer has {', '.join(allowed)}"
    near = get_close_matches(name, sorted(known), n=1) if missing else []
    cure += f"; did you mean the shipped {near[0]!r}?" if near else "."
    return Fault("layer_at_fault", f"layer {name!r}: {'; '.join(said)}.", cure, key=f"measures.layers.{name}")


def _nearest(key: str, valid: Sequence[str]) -> str:
    """Ask for the key that was meant, if one reads like it."""
    near = get_close_matches(key, valid, n=1)
    return f" (did you mean {near[0]!r}?)" if near else ""


def _is_sane(key: str, value: float) -> bool:
    return LAYER_ENTRIES[key].least <= value <= LAYER_ENTRIES[key].most


def _is_placed(product: Product, products: Mapping[str, Product]) -> bool:
    """Tell whether a supplier's product stands for a generic one."""
    if not product.supplier:
        return True
    return product.stands_for in products and not products[product.stands_for].supplier


def _fault_of_supplier(product: Product, table: Table | None, generic: Sequence[str]) -> Fault:
    text = f"layer {product.name!r} of {product.supplier} stands for {product.stands_for!r}, which is no generic layer."
    cure = f"Give stands_for = a generic product{_nearest(product.stands_for, generic)}."
    file, line = (table.file or None, table.lines.get(product.name)) if table is not None else (None, None)
    key = f"{product.name}.stands_for" if file else "layer_catalogue"
    return Fault("supplier_without_generic", text, cure, file=file, line=line, key=key)


def load_prices(options: MeasureOptions, table: Table | None = None) -> Prices:
    """Return the unit costs with the user's file and the brief's numbers.

    Parameters
    ----------
    table : the user's own unit costs as they were read.

    Raises
    ------
    InputsAtFault
        When the brief prices an item that does not exist, or gives a band that does not rise.
    """
    shipped = _read(SHIPPED["unit_costs"])
    own = table or Table({})
    general = {**shipped, **own.common}
    items = {name: _unit_cost(name, row, shipped["source"]) for name, row in shipped.items() if isinstance(row, dict)}
    faults = _faults_of_new_rows(table, set(items), COST_NUMBERS)
    faults += _faults_of_brief_prices({*items, *own.rows}, options)
    if faults:
        raise InputsAtFault(faults)
    source = str(own.common.get("source", own.file))
    for name, row in own.rows.items():
        known = {key: getattr(items[name], key) for key in COST_ENTRIES} if name in items else {}
        items[name] = _unit_cost(name, {**known, "source": source, **row}, source)
    items |= {name: replace(items[name], per_m2=band, source="the brief") for name, band in options.unit_costs.items()}
    common = {field.name: general[field.name] for field in fields(Prices) if field.name not in ("items", "price_year")}
    common = {key: tuple(value) if isinstance(value, list) else value for key, value in common.items()}
    return Prices(**common, price_year=int(options.unit_cost_price_year or general["price_year"]), items=items)


def _faults_of_brief_prices(known: Collection[str], options: MeasureOptions) -> list[Fault]:
    faults = []
    for name, band in options.unit_costs.items():
        key = f"measures.unit_costs.{name}"
        if name not in known:
            cure = f"The items are {', '.join(sorted(known))}{_nearest(name, sorted(known))}."
            faults.append(Fault("unknown_cost_item", f"no cost item {name!r}.", cure, key=key))
        elif list(band) != sorted(band):
            text = f"the costs of {name!r} do not rise: {band}."
            faults.append(Fault("cost_band_falls", text, "Give low, mid, high.", key=key))
    return faults


def _unit_cost(name: str, row: Mapping[str, Any], source: str) -> UnitCost:
    values: dict[str, Any] = {"source": source, **row}
    values = {key: tuple(value) if isinstance(value, list) else value for key, value in values.items()}
    return UnitCost(item=name, **values)


@cache
def _read(name: str) -> dict[str, Any]:
    return tomllib.loads((files("catchscreen.measures") / "data" / name).read_text(encoding="utf-8"))

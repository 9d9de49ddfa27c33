"""What layers are made of and what things cost: one product, one price, and which numbers a table of them may hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

NAN = float("nan")
Rows = Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Product:
    """A layer's material. saturated_kg_m3 NaN: taken from density and voids; thickness_mm NaN: from the measure.

    supplier : whose product it is, "" for a generic one; stands_for : the generic product beside which a supplier's is
    shown. No total, score or rank ever reads a supplier's.
    """

    name: str
    void_fraction: float
    density_kg_m3: float
    waste_fraction: float
    carbon_kg_t: float
    recycled_fraction: float
    strength_kpa: float
    source: str
    thickness_mm: float = NAN
    saturated_kg_m3: float = NAN
    supplier: str = ""
    stands_for: str = ""


@dataclass(frozen=True, slots=True)
class UnitCost:
    """Cost of a square metre of host (low, mid, high), upkeep a year, and the rebuild that it replaces.

    The square metre is that of a store of base_depth_mm; digging, disposal and traffic management stand apart.
    """

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
    """The unit-cost table with what belongs to all of it; bands are low, mid, high.

    dig_out_per_m3 : of ground and old pavement in place. disposal_per_t : of clean spoil, tip and haul;
    disposal_doubtful_per_t : from made or doubtful ground. traffic_per_m2 : traffic management on roads.
    check_dam_per_m : of a dam across a sloping store.
    spoil_t_m3 : what a cubic metre in place weighs.
    """

    currency: str
    price_year: int
    haul_kg_co2e_t_km: float
    works_kg_co2e_m2: float
    lorry_t: float
    spoil_t_m3: float
    dig_out_per_m3: tuple[float, float, float]
    disposal_per_t: tuple[float, float, float]
    disposal_doubtful_per_t: tuple[float, float, float]
    traffic_per_m2: tuple[float, float, float]
    check_dam_per_m: tuple[float, float, float]
    items: Mapping[str, UnitCost]

    def item(self, name: str) -> UnitCost:
        """Return the item, or the wide band "other" for a measure that brings no prices."""
        return self.items.get(name, self.items["other"])


@dataclass(frozen=True, slots=True)
class Table:
    """A user's own catalogue or unit costs as read: the rows, what belongs to all of them, and where each row stands.

    rows : product or item -> its values. common : values of the whole table. file : as the brief names it. lines : row
    -> line, from 1.
    """

    rows: Rows
    common: Mapping[str, Any] = field(default_factory=dict)
    file: str = ""
    lines: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Entry:
    """One value that a row of such a table may hold: its kind, and for numbers the least and the greatest."""

    kind: str
    least: float = 0.0
    most: float = 1e6


LAYER_ENTRIES: Final[Mapping[str, Entry]] = {
    "void_fraction": Entry("number", 0.0, 1.0),
    "density_kg_m3": Entry("number", 1.0, 25_000.0),
    "waste_fraction": Entry("number", 0.0, 1.0),
    "carbon_kg_t": Entry("number", -5_000.0, 50_000.0),
    "recycled_fraction": Entry("number", 0.0, 1.0),
    "strength_kpa": Entry("number", 0.0, 100_000.0),
    "thickness_mm": Entry("number", 0.1, 3_000.0),
    "saturated_kg_m3": Entry("number", 1.0, 25_000.0),
    "source": Entry("text"),
    "supplier": Entry("text"),
    "stands_for": Entry("text"),
}
LAYER_NUMBERS: Final = (
    "void_fraction",
    "density_kg_m3",
    "waste_fraction",
    "carbon_kg_t",
    "recycled_fraction",
    "strength_kpa",
)
"""Numbers that a new product must bring."""
COST_ENTRIES: Final[Mapping[str, Entry]] = {
    "per_m2": Entry("band", 0.0, 100_000.0),
    "upkeep_per_m2_yr": Entry("band", 0.0, 10_000.0),
    "rebuild_per_m2": Entry("number", 0.0, 100_000.0),
    "rebuild_kg_co2e_m2": Entry("number", -1_000.0, 10_000.0),
    "base_depth_mm": Entry("number", 0.0, 3_000.0),
    "per_m2_per_mm": Entry("number", 0.0, 100.0),
    "source": Entry("text"),
}
COST_NUMBERS: Final = tuple(name for name in COST_ENTRIES if name != "source")
COMMON_COST_ENTRIES: Final[Mapping[str, Entry]] = {
    "currency": Entry("text"),
    "price_year": Entry("number", 1950.0, 2200.0),
    "source": Entry("text"),
    "haul_kg_co2e_t_km": Entry("number", 0.0, 10.0),
    "works_kg_co2e_m2": Entry("number", 0.0, 1_000.0),
    "lorry_t": Entry("number", 0.5, 100.0),
    "spoil_t_m3": Entry("number", 0.5, 3.0),
    "dig_out_per_m3": Entry("band", 0.0, 10_000.0),
    "disposal_per_t": Entry("band", 0.0, 10_000.0),
    "disposal_doubtful_per_t": Entry("band", 0.0, 10_000.0),
    "traffic_per_m2": Entry("band", 0.0, 10_000.0),
    "check_dam_per_m": Entry("band", 0.0, 10_000.0),
}
COMMON_LAYER_ENTRIES: Final[Mapping[str, Entry]] = {"date": Entry("text"), "source": Entry("text")}

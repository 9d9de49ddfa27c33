"""What a measure is: data about itself, plus a few pure functions.

A measure is one file with one object, an instance of :class:`Measure`, and one entry point in the group
``catchscreen.measures``. It never opens a file and never simulates: it says where it can stand, which columns of the
site table (``site_columns``) decide that, and what its store looks like. Everything but the name, the title, the ground
and the variants has a default, so that a simple measure takes about ten lines.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import geopandas as gpd
import pandas as pd

from catchscreen.measures.defaults import plain_layers, plain_store, whole_patches
from catchscreen.records import GradeRule

Ground = Literal["paved", "roof", "pitch"]
RuleKind = Literal["gate", "switch", "flag"]
Comparison = Literal["<", "<=", ">", ">=", "in", "not in"]
ThresholdValue = float | tuple[str, ...]

HostFunction = Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame]
"""Patches of the measure's ground (index patch_id) in, hosts out: same index, fewer rows, geometry and host_area_m2."""
StoreFunction = Callable[[pd.DataFrame, "Variant", float], pd.DataFrame]
"""Options (index option_id, with their host's columns), variant, depth [mm] in; a column per Stores field out."""
LayerFunction = Callable[[pd.DataFrame, "Variant"], pd.DataFrame]
"""Sized options in; rows option_id, layer, thickness_mm, area_m2 out."""

NAME = re.compile(r"[a-z][a-z0-9_]*")
VARIANT_NAME = re.compile(r"[a-z][a-z0-9_-]*")


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the site table that the measure reads.

    ``when_unknown`` says in plain words what the measure makes of a missing value.
    """

    name: str
    unit: str
    meaning: str
    when_unknown: str


@dataclass(frozen=True, slots=True)
class Threshold:
    """A gate, a switch or a flag as data: it strikes where ``column comparison value`` holds.

    variants : the variants that it strikes (empty: all). A gate excludes them; a switch excludes them and names the
    variant ``to_variant`` that takes their place; a flag only says something.
    reason : plain words for the one who reads the result; ``{value}`` is the site's own value.
    unknown_text, unknown_check : what is not known when the column is empty, and the check that would settle it. Both
    empty: nothing is said.
    """

    name: str
    kind: RuleKind
    column: str
    comparison: Comparison
    value: ThresholdValue
    reason: str
    source: str
    variants: tuple[str, ...] = ()
    to_variant: str = ""
    unknown_text: str = ""
    unknown_check: str = ""
    unknown_switches: bool = False
    """A switch that also strikes while the column is unknown: the site is kept, in the other variant, unproven."""
    unless_half_empty: bool = False
    """A switch that waits for the run of the store: it strikes only if the store is not half empty in time."""

    def __post_init__(self) -> None:
        """Refuse a rule that could not be applied."""
        if self.kind == "switch" and not self.to_variant:
            raise ValueError(f"switch {self.name}: to_variant is missing")
        if isinstance(self.value, tuple) != (self.comparison in ("in", "not in")):
            raise ValueError(f"threshold {self.name}: {self.comparison!r} does not fit the value {self.value!r}")


@dataclass(frozen=True, slots=True)
class ConstraintRule:
    """What a mapped constraint of one kind does to the measure where the map gives no rule of its own.

    distance_m : how near it must be to count (0: it must touch the host). height_column : a column of the constraint
    layer that replaces the distance where it is greater (the height of a face).
    """

    kind: str
    rule: RuleKind
    reason: str
    source: str
    distance_m: float = 0.0
    height_column: str = ""
    also_flag: bool = False


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of a build-up: a product of the catalogue and its thickness (None: the store's chosen depth)."""

    product: str
    thickness_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Variant:
    """One way to build the measure. The numbers feed ``plain_store``; a measure with its own function may ignore them.

    soaks : does water leave through the base ("all": nothing else empties the store; "part": beside an outlet;
    "none": lined).
    depths_mm : catalogue thicknesses of the store, ascending. cover_mm : build-up above the store.
    void_fraction, sill_fraction : share of the store that holds water; share of that below the outlet (retained, not
    slowed).
    outlet_l_s_ha : outflow at full head per hectare drained; outlet_exponent 0.5 (orifice) or 1 (linear).
    wetting_mm, intake_mm_h, evaporation_factor : see ``records.Stores``.
    saturated_kn_m2 : load when full of water, low and high (roofs); NaN elsewhere.
    cost_item : row of the unit-cost table. treatment : how much pollution the build-up takes out, 0..1.
    """

    name: str
    title: str
    soaks: Literal["all", "part", "none"] = "none"
    takes_run_on: bool = True
    depths_mm: tuple[float, ...] = (200.0, 300.0, 400.0)
    cover_mm: float = 130.0
    void_fraction: float = 0.3
    sill_fraction: float = 0.0
    outlet_l_s_ha: float = 5.0
    outlet_exponent: float = 0.5
    wetting_mm: float = 2.0
    intake_mm_h: float = 250.0
    evaporation_factor: float = 0.5
    saturated_kn_m2: tuple[float, float] = (float("nan"), float("nan"))
    layers: tuple[Layer, ...] = ()
    cost_item: str = ""
    treatment: float = 0.0
    source: str = "from memory"

    def __post_init__(self) -> None:
        """Refuse a variant without a usable catalogue."""
        if not VARIANT_NAME.fullmatch(self.name):
            raise ValueError(f"variant name {self.name!r} may hold small letters, digits, - and _ only")
        if not self.depths_mm or list(self.depths_mm) != sorted(set(self.depths_mm)) or self.depths_mm[0] <= 0:
            raise ValueError(f"variant {self.name}: depths_mm must be positive and ascending")


COMMON_GRADES: tuple[GradeRule, ...] = (
    GradeRule(
        "captured_area",
        "benefit",
        "captured_connected_m2",
        100.0,
        5000.0,
        40.0,
        scale="log",
        title="connected impermeable area captured",
        zero_text="captures no connected impermeable area",
        unknown_text="connected impermeable area",
        source="common practice",
    ),
    GradeRule(
        "combined_sewer",
        "benefit",
        "combined_spills_weighted",
        0.0,
        30.0,
        30.0,
        title="water kept out of a combined sewer above a frequent overflow",
        unit="spills a year, times the share kept out",
        zero_text="keeps no water out of a combined sewer with a known overflow",
        text_column="combined_sewer_said",
        unknown_text="what of it reaches a combined sewer, and how often the overflow there spills",
        source="common practice",
    ),
    GradeRule(
        "hollow_kept",
        "benefit",
        "hollow_kept_m3_properties",
        0.0,
        None,
        30.0,
        title="water kept from a hollow, weighted by the properties in it",
        unit="m3 times properties",
        zero_text="keeps no water from a hollow with properties in it",
        text_column="hollow_said",
        bad_text="only {value}",
        unknown_text="properties in the hollows",
        source="common practice",
    ),
    GradeRule(
        "slope",
        "feasibility",
        "slope_percent",
        5.0,
        1.0,
        50.0,
        title="slope",
        unknown_text="surface slope",
        source="common practice",
    ),
    GradeRule(
        "host_size",
        "feasibility",
        "host_area_m2",
        50.0,
        1000.0,
        50.0,
        title="contiguous area",
        source="common practice",
    ),
    GradeRule(
        "control",
        "delivery",
        "owner_class",
        None,
        None,
        60.0,
        title="control of the land",
        classes={
            "council": 1.0,
            "public_body": 0.8,
            "housing_association": 0.6,
            "private_single": 0.3,
            "private_many": 0.0,
        },
        source="common practice",
    ),
    GradeRule(
        "renewal",
        "delivery",
        "years_to_renewal",
        10.0,
        2.0,
        40.0,
        title="years to planned renewal",
        unknown_text="year of planned renewal",
        source="common practice",
    ),
)
"""What an outside measure is graded by when it names nothing of its own."""


@dataclass(frozen=True)
class Measure:
    """A measure, complete: who it is, what it needs, what decides, and three pure functions with plain defaults.

    Parameters
    ----------
    name, title : the word in ids and columns (small letters, digits, _), and the words on a page.
    ground : where it stands: "paved", "roof" or "pitch".
    variants : ways to build it, the most wished first.
    columns : columns of the site table that it reads.
    thresholds, constraints, grades : rules as data.
    cautions : plain sentences printed with every candidate.
    hosts, store, layers : pure functions; they are handed copies.

    Raises
    ------
    ValueError
        When a field breaks the contract; the message names the measure and the field.
    """

    name: str
    title: str
    ground: Ground
    variants: tuple[Variant, ...]
    columns: tuple[Column, ...] = ()
    thresholds: tuple[Threshold, ...] = ()
    constraints: tuple[ConstraintRule, ...] = ()
    grades: tuple[GradeRule, ...] = COMMON_GRADES
    cautions: tuple[str, ...] = ()
    hosts: HostFunction = whole_patches
    store: StoreFunction = plain_store
    layers: LayerFunction = plain_layers
    price_note: str = ""
    distribution: str = ""
    """The package that it came from; the registry fills it in."""
    extra: Mapping[str, float] = field(default_factory=dict)
    """Further numbers of the measure's own, overridable like thresholds."""
    extra_sources: Mapping[str, str] = field(default_factory=dict)
    """Where each of those numbers comes from; absent: common practice."""

    def __post_init__(self) -> None:
        """Check the contract once, when the measure is made."""
        if not NAME.fullmatch(self.name):
            raise ValueError(f"measure name {self.name!r} may hold small letters, digits and _ only")
        if self.ground not in ("paved", "roof", "pitch"):
            raise ValueError(f"measure {self.name}: ground {self.ground!r} is none of paved, roof, pitch")
        if not self.variants:
            raise ValueError(f"measure {self.name}: no variant")
        names = [variant.name for variant in self.variants]
        rules = [rule.name for rule in self.thresholds]
        grades = [rule.name for rule in self.grades]
        for what, listed in (("variant", names), ("threshold", rules), ("grade", grades)):
            twice = sorted({name for name in listed if listed.count(name) > 1})
            if twice:
                raise ValueError(f"measure {self.name}: {what} {twice[0]!r} stands twice")
        for rule in self.thresholds:
            stray = [name for name in (*rule.variants, *filter(None, [rule.to_variant])) if name not in names]
            if stray:
                raise ValueError(f"measure {self.name}: threshold {rule.name} names no variant of it: {stray[0]!r}")

    def variant(self, name: str) -> Variant:
        """Return the variant of that name.

        Raises
        ------
        KeyError
            When the measure has no such variant; the message lists those that it has.
        """
        for variant in self.variants:
            if variant.name == name:
                return variant
        raise KeyError(f"{self.name} has no variant {name!r}; it has {', '.join(v.name for v in self.variants)}")

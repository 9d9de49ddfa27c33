"""Every layer, table and column of a result: name, type, unit, decimals, meaning. The one place that says so.

The GeoPackage, its field comments, the CSV tables, README's table and the tests are all made from this.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

SqlType = Literal["TEXT", "INTEGER", "REAL", "BOOLEAN"]
SCHEMA_VERSION: Final = 1


@dataclass(frozen=True, slots=True)
class Column:
    """One column: ``decimals`` is how many a REAL is rounded to, once, when it is written."""

    name: str
    type: SqlType
    unit: str
    decimals: int
    meaning: str


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer (``geometry`` is an OGC type name) or attribute table (``geometry`` is "")."""

    name: str
    title: str
    geometry: str
    columns: tuple[Column, ...]

    @property
    def key(self) -> str:
        """Return the name of the first column, which identifies a row."""
        return self.columns[0].name

    @property
    def names(self) -> tuple[str, ...]:
        """Return the column names in order."""
        return tuple(column.name for column in self.columns)


def _text(name: str, meaning: str) -> Column:
    return Column(name, "TEXT", "", 0, meaning)


def _flag(name: str, meaning: str) -> Column:
    return Column(name, "BOOLEAN", "", 0, meaning)


def _count(name: str, meaning: str, unit: str = "") -> Column:
    return Column(name, "INTEGER", unit, 0, meaning)


def _real(name: str, unit: str, decimals: int, meaning: str) -> Column:
    return Column(name, "REAL", unit, decimals, meaning)


def _reals(unit: str, decimals: int, rows: Iterable[tuple[str, str]]) -> tuple[Column, ...]:
    return tuple(_real(name, unit, decimals, meaning) for name, meaning in rows)


_PARCELS: Final = (
    _text("parcel_id", "the caller's identifier of the parcel"),
    _text("name", "the caller's name of the site, where given"),
    _text("land_use", "land use as given"),
    _text("owner_class", "class of owner as given; empty means unknown"),
    _count("renewal_year", "year in which the surface is due for renewal, as given"),
    _flag("is_on_elevation", "the parcel lies wholly on the elevation raster"),
    *_reals(
        "m2",
        1,
        [
            ("area_m2", "plan area"),
            ("roof_m2", "roofs"),
            ("paved_m2", "roads, yards, car parks and other paved ground"),
            ("planted_m2", "planted ground and bare soil"),
            ("unknown_cover_m2", "ground whose cover is unknown; its impermeable share is a range"),
            ("impermeable_low_m2", "impermeable area, low end of the range"),
            ("impermeable_m2", "impermeable area"),
            ("impermeable_high_m2", "impermeable area, high end of the range"),
            ("connected_impermeable_m2", "impermeable area that is taken to drain to a sewer"),
        ],
    ),
    _text("storm_id", "storm of the volumes in this row (table storms)"),
    *_reals(
        "m3",
        1,
        [
            ("rain_m3", "rain on the parcel in that storm"),
            ("sewer_now_m3", "water that the sewer takes from the parcel now"),
            ("overland_now_m3", "water that runs off overland where it arose, now"),
        ],
    ),
    _real("balance_error_m3", "m3", 12, "rain less every term of the parcel's balance"),
    _real("score", "", 1, "overall score 0 to 100: the higher of its measures' scores"),
    _count("rank", "overall rank from the score; equal scores share a rank; null without a candidate"),
    _text("standing", "firm, likely or open: chance of being among the first 20; null until draws are run"),
    _text("best_candidate", "identifier of the candidate that gives the score"),
    _text("reasons", "what speaks for and against, in plain words"),
    _text("no_candidate_reason", "why the parcel has no candidate"),
)


def _parcel_columns_of(measure: str, title: str) -> tuple[Column, ...]:
    return (
        _real(f"score_{measure}", "", 1, f"{title}: highest score of its candidates"),
        _count(f"rank_{measure}", f"{title}: rank of the parcel"),
        _text(f"standing_{measure}", f"{title}: standing; null until draws are run"),
        _text(f"best_{measure}", f"{title}: identifier of the best candidate"),
        _text(f"reasons_{measure}", f"{title}: what speaks for and against"),
    )


_CANDIDATES: Final = (
    _text("candidate_id", "identifier: parcel, ground or roof, measure, place"),
    _text("parcel_id", "parcel that it lies in"),
    _text("parcel_name", "the caller's name of the site"),
    _text("measure", "measure"),
    _text("variant", "variant chosen by rule; the others stand in table options"),
    _text("variant_reason", "why this variant"),
    _text("ground", "paved ground, roof or pitch"),
    *_reals(
        "m2",
        1,
        [
            ("host_area_low_m2", "area where the measure can be put, low end"),
            ("host_area_m2", "area where the measure can be put"),
            ("host_area_high_m2", "area where the measure can be put, high end"),
            ("run_on_area_m2", "impermeable ground and roof that drains onto it by gravity"),
            ("connected_impermeable_m2", "connected impermeable area that it takes off, host and run-on"),
        ],
    ),
    *_reals(
        "",
        2,
        [
            ("run_on_ratio", "run-on area over host area"),
            ("drained_to_base_ratio", "host and run-on area over the base that soaks"),
        ],
    ),
    _text("receiving_now", "what receives the water now"),
    _text("receiving_after", "what receives it after"),
    _text("receiving_certainty", "how sure the receiving system is"),
    _text("zone_id", "sewer zone"),
    _text("subcatchment_id", "sub-catchment with the largest share"),
    _text("hollow_id", "hollow in which its overland water first gathers"),
    _real("infiltration_m_s", "m/s", 9, "infiltration rate used"),
    _text("infiltration_source", "where that rate comes from"),
    _real("safety_factor", "", 1, "divides the infiltration rate when the store is sized"),
    _real("groundwater_clearance_m", "m", 2, "from the base of the build-up to groundwater"),
    _real("slope_fraction", "", 3, "slope of the ground, rise over run"),
    _real("roof_pitch_deg", "degrees", 1, "pitch of the roof from the surface model"),
    _flag("is_unproven", "sized on an unknown or unproven property; read the range"),
    _real("store_depth_mm", "mm", 0, "depth of the storage layer chosen from the catalogue"),
    _text("storm_id", "storm that it was sized on (table storms)"),
    _flag("passes_sizing_storm", "takes that storm without overflow"),
    _real("passes_return_period_years", "years", 0, "greatest return period that it takes without overflow"),
    *_reals(
        "m3",
        1,
        [
            ("inflow_m3", "rain on it and run-on in that storm"),
            ("retained_low_m3", "retained, low end"),
            ("retained_m3", "soaks away, evaporates or stays below the outlet: gone from the sewer"),
            ("retained_high_m3", "retained, high end"),
            ("slowed_m3", "passes through the outlet later; never added to what is retained"),
            ("overflow_m3", "overflows in that storm"),
            ("second_storm_overflow_m3", "overflows in a 1-in-10 storm one day later"),
        ],
    ),
    _real("half_emptying_h", "h", 1, "time to half empty; null with the text 'never' in half_emptying"),
    _text("half_emptying", "half-emptying time in words"),
    *_reals(
        "m3/yr",
        0,
        [
            ("inflow_m3_yr", "mean yearly inflow over the rain series"),
            ("to_ground_m3_yr", "of it to the ground"),
            ("to_air_m3_yr", "of it to the air"),
            ("outlet_m3_yr", "of it through the outlet"),
            ("overflow_m3_yr", "of it over the top"),
        ],
    ),
    *_reals(
        "",
        2,
        [
            ("retained_fraction", "share of the yearly inflow that is retained"),
            ("slowed_fraction", "share of the yearly inflow that is slowed"),
            ("first_5mm_summer_fraction", "share of summer events whose first 5 mm leave nothing"),
            ("first_5mm_winter_fraction", "share of winter events whose first 5 mm leave nothing"),
        ],
    ),
    *_reals(
        "currency",
        -2,
        [
            ("cost_low", "cost, low end; a band at the price year, not a quotation"),
            ("cost", "cost"),
            ("cost_high", "cost, high end"),
            ("extra_cost_at_renewal", "cost beyond like-for-like renewal"),
            ("upkeep_per_yr", "upkeep a year"),
        ],
    ),
    _text("currency", "currency of the costs"),
    _count("price_year", "year of the prices"),
    _real("tonnes", "t", 0, "mass of the layers delivered"),
    _count("loads", "lorry loads of 20 t"),
    _real("load_kn_m2", "kN/m2", 2, "saturated load on the structure"),
    *_reals(
        "",
        1,
        [
            ("benefit_index", "benefit 0 to 100"),
            ("feasibility_index", "feasibility 0 to 100"),
            ("delivery_index", "delivery 0 to 100"),
            ("score", "weighted geometric mean of the three"),
        ],
    ),
    _count("rank", "rank among the candidates of its measure; equal scores share a rank"),
    _text("standing", "firm, likely or open; null until draws are run"),
    _text("reasons_for", "what speaks for it"),
    _text("reasons_against", "what speaks against it"),
    _text("unknowns", "what is not known about it"),
    _text("next_check", "the check that would settle most"),
    _text("cautions", "cautions for what it touches; local codes and licensed practice decide"),
)

_OPTIONS: Final = (
    _text("option_id", "candidate and variant"),
    _text("candidate_id", "candidate"),
    _text("measure", "measure"),
    _text("variant", "variant"),
    _flag("is_admissible", "no gate excludes it"),
    _flag("is_chosen", "chosen for the candidate"),
    _text("gates", "what excludes it"),
    _text("switches", "what moved the candidate to another variant"),
    _text("flags", "what needs a look"),
    _text("unknowns", "what is not known"),
    _text("reason", "in plain words"),
    _real("store_depth_mm", "mm", 0, "depth of the storage layer"),
    _flag("passes_sizing_storm", "takes the sizing storm without overflow"),
    *_reals(
        "m3",
        1,
        [
            ("retained_m3", "retained in the sizing storm"),
            ("slowed_m3", "slowed in the sizing storm"),
            ("overflow_m3", "overflow in the sizing storm"),
        ],
    ),
    _real("cost", "currency", -2, "cost at the price year"),
    _real("tonnes", "t", 0, "mass of the layers"),
)

_SUBCATCHMENTS: Final = (
    _text("subcatchment_id", "identifier"),
    _text("outlet_id", "outlet that it drains to"),
    _text("downstream_id", "sub-catchment below, empty at the edge"),
    *_reals(
        "m2",
        0,
        [
            ("area_m2", "area, cells times cell area"),
            ("impermeable_m2", "impermeable area"),
            ("connected_impermeable_m2", "impermeable area that is taken to drain to a sewer"),
        ],
    ),
    *_reals(
        "",
        4,
        [
            ("mean_slope_fraction", "mean slope"),
            ("slope_10_85_fraction", "slope between 10 and 85 % of the longest flow path"),
        ],
    ),
    _real("longest_path_m", "m", 0, "longest flow path"),
    _real("time_of_concentration_min", "min", 1, "by the method that the brief names, entry time included"),
    _flag("touches_data_edge", "the data end inside it: area and flow may be short"),
    _real("snap_distance_m", "m", 1, "how far its outlet point was moved to the flow"),
    _real("snap_area_ratio", "", 2, "contributing area after over before the move"),
    _text("storm_id", "storm of the volumes in this row (table storms)"),
    *_reals(
        "m3",
        0,
        [
            ("rain_m3", "rain"),
            ("sewer_now_m3", "taken by sewers now"),
            ("overland_now_m3", "overland, where it arose, now"),
        ],
    ),
    _real("overland_peak_l_s", "l/s", 0, "routed overland peak; peaks are never added"),
    _real("balance_error_m3", "m3", 12, "rain less every term of the balance"),
)

_FLOW_PATHS: Final = (
    _text("flow_path_id", "identifier"),
    _text("subcatchment_id", "sub-catchment"),
    _real("contributing_area_m2", "m2", 0, "ground that drains through its lower end"),
    _real("length_m", "m", 0, "length"),
)

_OUTLETS: Final = (
    _text("outlet_id", "identifier"),
    _text("subcatchment_id", "sub-catchment that drains here"),
    _real("contributing_area_m2", "m2", 0, "ground that drains here"),
)

_HOLLOWS: Final = (
    _text("hollow_id", "identifier"),
    _text("subcatchment_id", "sub-catchment"),
    _text("spills_into_id", "hollow that takes the spill, empty for outside"),
    *_reals(
        "m",
        2,
        [
            ("depth_m", "greatest depth at spill level"),
            ("spill_level_m", "level of the spill"),
            ("floor_level_m", "lowest ground"),
        ],
    ),
    _real("area_m2", "m2", 0, "wet area at spill level"),
    _real("volume_m3", "m3", 0, "volume to spill"),
    _real("contributing_area_m2", "m2", 0, "ground that drains into it first"),
    _count("property_points", "property points inside the outline at spill level; not a statement about any property"),
    _text("storm_id", "storm of the volumes in this row (table storms)"),
    *_reals(
        "m3",
        0,
        [
            ("inflow_m3", "overland water that reaches it, spills from above included"),
            ("held_m3", "held in it"),
            ("spill_m3", "spilled onward"),
        ],
    ),
)

_SURFACES: Final = (
    _text("surface_id", "identifier"),
    _text("parcel_id", "parcel, empty outside parcels"),
    _text("kind", "roof, road, paved, planted, water or unknown"),
    _text("cover_class", "cover class"),
    _text("building_id", "building, for a roof"),
    _real("area_m2", "m2", 2, "plan area"),
    *_reals(
        "",
        2,
        [
            ("impermeable_low_fraction", "impermeable share, low"),
            ("impermeable_fraction", "impermeable share"),
            ("impermeable_high_fraction", "impermeable share, high"),
            ("piped_fraction", "share of the runoff that goes to a sewer"),
            ("to_ground_fraction", "share of the runoff that goes to a soakaway or planted ground"),
            ("overland_fraction", "share of the runoff that runs off overland"),
        ],
    ),
    _text("source", "layer that it was counted from"),
)

_DATA_ISSUES: Final = (
    _text("issue_id", "identifier"),
    _text("severity", "repair, unknown or note"),
    _text("code", "stable code"),
    _text("role", "input"),
    _text("message", "what was found"),
    _text("cure", "what would settle it"),
    _text("file", "file"),
    _text("feature", "feature"),
)

_TERRAIN_EDITS: Final = (
    _text("edit_id", "identifier"),
    _text("kind", "culvert, underpass or raised building"),
    _text("source", "feature that asked for it"),
    _count("cells", "cells changed"),
    _real("level_before_m", "m", 2, "mean level of those cells before"),
    _real("level_after_m", "m", 2, "mean level of those cells after"),
)

_STORMS: Final = (
    _text("storm_id", "identifier"),
    _text("label", "in words"),
    _real("return_period_years", "years", 1, "return period; null for plain depths"),
    _real("duration_min", "min", 0, "duration"),
    _text("climate", "now or future"),
    _real("uplift", "", 2, "factor on the depth for climate"),
    _real("depth_mm", "mm", 1, "depth"),
    _text("profile", "shape over time"),
    _text("antecedent", "state of the ground before it"),
    _flag("is_sizing", "stores are sized on it"),
)

_WATER_BALANCE: Final = (
    _text("balance_id", "level, unit and storm"),
    _text("level", "parcel, sub-catchment, sewer zone, hollow or district"),
    _text("unit_id", "identifier of the unit"),
    _text("storm_id", "storm"),
    *_reals(
        "m3",
        3,
        [
            ("rain_m3", "rain"),
            ("inflow_m3", "from other units"),
            ("sewer_m3", "to sewers"),
            ("overland_m3", "overland, where it arose"),
            ("infiltration_m3", "into the ground"),
            ("evaporation_m3", "into the air"),
            ("store_change_m3", "left in stores and surface depressions"),
            ("held_in_hollows_m3", "held in hollows"),
            ("leaving_m3", "leaving overland"),
        ],
    ),
    _real("residual_m3", "m3", 12, "error of the balance: every term is summed on its own, none by difference"),
)

_RUN: Final = (
    _text("key", "what"),
    _text("value", "its value"),
)

LAYERS: Final[tuple[Layer, ...]] = (
    Layer("parcels", "Parcels with impermeable area, runoff now, scores and ranks", "MULTIPOLYGON", _PARCELS),
    Layer("candidates", "Candidates: a measure on a host area", "MULTIPOLYGON", _CANDIDATES),
    Layer("subcatchments", "Sub-catchments by terrain", "MULTIPOLYGON", _SUBCATCHMENTS),
    Layer("flow_paths", "Main overland flow paths", "MULTILINESTRING", _FLOW_PATHS),
    Layer("outlets", "Outlets of the sub-catchments", "POINT", _OUTLETS),
    Layer("hollows", "Hollows: where water could gather in a stated storm", "MULTIPOLYGON", _HOLLOWS),
    Layer("surfaces", "Surfaces: every square metre counted once", "MULTIPOLYGON", _SURFACES),
    Layer("data_issues", "Repairs, unknowns and notes on the data", "GEOMETRY", _DATA_ISSUES),
    Layer("terrain_edits", "Changes made to the ground before routing", "GEOMETRY", _TERRAIN_EDITS),
    Layer("options", "Every variant looked at, with what spoke against it", "", _OPTIONS),
    Layer("storms", "The storms that were run", "", _STORMS),
    Layer("water_balance", "The water balance at every level", "", _WATER_BALANCE),
    Layer("run", "What made this result, and its cautions", "", _RUN),
)


def layers_for(measures: Sequence[tuple[str, str]], keep_columns: Sequence[str] = ()) -> dict[str, Layer]:
    """Return the layers of one result, by name.

    Parameters
    ----------
    measures : sequence of (name, title)
        Each adds its columns to layer ``parcels``.
    keep_columns : sequence of str
        The caller's own parcel columns that stay, as text.
    """
    layers = {layer.name: layer for layer in LAYERS}
    parcels = layers["parcels"]
    added = tuple(column for name, title in measures for column in _parcel_columns_of(name, title))
    kept = tuple(_text(name, "kept from the caller's parcels") for name in keep_columns if name not in parcels.names)
    layers["parcels"] = Layer(parcels.name, parcels.title, parcels.geometry, parcels.columns + added + kept)
    return layers


def as_markdown(layers: Iterable[Layer]) -> str:
    """Render the layers as the Markdown tables that README carries."""
    lines: list[str] = []
    for layer in layers:
        lines += [f"**{layer.name}** — {layer.title}", "", "| column | type | unit | meaning |", "|---|---|---|---|"]
        lines += [f"| `{c.name}` | {c.type} | {c.unit} | {c.meaning} |" for c in layer.columns]
        lines.append("")
    return "\n".join(lines)

"""Every layer, table and column of a result: name, type, unit, decimals, meaning. The one place that says so.

The GeoPackage, its field comments, the CSV tables, README's table and the tests are all made from this.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from catchscreen.outputs.candidate_columns import CANDIDATES, OPTIONS
from catchscreen.outputs.columns import Column, Layer, count, flag, real, reals, text
from catchscreen.outputs.rain_columns import (
    CRITICAL_STORMS,
    GREENFIELD_RATES,
    PEAK_FLOWS,
    RAIN_DEPTHS,
    RAIN_MAXIMA,
    STORM_IN_WORDS,
)

SCHEMA_VERSION: Final = 1

_PARCELS: Final = (
    text("parcel_id", "the caller's identifier of the parcel"),
    text("name", "the caller's name of the site, where given"),
    text("land_use", "land use as given"),
    text("owner_class", "class of owner as given; empty means unknown"),
    count("renewal_year", "year in which the surface is due for renewal, as given"),
    flag("is_on_elevation", "the parcel lies wholly on the elevation raster"),
    *reals(
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
    text("storm_id", "reference storm of this row's volumes (table storms); candidates stand in their sizing storm"),
    text("storm", STORM_IN_WORDS),
    *reals(
        "m3",
        1,
        [
            ("rain_m3", "rain on the parcel in that storm"),
            ("sewer_now_m3", "water that the sewer takes from the parcel now"),
            ("overland_now_m3", "water that runs off overland where it arose, now"),
        ],
    ),
    real("balance_error_m3", "m3", 12, "rain less every term of the parcel's balance"),
    real("score", "", 1, "overall score 0 to 100: the higher of its measures' scores"),
    count("rank", "overall rank from the score; equal scores share a rank; null without a candidate"),
    text("standing", "firm, likely or open: chance of being among the first 20; null until draws are run"),
    text("best_candidate", "identifier of the candidate that gives the score"),
    text("reasons", "what speaks for and against, in plain words"),
    text("no_candidate_reason", "why the parcel has no candidate"),
)


def _parcel_columns_of(measure: str, title: str) -> tuple[Column, ...]:
    return (
        real(f"score_{measure}", "", 1, f"{title}: highest score of its candidates"),
        count(f"rank_{measure}", f"{title}: rank of the parcel"),
        text(f"standing_{measure}", f"{title}: standing; null until draws are run"),
        text(f"best_{measure}", f"{title}: identifier of the best candidate"),
        text(f"reasons_{measure}", f"{title}: what speaks for and against"),
    )


_SUBCATCHMENTS: Final = (
    text("subcatchment_id", "identifier"),
    text("outlet_id", "outlet that it drains to"),
    text("downstream_id", "sub-catchment below, empty at the edge"),
    *reals(
        "m2",
        0,
        [
            ("area_m2", "area, cells times cell area"),
            ("impermeable_m2", "impermeable area"),
            ("connected_impermeable_m2", "impermeable area that is taken to drain to a sewer"),
        ],
    ),
    *reals(
        "",
        4,
        [
            ("mean_slope_fraction", "mean slope"),
            ("slope_10_85_fraction", "slope between 10 and 85 % of the longest flow path"),
        ],
    ),
    real("longest_path_m", "m", 0, "longest flow path"),
    real("time_of_concentration_min", "min", 1, "by the method that the brief names, entry time included"),
    flag("touches_data_edge", "the data end inside it: area and flow may be short"),
    real("snap_distance_m", "m", 1, "how far its outlet point was moved to the flow"),
    real("snap_area_ratio", "", 2, "contributing area after over before the move"),
    text("storm_id", "reference storm of the volumes and the peak in this row (table storms)"),
    text("storm", STORM_IN_WORDS),
    *reals(
        "m3",
        0,
        [
            ("rain_m3", "rain"),
            ("sewer_now_m3", "taken by sewers now"),
            ("overland_now_m3", "overland, where it arose, now"),
        ],
    ),
    real("overland_peak_l_s", "l/s", 0, "routed overland peak; peaks are never added"),
    real("balance_error_m3", "m3", 12, "rain less every term of the balance"),
)

_FLOW_PATHS: Final = (
    text("flow_path_id", "identifier"),
    text("subcatchment_id", "sub-catchment"),
    real("contributing_area_m2", "m2", 0, "ground that drains through its lower end"),
    real("length_m", "m", 0, "length"),
)

_OUTLETS: Final = (
    text("outlet_id", "identifier"),
    text("subcatchment_id", "sub-catchment that drains here"),
    real("contributing_area_m2", "m2", 0, "ground that drains here"),
)

_HOLLOWS: Final = (
    text("hollow_id", "identifier"),
    text("subcatchment_id", "sub-catchment"),
    text("spills_into_id", "hollow that takes the spill, empty for outside"),
    *reals(
        "m",
        2,
        [
            ("depth_m", "greatest depth at spill level"),
            ("spill_level_m", "level of the spill"),
            ("floor_level_m", "lowest ground"),
        ],
    ),
    real("area_m2", "m2", 0, "wet area at spill level"),
    real("volume_m3", "m3", 0, "volume to spill"),
    real("contributing_area_m2", "m2", 0, "ground that drains into it first"),
    count("property_points", "property points inside the outline at spill level; not a statement about any property"),
    text("storm_id", "reference storm of the volumes in this row (table storms)"),
    text("storm", STORM_IN_WORDS),
    *reals(
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
    text("surface_id", "identifier"),
    text("parcel_id", "parcel, empty outside parcels"),
    text("kind", "roof, road, paved, planted, water or unknown"),
    text("cover_class", "cover class"),
    text("building_id", "building, for a roof"),
    real("area_m2", "m2", 2, "plan area"),
    *reals(
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
    text("source", "layer that it was counted from"),
)

_DATA_ISSUES: Final = (
    text("issue_id", "identifier"),
    text("severity", "repair, unknown or note"),
    text("code", "stable code"),
    text("role", "input"),
    text("message", "what was found"),
    text("cure", "what would settle it"),
    text("file", "file"),
    text("feature", "feature"),
)

_TERRAIN_EDITS: Final = (
    text("edit_id", "identifier"),
    text("kind", "culvert, underpass or raised building"),
    text("source", "feature that asked for it"),
    count("cells", "cells changed"),
    real("level_before_m", "m", 2, "mean level of those cells before"),
    real("level_after_m", "m", 2, "mean level of those cells after"),
)

_STORMS: Final = (
    text("storm_id", "identifier"),
    text("label", "in words"),
    real("return_period_years", "years", 1, "return period; null for plain depths"),
    real("duration_min", "min", 0, "duration"),
    text("climate", "now or future"),
    real("uplift", "", 2, "factor on the depth for climate"),
    real("depth_mm", "mm", 1, "depth"),
    text("profile", "shape over time"),
    text("season", "season of the profile, where it has one"),
    text("antecedent", "state of the ground before it; baked is an assumption"),
    flag("is_sizing", "stores are sized on it"),
)

_WATER_BALANCE: Final = (
    text("balance_id", "level, unit and storm"),
    text("level", "parcel, sub-catchment, sewer zone, hollow or district"),
    text("unit_id", "identifier of the unit"),
    text("storm_id", "storm (table storms)"),
    text("storm", STORM_IN_WORDS),
    *reals(
        "m3",
        3,
        [
            ("rain_m3", "rain"),
            ("inflow_m3", "from other units"),
            ("passed_on_m3", "to other units"),
            ("sewer_m3", "to sewers"),
            ("watercourse_m3", "to watercourses through outlets"),
            ("overland_m3", "overland, where it arose"),
            ("infiltration_m3", "into the ground"),
            ("evaporation_m3", "into the air"),
            ("store_change_m3", "left in stores and surface depressions"),
            ("held_in_hollows_m3", "held in hollows"),
            ("leaving_m3", "leaving overland"),
        ],
    ),
    real("residual_m3", "m3", 12, "error of the balance: every term is summed on its own, none by difference"),
)

_RUN: Final = (
    text("key", "what"),
    text("value", "its value"),
)

LAYERS: Final[tuple[Layer, ...]] = (
    Layer("parcels", "Parcels with impermeable area, runoff now, scores and ranks", "MULTIPOLYGON", _PARCELS),
    Layer("candidates", "Candidates: a measure on a host area", "MULTIPOLYGON", CANDIDATES),
    Layer("subcatchments", "Sub-catchments by terrain", "MULTIPOLYGON", _SUBCATCHMENTS),
    Layer("flow_paths", "Main overland flow paths", "MULTILINESTRING", _FLOW_PATHS),
    Layer("outlets", "Outlets of the sub-catchments", "POINT", _OUTLETS),
    Layer("hollows", "Hollows: where water could gather in a stated storm", "MULTIPOLYGON", _HOLLOWS),
    Layer("surfaces", "Surfaces: every square metre counted once", "MULTIPOLYGON", _SURFACES),
    Layer("data_issues", "Repairs, unknowns and notes on the data", "GEOMETRY", _DATA_ISSUES),
    Layer("terrain_edits", "Changes made to the ground before routing", "GEOMETRY", _TERRAIN_EDITS),
    Layer("options", "Every variant looked at, with what spoke against it", "", OPTIONS),
    Layer("storms", "The storms that were run", "", _STORMS),
    Layer("rain_depths", "Rain depths by duration and return period, with confidence limits", "", RAIN_DEPTHS),
    Layer("rain_maxima", "Annual maxima of the rain record", "", RAIN_MAXIMA),
    Layer("peak_flows", "Piped and overland peaks, and a check beside them", "", PEAK_FLOWS),
    Layer("critical_storms", "The worst duration of each target: pointers, not sums", "", CRITICAL_STORMS),
    Layer("greenfield_rates", "Rates of undeveloped ground, where confirmed to apply", "", GREENFIELD_RATES),
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
    kept = tuple(text(name, "kept from the caller's parcels") for name in keep_columns if name not in parcels.names)
    layers["parcels"] = Layer(parcels.name, parcels.title, parcels.geometry, parcels.columns + added + kept)
    return layers

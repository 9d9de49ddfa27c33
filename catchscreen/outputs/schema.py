"""Every layer, table and column of a result: name, type, unit, decimals, meaning. The one place that says so.

The GeoPackage, its field comments, the CSV tables, README's table and the tests are all made from this.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from catchscreen.outputs.candidate_columns import CANDIDATES, CRITERIA, OPTIONS, RULES
from catchscreen.outputs.columns import Column, Layer, count, flag, real, reals, text
from catchscreen.outputs.rain_columns import (
    CRITICAL_STORMS,
    GREENFIELD_RATES,
    PEAK_FLOWS,
    RAIN_DEPTHS,
    RAIN_MAXIMA,
    STORM_IN_WORDS,
)
from catchscreen.outputs.terrain_columns import (
    FLOW_PATHS,
    HOLLOW_CURVES,
    HOLLOW_PARTS,
    HOLLOWS,
    HOLLOWS_BLOCKED,
    LONGEST_PATHS,
    OUTLETS,
    SUBCATCHMENTS,
    SUSPECTED_CULVERTS,
    TERRAIN_EDITS,
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
    real("score_low", "", 1, "that score with every unknown of its candidate at its worst"),
    real("score_high", "", 1, "that score with every unknown of its candidate at its best"),
    text("score_rests_on", "how many of the criteria that concern it are known, and their share of the weight"),
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
    text("level", "parcel, subcatchment, sewer_zone, hollow or district"),
    text("unit_id", "identifier of the unit"),
    text("storm_id", "storm (table storms)"),
    text("storm", STORM_IN_WORDS),
    *reals(
        "m3",
        3,
        [
            ("rain_m3", "rain"),
            ("inflow_m3", "from other units"),
            ("passed_on_m3", "to other units as run-on and overflow; 0 as things are now, without measures"),
            ("sewer_m3", "to sewers"),
            ("watercourse_m3", "to watercourses through outlets of measures; 0 as things are now"),
            ("overland_m3", "overland, where it arose"),
            ("infiltration_m3", "into the ground"),
            ("evaporation_m3", "into the air; 0 in a single storm, where none is reckoned"),
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
    Layer(
        "candidates",
        "Candidates: a measure on a host area; set aside without variant, with the reason",
        "MULTIPOLYGON",
        CANDIDATES,
    ),
    Layer("subcatchments", "Sub-catchments by terrain", "MULTIPOLYGON", SUBCATCHMENTS),
    Layer("flow_paths", "Main overland flow paths", "MULTILINESTRING", FLOW_PATHS),
    Layer("outlets", "Outlets of the sub-catchments", "POINT", OUTLETS),
    Layer("hollows", "Hollows: where water could gather in a stated storm", "MULTIPOLYGON", HOLLOWS),
    Layer("hollows_blocked", "Hollows there only while culverts are blocked", "MULTIPOLYGON", HOLLOWS_BLOCKED),
    Layer("hollow_parts", "The tree of hollows: how they merge and spill", "", HOLLOW_PARTS),
    Layer("hollow_curves", "Area and volume of each hollow by level", "", HOLLOW_CURVES),
    Layer("longest_paths", "Longest flow path of each sub-catchment", "MULTILINESTRING", LONGEST_PATHS),
    Layer("suspected_culverts", "Banks that may hide a culvert: proposed only", "MULTILINESTRING", SUSPECTED_CULVERTS),
    Layer("surfaces", "Surfaces: every square metre counted once", "MULTIPOLYGON", _SURFACES),
    Layer("data_issues", "Repairs, unknowns and notes on the data", "GEOMETRY", _DATA_ISSUES),
    Layer("terrain_edits", "Changes made to the ground before routing", "GEOMETRY", TERRAIN_EDITS),
    Layer("options", "Every variant looked at, with what spoke against it", "", OPTIONS),
    Layer("criteria", "What the ranking weighs, with the weights asked for and used", "", CRITERIA),
    Layer("rules", "Gates, switches, flags, grades and numbers of the measures, each with its source", "", RULES),
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

"""The columns of the terrain's layers: sub-catchments, outlets, paths, hollows in both states, edits, suspects."""

from __future__ import annotations

from typing import Final

from catchscreen.outputs.columns import count, flag, real, reals, text
from catchscreen.outputs.rain_columns import STORM_IN_WORDS

SUBCATCHMENTS: Final = (
    text("subcatchment_id", "identifier"),
    text("outlet_id", "outlet that it drains to; with sub-catchments by hollow, the hollow"),
    text("kind", "what its outlet is: given, hollow, by size, data edge, or several places along the data edge"),
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
    text("time_of_concentration_method", "method that the brief names: kirpich, velocity, nrcs_lag, bransby_williams"),
    *reals(
        "min",
        1,
        [
            ("time_of_concentration_min", "by that method, not below the entry time"),
            ("time_of_concentration_low_min", "shortest of the four methods, not below the entry time"),
            ("time_of_concentration_high_min", "longest of the four methods, not below the entry time"),
            ("time_kirpich_min", "Kirpich 1940: length and fall of the longest path"),
            ("time_velocity_min", "velocity method of TR-55: 30 m of sheet flow, then shallow flow on paved ground"),
            ("time_nrcs_lag_min", "watershed lag of NEH 630 chapter 15 over 0.6"),
            ("time_bransby_williams_min", "Bransby Williams: length, fall and area"),
        ],
    ),
    flag("touches_data_edge", "some of its ground lies at the edge of the data"),
    real("edge_inflow_m", "m", 0, "length of data edge at which ground falls into it: water from beyond is missing"),
    real(
        "missing_buffer_m",
        "m",
        0,
        "estimate of how far beyond that edge ground drains in: median distance in which ground climbs, at its slope"
        " there, to the highest level of the data; 0 where none comes in, null where the data do not tell",
    ),
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
    text("critical_storm_id", "storm of the worst duration for that peak at the same return period: a pointer"),
    flag("is_calibrated", "connection and capacity were fitted to something observed; no: uncalibrated"),
    real("balance_error_m3", "m3", 12, "rain less every term of the balance"),
)

FLOW_PATHS: Final = (
    text("flow_path_id", "identifier"),
    text("subcatchment_id", "sub-catchment"),
    real("contributing_area_m2", "m2", 0, "ground that drains through its lower end"),
    real("length_m", "m", 0, "length"),
    text("passes_hollows", "hollows that it leads through"),
    text("passes_buildings", "buildings that it passes within a cell of their footprint"),
    text("passes_parcels", "parcels that it leads through"),
)

OUTLETS: Final = (
    text("outlet_id", "identifier"),
    text("subcatchment_id", "sub-catchment that drains here"),
    text("kind", "given, hollow, by size, data edge, or several places along the data edge"),
    real("contributing_area_m2", "m2", 0, "all ground that drains here: the sub-catchment and all above it"),
    real("own_area_m2", "m2", 0, "the part of it that no outlet above takes: the area of the sub-catchment"),
    real(
        "through_this_point_m2",
        "m2",
        0,
        "what of it passes the point: less, where a sub-catchment leaves the data at several places, the strongest of"
        " which this is",
    ),
)

HOLLOWS: Final = (
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
    real("contributing_area_m2", "m2", 0, "ground that drains to its spill point when all hollows above are full"),
    real("own_area_m2", "m2", 0, "ground whose water first gathers in it"),
    real(
        "persistence_fraction",
        "",
        2,
        "share of grounds perturbed by a spatially correlated error in which it still passes the filters; null without"
        " draws",
    ),
    text("blocked_id", "hollow of layer hollows_blocked that takes it in while culverts are blocked; else empty"),
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

HOLLOWS_BLOCKED: Final = (
    text("blocked_id", "identifier"),
    text("subcatchment_id", "sub-catchment"),
    text("culvert_sources", "culverts that drain it while they are open"),
    text("hollow_ids", "hollows inside its outline that are there with the culverts open"),
    real("volume_open_m3", "m3", 0, "what those hold: the volume to spill with the culverts open"),
    real("volume_m3", "m3", 0, "volume to spill with every culvert blocked"),
    real("area_m2", "m2", 0, "wet area at spill level, blocked"),
    real("depth_m", "m", 2, "greatest depth at spill level, blocked"),
    real("spill_level_m", "m", 2, "level of the spill, blocked"),
    real("floor_level_m", "m", 2, "lowest ground"),
    real("contributing_area_m2", "m2", 0, "ground that drains to its spill point"),
    real("capacity_l_s", "l/s", 0, "what the culverts carry together, as given; null unless given for each"),
    real("capacity_mm_h", "mm/h", 2, "the same as runoff from the contributing area: above it water backs up here"),
)

HOLLOW_PARTS: Final = (
    text("part_id", "that of the hollow for an outermost one; a part inside has a number added"),
    text("hollow_id", "outermost hollow that it belongs to"),
    text("merges_into_id", "part that it is a half of when both are full; empty for an outermost one"),
    text("spills_into_id", "what takes its water first when it is full; empty for outside"),
    *reals(
        "m",
        2,
        [
            ("depth_m", "greatest depth at its own spill level"),
            ("floor_level_m", "lowest ground"),
            ("spill_level_m", "level at which it spills or merges"),
        ],
    ),
    real("area_m2", "m2", 0, "wet area at that level"),
    real("volume_m3", "m3", 1, "volume to that level"),
    real("spill_x", "m", 2, "spill point, easting"),
    real("spill_y", "m", 2, "spill point, northing"),
)

HOLLOW_CURVES: Final = (
    text("point_id", "hollow and step"),
    text("hollow_id", "hollow"),
    real("level_m", "m", 3, "water level, in ten steps from the floor to the spill"),
    real("area_m2", "m2", 0, "wet area at that level"),
    real("volume_m3", "m3", 1, "volume at that level"),
)

LONGEST_PATHS: Final = (
    text("subcatchment_id", "sub-catchment"),
    real("length_m", "m", 0, "length from the farthest cell to the outlet, along the cells"),
    real("upper_level_m", "m", 2, "level of the upper end, on the filled ground"),
    real("lower_level_m", "m", 2, "level of the lower end, on the filled ground"),
    real("mean_fall_fraction", "", 4, "fall over length"),
    real("slope_10_85_fraction", "", 4, "slope between 10 and 85 % of the length, from the outlet"),
)

SUSPECTED_CULVERTS: Final = (
    text("suspect_id", "identifier"),
    text("hollow_id", "hollow that the bank dams"),
    real("volume_behind_m3", "m3", 0, "what stands behind the bank above the upper end"),
    real("bank_height_m", "m", 2, "highest ground on the line above the upper end"),
    real("length_m", "m", 0, "length of the line"),
    text("kind", "culvert, as the culverts input says it: copy the row there if the way exists"),
    real("upstream_level_m", "m", 2, "ground at the upper end"),
    real("downstream_level_m", "m", 2, "ground at the lower end"),
)

TERRAIN_EDITS: Final = (
    text("edit_id", "identifier"),
    text("kind", "watercourse (lowered), building or wall (raised), underpass, culvert, or cut (depression opened)"),
    text("source", "feature that asked for it"),
    count("cells", "cells changed"),
    real("level_before_m", "m", 2, "mean level of those cells before"),
    real("level_after_m", "m", 2, "mean level of those cells after"),
    real("lowest_before_m", "m", 2, "lowest of those cells before"),
    real("lowest_after_m", "m", 2, "lowest of those cells after"),
    real("capacity_l_s", "l/s", 0, "what a culvert carries, as given"),
    text("blocked_id", "for a culvert: the hollow of layer hollows_blocked that would stand behind it"),
)

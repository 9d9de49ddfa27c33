"""What the ground does: routing, sub-catchments and hollows."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.records.arrays import Ints


@dataclass(frozen=True, slots=True)
class HollowTree:
    """Closed depressions, nested, as flat arrays over hollow number 0..n-1 (n hollows, merged parents included).

    parent : number of the hollow that this one merges into when both are full, or -1.
    spills_into : hollow that receives the spill, or -1 for outside.
    spill_ticks, floor_ticks : int64 ticks of 0.1 mm. pass_cell, floor_cell : flat cell numbers.
    curve_start : (n+1,) offsets into curve_ticks, curve_cells, curve_volume_ticks (cells wet at and below each level,
    volume in ticks x cells), ascending levels from floor to spill.
    """

    parent: Ints
    spills_into: Ints
    spill_ticks: Ints
    floor_ticks: Ints
    pass_cell: Ints
    floor_cell: Ints
    curve_start: Ints
    curve_ticks: Ints
    curve_cells: Ints
    curve_volume_ticks: Ints


@dataclass(frozen=True, slots=True)
class Terrain:
    """The ground made ready, routed and divided.

    conditioned_ticks, filled_ticks : (rows, cols) int32. receiver : (rows, cols) int64 flat cell number of the cell
    that takes the flow, -1 at outlets and outside. accumulation_cells : (rows, cols) int64, itself counted.
    subcatchment_label, hollow_label : (rows, cols) int32, row number in ``subcatchments`` / ``hollows`` or -1; the
    hollow label marks the ground whose water first gathers in that (kept, outermost) hollow, not only its wet cells.
    slope_fraction : (rows, cols) float32, rise over run after Horn, NaN outside.

    subcatchments : index subcatchment_id, polygons; outlet_id, area_m2, cells, mean_slope_fraction,
    slope_10_85_fraction, longest_path_m, time_of_concentration_min, downstream_id, touches_data_edge, snap_distance_m,
    snap_area_ratio; kind, time_of_concentration_method, _low_min and _high_min, time_<method>_min, edge_inflow_m,
    missing_buffer_m (see ``terrain.edge.edge_columns``).
    outlets : index outlet_id, points; subcatchment_id, own_area_m2, contributing_area_m2 (with all above it),
    through_this_point_m2 (less, where a sub-catchment leaves the data at many places), kind.
    hollows : index hollow_id, polygons at spill level; depth_m, area_m2, volume_m3, spill_level_m, floor_level_m,
    contributing_area_m2, spills_into_id, subcatchment_id, spill_x, spill_y, tree_number, persistence_fraction,
    blocked_id.
    flow_paths : index flow_path_id, lines; contributing_area_m2, subcatchment_id, length_m, passes_buildings,
    passes_parcels, passes_hollows (ids, joined by commas).
    edits : index edit_id; kind (watercourse, building, wall, underpass, culvert, cut), level_before_m, level_after_m
    (means of the cells), lowest_before_m, lowest_after_m, cells, source, capacity_l_s, blocked_id.
    suspects : index suspect_id, lines through banks that may hide culverts; hollow_id, volume_behind_m3, bank_height_m,
    length_m, kind, upstream_level_m, downstream_level_m. Proposed only: nothing is changed.
    blocked : index blocked_id, polygons of the hollows that are there, or larger, only while every culvert is blocked;
    depth_m, area_m2, volume_m3, spill_level_m, floor_level_m, contributing_area_m2, hollow_ids, volume_open_m3,
    culvert_sources, capacity_l_s, capacity_mm_h, subcatchment_id. None without culverts.
    longest_paths : index subcatchment_id, lines downhill; length_m, upper_level_m, lower_level_m, mean_fall_fraction,
    slope_10_85_fraction.
    hollow_parts : index part_id, every kept hollow of the tree; hollow_id, merges_into_id, spills_into_id, depth_m,
    floor_level_m, spill_level_m, area_m2, volume_m3, spill_x, spill_y. hollow_curves : index point_id; hollow_id,
    level_m, area_m2, volume_m3.
    tree_label : (rows, cols) int32, number in ``hollow_tree`` of the smallest kept hollow that takes its water first.
    """

    grid: Grid
    conditioned_ticks: NDArray[np.int32]
    filled_ticks: NDArray[np.int32]
    valid: NDArray[np.bool_]
    receiver: Ints
    accumulation_cells: Ints
    subcatchment_label: NDArray[np.int32]
    hollow_label: NDArray[np.int32]
    slope_fraction: NDArray[np.float32]
    subcatchments: gpd.GeoDataFrame
    outlets: gpd.GeoDataFrame
    hollows: gpd.GeoDataFrame
    flow_paths: gpd.GeoDataFrame
    edits: gpd.GeoDataFrame
    hollow_tree: HollowTree
    tree_label: NDArray[np.int32] | None = None
    suspects: gpd.GeoDataFrame | None = None
    blocked: gpd.GeoDataFrame | None = None
    longest_paths: gpd.GeoDataFrame | None = None
    hollow_parts: pd.DataFrame | None = None
    hollow_curves: pd.DataFrame | None = None

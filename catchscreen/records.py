"""What the stages hand to each other: frozen records of arrays and frames.

Everywhere: unknown is NaN, NA or "" (never a number that means "none"); frames are sorted by a stable string id that is
their index; depths mm, areas m2 on plan, volumes m3, rates mm/h or m/s as the name says; geometry is in the result's
CRS. Column lists below are contracts: a stage may add columns of its own, never rename these.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from catchscreen.grid import Grid

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Raster:
    """Values (rows, cols) on a grid, float64 for levels [m], integers for classes; ``valid`` marks those with one."""

    grid: Grid
    values: NDArray[np.float64] | NDArray[np.int64]
    valid: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Inputs:
    """Everything read, checked, repaired and brought into the elevation's CRS; a layer not given is None: unknown.

    ground_ticks : (rows, cols) int32, ground level in ticks of 0.1 mm; ground_valid : bool, False outside and in holes.
    parcels : index parcel_id; land_use, owner_class, renewal_year (float), social_decile (float), ground_fraction
    (share of the parcel on ground with a level; 0: off the raster), keep_columns.
    buildings : index building_id; height_m, year_built, use, deck, ballast, spare_load_kn_m2, reroof_year, is_listed.
    roads : polygons (lines get a width); road_class ("carriageway" or "footway"), is_adopted, utility_density.
    land_cover : polygons with cover_class, or a Raster of class codes with ``cover_classes`` code -> class name.
    soils : index soil_id; infiltration_m_s, infiltration_low_m_s, infiltration_high_m_s, texture, hydrologic_group.
    groundwater : depth_m below ground, geometry polygons or points, or a Raster of depth.
    constraints : kind, rule ("gate", "switch", "flag"), reason, source_file.
    sewer_zones : index zone_id; sewer_kind ("combined", "separate", "none"), outfall, capacity_mm_h (mid, low, high).
    storm_overflows : index overflow_id; spills_per_year, zone_id. outlets : index outlet_id, points.
    culverts : index culvert_id, lines; kind ("culvert", "underpass"), upstream_level_m, downstream_level_m, width_m.
    property_points : index property_id; use. recorded_floods : date, depth_m. supply_points : product, price_per_t.
    evidence : index evidence_id, points; kind ("infiltration" in m/s, "groundwater" in m, "roof_structure",
    "sewer_connection", "utility", "outfall_level" in m, "other"), value, unit, depth_m, date, method, reach_m,
    document, tester_role. social_index : social_decile. trees : root_radius_m. constraints also carry face_height_m.
    """

    crs: CRS
    grid: Grid
    ground_ticks: NDArray[np.int32]
    ground_valid: NDArray[np.bool_]
    parcels: gpd.GeoDataFrame
    district: BaseGeometry
    buildings: gpd.GeoDataFrame | None = None
    roads: gpd.GeoDataFrame | None = None
    land_cover: gpd.GeoDataFrame | Raster | None = None
    cover_classes: Mapping[int, str] = field(default_factory=dict)
    surface_model: Raster | None = None
    soils: gpd.GeoDataFrame | None = None
    groundwater: gpd.GeoDataFrame | Raster | None = None
    constraints: gpd.GeoDataFrame | None = None
    sewer_zones: gpd.GeoDataFrame | None = None
    storm_overflows: gpd.GeoDataFrame | None = None
    outlets: gpd.GeoDataFrame | None = None
    watercourses: gpd.GeoDataFrame | None = None
    culverts: gpd.GeoDataFrame | None = None
    property_points: gpd.GeoDataFrame | None = None
    social_index: gpd.GeoDataFrame | None = None
    utilities: gpd.GeoDataFrame | None = None
    trees: gpd.GeoDataFrame | None = None
    heritage: gpd.GeoDataFrame | None = None
    supply_points: gpd.GeoDataFrame | None = None
    recorded_floods: gpd.GeoDataFrame | None = None
    evidence: gpd.GeoDataFrame | None = None
    cover_override: gpd.GeoDataFrame | None = None
    """The user's own polygons with cover_class (ground_use, piped_fraction, to_ground_fraction); they win."""
    rain_table: pd.DataFrame | None = None
    """Depth [mm]; index duration_min (ascending), columns return period in years (float, ascending)."""
    rain_series: pd.Series | None = None
    """Depth [mm] per step; index UTC timestamps of the step's start, evenly spaced; gaps are NaN."""
    evaporation: pd.Series | None = None
    """Potential evaporation [mm/day]; index month 1..12 or UTC timestamps."""


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
    snap_area_ratio.
    outlets : index outlet_id, points; subcatchment_id, contributing_area_m2.
    hollows : index hollow_id, polygons at spill level; depth_m, area_m2, volume_m3, spill_level_m, floor_level_m,
    contributing_area_m2, spills_into_id, subcatchment_id, spill_x, spill_y, tree_number.
    flow_paths : index flow_path_id, lines; contributing_area_m2, subcatchment_id.
    edits : index edit_id; kind, level_before_m, level_after_m, cells, source.
    suspects : index suspect_id, lines through banks that may hide culverts; hollow_id, volume_behind_m3, bank_height_m,
    length_m. Proposed only: nothing is changed.
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


@dataclass(frozen=True, slots=True)
class Cover:
    """What lies on the ground, counted once.

    surfaces : index surface_id, polygons (disjoint); parcel_id ("" outside), kind ("roof", "road", "paved", "planted",
    "water", "unknown"), cover_class, building_id (""), area_m2, impermeable_low_fraction, impermeable_fraction,
    impermeable_high_fraction, piped_fraction, to_ground_fraction, overland_fraction (of runoff, sum 1), source;
    also ground_use, road_class, is_adopted, piped_low_fraction, piped_high_fraction, connection_source.
    ledger : one row for each distinct surface x subcatchment x hollow x soil x sewer zone, area_m2; columns surface_id,
    parcel_id, subcatchment_id, hollow_id, soil_id, zone_id ("" where none or unknown) and the surface's attributes
    above. Ground outside parcels is in it too: every total of every level is a sum over this frame.
    patches : index patch_id, polygons; contiguous paved ground or roof of one parcel: parcel_id, ground ("paved",
    "roof"), cover_class, area_m2, width_m, building_id, slope_fraction, zone_id, soil_id, subcatchment_id, hollow_id
    (largest share), and for roofs pitch_deg, flat_fraction, plane_error_m, height_m, usable_area_m2, roof_state
    ("fitted", "unknown"), roof_reason; also ground_use, is_road, is_adopted, ground_level_m, planted_run_on_m2 (planted
    ground that drains onto it), aspect_deg, plane_count, plant_fraction.
    links : patch_id (receives), surface_id (gives), area_m2, way ("gravity", "roof_pipe"); within one parcel; each
    surface may be listed for several patches, but runs on to one candidate only.
    roofs : index building_id, the fitted planes' summary.
    """

    surfaces: gpd.GeoDataFrame
    ledger: pd.DataFrame
    patches: gpd.GeoDataFrame
    links: pd.DataFrame
    roofs: pd.DataFrame


@dataclass(frozen=True, slots=True)
class Storms:
    """Design storms: one rain field per storm for the whole district.

    storms : index storm_id; label, return_period_years (NaN for plain depths), duration_min, uplift, depth_mm, profile,
    season, climate ("now", "future"), antecedent, is_sizing (bool).
    depths_mm : storm_id -> (steps,) float64 depth per step; step_min : storm_id -> minutes per step (at most 5).
    """

    storms: pd.DataFrame
    depths_mm: Mapping[str, Floats]
    step_min: Mapping[str, float]

    @property
    def sizing_ids(self) -> tuple[str, ...]:
        """Return the storms that stores are sized on."""
        return tuple(self.storms.index[self.storms["is_sizing"].astype(bool)])


@dataclass(frozen=True, slots=True)
class StormRuns:
    """The water ledger of every storm, closed at every level.

    balance : level ("piece" left out; "parcel", "subcatchment", "sewer_zone", "hollow", "district"), unit_id, storm_id,
    rain_m3, inflow_m3, sewer_m3, overland_m3, infiltration_m3, evaporation_m3, store_change_m3, held_in_hollows_m3,
    leaving_m3, residual_m3 (each term summed on its own, never by difference).
    runoff_mm : storm_id -> (ledger rows,) depth that left each piece over the storm; overland_m3 : the same for W.
    runoff_steps_mm : storm_id -> (loss classes, steps) and ``loss_class`` (ledger rows,) number of each row's class, so
    that the hydrograph left by any piece can be rebuilt.
    capture_fraction : storm_id -> (zones, steps) share of the offered water that the sewer takes; ``zones`` the order.
    peaks : subcatchment_id, storm_id, overland_peak_l_s, piped_peak_l_s, time_of_peak_min. Also in balance:
    watercourse_m3 (outlets to a watercourse), passed_on_m3 (run-on and overflow given to other units). In peaks:
    zone_id (rows with a zone carry the piped peak, rows with a sub-catchment the overland one), rational_check_l_s.
    critical : level, unit_id, quantity, return_period_years, climate, uplift, season, storm_id, duration_min, value:
    the worst duration of each target. candidates : store_id, storm_id, each candidate's terms in the ledger (after).
    """

    balance: pd.DataFrame
    zones: tuple[str, ...]
    loss_class: Ints
    runoff_mm: Mapping[str, Floats]
    overland_m3: Mapping[str, Floats]
    runoff_steps_mm: Mapping[str, Floats]
    capture_fraction: Mapping[str, Floats]
    peaks: pd.DataFrame
    critical: pd.DataFrame = field(default_factory=pd.DataFrame)
    candidates: pd.DataFrame = field(default_factory=pd.DataFrame)


@dataclass(frozen=True, slots=True)
class Stores:
    """Parameters of n generic stores (any measure), arrays of shape (n,); a part is switched off by zero.

    Depths are mm of water over the host's plan area unless "base" is in the name (over the base area that soaks).
    host_area_m2, base_area_m2, run_on_area_m2 [m2].
    wetting_mm : depression and wetting layer on top, emptied by evaporation.
    intake_mm_h : rate at which the surface lets water in, clogging already allowed for (inf: no limit).
    substrate_mm : water held between wilting point and field capacity (green roof); substrate_start_fraction at the
    storm's start; evaporation_factor : crop factor on potential evaporation.
    void_mm : water that the void store holds when full; sill_mm : part of it below the outlet (retained, not slowed).
    outlet_mm_h : outflow at full head above the sill, outlet_exponent 0.5 (orifice) or 1 (linear); 0 none.
    soak_design_mm_h : q/SF, soak_mean_mm_h : q, both over base. outlet_to : "sewer", "ground", "watercourse".
    """

    store_id: tuple[str, ...]
    option_id: tuple[str, ...]
    host_area_m2: Floats
    base_area_m2: Floats
    run_on_area_m2: Floats
    wetting_mm: Floats
    intake_mm_h: Floats
    substrate_mm: Floats
    substrate_start_fraction: Floats
    evaporation_factor: Floats
    void_mm: Floats
    sill_mm: Floats
    outlet_mm_h: Floats
    outlet_exponent: Floats
    soak_design_mm_h: Floats
    soak_mean_mm_h: Floats
    outlet_to: tuple[str, ...]
    intake_kept_per_year: Floats | None = None
    """Share of the intake rate left after each further year of clogging; None: no further clogging."""
    depth_mm: Floats = field(default_factory=lambda: np.zeros(0))
    """Catalogue thickness of the store [mm of build-up, not of water]."""


@dataclass(frozen=True, slots=True)
class RunOn:
    """What runs on to each store in each storm: the hydrograph left by the surfaces that drain to it.

    class_weight : (stores, loss classes) m2 of each class that drain to the store per m2 of its host, in the order of
    ``Stores.store_id``. steps_mm : storm_id -> (loss classes, steps) depth that a class sheds in each step.
    """

    class_weight: Floats
    steps_mm: Mapping[str, Floats]


@dataclass(frozen=True, slots=True)
class StoreEvents:
    """What each store does in each storm.

    events : store_id, storm_id, inflow_m3, soaked_m3, outlet_m3, overflow_m3, evaporation_m3, store_change_m3,
    retained_m3 (soaked + evaporated + kept below the outlet), slowed_m3 (passed through the outlet), greatest_store_mm,
    half_emptying_h (inf: never), second_storm_overflow_m3, peak_outflow_l_s, residual_m3. Totals are those of the storm
    itself; retained_m3 and slowed_m3 also follow what stands in the store at its end until it has left. overflow_m3
    includes intake_excess_m3 (what the surface did not let in). With the outfall shut: overflow_shut_m3,
    half_emptying_shut_h, greatest_store_shut_mm, second_storm_overflow_shut_m3. Sorted by store, then storm.
    """

    events: pd.DataFrame


@dataclass(frozen=True, slots=True)
class StoreYears:
    """What each chosen store does over years of rain; empty frames with the reason when no series is given.

    years : index store_id; inflow_m3_yr, to_ground_m3_yr, to_air_m3_yr, outlet_m3_yr, overflow_m3_yr,
    store_change_m3_yr, retained_fraction, slowed_fraction, first_5mm_summer_fraction, first_5mm_winter_fraction,
    dry_stress_days_yr.
    """

    years: pd.DataFrame
    reason: str = ""


@dataclass(frozen=True, slots=True)
class GradeRule:
    """How one column becomes a grade from 0 to 1, as data of a measure.

    zero_at, one_at : values of the column that give 0 and 1; ``one_at`` None means the district's 95th percentile.
    scale "log": even steps of ratio. classes : for a text column, each class's grade (zero_at, one_at are None).
    when_unknown : "median" (of the known sites) or a fixed grade; a criterion unknown for every site is dropped for
    all. ``index`` says which of the three indices it belongs to, ``weight`` its share in the measure's table.
    """

    name: str
    index: Literal["benefit", "feasibility", "delivery"]
    column: str
    zero_at: float | None
    one_at: float | None
    weight: float
    title: str = ""
    scale: Literal["linear", "log"] = "linear"
    classes: Mapping[str, float] = field(default_factory=dict)
    when_unknown: float | Literal["median"] = "median"
    unknown_check: str = ""
    source: str = "common practice"


@dataclass(frozen=True, slots=True)
class Proposals:
    """What the measures propose before any store is run.

    hosts : index candidate_id, host polygons (null where cover is unknown); parcel_id, patch_id, measure, ground,
    host_area_m2, host_area_low_m2, host_area_high_m2, run_on_area_m2 (gravity-fed), site columns asked for.
    options : index option_id (candidate_id + "." + variant); candidate_id, measure, variant, admissible (bool), gates,
    switches, flags, unknowns (each a text, "; " between), reason, base_area_m2, q_m_s, q_source, safety_factor,
    is_unproven.
    grades : index option_id; the site columns behind the grades (ranking turns them into 0..1 by grade_rules).
    run_on : candidate_id, surface_id, area_m2 taken, fraction of the surface taken, way (each m2 in one patch's list;
    candidates that are alternatives on one patch share it).
    set_aside : parcel_id, measure, reason: parcels without candidate, and why.
    """

    hosts: gpd.GeoDataFrame
    options: pd.DataFrame
    grades: pd.DataFrame
    run_on: pd.DataFrame
    set_aside: pd.DataFrame
    host_surfaces: pd.DataFrame = field(default_factory=pd.DataFrame)
    """Surfaces that a host would replace: candidate_id, surface_id, area_m2, fraction of the surface."""
    grade_rules: Mapping[str, tuple[GradeRule, ...]] = field(default_factory=dict)
    """Measure -> its grade rules, user's overrides applied."""
    measures: tuple[Any, ...] = ()
    """The measures that made the proposals (``measures.contract.Measure``), for the stage's own later functions."""


@dataclass(frozen=True, slots=True)
class Sizes:
    """The store chosen for each option.

    stores : one per option, its ``store_id`` that of the trial chosen. storms : ``Storms.storms``, for what comes
    later.
    options : index option_id; store_id, store_depth_mm, storm_id (the sizing storm that asks most), passes_sizing_storm
    (bool), overflow_m3 in that storm, size_reason in plain words.
    """

    stores: Stores
    options: pd.DataFrame
    storms: pd.DataFrame


@dataclass(frozen=True, slots=True)
class Ranking:
    """The order of candidates and parcels.

    candidates : index candidate_id; chosen option, benefit_index, feasibility_index, delivery_index (0..100), score,
    rank, standing (null until drawn), reasons_for, reasons_against, unknowns, next_check.
    parcels : index parcel_id; for each measure score_<measure>, rank_<measure>, best_<measure>; score, rank, standing,
    best_candidate, reasons, no_candidate_reason.
    weights : index, criterion, weight, used_weight, state ("used", "dropped: no data for any site").
    """

    candidates: pd.DataFrame
    parcels: pd.DataFrame
    weights: pd.DataFrame
    option_scores: pd.DataFrame = field(default_factory=pd.DataFrame)
    """Index option_id; is_chosen, the three indices, score, and the results behind them, for every option that can be
    built."""
    grades: pd.DataFrame = field(default_factory=pd.DataFrame)
    """candidate_id, option_id, criterion, column, value, grade (0..1), state ("known", "unknown: median", ...)."""

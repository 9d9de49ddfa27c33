"""What is read: every layer of the brief, checked, repaired and in one CRS."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from catchscreen.grid import Grid
from catchscreen.records.catalogue import Table


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
    parcels : index parcel_id; land_use, owner_class, renewal_year (float), social_decile (float), reuse ("existing",
    "planned", "none", "unknown"), ground_fraction (share of the parcel on ground with a level; 0: off the raster),
    keep_columns.
    buildings : index building_id; height_m, year_built, use, deck, ballast, spare_load_kn_m2, reroof_year, is_listed.
    roads : polygons (lines get a width); road_class ("carriageway" or "footway"), is_adopted, utility_density.
    land_cover : polygons with cover_class, or a Raster of class codes with ``cover_classes`` code -> class name.
    soils : index soil_id; infiltration_m_s, infiltration_low_m_s, infiltration_high_m_s, texture, hydrologic_group.
    groundwater : depth_m below ground, geometry polygons or points, or a Raster of depth.
    constraints : kind, rule ("gate", "switch", "flag"), reason, source_file.
    sewer_zones : index zone_id; sewer_kind ("combined", "separate", "none"), outfall, capacity_mm_h (mid, low, high).
    storm_overflows : index overflow_id; spills_per_year, zone_id. outlets : index outlet_id, points.
    culverts : index culvert_id, lines; kind ("culvert", "underpass"), upstream_level_m, downstream_level_m, width_m,
    capacity_l_s. walls : index wall_id, lines; height_m above the ground. kerbs : index kerb_id, lines.
    property_points : index property_id; use. recorded_floods : date, depth_m. supply_points : product, price_per_t.
    evidence : index evidence_id, points; kind ("infiltration" in m/s, "groundwater" in m, "roof_structure",
    "sewer_connection", "utility", "outfall_level" in m, "reuse_tank", "other"), value, unit, depth_m, date, method,
    reach_m, document, tester_role. social_index : social_decile. trees : root_radius_m. constraints also carry
    face_height_m.
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
    walls: gpd.GeoDataFrame | None = None
    evidence: gpd.GeoDataFrame | None = None
    cover_override: gpd.GeoDataFrame | None = None
    """The user's own polygons with cover_class (ground_use, piped_fraction, to_ground_fraction); they win."""
    rain_table: pd.DataFrame | None = None
    """Depth [mm]; index duration_min (ascending), columns return period in years (float, ascending)."""
    rain_series: pd.Series | None = None
    """Depth [mm] per step; index UTC timestamps of the step's start, evenly spaced; gaps are NaN."""
    evaporation: pd.Series | pd.DataFrame | None = None
    """Potential evaporation [mm/day]; index month 1..12 or UTC timestamps. Or a frame of days: tmax_c, tmin_c [C]."""
    layer_catalogue: Table | None = None
    """The user's own layers, beside or in place of the shipped ones."""
    unit_costs: Table | None = None
    """The user's own unit costs, in place of the shipped ones."""
    kerbs: gpd.GeoDataFrame | None = None
    """Lines that water on one side does not cross to the other."""

"""What lies on the ground: surfaces, the ledger, roofs and patches."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import pandas as pd


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
    derived_buildings : footprints derived from the surface model, where none were given (their surfaces' source is
    "surface_model"); index building_id, height_m.
    """

    surfaces: gpd.GeoDataFrame
    ledger: pd.DataFrame
    patches: gpd.GeoDataFrame
    links: pd.DataFrame
    roofs: pd.DataFrame
    derived_buildings: gpd.GeoDataFrame | None = None

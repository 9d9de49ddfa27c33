"""Who owns, uses and lives beside each host, what is buried or grows there, and how far the material comes."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.measures.evidence import lowest_by_host
from catchscreen.measures.surroundings import (
    clear_fraction,
    distance_to_nearest,
    length_inside,
    number_under,
    overlap_fraction,
    pairs_touching,
    text_under,
)
from catchscreen.options import MeasureOptions
from catchscreen.records import Floats, Inputs

MAINS = ("main_sewer", "sewer", "high_voltage", "gas_main")

HAZARD = {
    "roof": 0.2,
    "driveway": 0.4,
    "homes": 0.4,
    "playground": 0.3,
    "school": 0.4,
    "pitch": 0.2,
    "bay": 0.5,
    "car_park": 0.5,
    "yard": 0.5,
    "civic": 0.4,
    "goods_yard": 0.8,
    "fuel": 1.0,
}
"""Pollution hazard of the drained surface, 0 to 1: one number for the three of the index method of CIRIA C753 ch. 26.

From memory, simplified. Read beside it: roofs very low, driveways and homes low (0.5, 0.4, 0.4), yards and deliveries
medium, lorry parks and fuel high (Merton, SuDS design and evaluation guide, p. 43; Drain Trader, February 2024).
"""
TRAFFIC = {
    "playground": 0.0,
    "pitch": 0.0,
    "driveway": 0.1,
    "bay": 0.3,
    "car_park": 0.3,
    "yard": 0.4,
    "goods_yard": 1.0,
    "fuel": 1.0,
}
"""Exposure to traffic and sediment, 0 light to 1 heavy (from memory)."""
ACCESS = {
    "park": 1.0,
    "civic": 0.8,
    "offices": 0.8,
    "school": 0.7,
    "pitch": 0.9,
    "health": 0.4,
    "retail": 0.4,
    "homes": 0.5,
    "industry": 0.4,
    "depot": 0.4,
    "railway": 0.3,
    "highway": 0.1,
    "open": 1.0,
}
"""How easily a site is closed for works, 0 hard to 1 easy (from memory; school yards wait for the holidays)."""
USE_OF_LAND = {
    "homes": "homes",
    "school": "school",
    "civic": "civic",
    "offices": "civic",
    "health": "car_park",
    "retail": "car_park",
    "park": "playground",
}
"""Hazard class taken for paved ground of unmapped use, by the parcel's land use; industry and depots stay unknown."""


def add_parcel_facts(hosts: gpd.GeoDataFrame, data: Inputs, options: MeasureOptions) -> None:
    """Add land use, owner class, years to renewal, social decile and ease of access from the parcel."""
    parcels = data.parcels
    for name in ("land_use", "owner_class"):
        hosts[name] = ""
        if name in parcels:
            text = parcels[name].fillna("").astype(str).replace("unknown", "")
            hosts[name] = text.reindex(hosts["parcel_id"]).fillna("").to_numpy()
    year = _numbers(parcels, "renewal_year").reindex(hosts["parcel_id"]).to_numpy(float)
    hosts["years_to_renewal"] = np.maximum(year - options.current_year, 0.0)
    decile = _numbers(parcels, "social_decile").reindex(hosts["parcel_id"]).to_numpy(float)
    if data.social_index is not None and "social_decile" in data.social_index:
        shapes = parcels.geometry.reindex(hosts["parcel_id"]).to_numpy()
        row = number_under(shapes, data.social_index)
        mapped = _numbers(data.social_index, "social_decile").to_numpy(float)
        decile = np.where(np.isnan(decile) & (row >= 0), mapped[row.clip(min=0)], decile)
    hosts["social_decile"] = decile
    hosts["access_ease"] = hosts["land_use"].map(ACCESS).astype(float)
    # Nobody has told us yet who would maintain it, or how one reaches the roof: known only where the parcels say so.
    for name in ("upkeep_named", "roof_access", "upstand_confirmed"):
        hosts[name] = _numbers(parcels, name).reindex(hosts["parcel_id"]).to_numpy(float)


def add_ground_use(hosts: gpd.GeoDataFrame, data: Inputs) -> None:
    """Add the use of the ground, exposure to traffic and the pollution hazard of what is drained."""
    shapes = hosts.geometry.to_numpy()
    shapes = shapes.copy()
    shapes[(hosts["ground"] == "roof").to_numpy()] = None  # a roof's use is its building's
    cover = data.land_cover if isinstance(data.land_cover, gpd.GeoDataFrame) else None
    use = pd.Series(text_under(shapes, cover, "ground_use"), index=hosts.index)
    if cover is not None and "ground_use" in cover:
        for barred in ("goods_yard", "fuel"):
            # A corner with fuel decides for the whole host: spilt fuel does not stay in its corner.
            things = cover.geometry[cover["ground_use"] == barred].to_numpy()
            host, _ = pairs_touching(shapes, things)
            use.iloc[np.unique(host)] = barred
    hosts["ground_use"] = use.where(hosts["ground"] == "paved", "")
    hosts.loc[hosts["ground"] == "pitch", "ground_use"] = "pitch"
    hosts["traffic_exposure"] = hosts["ground_use"].map(TRAFFIC).astype(float)
    drained = hosts["ground_use"].where(hosts["ground_use"] != "", hosts["land_use"].map(USE_OF_LAND))
    drained = drained.where(hosts["ground"] != "roof", "roof")
    hosts["pollution_hazard"] = drained.map(HAZARD).astype(float)
    roads = data.roads
    adopted = None
    if roads is not None and "is_adopted" in roads:
        adopted = roads.geometry[_is_true(roads["is_adopted"])].to_numpy()
    hosts["adopted_fraction"] = np.nan if adopted is None else overlap_fraction(shapes, adopted)


def add_obstacles(hosts: gpd.GeoDataFrame, data: Inputs, matches: pd.DataFrame, options: MeasureOptions) -> None:
    """Add buildings near by, buried services, roots and heritage."""
    shapes = hosts.geometry.to_numpy()
    on_ground = (hosts["ground"] != "roof").to_numpy()
    hosts["building_distance_m"] = np.nan
    hosts["clear_fraction"] = np.nan
    if data.buildings is not None:
        buildings = data.buildings.geometry.to_numpy()
        hosts.loc[on_ground, "building_distance_m"] = distance_to_nearest(shapes[on_ground], buildings)
        near = on_ground & (hosts["building_distance_m"] < options.base_clearance_m).to_numpy()
        hosts.loc[on_ground, "clear_fraction"] = 1.0
        hosts.loc[near, "clear_fraction"] = clear_fraction(shapes[near], buildings, options.base_clearance_m)
    _add_utilities(hosts, data, matches)
    hosts["root_overlap_fraction"] = _root_overlap(shapes, data, options)
    hosts.loc[~on_ground, ["root_overlap_fraction", "utility_m_per_100m2"]] = np.nan
    hosts["heritage"] = _heritage(hosts, data)


def _add_utilities(hosts: gpd.GeoDataFrame, data: Inputs, matches: pd.DataFrame) -> None:
    shapes = hosts.geometry.to_numpy()
    hosts["utility_m_per_100m2"] = np.nan
    hosts["main_under_host"] = ""
    if data.utilities is not None:
        lines = data.utilities.geometry.to_numpy()
        hosts["utility_m_per_100m2"] = length_inside(shapes, lines) / hosts["host_area_m2"].to_numpy(float) * 100.0
        hosts.loc[~shapely.is_missing(shapes), "main_under_host"] = "no"
        if "kind" in data.utilities:
            mains = lines[data.utilities["kind"].isin(MAINS).to_numpy()]
            host, _ = pairs_touching(shapes, mains)
            hosts.iloc[np.unique(host), hosts.columns.get_loc("main_under_host")] = "yes"
    found = lowest_by_host(matches, "utility", hosts.index)
    hosts.loc[found == 1.0, "main_under_host"] = "yes"
    hosts.loc[hosts["ground"] == "roof", "main_under_host"] = ""


def _root_overlap(shapes: np.ndarray, data: Inputs, options: MeasureOptions) -> Floats:
    trees = data.trees
    if trees is None:
        return np.full(len(shapes), np.nan)
    radius = _numbers(trees, "root_radius_m").fillna(options.root_radius_m).to_numpy(float)
    things = trees.geometry.to_numpy()
    is_point = shapely.get_dimensions(things) == 0
    areas = np.where(is_point, shapely.buffer(things, np.where(is_point, radius, 0.0), quad_segs=8), things)
    return overlap_fraction(shapes, areas)


def _heritage(hosts: gpd.GeoDataFrame, data: Inputs) -> pd.Series:
    known = data.heritage is not None
    state = pd.Series("clear" if known else "", index=hosts.index, dtype=object)
    if data.heritage is not None:
        host, _ = pairs_touching(hosts.geometry.to_numpy(), data.heritage.geometry.to_numpy())
        state.iloc[np.unique(host)] = "touches"
    if data.buildings is not None and "is_listed" in data.buildings:
        listed = data.buildings.index[_is_true(data.buildings["is_listed"])].astype(str)
        state[hosts["building_id"].isin(set(listed))] = "listed"
    return state


def _is_true(values: pd.Series) -> pd.Series:
    """Read a yes or no; what is not known is not a yes."""
    return values.where(values.notna(), other=False).astype(bool)


def _numbers(frame: pd.DataFrame, column: str) -> pd.Series:
    if column not in frame:
        return pd.Series(np.nan, index=frame.index)
    return pd.to_numeric(frame[column], errors="coerce").astype(float)

"""What the ground under each host is known to be: infiltration rate, groundwater, slope, levels."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.measures.evidence import lowest_by_host, summarise_infiltration
from catchscreen.measures.surroundings import number_under, pairs_touching
from catchscreen.options import MeasureOptions
from catchscreen.records import Floats, Inputs, Raster, Terrain
from catchscreen.units import TICKS_PER_M

TEST_SPREAD_FACTOR = 2.0
"""A single test may be off by this much for the spot beside it (method alone: up to 6.8, as quoted; from memory)."""
GROUNDWATER_REACH_M = 250.0
"""A groundwater point speaks for hosts this near (from memory)."""


def add_infiltration(hosts: gpd.GeoDataFrame, data: Inputs, matches: pd.DataFrame, options: MeasureOptions) -> None:
    """Add q_m_s with low and high, where it comes from, and the mapped rate beside a tested one.

    Without map and test the rate stays NaN (gates then say unknown); low, mid and high for sizing come from the
    options.
    """
    mapped = mapped_infiltration(hosts, data, options)
    tests = summarise_infiltration(matches, hosts.index)
    tested = tests["test_m_s"].notna()
    for name in tests:
        hosts[name] = tests[name]
    hosts["q_map_m_s"] = mapped["mid"]
    hosts["q_m_s"] = tests["test_m_s"].where(tested, mapped["mid"])
    low, mid, high = options.unknown_infiltration_m_s
    hosts["q_low_m_s"] = (tests["test_m_s"] / TEST_SPREAD_FACTOR).where(tested, mapped["low"]).fillna(low)
    hosts["q_high_m_s"] = (tests["test_high_m_s"] * TEST_SPREAD_FACTOR).where(tested, mapped["high"]).fillna(high)
    hosts["q_mid_m_s"] = hosts["q_m_s"].fillna(mid)
    hosts["q_source"] = np.select([tested, mapped["mid"].notna()], ["test", "soil map"], "unknown")
    roofs = (hosts["ground"] == "roof").to_numpy()
    hosts.loc[roofs, ["q_map_m_s", "q_m_s", "q_low_m_s", "q_mid_m_s", "q_high_m_s"]] = np.nan
    hosts.loc[roofs, "q_source"] = ""


def mapped_infiltration(hosts: gpd.GeoDataFrame, data: Inputs, options: MeasureOptions) -> pd.DataFrame:
    """Read the soil map: the row named by the patch, else the polygon with the largest share; low, mid, high [m/s]."""
    empty = pd.DataFrame({"low": np.nan, "mid": np.nan, "high": np.nan}, index=hosts.index)
    soils = data.soils
    if soils is None or len(soils) == 0 or "infiltration_m_s" not in soils:
        return empty
    row = pd.Series(soils.index.get_indexer(hosts["soil_id"]), index=hosts.index)
    blind = (row < 0).to_numpy()
    if blind.any():
        row[blind] = number_under(hosts.geometry.to_numpy()[blind], soils)
    mid = pd.to_numeric(soils["infiltration_m_s"], errors="coerce")
    spread = options.map_spread_factor
    rates = {"mid": mid, "low": mid / spread, "high": mid * spread}
    for bound in ("low", "high"):
        name = f"infiltration_{bound}_m_s"
        if name in soils:
            rates[bound] = pd.to_numeric(soils[name], errors="coerce").fillna(rates[bound])
    for name, values in rates.items():
        empty[name] = np.where(row >= 0, values.to_numpy()[row.clip(lower=0)], np.nan)
    return empty


def add_groundwater(hosts: gpd.GeoDataFrame, data: Inputs, matches: pd.DataFrame) -> None:
    """Add the least depth to groundwater under each host [m below ground]; a reading on site overrides the map."""
    read = lowest_by_host(matches, "groundwater", hosts.index)
    mapped = pd.Series(_mapped_groundwater(hosts, data), index=hosts.index)
    hosts["groundwater_depth_m"] = read.fillna(mapped)
    hosts["groundwater_source"] = np.select([read.notna(), mapped.notna()], ["reading", "map"], "unknown")


def _mapped_groundwater(hosts: gpd.GeoDataFrame, data: Inputs) -> Floats:
    layer = data.groundwater
    shapes = hosts.geometry.to_numpy()
    out = np.full(len(hosts), np.nan)
    if layer is None:
        return out
    if isinstance(layer, Raster):
        return _raster_at(layer, hosts)
    depth = pd.to_numeric(layer["depth_m"], errors="coerce").to_numpy(float)
    things = layer.geometry.to_numpy()
    is_point = shapely.get_dimensions(things) == 0
    for chosen, reach in ((is_point, GROUNDWATER_REACH_M), (~is_point, 0.0)):
        rows = np.flatnonzero(chosen & ~np.isnan(depth))
        host, thing = pairs_touching(shapes, things[rows], reach)
        np.fmin.at(out, host, depth[rows[thing]])
    return out


def _raster_at(layer: Raster, hosts: gpd.GeoDataFrame) -> Floats:
    cell = layer.grid.cells_of_xy(hosts["inner_x"].to_numpy(), hosts["inner_y"].to_numpy())
    safe = np.where(cell >= 0, cell, 0)
    good = (cell >= 0) & layer.valid.ravel()[safe]
    return np.where(good, layer.values.ravel()[safe].astype(np.float64), np.nan)


def add_levels(hosts: gpd.GeoDataFrame, data: Inputs, land: Terrain, matches: pd.DataFrame) -> None:
    """Add slope [%], the ground level at the inner point [m] and, where evidence gives it, the outfall's level [m]."""
    cell = land.grid.cells_of_xy(hosts["inner_x"].to_numpy(), hosts["inner_y"].to_numpy())
    safe = np.where(cell >= 0, cell, 0)
    good = (cell >= 0) & data.ground_valid.ravel()[safe]
    hosts["ground_level_m"] = np.where(good, data.ground_ticks.ravel()[safe] / TICKS_PER_M, np.nan)
    at_point = np.where(good, land.slope_fraction.ravel()[safe], np.nan).astype(np.float64)
    slope = pd.to_numeric(hosts["slope_fraction"], errors="coerce").astype(float)
    hosts["slope_fraction"] = slope.fillna(pd.Series(at_point, index=hosts.index))
    hosts["slope_percent"] = hosts["slope_fraction"] * 100.0
    hosts.loc[hosts["ground"] == "roof", ["slope_fraction", "slope_percent"]] = np.nan
    hosts["outfall_level_m"] = lowest_by_host(matches, "outfall_level", hosts.index)

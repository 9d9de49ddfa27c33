"""A small hillside with two streets of parcels, made in memory."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pytest
from pyproj import CRS
from rasterio.transform import from_origin
from shapely import Point, box

from catchscreen.brief import Brief

SYSTEM = CRS.from_epsg(32628)
LEFT, TOP, CELL = 500_000.0, 4_983_000.0, 2.0
ROWS, COLS = 90, 120


def hillside() -> tuple[np.ndarray, Any, CRS]:
    """A slope of 2 % to the south-east with a hollow 0.6 m deep and a little roughness."""
    row, col = np.mgrid[0:ROWS, 0:COLS]
    level = 60.0 - 0.02 * CELL * (0.4 * row + 0.6 * col)
    level -= 0.6 * np.exp(-(((row - 60) / 8.0) ** 2) - ((col - 80) / 9.0) ** 2) * 2.0
    level += 0.01 * np.random.default_rng(3).normal(size=level.shape)
    return level, from_origin(LEFT, TOP, CELL, CELL), SYSTEM


def plot(col: int, row: int, width: float, height: float) -> Any:
    return box(LEFT + col, TOP - row - height, LEFT + col + width, TOP - row)


@pytest.fixture(scope="session")
def pieces() -> dict[str, Any]:
    """Inputs of the hillside: twelve parcels of 30 x 60 m, buildings, a road, cover, soils, a combined sewer zone."""
    parcels, buildings, covers = [], [], []
    for place in range(12):
        col, row = 20 + 32 * (place % 6), 20 + 80 * (place // 6)
        parcels.append(plot(col, row, 30, 60))
        buildings.append(plot(col + 5, row + 5, 20, 15))
        covers.append((plot(col, row + 25, 30, 20), "asphalt", "car_park"))
        covers.append((plot(col, row + 45, 30, 15), "garden", None))
    frame = gpd.GeoDataFrame(
        {
            "parcel_id": [f"P{n:02d}" for n in range(12)],
            "name": [f"Site {n}" for n in range(12)],
            "owner_class": ["council"] * 6 + ["private_many"] * 6,
            "ward": ["north"] * 6 + ["south"] * 6,
            "secret": ["x"] * 12,
        },
        geometry=parcels,
        crs=SYSTEM,
    )
    names, ground = [cover for _, cover, _ in covers], [use for _, _, use in covers]
    whole = plot(0, 0, COLS * CELL, ROWS * CELL)
    return {
        "parcels": frame,
        "elevation": hillside(),
        "district": gpd.GeoDataFrame(geometry=[whole], crs=SYSTEM),
        "buildings": gpd.GeoDataFrame(
            {"building_id": [f"B{n:02d}" for n in range(12)]}, geometry=buildings, crs=SYSTEM
        ),
        "roads": gpd.GeoDataFrame({"road_class": ["carriageway"]}, geometry=[plot(20, 80, 192, 18)], crs=SYSTEM),
        "land_cover": gpd.GeoDataFrame(
            {"cover_class": names, "ground_use": ground}, geometry=[shape for shape, _, _ in covers], crs=SYSTEM
        ),
        "soils": gpd.GeoDataFrame(
            {"soil_id": ["gravel", "clay"], "infiltration_m_s": [2e-5, 5e-7]},
            geometry=[plot(0, 0, 240, 90), plot(0, 90, 240, 90)],
            crs=SYSTEM,
        ),
        "sewer_zones": gpd.GeoDataFrame(
            {"zone_id": ["core"], "sewer_kind": ["combined"], "outfall": ["bridge"], "capacity_mm_h": [12.0]},
            geometry=[whole],
            crs=SYSTEM,
        ),
        "property_points": gpd.GeoDataFrame(
            {"property_id": ["h1", "h2"], "use": ["home", "home"]},
            geometry=[Point(LEFT + 160, TOP - 121), Point(LEFT + 30, TOP - 30)],
            crs=SYSTEM,
        ),
        "rain_table": {
            "return_periods_years": [2, 5, 30, 100],
            "depths_mm": {"15": [7.5, 11, 17, 22], "60": [13, 19, 30, 38], "360": [25, 34, 50, 62]},
        },
        "keep_columns": ["ward"],
    }


@pytest.fixture(scope="session")
def brief(pieces: dict[str, Any]) -> Brief:
    return Brief(name="Hillside", **pieces)


@pytest.fixture(scope="session")
def least_brief(pieces: dict[str, Any]) -> Brief:
    return Brief(name="Least", parcels=pieces["parcels"], elevation=pieces["elevation"])

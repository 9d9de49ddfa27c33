"""Small frames for every layer, made from the schema."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
from pyproj import CRS
from shapely import LineString, Point, box

from catchscreen.outputs.columns import Layer
from catchscreen.outputs.conforming import conform
from catchscreen.outputs.schema import layers_for

CRS_METRIC = CRS.from_epsg(32628)
SHAPES = {
    "MULTIPOLYGON": box(400000, 4990000, 400010, 4990010),
    "MULTILINESTRING": LineString([(400000, 4990000), (400005, 4990009)]),
    "POINT": Point(400001, 4990002),
    "GEOMETRY": Point(400001, 4990002),
}
SAMPLE = {"TEXT": "a", "INTEGER": 3, "REAL": 1.23456789, "BOOLEAN": True}


@pytest.fixture(scope="session")
def layers() -> dict[str, Layer]:
    return layers_for([("permeable_paving", "Permeable paving")], ["ward"])


@pytest.fixture(scope="session")
def frames(layers: dict[str, Layer]) -> dict[str, pd.DataFrame]:
    """Two rows a layer, the second one empty but for its key."""
    made: dict[str, pd.DataFrame] = {}
    for name, layer in layers.items():
        rows = {column.name: [SAMPLE[column.type], None] for column in layer.columns}
        rows[layer.key] = ["a", "b"]
        frame = pd.DataFrame(rows)
        if layer.geometry:
            frame = gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries([SHAPES[layer.geometry], None], crs=CRS_METRIC))
        made[name] = conform(frame, layer, CRS_METRIC)
    return made


@pytest.fixture(scope="session")
def empty_frames(layers: dict[str, Layer]) -> dict[str, pd.DataFrame]:
    return {name: conform(pd.DataFrame({layer.key: []}), layer, CRS_METRIC) for name, layer in layers.items()}

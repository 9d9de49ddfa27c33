"""The committed district, read once, and the generator's own modules."""

from __future__ import annotations

import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import rasterio.merge

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT / "scripts"))


@pytest.fixture(scope="session")
def folder():
    return PROJECT / "sample_geodata"


@pytest.fixture(scope="session")
def layers(folder):
    """Every committed layer by its name."""
    found: dict[str, gpd.GeoDataFrame] = {}
    for path in sorted(folder.glob("*.gpkg")):
        for name in pyogrio.list_layers(path)[:, 0]:
            found[str(name)] = pyogrio.read_dataframe(path, layer=name)
    return found


@pytest.fixture(scope="session")
def ground(folder):
    """The ground model, its tiles put together."""
    levels, _ = rasterio.merge.merge(sorted((folder / "ground_model").glob("*.tif")))
    return levels[0].astype(np.float64)


@pytest.fixture(scope="session")
def named(layers):
    """The named parcels by name."""
    parcels = layers["parcels"].dropna(subset=["name"])
    return dict(zip(parcels["name"], parcels.geometry, strict=False))

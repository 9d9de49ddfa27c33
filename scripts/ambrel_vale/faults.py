"""A damaged copy of Ambrel Vale, for tests: what goes wrong in real geodata, planted on purpose."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely
from shapely.geometry.base import BaseGeometry

from ambrel_vale.making import write_package

NODATA = -9999.0


@dataclass(frozen=True)
class Planted:
    """What was damaged, by id or place (map coordinates)."""

    sliver_id: str
    duplicate_id: str
    ownerless_id: str
    nodata_at: tuple[float, float]
    bare_roof_id: str


def write_damaged(source: Path, target: Path) -> Planted:
    """Copy the district to an empty folder with six faults in it, and say where they are.

    A parcel sliver; an id given twice; a hole without data in the ground model; a parcel without owner; the underpass
    left out of the culverts; a roof without a level in the surface model.
    """
    names = ("*.toml", "*.gpkg", "*.tif", "ground_model/*.tif", "rain/*")
    for path in sorted(p for name in names for p in source.glob(name)):
        copy = target / path.relative_to(source)
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, copy)
    layers = read_layers(target / "town.gpkg")
    sliver, twice, ownerless = _damage_parcels(layers)
    write_package(target / "town.gpkg", layers)
    water = read_layers(target / "water.gpkg")
    water["culverts"] = water["culverts"][water["culverts"]["kind"] != "underpass"]
    write_package(target / "water.gpkg", water)
    hole = shapely.Point(499_420.0, 4_983_420.0)
    _blank(target / "ground_model" / "ground_north_west.tif", hole.buffer(9.0))
    roof = layers["buildings"].loc[layers["buildings"].area.idxmax()]
    _blank(target / "surface_model.tif", roof.geometry.buffer(1.0))
    return Planted(sliver, twice, ownerless, (hole.x, hole.y), str(roof["building_id"]))


def read_layers(path: Path) -> dict[str, gpd.GeoDataFrame]:
    """Return every layer of a file by its name."""
    return {str(name): pyogrio.read_dataframe(path, layer=name) for name in pyogrio.list_layers(path)[:, 0]}


def _damage_parcels(layers: dict[str, gpd.GeoDataFrame]) -> tuple[str, str, str]:
    """Plant the sliver, the duplicate and the missing owner."""
    parcels = layers["parcels"]
    homes = parcels.index[parcels["land_use"] == "homes"]
    first, second, third = homes[10], homes[20], homes[21]
    west, south, _, _ = parcels.geometry[first].bounds
    sliver = parcels.loc[[first]].copy()
    sliver["parcel_id"] = "AV99999"
    sliver["geometry"] = [shapely.box(west - 40.0, south, west - 10.0, south + 0.08)]
    parcels.loc[third, "parcel_id"] = parcels.loc[second, "parcel_id"]
    ownerless = homes[30]
    parcels.loc[ownerless, "owner_class"] = None
    joined = gpd.GeoDataFrame(
        np.concatenate([parcels.to_numpy(), sliver.to_numpy()]), columns=parcels.columns, crs=parcels.crs
    )
    joined["renewal_year"] = joined["renewal_year"].astype("float64")
    layers["parcels"] = joined.set_geometry("geometry")
    return "AV99999", str(parcels.loc[second, "parcel_id"]), str(parcels.loc[ownerless, "parcel_id"])


def _blank(path: Path, shape: BaseGeometry) -> None:
    """Take the levels away below a shape."""
    with rasterio.open(path, "r+") as raster:
        levels = raster.read(1)
        rows, cols = np.indices(levels.shape)
        place = raster.transform
        x, y = place.c + (cols + 0.5) * place.a, place.f + (rows + 0.5) * place.e
        inside = shapely.contains_xy(shape, x, y)
        levels[inside] = NODATA
        raster.write(levels, 1)

"""The whole of Ambrel Vale from the seed: draw, solve, assert, write."""

from __future__ import annotations

import os
import zipfile
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes as shapes_of
from rasterio.transform import from_origin

from ambrel_vale import figures, layers, rain, relief, setting, solve
from ambrel_vale.frame import CELL_M, Array, require
from ambrel_vale.hollow import Hollow
from ambrel_vale.layers import Parcel
from ambrel_vale.solve import Cut
from ambrel_vale.town import Town, cover_hectares, draw_town

STAMP = "2024-01-01T00:00:00Z"
"""Written as the time of change, so that the same content gives the same bytes."""
MOST_BYTES, MOST_BYTES_IN_A_FILE = 7_000_000, 4_000_000


@dataclass(frozen=True)
class Vale:
    """Everything that is written."""

    town: Town
    ground: Array
    surface: Array
    hollow: Hollow
    cuts: list[Cut]
    parcels: list[Parcel]
    tenths: NDArray[np.int64]
    storms: list[rain.Event]


def build() -> Vale:
    """Draw the town, solve the ground, and assert every figure."""
    town = draw_town()
    figures.assert_cover(cover_hectares(town))
    _, ground, found, part = solve.solve(town)
    figures.assert_levels(ground)
    figures.assert_hollow(found)
    figures.assert_passage(figures.look_at_passage(town, found, part), found.volume_m3)
    tenths = rain.series()
    storms = rain.assert_rain(tenths)
    woods = relief.wood_mask([p.polygon for p in town.pieces if p.cover_class == "woodland"])
    crowns = [(x, y, 1.6 + stem / 180.0) for x, y, stem, _ in setting.tree_spots(town)]
    ordered = sorted(town.houses, key=lambda h: layers.order_of(h.polygon))
    surface = relief.surface_model(ground, ordered, woods, crowns)
    vale = Vale(town, ground, surface, found, solve.cuts_of(ground), layers.parcels_of(town), tenths, storms)
    figures.assert_places(vale.parcels)
    return vale


def hollow_outline(found: Hollow) -> shapely.Polygon:
    """Return the outline of the hollow at spill, in local metres."""
    west, _, _, north = solve.WINDOW
    transform = from_origin(west, north, CELL_M, CELL_M)
    parts = [
        shapely.geometry.shape(s)
        for s, v in shapes_of(found.wet.astype(np.uint8), connectivity=8, transform=transform)
        if v == 1
    ]
    return shapely.union_all(parts)


def packages(vale: Vale) -> dict[str, dict[str, gpd.GeoDataFrame]]:
    """Return every layer by the file that holds it."""
    town = vale.town
    dates = [f"{e.start:%Y-%m-%d}" for e in vale.storms]
    tests = setting.evidence(town)
    district = setting.layer([({"district_id": "AMBREL", "name": "Ambrel Vale"}, solve.plan.DISTRICT)])
    land = {
        "district": district,
        "parcels": layers.parcel_frame(vale.parcels),
        "buildings": layers.building_frame(town),
    }
    ground = {
        "roads": layers.road_frame(town),
        "land_cover": layers.cover_frame(town.pieces),
        "soils": setting.soils(),
        "groundwater": setting.groundwater(),
        "constraints": setting.constraints(),
        "trees": setting.trees(town),
        "heritage": setting.heritage(town),
    }
    water = {
        "sewer_zones": setting.sewer_zones(town),
        **setting.water_lines(vale.cuts),
        "recorded_floods": setting.recorded_floods(hollow_outline(vale.hollow), dates),
        "utilities": setting.utilities(town),
    }
    people = {
        "property_points": layers.address_frame(town),
        "social_index": setting.social_index(town),
        "supply_points": setting.supply_points(),
        "site_tests": tests["site_tests"],
    }
    return {
        "town.gpkg": land, "ground.gpkg": ground, "water.gpkg": water, "people.gpkg": people,
        "test_pit.gpkg": {"test_pit": tests["test_pit"]},
    }  # fmt: skip


def write_package(path: Path, frames: dict[str, gpd.GeoDataFrame]) -> Path:
    """Write layers to a new GeoPackage whose bytes depend on its content only; return its path."""
    path.unlink(missing_ok=True)
    before = os.environ.get("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
    try:
        for name, frame in frames.items():
            # no spatial index: the layers are small, and a third of the file would be index
            pyogrio.write_dataframe(frame, path, layer=name, driver="GPKG", layer_options={"SPATIAL_INDEX": "NO"})
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
    return path


def write_rain(folder: Path, tenths: NDArray[np.int64]) -> list[Path]:
    """Write the rain table, the hourly series (zipped) and the monthly evaporation."""
    folder.mkdir(parents=True, exist_ok=True)
    table = pd.DataFrame.from_dict(rain.TABLE, orient="index", columns=[f"1_in_{t}" for t in rain.RETURN_PERIODS])
    table.index.name = "duration_min"
    (folder / "rain_table.csv").write_text(table.to_csv(lineterminator="\n"), encoding="utf-8")
    months = pd.DataFrame({"month": range(1, 13), "evaporation_mm": rain.EVAPORATION_MM})
    (folder / "evaporation.csv").write_text(months.to_csv(index=False, lineterminator="\n"), encoding="utf-8")
    lines = ["time,rain_mm"]
    lines += [f"{when:%Y-%m-%dT%H:%M},{value / 10:g}" for when, value in zip(rain.hours(), tenths, strict=True)]
    info = zipfile.ZipInfo("rain_hourly.csv", date_time=(2024, 1, 1, 0, 0, 0))
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    with zipfile.ZipFile(folder / "rain_hourly.zip", "w") as archive:
        archive.writestr(info, "\n".join(lines) + "\n", compresslevel=9)
    return [folder / name for name in ("rain_table.csv", "rain_hourly.zip", "evaporation.csv")]


def write(vale: Vale, folder: Path) -> list[Path]:
    """Write every file of the district and return their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    written = relief.write_ground(folder / "ground_model", vale.ground)
    written.append(relief.write_levels(folder / "surface_model.tif", vale.surface))
    for name, frames in packages(vale).items():
        written.append(write_package(folder / name, frames))
    return written + write_rain(folder / "rain", vale.tenths)


def make(folder: Path) -> Vale:
    """Make the district, write it, and print what was written."""
    vale = build()
    written = write(vale, folder)
    for path in written:
        print(f"{path.relative_to(folder).as_posix():34}{path.stat().st_size / 1e3:10.0f} kB")
    total = sum(path.stat().st_size for path in written)
    print(f"{'total':34}{total / 1e3:10.0f} kB")
    require("bytes of the largest file", max(path.stat().st_size for path in written), 0, MOST_BYTES_IN_A_FILE)
    require("bytes in all", total, 0, MOST_BYTES)
    return vale

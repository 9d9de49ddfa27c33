"""The run's identity follows content: dates, places and names of folders do not matter, a changed byte does."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from rasterio.transform import from_origin
from shapely import box

from catchscreen.brief import Brief
from catchscreen.inputs.digest import digest_files


def make_folder(folder: Path) -> Path:
    (folder / "tiles").mkdir(parents=True)
    gpd.GeoDataFrame({"parcel_id": ["a"]}, geometry=[box(0, 0, 10, 10)], crs=32628).to_file(folder / "parcels.shp")
    for name in ("east", "west"):
        profile = {"driver": "GTiff", "width": 4, "height": 4, "count": 1, "dtype": "float32", "crs": 32628}
        path = folder / "tiles" / f"{name}.tif"
        with rasterio.open(path, "w", transform=from_origin(0, 40, 10, 10), **profile) as raster:
            raster.write(np.ones((1, 4, 4), np.float32))
    (folder / "notes.txt").write_text("not an input")
    (folder / "brief.toml").write_text('[parcels]\nfile = "parcels.shp"\n[elevation]\nfile = "tiles"\n')
    return folder


def test_every_part_of_an_input_is_in_it_and_nothing_else(tmp_path: Path) -> None:
    folder = make_folder(tmp_path / "a")
    names = set(digest_files(Brief.from_toml(folder / "brief.toml")))
    assert {"parcels.shp", "parcels.dbf", "parcels.shx", "parcels.prj", "tiles/east.tif", "tiles/west.tif"} <= names
    assert "notes.txt" not in names
    assert "brief.toml" not in names


def test_a_copy_elsewhere_with_other_dates_is_the_same(tmp_path: Path) -> None:
    folder = make_folder(tmp_path / "a")
    copy = tmp_path / "an other place"
    shutil.copytree(folder, copy)
    for path in copy.rglob("*"):
        os.utime(path, (1, 1))
    first, second = (digest_files(Brief.from_toml(place / "brief.toml")) for place in (folder, copy))
    assert first == second


def test_one_changed_byte_is_seen(tmp_path: Path) -> None:
    folder = make_folder(tmp_path / "a")
    before = digest_files(Brief.from_toml(folder / "brief.toml"))
    tile = folder / "tiles" / "east.tif"
    content = bytearray(tile.read_bytes())
    content[-1] ^= 1
    tile.write_bytes(bytes(content))
    after = digest_files(Brief.from_toml(folder / "brief.toml"))
    assert {name for name in after if after[name] != before[name]} == {"tiles/east.tif"}

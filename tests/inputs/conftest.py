"""A small invented place for the tests of reading: a plane of 60 x 50 cells of 1 m and six parcels on it."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from affine import Affine
from shapely.geometry import box

from catchscreen import inputs
from catchscreen.brief import Brief
from catchscreen.progress import Run

LEFT, TOP = 500_000.0, 5_000_050.0
CRS = "EPSG:32628"


class Place:
    """Writes files into a folder and loads briefs from it."""

    def __init__(self, folder):
        self.folder = folder
        rows, cols = np.indices((50, 60))
        self.levels = (100.0 + 0.1 * rows + 0.01 * cols).astype(np.float32)
        self.parcels = gpd.GeoDataFrame(
            {"parcel_id": list("abcdef"), "land_use": ["school", "homes", "retail", "Housing", "moon", None]},
            geometry=[
                box(LEFT + x, TOP - 40 + y, LEFT + x + 15, TOP - 40 + y + 10) for y in (5, 20) for x in (2, 20, 38)
            ],
            crs=CRS,
        )
        self.raster("dtm.tif")
        self.vector("parcels.gpkg", self.parcels)
        self.vector("district.gpkg", gpd.GeoDataFrame(geometry=[box(LEFT, TOP - 50, LEFT + 60, TOP)], crs=CRS))

    def raster(self, name, values=None, *, left=LEFT, top=TOP, cell=1.0, crs=CRS, nodata=None, dtype=None):
        values = self.levels if values is None else values
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        profile = {
            "driver": "AAIGrid" if name.endswith(".asc") else "GTiff",
            "height": values.shape[0],
            "width": values.shape[1],
            "count": 1,
            "dtype": dtype or values.dtype.name,
            "transform": Affine(cell, 0.0, left, 0.0, -cell, top),
            "crs": crs,
            "nodata": nodata,
        }
        if name.endswith(".asc"):
            profile = {key: value for key, value in profile.items() if value is not None}
        with rasterio.open(path, "w", **profile) as opened:
            opened.write(values.astype(profile["dtype"]), 1)
        return path

    def vector(self, name, frame, **kwargs):
        path = self.folder / name
        frame.to_file(path, engine="pyogrio", **kwargs)
        return path

    def brief(self, **values):
        given = {"parcels": "parcels.gpkg", "elevation": "dtm.tif", "district": "district.gpkg"}
        given = {key: value for key, value in (given | values).items() if value is not None}
        return Brief(folder=self.folder, **given)

    def load(self, **values):
        run = Run()
        return inputs.load(self.brief(**values), None, run), run.issues

    def issue(self, code, **values):
        _, issues = self.load(**values)
        found = [issue for issue in issues if issue.code == code]
        assert found, [issue.code for issue in issues]
        return found[0]


@pytest.fixture
def place(tmp_path):
    return Place(tmp_path)

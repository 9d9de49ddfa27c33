"""Made again from the seed, the district is the same; and its damaged copy holds the faults that it says."""

from __future__ import annotations

import zipfile

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from ambrel_vale import faults, frame, making, rain, setting
from shapely.geometry import Point


def test_rain_comes_out_the_same(folder):
    with zipfile.ZipFile(folder / "rain" / "rain_hourly.zip") as archive:
        lines = archive.read("rain_hourly.csv").decode().splitlines()[1:]
    committed = np.array([float(line.split(",")[1]) for line in lines])
    np.testing.assert_array_equal(np.rint(committed * 10).astype(np.int64), rain.series())


def test_soils_come_out_the_same(layers):
    fresh = setting.soils()
    assert fresh["soil_id"].tolist() == layers["soils"]["soil_id"].tolist()
    for made, kept in zip(fresh.geometry, layers["soils"].geometry, strict=True):
        # the file holds single polygons as collections of one
        assert shapely.get_parts(made).tolist() == shapely.get_parts(kept).tolist()


def test_a_missed_figure_stops_the_generator():
    with pytest.raises(frame.FigureMissedError, match=r"homes is 45, it must lie between 46 and 46"):
        frame.require("homes", 45, 46, 46)
    frame.require_about("area", 104.9, 100.0, 0.05)


@pytest.mark.slow
def test_every_file_comes_out_the_same(folder, tmp_path):
    making.make(tmp_path)
    for path in sorted(p for p in tmp_path.rglob("*") if p.is_file()):
        committed = folder / path.relative_to(tmp_path)
        if path.suffix == ".tif":
            with rasterio.open(path) as fresh, rasterio.open(committed) as kept:
                np.testing.assert_array_equal(fresh.read(), kept.read())
        elif path.suffix == ".gpkg":
            for name in pyogrio.list_layers(path)[:, 0]:
                fresh, kept = pyogrio.read_dataframe(path, layer=name), pyogrio.read_dataframe(committed, layer=name)
                assert fresh.drop(columns="geometry").equals(kept.drop(columns="geometry")), (path.name, name)
                assert (fresh.geometry.to_wkb() == kept.geometry.to_wkb()).all(), (path.name, name)
        elif path.suffix == ".csv":
            assert path.read_bytes() == committed.read_bytes()


@pytest.fixture(scope="module")
def damaged(folder, tmp_path_factory):
    target = tmp_path_factory.mktemp("damaged")
    return target, faults.write_damaged(folder, target)


def test_the_damaged_copy_holds_its_faults(damaged):
    target, planted = damaged
    parcels = pyogrio.read_dataframe(target / "town.gpkg", layer="parcels").set_index("parcel_id")
    assert len(parcels.loc[[planted.duplicate_id]]) == 2
    assert parcels.loc[planted.sliver_id].geometry.area < 20.0
    assert parcels["owner_class"].isna().sum() == 1
    assert not isinstance(parcels.loc[planted.ownerless_id, "owner_class"], str)
    kinds = pyogrio.read_dataframe(target / "water.gpkg", layer="culverts")["kind"]
    assert kinds.tolist() == ["culvert"]


def test_the_damaged_copy_lacks_levels(damaged):
    target, planted = damaged
    with rasterio.open(target / "ground_model" / "ground_north_west.tif") as raster:
        (level,) = next(raster.sample([planted.nodata_at]))
        assert level == raster.nodata
    roofs = pyogrio.read_dataframe(target / "town.gpkg", layer="buildings").set_index("building_id")
    roof = roofs.loc[planted.bare_roof_id].geometry
    with rasterio.open(target / "surface_model.tif") as raster:
        inside = [p for p in (roof.representative_point(), roof.centroid) if roof.contains(Point(p))]
        levels = [float(v[0]) for v in raster.sample([(p.x, p.y) for p in inside])]
    assert levels
    assert set(levels) == {-9999.0}

"""Bad inputs, one by one: each gives one clear fault, or one listed repair, never a traceback or a wrong number."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from affine import Affine
from shapely.geometry import LineString, Point, Polygon, box

from catchscreen import inputs
from catchscreen.brief import Brief
from catchscreen.errors import InputsAtFault
from catchscreen.progress import Run

LEFT, TOP, CRS = 500_000.0, 5_000_050.0, "EPSG:32628"
LEVELS = np.add.outer(np.arange(50) * 0.1, np.arange(60) * 0.01).astype(np.float32) + 100
PARCELS = gpd.GeoDataFrame(
    {"parcel_id": ["a", "b"]}, geometry=[box(LEFT + x, TOP - 30, LEFT + x + 20, TOP - 10) for x in (5, 30)], crs=CRS
)
BOW_TIE = Polygon([(LEFT, TOP), (LEFT + 10, TOP - 10), (LEFT + 10, TOP), (LEFT, TOP - 10)])


def write_raster(path, *, left=LEFT, top=TOP, cell=1.0, crs=CRS, values=LEVELS, transform=None):
    path.parent.mkdir(exist_ok=True)
    profile = {"height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": values.dtype.name, "crs": crs}
    with rasterio.open(path, "w", transform=transform or Affine(cell, 0, left, 0, -cell, top), **profile) as opened:
        opened.write(values, 1)


def frame(**columns):
    return PARCELS.assign(**columns)


def shapes(*geometry):
    return PARCELS.iloc[: len(geometry)].set_geometry(gpd.GeoSeries(list(geometry), crs=CRS))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    tmp_path = tmp_path_factory.mktemp("bad")
    write_raster(tmp_path / "dtm.tif")
    PARCELS.to_file(tmp_path / "parcels.gpkg", layer="plots")
    PARCELS.to_file(tmp_path / "parcels.gpkg", layer="other")
    PARCELS.to_file(tmp_path / "one.gpkg")
    (tmp_path / "nonsense.gpkg").write_bytes(b"not geodata at all " * 40)
    (tmp_path / "nonsense.tif").write_bytes(b"II*\0 and then nothing")
    (tmp_path / "nonsense.zip").write_bytes(b"PK nothing")
    (tmp_path / "empty").mkdir()
    write_raster(tmp_path / "shifted/a.tif")
    write_raster(tmp_path / "shifted/b.tif", left=LEFT + 60.4)
    write_raster(tmp_path / "mixed/a.tif")
    write_raster(tmp_path / "mixed/b.tif", cell=2.0)
    write_raster(tmp_path / "two/a.tif")
    write_raster(tmp_path / "two/b.tif", left=LEFT + 60, crs="EPSG:32629")
    write_raster(tmp_path / "far.tif", left=LEFT + 90_000)
    write_raster(tmp_path / "degrees.tif", left=-15.0, top=45.15, cell=1e-5, crs="EPSG:4326")
    write_raster(tmp_path / "mercator.tif", left=-1_669_800, top=5_640_000, crs="EPSG:3857")
    write_raster(tmp_path / "feet.tif", left=950_000, top=200_000, crs="EPSG:2263")
    write_raster(tmp_path / "nocrs.tif", crs=None)
    write_raster(tmp_path / "turned.tif", transform=Affine(1, 0.2, LEFT, 0.2, -1, TOP))
    write_raster(tmp_path / "void.tif", values=np.full((50, 60), np.nan, dtype=np.float32))
    write_raster(tmp_path / "kelvin.tif", values=LEVELS * 1000)
    write_raster(tmp_path / "other_crs.tif", crs="EPSG:32629")
    return tmp_path


FAULTS = {
    "missing layer": ({"parcels": {"file": "parcels.gpkg", "layer": "plot"}}, "missing-layer", 'Did you mean "plots"'),
    "several layers": ({"parcels": "parcels.gpkg"}, "several-layers", "plots, other"),
    "nonsense vector": ({"parcels": "nonsense.gpkg"}, "unreadable-file", "opens in a GIS"),
    "nonsense raster": ({"elevation": "nonsense.tif"}, "unreadable-file", "nonsense.tif"),
    "nonsense zip": ({"elevation": "nonsense.zip"}, "unreadable-file", "Zip it again"),
    "raster for parcels": ({"parcels": "dtm.tif"}, "unreadable-file", "vector"),
    "empty folder": ({"elevation": "empty"}, "no-tiles", "empty"),
    "tile off the grid": ({"elevation": "shifted"}, "misaligned-tile", "b.tif lies off the grid of a.tif by 0.40"),
    "tiles of two sizes": ({"elevation": "mixed"}, "unlike-tiles", "b.tif has cells of 2 x 2"),
    "tiles of two systems": ({"elevation": "two"}, "unlike-tiles", "b.tif and a.tif"),
    "raster elsewhere": ({"elevation": "far.tif"}, "no-overlap", "do not meet"),
    "raster in degrees": ({"elevation": "degrees.tif"}, "unfit-crs", "EPSG:32628"),
    "raster in web mercator": ({"elevation": "mercator.tif"}, "unfit-crs", "EPSG:32628"),
    "raster in feet": ({"elevation": "feet.tif"}, "unfit-crs", "EPSG:32618"),
    "raster without a system": ({"elevation": "nocrs.tif"}, "no-crs", 'crs = "EPSG:..."'),
    "turned raster": ({"elevation": "turned.tif"}, "turned-grid", "north-up"),
    "raster of holes": ({"elevation": "void.tif"}, "no-overlap", "nodata"),
    "levels out of this world": ({"elevation": "kelvin.tif"}, "implausible-levels", "vertical_unit"),
    "band that is not there": ({"elevation": {"file": "dtm.tif", "band": 3}}, "missing-band", "1..1"),
    "unknown system": ({"elevation": {"file": "dtm.tif", "crs": "EPSG:99999999"}}, "unknown-crs", "EPSG:27700"),
    "surface model in another system": ({"surface_model": "other_crs.tif"}, "other-crs", "EPSG:32628"),
    "surface model elsewhere": ({"surface_model": "far.tif"}, "no-overlap", "of this place"),
    "no parcels": ({"parcels": frame().iloc[:0]}, "no-features", "layer"),
    "parcels without geometry": ({"parcels": shapes(None, None)}, "no-geometry", "usable"),
    "points for parcels": ({"parcels": shapes(Point(LEFT, TOP), Point(LEFT, TOP))}, "wrong-geometry", "takes polygons"),
    "parcels without a system": ({"parcels": PARCELS.set_crs(None, allow_override=True)}, "no-crs", "crs"),
    "parcels with one id": ({"parcels": frame(parcel_id="x", nr=[1, 2])}, "duplicate-id", "nr"),
    "parcels with one id twice and one without": (
        {"parcels": gpd.GeoDataFrame({"parcel_id": ["x", "x", None]}, geometry=[BOW_TIE.convex_hull] * 3, crs=CRS)},
        "duplicate-id",
        "2 parcels share ids: x. 1 more has no id.",
    ),
    "one boundary for parcels": (
        {"parcels": shapes(box(LEFT - 9_000, TOP - 9_000, LEFT + 9_000, TOP + 9_000))},
        "parcels-too-large",
        "1 of 1 parcels enclose the whole ground model",
    ),
    "levels of groundwater for depths": (
        {"groundwater": frame(depth_m=[-3.0, 412.5])},
        "implausible-value",
        "All 2 values of depth_m lie outside 0 to 200 m: -3 to 412.5.",
    ),
    "groundwater without a depth": ({"groundwater": frame(depth=[3.0, 4.0])}, "missing-column", "Columns are: "),
    "parcels elsewhere": ({"parcels": PARCELS.translate(90_000).to_frame("geometry")}, "no-overlap", "do not meet"),
    "mapped column missing": (
        {"parcels": {"file": "one.gpkg", "columns": {"parcel_id": "parcel_nr"}}},
        "missing-column",
        "parcel_id",
    ),
    "mapped to no column of ours": (
        {"parcels": {"file": "one.gpkg", "columns": {"land_used": "parcel_id"}}},
        "unknown-key",
        "land_use",
    ),
    "where on a column that is not there": (
        {"parcels": {"file": "one.gpkg", "where": {"x": 1}}},
        "missing-column",
        "Columns are",
    ),
    "kept column missing": ({"keep_columns": ["ward"]}, "missing-column", "ward"),
    "table for a layer": ({"soils": 3.5}, "wrong-type", "path"),
    "lines for soils": (
        {"soils": shapes(LineString([(LEFT, TOP), (LEFT + 9, TOP - 9)]))},
        "wrong-geometry",
        "takes polygons",
    ),
    "constraint without a kind": ({"constraints": PARCELS}, "missing-key", "landfill"),
    "constraint of no kind of ours": (
        {"constraints": {"file": "one.gpkg", "kind": "swamp"}},
        "unknown-word",
        "made_ground",
    ),
    "cover class of no kind of ours": (
        {"land_cover": {"file": "one.gpkg", "classes": {"1": "lava"}}},
        "unknown-word",
        "asphalt",
    ),
    "cover raster of levels": ({"land_cover": "dtm.tif"}, "wrong-type", "class"),
    "groundwater without depth": ({"groundwater": PARCELS}, "missing-column", "depth_m"),
    "rates out of order": ({"soils": frame(infiltration_m_s=1e-6, infiltration_low_m_s=1e-5)}, "out-of-order", "units"),
    "array of three dimensions": (
        {"elevation": (np.zeros((2, 2, 2)), Affine.identity(), CRS)},
        "wrong-type",
        "two dimensions",
    ),
    "owners without the key": ({"owners": {"file": "one.gpkg", "id": "nr"}}, "missing-column", "parcel_id"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_each_bad_input_gives_one_clear_fault(folder, name):
    values, code, word = FAULTS[name]
    given = {"parcels": "one.gpkg", "elevation": "dtm.tif", **values}
    with pytest.raises(InputsAtFault) as caught:
        inputs.load(Brief(folder=folder, **given), None, Run())
    assert [fault.code for fault in caught.value.faults] == [code]
    (fault,) = caught.value.faults
    assert word in f"{fault.message} {fault.cure}"
    assert fault.cure
    assert fault.key


REPAIRS = {
    "bow-tie": (shapes(BOW_TIE, PARCELS.geometry[1]), "invalid-geometry", "area"),
    "one null geometry": (shapes(PARCELS.geometry[0], None), "null-geometry", "1 features"),
    "one line among polygons": (
        shapes(PARCELS.geometry[0], LineString([(LEFT, TOP), (LEFT + 5, TOP - 5)])),
        "wrong-geometry",
        "left out",
    ),
    "one empty id": (frame(parcel_id=["a", None]), "empty-id", "1 features"),
    "a sliver": (shapes(PARCELS.geometry[0], box(LEFT + 40, TOP - 20, LEFT + 41, TOP - 19)), "sliver", "under 20 m2"),
    "an unknown land use": (frame(land_use=["school", "volcano"]), "unknown-word", "volcano"),
    "a renewal year in the past": (frame(renewal_year=[2030, 1066]), "implausible-value", "1066"),
}


@pytest.mark.parametrize("name", REPAIRS)
def test_each_mend_is_listed(folder, name):
    parcels, code, word = REPAIRS[name]
    run = Run()
    data = inputs.load(Brief(folder=folder, parcels=parcels, elevation="dtm.tif"), None, run)
    found = [issue for issue in run.issues if issue.code == code]
    assert len(found) == 1
    assert word in found[0].message
    assert data.parcels.index.is_unique


def test_all_faults_of_all_layers_come_at_once(folder):
    brief = Brief(
        folder=folder,
        parcels=frame(parcel_id="x"),
        elevation="degrees.tif",
        soils="nonsense.gpkg",
        constraints=[PARCELS, {"file": "one.gpkg", "kind": "swamp"}],
        rain_table={"return_periods_years": [2, 30], "depths_mm": {"60": [9, 3]}},
    )
    with pytest.raises(InputsAtFault) as caught:
        inputs.load(brief, None, Run())
    codes = [fault.code for fault in caught.value.faults]
    assert sorted(codes) == [
        "duplicate-id", "missing-key", "not-rising", "unfit-crs", "unknown-word", "unreadable-file",
    ]  # fmt: skip
    assert str(caught.value).count("\n") == len(codes) - 1


def test_a_ballpark_transformation_is_refused(folder):
    local = 'LOCAL_CS["town grid",UNIT["metre",1],AXIS["Easting",EAST],AXIS["Northing",NORTH]]'
    with pytest.raises(InputsAtFault) as caught:
        inputs.load(
            Brief(folder=folder, parcels=PARCELS.set_crs(local, allow_override=True), elevation="dtm.tif"), None, Run()
        )
    assert [fault.code for fault in caught.value.faults] == ["ballpark-transformation"]

"""Rasters: tiles, cutting, averaging, holes, units, second rasters."""

from __future__ import annotations

import zipfile

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from shapely.geometry import box

from catchscreen.errors import InputsAtFault
from catchscreen.inputs import machine

LEFT, TOP, CRS = 500_000.0, 5_000_050.0, "EPSG:32628"


def cut_into_tiles(place, folder, suffix=".tif", **kwargs):
    """Write the plane as four tiles of 25 rows and 30 columns."""
    for row in (0, 25):
        for col in (0, 30):
            values = place.levels[row : row + 25, col : col + 30]
            place.raster(f"{folder}/t{row}_{col}{suffix}", values, left=LEFT + col, top=TOP - row, **kwargs)


@pytest.mark.parametrize("source", ["tiles", "tiles/*.tif", "tiles.zip", "tiles.zip/tiles"])
def test_tiles_equal_the_whole(place, source):
    cut_into_tiles(place, "tiles")
    with zipfile.ZipFile(place.folder / "tiles.zip", "w") as archive:
        for path in sorted((place.folder / "tiles").glob("*.tif")):
            archive.write(path, f"tiles/{path.name}")
    np.testing.assert_array_equal(place.load(elevation=source)[0].ground_ticks, place.load()[0].ground_ticks)


def test_a_virtual_mosaic_equals_its_tiles(place):
    cut_into_tiles(place, "tiles")
    sources = "".join(
        f"<SimpleSource><SourceFilename relativeToVRT='1'>tiles/t{row}_{col}.tif</SourceFilename>"
        "<SourceBand>1</SourceBand>"
        f"<SrcRect xOff='0' yOff='0' xSize='30' ySize='25'/><DstRect xOff='{col}' yOff='{row}' xSize='30' ySize='25'/>"
        "</SimpleSource>"
        for row in (0, 25)
        for col in (0, 30)
    )
    text = (
        f"<VRTDataset rasterXSize='60' rasterYSize='50'><SRS>{CRS}</SRS>"
        f"<GeoTransform>{LEFT}, 1, 0, {TOP}, 0, -1</GeoTransform>"
        f"<VRTRasterBand dataType='Float32' band='1'>{sources}</VRTRasterBand></VRTDataset>"
    )
    (place.folder / "all.vrt").write_text(text, encoding="utf-8")
    np.testing.assert_array_equal(place.load(elevation="all.vrt")[0].ground_ticks, place.load()[0].ground_ticks)


def test_text_grids_with_a_given_system(place):
    cut_into_tiles(place, "asc", ".asc", crs=None)
    with pytest.raises(InputsAtFault, match=r"does not say its coordinate system"):
        place.load(elevation="asc")
    data = place.load(elevation={"file": "asc", "crs": CRS})[0]
    np.testing.assert_allclose(data.ground_ticks / 1e4, place.levels, atol=2e-3)


def test_levels_of_no_stated_unit_are_named(place):
    issue = place.issue("unit-assumed")
    assert (issue.severity, issue.role) == ("note", "elevation")
    assert "taken as metres" in issue.message
    _, issues = place.load(elevation={"file": "dtm.tif", "vertical_unit": "m"})
    assert not [issue for issue in issues if issue.code == "unit-assumed"]


def test_data_without_a_system_are_named_by_their_argument(place):
    bare = place.parcels.set_crs(None, allow_override=True)
    with pytest.raises(InputsAtFault, match=r"data given as parcels carry no coordinate system"):
        place.load(parcels=bare)


def test_a_missing_tile_is_a_hole(place):
    cut_into_tiles(place, "tiles")
    (place.folder / "tiles" / "t25_30.tif").unlink()
    data, issues = place.load(elevation="tiles")
    assert not data.ground_valid[25:, 30:].any()
    assert data.ground_valid.sum() == 3 * 25 * 30
    assert any(issue.code == "many-holes" and "25%" in issue.message for issue in issues)


def test_only_the_district_is_read(place):
    small = gpd.GeoDataFrame(geometry=[box(LEFT + 10.4, TOP - 30.2, LEFT + 40, TOP - 12)], crs=CRS)
    place.vector("small.gpkg", small)
    data = place.load(district="small.gpkg")[0]
    assert data.grid.bounds == (LEFT + 10, TOP - 31, LEFT + 40, TOP - 12)
    np.testing.assert_array_equal(data.ground_ticks[:18], np.rint(place.levels[12:30, 10:40].astype(float) * 1e4))
    # The centres of row 30 (at 30.5) lie outside.
    assert not data.ground_valid[18].any()
    assert data.ground_valid[:18].all()


def test_holes_by_tag_by_nan_and_by_the_brief(place):
    levels = place.levels.copy()
    levels[0, 0], levels[1, 1], levels[2, 2], levels[3, 3] = -9999, np.nan, 0.0, -3.4e38
    place.raster("holes.tif", levels, nodata=-9999)
    data = place.load(elevation={"file": "holes.tif", "nodata": 0})[0]
    assert np.argwhere(~data.ground_valid).tolist() == [[0, 0], [1, 1], [2, 2], [3, 3]]
    assert data.ground_ticks[~data.ground_valid].tolist() == [0] * 4


def test_implausible_levels_become_holes_and_are_listed(place):
    levels = place.levels.copy()
    levels[5, 5] = 32767
    place.raster("spike.tif", levels)
    data, issues = place.load(elevation="spike.tif")
    assert not data.ground_valid[5, 5]
    assert any(issue.code == "implausible-levels" for issue in issues)


@pytest.mark.parametrize(("unit", "factor"), [("ft", 0.3048), ("cm", 0.01), ("mm", 0.001)])
def test_levels_follow_their_unit(place, unit, factor):
    place.raster("other.tif", (place.levels.astype(np.float64) / factor))
    data = place.load(elevation={"file": "other.tif", "vertical_unit": unit})[0]
    np.testing.assert_array_equal(data.ground_ticks, np.rint(place.levels.astype(np.float64) * 1e4))


def test_coarser_cells_are_means_of_whole_blocks(place):
    data, issues = place.load(terrain={"cell_m": 5})
    assert data.grid.shape == (10, 12)
    expected = place.levels.astype(np.float64).reshape(10, 5, 12, 5).mean(axis=(1, 3))
    np.testing.assert_allclose(data.ground_ticks / 1e4, expected, atol=5.1e-5)
    (note,) = [issue for issue in issues if issue.code == "coarser-cells"]
    # A plane of 0.1 m a row and 0.01 m a column: the farthest cell is two rows and two columns off the middle; the mean
    # square of five even steps is twice the step's square.
    assert "at most 0.22 m" in note.message
    assert f"{np.sqrt(2 * (0.1**2 + 0.01**2)):.2f} m (root mean square)" in note.message
    assert any(issue.code == "coarse-ground" for issue in issues)


def test_a_block_needs_data_on_half_of_its_cells(place):
    levels = place.levels.copy()
    levels[0:1, 0:5] = np.nan
    levels[0:3, 5:10] = np.nan
    place.raster("holes.tif", levels)
    data = place.load(elevation="holes.tif", terrain={"cell_m": 5})[0]
    assert data.ground_valid[0, 0]
    assert not data.ground_valid[0, 1]


def test_a_cell_that_is_no_multiple_is_refused(place):
    with pytest.raises(InputsAtFault, match=r"Use 2 or 3: elevation is averaged, never resampled"):
        place.load(terrain={"cell_m": 2.5})


def test_memory_is_predicted_before_reading(place, monkeypatch):
    monkeypatch.setattr(machine, "_physical_bytes", lambda: 60 * 50 * machine.BYTES_PER_CELL // 2)
    with pytest.raises(InputsAtFault, match=r"Set terrain\.cell_m = 2"):
        place.load()
    assert place.load(terrain={"cell_m": 2})[0].grid.shape == (25, 30)
    assert (machine.memory_bytes() or 0) > 0


def test_the_surface_model_lies_on_the_ground_s_grid_where_cells_agree(place):
    high = place.levels.astype(np.float64) + 5
    high[3, 4] = 50.0
    place.raster("dsm.tif", high[10:, 5:], left=LEFT + 5, top=TOP - 10)
    data, _ = place.load(surface_model="dsm.tif")
    assert data.surface_model.grid == data.grid
    assert not data.surface_model.valid[:10].any()
    np.testing.assert_allclose(data.surface_model.values[10:, 5:], high[10:, 5:])
    place.raster("low.tif", high)
    low, issues = place.load(surface_model="low.tif")
    assert np.argwhere(~low.surface_model.valid).tolist() == [[3, 4]]
    assert any(issue.code == "below-ground" for issue in issues)


def test_a_surface_model_on_its_own_grid_is_kept_there(place):
    fine = np.repeat(np.repeat(place.levels, 2, axis=0), 2, axis=1) + 3
    place.raster("dsm.tif", fine, cell=0.5)
    data, issues = place.load(surface_model="dsm.tif")
    assert data.surface_model.grid.shape == (100, 120)
    assert any(issue.code == "own-grid" for issue in issues)


def test_levels_above_two_datums_are_refused(place):
    place.raster("dsm.tif", place.levels + 5)
    with pytest.raises(InputsAtFault, match="above A, the ground model's above B"):
        place.load(
            surface_model={"file": "dsm.tif", "vertical_datum": "A"},
            elevation={"file": "dtm.tif", "vertical_datum": "B"},
        )


def test_cover_rasters_need_a_class_table(place):
    codes = np.full((50, 60), 1, dtype=np.uint8)
    codes[:, 30:], codes[0, 0] = 2, 7
    place.raster("cover.tif", codes, nodata=0)
    with pytest.raises(InputsAtFault, match=r'classes = \{ 1 = "\.\.\."'):
        place.load(land_cover="cover.tif")
    data, issues = place.load(land_cover={"file": "cover.tif", "classes": {"1": "asphalt", "2": "Grass"}})
    assert data.cover_classes == {1: "asphalt", 2: "grass", 7: "unknown"}
    assert data.land_cover.values.dtype == np.int64
    assert any(issue.code == "unnamed-codes" for issue in issues)


def test_groundwater_may_be_a_raster(place):
    place.raster("gw.tif", np.full((50, 60), 250, dtype=np.int16))
    data = place.load(groundwater={"file": "gw.tif", "vertical_unit": "cm"})[0]
    assert np.unique(data.groundwater.values).tolist() == [2.5]


def test_a_raster_in_a_geopackage_by_its_layer(place):
    rasterio = pytest.importorskip("rasterio")
    with rasterio.open(place.folder / "dtm.tif") as opened:
        values, profile = opened.read(1), opened.profile
    profile = {key: profile[key] for key in ("height", "width", "count", "dtype", "transform", "crs")}
    with rasterio.open(place.folder / "all.gpkg", "w", driver="GPKG", RASTER_TABLE="dtm", **profile) as opened:
        opened.write(values, 1)
    data = place.load(elevation={"file": "all.gpkg", "layer": "dtm"})[0]
    np.testing.assert_allclose(data.ground_ticks / 1e4, place.levels, atol=1e-3)


def with_unit(place, unit, name="stated.tif", factor=1.0):
    """Write the plane with a band that states its unit."""
    place.raster(name, (place.levels / factor).astype(np.float32))
    with rasterio.open(place.folder / name, "r+") as raster:
        raster.units = (unit,)
    return name


@pytest.mark.parametrize(
    ("word", "unit", "metres"),
    [("US survey foot", "us_ft", 1200 / 3937), ("feet", "ft", 0.3048), ("centimetre", "cm", 0.01)],
)
def test_a_stated_unit_is_refused_until_the_brief_says_it(place, word, unit, metres):
    name = with_unit(place, word, factor=metres)
    with pytest.raises(InputsAtFault, match=rf'vertical_unit = "{unit}" in \[elevation\]'):
        place.load(elevation=name)
    ticks = place.load(elevation={"file": name, "vertical_unit": unit})[0].ground_ticks
    np.testing.assert_allclose(ticks / 1e4, place.levels, atol=1e-3)


def test_a_unit_said_in_the_brief_is_obeyed_and_the_contradiction_noted(place):
    name = with_unit(place, "feet")
    data, issues = place.load(elevation={"file": name, "vertical_unit": "m"})
    np.testing.assert_allclose(data.ground_ticks / 1e4, place.levels, atol=1e-3)
    assert [issue.role for issue in issues if issue.code == "other-unit"] == ["elevation"]


def test_a_compound_system_states_the_unit_of_levels(place):
    place.raster("feet.tif", crs="EPSG:32628+6360")
    with pytest.raises(InputsAtFault, match=r'vertical_unit = "us_ft"'):
        place.load(elevation="feet.tif")


def test_levels_without_likeness_between_neighbours_are_noted(place):
    values = np.random.default_rng(5).uniform(0, 45, place.levels.shape).astype(np.float32)
    place.raster("slopes.tif", values)
    place.raster("flat.tif", np.full(place.levels.shape, 7.0, dtype=np.float32))
    codes = {
        name: {issue.code for issue in place.load(elevation=name)[1]} for name in ("slopes.tif", "flat.tif", "dtm.tif")
    }
    assert "unlike-ground" in codes["slopes.tif"]
    assert "one-level" in codes["flat.tif"]
    assert not codes["dtm.tif"] & {"unlike-ground", "one-level"}


def test_an_array_without_its_place_is_refused_in_words(place):
    with pytest.raises(InputsAtFault, match="transform is None"):
        place.load(elevation=(place.levels, None, None))


def test_a_raster_that_breaks_off_is_a_fault_that_names_it(place):
    rng = np.random.default_rng(3)
    place.raster("whole.tif", rng.uniform(100, 101, place.levels.shape).astype(np.float32))
    content = (place.folder / "whole.tif").read_bytes()
    (place.folder / "part.tif").write_bytes(content[: len(content) // 2])
    with pytest.raises(InputsAtFault, match=r"part\.tif") as caught:
        place.load(elevation="part.tif")
    assert {fault.code for fault in caught.value.faults} == {"unreadable-file"}

"""A first brief for a folder: what is taken, what is left and why, and that it works or says why not."""

from __future__ import annotations

import shutil
import tomllib
import zipfile

import geopandas as gpd
import numpy as np
import pytest
from shapely.geometry import LineString, Point, box

from catchscreen import inputs
from catchscreen.brief import OPTION_TABLES, Brief
from catchscreen.brief_settings import settings as settings_of_a_brief
from catchscreen.brief_sources import ROLES
from catchscreen.errors import InputsAtFault
from catchscreen.inputs.discovery import Found, find_geodata
from catchscreen.inputs.guessing import SIGNS, best_role, map_columns
from catchscreen.progress import Run

LEFT, TOP, CRS = 500_000.0, 5_000_050.0, "EPSG:32628"


@pytest.fixture
def full(place):
    """A folder as offices keep them: a geodatabase, a zip, tiles, copies, a table, an odd file."""
    town = place.folder
    for row in (0, 25):
        place.raster(f"lidar dtm/tile_{row}.tif", place.levels[row : row + 25], top=TOP - row)
    (town / "dtm.tif").unlink()
    place.raster("dsm.tif", place.levels + 4)
    place.raster("landcover.tif", np.ones((50, 60), dtype=np.uint8))
    roads = gpd.GeoDataFrame(
        {"type": ["street"]}, geometry=[LineString([(LEFT, TOP - 5), (LEFT + 60, TOP - 5)])], crs=CRS
    )
    soils = gpd.GeoDataFrame({"texture": ["loam"]}, geometry=[box(LEFT, TOP - 50, LEFT + 60, TOP)], crs=CRS)
    roads.to_file(town / "council.gdb", driver="OpenFileGDB", layer="street_lines", engine="pyogrio")
    soils.to_file(town / "council.gdb", driver="OpenFileGDB", layer="soil_map", engine="pyogrio", mode="a")
    houses = gpd.GeoDataFrame({"height": [7.0]}, geometry=[box(LEFT, TOP - 9, LEFT + 9, TOP)], crs=CRS)
    houses.to_file(town / "buildings.shp", engine="pyogrio")
    with zipfile.ZipFile(town / "from the survey.zip", "w") as archive:
        for path in sorted(town.glob("buildings.*")):
            archive.write(path, path.name)
            path.unlink()
    shutil.copy(town / "parcels.gpkg", town / "zz copy of parcels.gpkg")
    trees = gpd.GeoDataFrame({"canopy": [5.0]}, geometry=[Point(LEFT + 5, TOP - 5)], crs=CRS)
    trees.to_file(town / "trees_2020.gpkg", engine="pyogrio")
    trees.assign(canopy=6.0).to_file(town / "trees_2024.gpkg", engine="pyogrio")
    rain = "duration_min,2,30\n15,7,17\n60,13,30\n"
    (town / "rain_table.csv").write_text(rain, encoding="utf-8")
    (town / "letter.txt").write_text("Dear colleague,\nthe data are attached.\n", encoding="utf-8")
    place.vector("mystery.gpkg", gpd.GeoDataFrame({"q": [1]}, geometry=[box(LEFT, TOP - 5, LEFT + 5, TOP)], crs=CRS))
    return town


def test_a_full_folder_makes_a_brief_that_passes_check(full):
    before = {path: path.stat().st_mtime_ns for path in full.rglob("*") if path.is_file()}
    new = inputs.write_new_brief(full)
    assert new.path == full / "brief.toml"
    assert new.missing == ()
    taken = dict(new.taken)
    assert taken["elevation"] == "lidar dtm/*.tif"
    assert taken["parcels"] == "parcels.gpkg"
    assert taken["roads"] == "council.gdb, layer street_lines"
    assert taken["soils"] == "council.gdb, layer soil_map"
    assert taken["buildings"] == "from the survey.zip/buildings.shp"
    assert taken["surface_model"] == "dsm.tif"
    assert taken["rain_table"] == "rain_table.csv"
    assert taken["trees"] == "trees_2020.gpkg"
    left = dict(new.left)
    assert left["zz copy of parcels.gpkg"] == "a copy of parcels.gpkg"
    assert left["trees_2024.gpkg"] == "as likely as trees_2020.gpkg: choose one"
    assert left["landcover.tif"].startswith("does not work yet: Nothing says what the codes 1 mean")
    assert "nothing in its name" in left["mystery.gpkg"]
    assert "letter.txt" in left
    text = new.path.read_text(encoding="utf-8")
    assert '# file = "trees_2024.gpkg"' in text
    assert 'columns = { height_m = "height" }' in text
    assert "# subcatchment_target_ha = 25" in text
    assert not text.startswith("# NOT COMPLETE")
    assert inputs.check(Brief.from_toml(new.path), None, Run()) == ()
    after = {path: path.stat().st_mtime_ns for path in full.rglob("*") if path.is_file() and path != new.path}
    assert after == before


def test_every_commented_line_is_valid_when_it_is_switched_on(full):
    """Settings and second candidates behind # must work when a user takes the # away."""
    text = inputs.write_new_brief(full).path.read_text(encoding="utf-8")
    settings = text.split("have no default.")[1].split("# Left out")[0]
    switched = "\n".join(line.removeprefix("# ") for line in settings.splitlines())
    tables = tomllib.loads(switched)
    brief = Brief(folder=full, parcels="parcels.gpkg", elevation="dsm.tif", **tables)
    plain = Brief(folder=full, parcels="parcels.gpkg", elevation="dsm.tif")
    assert {name: getattr(brief, name) for name in OPTION_TABLES} == {
        name: getattr(plain, name) for name in OPTION_TABLES
    }
    keys = {(table, key) for table, model in OPTION_TABLES.items() for key in model.model_fields}
    assert {(said.table, said.key) for said in settings_of_a_brief()} == keys
    assert all(f"# {key} = " in text or f".{key}]" in text for _, key in keys)
    assert all(said.meaning.endswith(".") or said.meaning[-1] in "?)" for said in settings_of_a_brief())


def test_nothing_is_overwritten(full):
    first = inputs.write_new_brief(full)
    text = first.path.read_text(encoding="utf-8")
    second = inputs.write_new_brief(full)
    assert second.path == full / "brief_2.toml"
    assert first.path.read_text(encoding="utf-8") == text


def test_an_unusable_folder_says_so_in_the_first_lines(place):
    (place.folder / "parcels.gpkg").unlink()
    place.raster("dtm.tif", crs=None)
    new = inputs.write_new_brief(place.folder)
    lines = new.path.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# NOT COMPLETE YET")
    assert "parcels is missing" in lines[1]
    assert new.missing
    tomllib.loads("\n".join(lines))
    with pytest.raises(InputsAtFault, match="no such folder"):
        inputs.write_new_brief(place.folder / "gone")


def test_old_results_and_hidden_folders_are_passed_over(place):
    for name in ("town_result", ".cache"):
        (place.folder / name).mkdir()
        shutil.copy(place.folder / "parcels.gpkg", place.folder / name / "soils.gpkg")
    names = {layer.file for layer in find_geodata(place.folder)[0]}
    assert names == {"dtm.tif", "parcels.gpkg", "district.gpkg"}


@pytest.mark.parametrize(
    ("found", "role"),
    [
        (Found("Cadastral_Parcels.shp", None, "polygon"), "parcels"),
        (Found("all.gpkg", "LandCover", "polygon", ("class",)), "land_cover"),
        (Found("x/landcover.tif", None, "raster", is_whole=True), "land_cover"),
        (Found("x/thing.tif", None, "raster"), "elevation"),
        (Found("dsm_1m.tif", None, "raster"), "surface_model"),
        (Found("sewer zones.gpkg", None, "polygon"), "sewer_zones"),
        (Found("CSO_returns.csv.gpkg", None, "point"), "storm_overflows"),
        (Found("rain_1990_2020.csv", None, "table", ("date", "rain_mm")), "rain_series"),
        (Found("pet.csv", None, "table", ("month", "pet")), "evaporation"),
        (Found("groundwater.gpkg", None, "polygon", ("depth_m",)), "groundwater"),
        (Found("things.gpkg", None, "polygon", ("a",)), ""),
    ],
)
def test_roles_are_guessed_from_names_shapes_and_columns(found, role):
    assert best_role(found)[0] == role


def test_each_role_but_the_users_own_cover_can_be_guessed():
    assert set(ROLES) - set(SIGNS) == {"cover_override", "layer_catalogue", "unit_costs"}


def test_columns_are_mapped_once_each():
    found = Found("p.gpkg", None, "polygon", ("ID", "Use", "owner", "land_use"))
    assert map_columns("parcels", found) == {"parcel_id": "ID", "owner_class": "owner"}


def test_a_folder_without_geodata_gets_no_brief(tmp_path):
    (tmp_path / "notes.txt").write_text("nothing", encoding="utf-8")
    with pytest.raises(InputsAtFault, match="no geodata"):
        inputs.write_new_brief(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_a_folder_that_cannot_be_written_is_a_fault(place, monkeypatch):
    def refuse(*_given, **_named):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pathlib.Path.write_text", refuse)
    with pytest.raises(InputsAtFault, match="Permission denied") as caught:
        inputs.write_new_brief(place.folder)
    assert "write permission" in caught.value.faults[0].cure

"""A whole result as a folder: which files, in what words, with the cautions on each, and the same bytes twice."""

from __future__ import annotations

import csv
import json
import re
import sqlite3
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from pyproj import CRS
from shapely import box

from catchscreen.outputs.columns import Layer
from catchscreen.outputs.conforming import shape_frame
from catchscreen.outputs.manifest import find_state, hash_file
from catchscreen.outputs.overview import plan_sheet, sketch_overview
from catchscreen.outputs.overview_margin import write_margin
from catchscreen.outputs.schema import LAYERS
from catchscreen.outputs.screening import Screening, Written
from catchscreen.outputs.wording import CAUTIONS

CRS_METRIC = CRS.from_epsg(32628)
CONTRACT = {
    "parcels",
    "candidates",
    "subcatchments",
    "flow_paths",
    "outlets",
    "hollows",
    "surfaces",
    "data_issues",
    "options",
    "water_balance",
    "run",
}
"""Layers and tables that scripts and people rely on."""


def screening_of(frames: dict[str, pd.DataFrame], layers: dict[str, Layer], folder: Path) -> Screening:
    shaped = {name: shape_frame(frames[name], layer, CRS_METRIC) for name, layer in layers.items()}
    light = (np.full((4, 4), 0.5, np.float32), (400000.0, 4990000.0, 400010.0, 4990010.0))
    return Screening(
        "Vale", "r" * 64, CRS_METRIC, layers, shaped, light, {"run_id": "r" * 64}, {"terrain": 1.5}, folder
    )


@pytest.fixture
def screening(frames: dict[str, pd.DataFrame], layers: dict[str, Layer], tmp_path: Path) -> Screening:
    return screening_of(frames, layers, tmp_path / "vale_result")


@pytest.fixture(scope="module")
def written(
    frames: dict[str, pd.DataFrame], layers: dict[str, Layer], tmp_path_factory: pytest.TempPathFactory
) -> Written:
    """A result as written, for tests that only read it."""
    return screening_of(frames, layers, tmp_path_factory.mktemp("read") / "vale_result").write()


@pytest.fixture
def empty(empty_frames: dict[str, pd.DataFrame], layers: dict[str, Layer], tmp_path: Path) -> Screening:
    return screening_of(empty_frames, layers, tmp_path / "empty_result")


def test_the_files_of_a_result_and_its_manifest(written: Written, layers: dict[str, Layer]) -> None:
    tables = {f"tables/{name}.csv" for name in layers} | {"tables/columns.csv", "tables/CAUTIONS.txt"}
    assert set(written.files) == {"screening.gpkg", "overview.png", "manifest.json"} | tables
    assert written.files[-1] == "manifest.json"
    assert {path.relative_to(written.folder).as_posix() for path in written.folder.rglob("*") if path.is_file()} == set(
        written.files
    )
    manifest = json.loads((written.folder / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["files"] == {name: hash_file(written.folder / name) for name in sorted(written.files[:-1])}
    assert manifest["run_id"] == "r" * 64
    assert find_state(written.folder) == "finished"


def test_layers_and_tables_of_the_contract_are_there(written: Written, layers: dict[str, Layer]) -> None:
    found = {str(name): kind for name, kind in pyogrio.list_layers(written.folder / "screening.gpkg")}
    assert set(found) == set(layers)
    assert set(found) >= CONTRACT
    for name in ("options", "water_balance", "run"):
        assert found[name] is None, "an attribute table"
    for name in CONTRACT - {"options", "water_balance", "run"}:
        assert found[name] is not None, "a layer with places"


def test_an_empty_result_keeps_every_layer_and_column(empty: Screening, layers: dict[str, Layer]) -> None:
    folder = empty.write().folder
    for name, layer in layers.items():
        frame = gpd.read_file(folder / "screening.gpkg", layer=name)
        assert len(frame) == 0
        assert set(layer.names) <= set(frame.columns), name
        with (folder / "tables" / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
            assert list(csv.reader(stream)) == [list(layer.names)]
    assert (folder / "overview.png").read_bytes().startswith(b"\x89PNG")


def test_frames_have_the_callers_id_as_index_and_all_columns(screening: Screening, empty: Screening) -> None:
    for result in (screening, empty):
        for name, layer in result.layers.items():
            frame = result.frame(name)
            assert frame.index.name == layer.key
            assert [column for column in frame.columns if column != "geometry"] == list(layer.names[1:])
    assert screening.parcels.index.tolist() == ["a", "b"]
    with pytest.raises(KeyError, match="no layer 'roofs'; there are parcels"):
        screening.frame("roofs")


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="not on Windows: the time zone of a process is fixed")
def test_clock_zone_and_folder_change_the_manifest_alone(
    screening: Screening, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folders = []
    for zone, name in (("UTC", "one"), ("Asia/Kolkata", "two földers/deep")):
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        folders.append(screening.write(tmp_path / name).folder)
    monkeypatch.undo()
    time.tzset()
    first, second = (json.loads((folder / "manifest.json").read_text(encoding="utf-8")) for folder in folders)
    assert first["files"] == second["files"]
    assert {key for key in first if first[key] != second[key]} <= {"made"}
    assert set(first["made"]) == {"at", "python", "system", "seconds"}


def test_numbers_and_words_come_back_from_the_tables(tmp_path: Path, layers: dict[str, Layer]) -> None:
    """Quotes, commas, line ends and letters beyond ASCII; whole numbers without a point; unknown is empty."""
    words = ['He said "wet"', "one, two", "two\nlines", "Großer Hof", None]
    frames = {name: pd.DataFrame({layer.key: []}) for name, layer in layers.items()}
    frames["hollows"] = gpd.GeoDataFrame(
        {
            "hollow_id": list("abcde"),
            "subcatchment_id": words,
            "area_m2": [1234.4, 0.0, -0.2, 1e9, np.nan],
            "depth_m": [0.125, 1.0, 1e-4, 2.5, np.inf],
            "property_points": [1, 0, 3, None, 2],
        },
        geometry=gpd.GeoSeries([None] * 5, crs=CRS_METRIC),
    )
    folder = screening_of(frames, layers, tmp_path / "r").write().folder
    with (folder / "tables" / "hollows.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["subcatchment_id"] for row in rows] == ['He said "wet"', "one, two", "two\nlines", "Großer Hof", ""]
    assert [row["area_m2"] for row in rows] == ["1234", "0", "0", "1000000000", ""]
    assert [row["depth_m"] for row in rows] == ["0.12", "1.0", "0.0", "2.5", ""]
    assert [row["property_points"] for row in rows] == ["1", "0", "3", "", "2"]
    back = gpd.read_file(folder / "screening.gpkg", layer="hollows")
    assert back["subcatchment_id"].tolist()[:4] == words[:4]


def test_the_cautions_stand_on_everything(written: Written) -> None:
    folder = written.folder
    assert (folder / "tables" / "CAUTIONS.txt").read_text(encoding="utf-8").splitlines() == list(CAUTIONS)
    assert json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["cautions"] == list(CAUTIONS)
    with closing(sqlite3.connect(folder / "screening.gpkg")) as database:
        (text,) = database.execute("SELECT metadata FROM gpkg_metadata").fetchone()
    assert json.loads(text)["cautions"] == list(CAUTIONS)


def test_the_picture_says_what_it_is_not_and_who_decides(screening: Screening) -> None:
    from matplotlib.figure import Figure

    frames = {name: frame.reset_index() for name, frame in screening.frames.items()}
    figure = Figure()
    sketch = sketch_overview(frames, screening.hillshade, "Vale", "two parcels")
    write_margin(figure, replace(sketch, first=((1, "Mill yard"),)))
    said = " ".join(text.get_text().replace("\n", " ") for text in figure.texts)
    for number in (0, 2, 3):
        assert CAUTIONS[number] in said
    assert "Mill yard" in said


def test_nothing_claims_what_a_screening_cannot_know(screening: Screening) -> None:
    """No approval, no compliance, no guarantee, no word on a property's flooding, no count of spills avoided."""
    words = r"compliant|compliance|approved|guarantee\w*|certified|safe to build|flood risk of"
    claims = re.compile(rf"\b({words})\b", re.IGNORECASE)
    for layer in screening.layers.values():
        for column in layer.columns:
            assert not claims.search(column.meaning), (layer.name, column.name)
    assert not any(claims.search(caution) for caution in CAUTIONS)
    assert "not a statement about any property" in next(
        column.meaning for layer in LAYERS for column in layer.columns if column.name == "property_points"
    )


def test_retained_and_slowed_are_told_apart_and_no_column_adds_them() -> None:
    for layer in LAYERS:
        names = set(layer.names)
        assert not {"stored_m3", "held_and_slowed_m3", "managed_m3", "total_m3"} & names
        if "slowed_m3" in names and layer.name == "candidates":
            meaning = next(column.meaning for column in layer.columns if column.name == "slowed_m3")
            assert "never added" in meaning


def test_a_place_of_unknown_cover_has_no_shape_and_is_written_all_the_same(written: Written) -> None:
    candidates = gpd.read_file(written.folder / "screening.gpkg", layer="candidates")
    assert candidates["candidate_id"].tolist() == ["a", "b"]
    assert candidates.geometry.isna().tolist() == [False, True]


def test_a_fault_while_building_leaves_nothing_behind(
    screening: Screening, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The picture fails while the others are written beside it: its error comes through, the old result stays."""
    screening.write()
    before = {path: path.stat().st_mtime_ns for path in screening.default_folder.rglob("*")}

    def fails(*_: object) -> None:
        raise ValueError("no picture")

    monkeypatch.setattr("catchscreen.outputs.screening.paint", fails)
    with pytest.raises(ValueError, match="no picture"):
        screening.write()
    assert {path: path.stat().st_mtime_ns for path in screening.default_folder.rglob("*")} == before
    assert [path.name for path in tmp_path.iterdir()] == ["vale_result"]


@pytest.mark.parametrize(
    ("shape", "wider"),
    [(box(0, 0, 5000, 5000), None), (box(0, 0, 20000, 1000), True), (box(0, 0, 500, 9000), False)],
    ids=["square", "a valley", "a corridor"],
)
def test_the_sheet_fits_the_district(shape: object, wider: bool | None) -> None:
    sheet = plan_sheet(gpd.GeoDataFrame(geometry=gpd.GeoSeries([shape], crs=CRS_METRIC)))
    scale_x, scale_y = (sheet.right - sheet.left) / sheet.map_width, (sheet.top - sheet.bottom) / sheet.map_height
    assert scale_x == pytest.approx(scale_y)
    assert sheet.map_width <= 10.5 + 1e-9
    assert sheet.map_height <= 8.4 + 1e-9
    assert sheet.height >= 7.2
    assert 0.49 <= sheet.map_width / sheet.map_height <= 2.05
    if wider is not None:
        assert bool(sheet.map_width > sheet.map_height) is wider


def test_what_cli_and_api_share_is_one_write(screening: Screening, tmp_path: Path) -> None:
    """``write`` takes a folder as text or path and names it in full; without one it uses the folder by the brief."""
    assert screening.write(str(tmp_path / "mine")).folder == tmp_path / "mine"
    assert screening.write().folder == tmp_path / "vale_result"

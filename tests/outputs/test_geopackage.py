"""The GeoPackage as others read it: valid by the validator, whole, the same bytes twice."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest

from catchscreen.outputs.columns import Layer
from catchscreen.outputs.geopackage import write_geopackage

SQL_TYPES = {"TEXT": {"TEXT"}, "INTEGER": {"INTEGER", "MEDIUMINT"}, "REAL": {"REAL"}, "BOOLEAN": {"BOOLEAN"}}


@pytest.fixture
def written(tmp_path: Path, frames: dict[str, pd.DataFrame], layers: dict[str, Layer]) -> Path:
    path = tmp_path / "screening.gpkg"
    write_geopackage(path, frames, layers, {"run_id": "r", "cautions": ["screening only"]})
    return path


@pytest.mark.parametrize("which", ["frames", "empty_frames"])
def test_valid_by_the_independent_validator(
    which: str, tmp_path: Path, layers: dict[str, Layer], request: pytest.FixtureRequest
) -> None:
    path = tmp_path / "screening.gpkg"
    write_geopackage(path, request.getfixturevalue(which), layers, {"run_id": "r"})
    answer = subprocess.run(
        [sys.executable, "-m", "osgeo_utils.samples.validate_gpkg", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert answer.returncode == 0, answer.stdout + answer.stderr


def test_every_column_has_its_type_and_its_description(written: Path, layers: dict[str, Layer]) -> None:
    with closing(sqlite3.connect(written)) as database:
        for layer in layers.values():
            found = {row[1]: row[2] for row in database.execute(f'PRAGMA table_info("{layer.name}")')}
            for column in layer.columns:
                assert found[column.name] in SQL_TYPES[column.type], (layer.name, column.name, found[column.name])
            described = dict(
                database.execute("SELECT column_name, title FROM gpkg_data_columns WHERE table_name = ?", (layer.name,))
            )
            assert described == {column.name: column.meaning for column in layer.columns}


def test_values_come_back_rounded_once_and_unknown_stays_unknown(written: Path) -> None:
    hollows = gpd.read_file(written, layer="hollows")
    assert hollows["depth_m"].iloc[0] == 1.23
    assert hollows["area_m2"].iloc[0] == 1.0
    assert hollows["depth_m"].isna().tolist() == [False, True]
    assert hollows["property_points"].iloc[0] == 3
    assert hollows.geometry.iloc[1] is None


def test_two_writes_have_the_same_bytes(
    tmp_path: Path, frames: dict[str, pd.DataFrame], layers: dict[str, Layer]
) -> None:
    paths = [tmp_path / name for name in ("a.gpkg", "b.gpkg")]
    for path in paths:
        write_geopackage(path, frames, layers, {"run_id": "r"})
    assert paths[0].read_bytes() == paths[1].read_bytes()


def test_the_callers_gdal_option_is_given_back(
    tmp_path: Path, frames: dict[str, pd.DataFrame], layers: dict[str, Layer]
) -> None:
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2001-02-03T00:00:00.000Z"})
    try:
        write_geopackage(tmp_path / "a.gpkg", frames, layers, {})
        assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == "2001-02-03T00:00:00.000Z"
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def test_provenance_stands_in_the_metadata(written: Path) -> None:
    with closing(sqlite3.connect(written)) as database:
        text, mime = database.execute("SELECT metadata, mime_type FROM gpkg_metadata").fetchone()
    assert mime == "application/json"
    assert json.loads(text) == {"run_id": "r", "cautions": ["screening only"]}

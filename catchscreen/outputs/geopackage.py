"""Write the layers of a result as one GeoPackage (OGC 12-128r19) that repeats byte for byte.

pyogrio writes features and attribute tables; what it does not write (column descriptions, provenance as JSON) goes in
through sqlite3 after pyogrio has closed the file: the two hold different SQLite libraries and must never have one file
open together.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyogrio.raw
from numpy.typing import NDArray
from pyproj import CRS
from shapely import to_wkb

from catchscreen.outputs.columns import Layer

FIXED_DATE = "1970-01-01T00:00:00.000Z"
"""Stands where the format asks for a date: the clock belongs to the manifest alone."""


_GDAL_OPTIONS: Final = {
    "OGR_CURRENT_DATE": FIXED_DATE,
    # The file is built in temporary space and put in place, flushed to disk, when it is whole: until then a crash
    # loses nothing that a journal or a flush after each layer would save.
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
    "OGR_SQLITE_JOURNAL": "OFF",
}


@contextmanager
def _gdal_options(wanted: Mapping[str, str]) -> Iterator[None]:
    """Set options of pyogrio's GDAL and give the caller's values back."""
    before = {name: pyogrio.get_gdal_config_option(name) for name in wanted}
    pyogrio.set_gdal_config_options(dict(wanted))
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({name: None if old is None else str(old) for name, old in before.items()})


def write_geopackage(
    path: Path, frames: Mapping[str, pd.DataFrame], layers: Mapping[str, Layer], provenance: Mapping[str, object]
) -> None:
    """Write every layer and table.

    Parameters
    ----------
    path : Path
        A file that does not exist yet, on a local disk.
    frames : layer name -> frame
        As :func:`catchscreen.outputs.conforming.conform` returns them.
    layers : layer name -> Layer
    provenance : mapping
        Kept as JSON in the file's metadata, cautions included.
    """
    with _gdal_options(_GDAL_OPTIONS):
        for name, layer in layers.items():
            _write_layer(path, frames[name], layer)
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("PRAGMA synchronous = OFF")
        database.executescript(_EXTENSION_TABLES)
        _describe_columns(database, layers)
        _keep_provenance(database, provenance)


def _write_layer(path: Path, frame: pd.DataFrame, layer: Layer) -> None:
    """Append one layer; an empty one keeps its columns."""
    given: dict[str, Any] = {"geometry": None}
    options = {"DESCRIPTION": layer.title, "IDENTIFIER": layer.name}
    if layer.geometry:
        shapes = gpd.GeoDataFrame(frame).geometry
        given = {
            "geometry": to_wkb(shapes.to_numpy(), output_dimension=2),
            "geometry_type": _ogr_type(layer.geometry),
            "crs": _as_ogr(shapes.crs),
            "promote_to_multi": layer.geometry.startswith("MULTI"),
        }
        options["GEOMETRY_NAME"] = "geometry"
    values, masks = zip(*(_for_ogr(frame[name]) for name in layer.names), strict=True)
    pyogrio.raw.write(
        path,
        field_data=values,
        field_mask=masks,
        fields=layer.names,
        layer=layer.name,
        driver="GPKG",
        layer_options=options,
        dataset_options={} if path.exists() else {"VERSION": "1.4"},
        **given,
    )


def _for_ogr(values: pd.Series) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    """Return a column as a plain array, and which of its values are missing where the array cannot say so."""
    if isinstance(values.dtype, np.dtype):
        return values.to_numpy(), None
    missing = values.isna().to_numpy()
    if isinstance(values.dtype, pd.StringDtype):
        return values.to_numpy(dtype=object), missing
    kind = np.bool_ if pd.api.types.is_bool_dtype(values.dtype) else np.int64
    return values.to_numpy(dtype=kind, na_value=False), missing


@lru_cache(maxsize=4)
def _as_ogr(crs: CRS | None) -> str | None:
    """Return a CRS by its code, else as text that GDAL reads."""
    if crs is None:
        return None
    code = crs.to_epsg()
    return f"EPSG:{code}" if code else str(crs.to_wkt("WKT1_GDAL"))


def _ogr_type(geometry: str) -> str:
    names = {
        "MULTIPOLYGON": "MultiPolygon",
        "MULTILINESTRING": "MultiLineString",
        "POINT": "Point",
        "GEOMETRY": "Unknown",
    }
    return names[geometry]


_EXTENSION_TABLES: Final = """
CREATE TABLE IF NOT EXISTS gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
CREATE TABLE IF NOT EXISTS gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
  constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE IF NOT EXISTS gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
  max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE IF NOT EXISTS gpkg_metadata (
  id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, md_scope TEXT NOT NULL DEFAULT 'dataset',
  md_standard_uri TEXT NOT NULL, mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '');
CREATE TABLE IF NOT EXISTS gpkg_metadata_reference (
  reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT, row_id_value INTEGER,
  timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  md_file_id INTEGER NOT NULL, md_parent_id INTEGER,
  CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id));
"""
"""Tables of the schema and metadata extensions, as the standard gives them (OGC 12-128r19, annexes F.8 and F.9)."""

_SPEC: Final = "http://www.geopackage.org/spec/"
_JSON_STANDARD: Final = "https://www.rfc-editor.org/rfc/rfc8259"


def _describe_columns(database: sqlite3.Connection, layers: Mapping[str, Layer]) -> None:
    """Write unit and meaning of every column."""
    tables = ("gpkg_data_columns", "gpkg_data_column_constraints")
    _register_extension(database, "gpkg_schema", f"{_SPEC}#extension_schema", tables)
    rows = [
        (layer.name, column.name, column.name, column.meaning, f"unit: {column.unit}" if column.unit else None)
        for layer in layers.values()
        for column in layer.columns
    ]
    insert = (
        "INSERT OR REPLACE INTO gpkg_data_columns (table_name, column_name, name, title, description) "
        "VALUES (?, ?, ?, ?, ?)"
    )
    database.executemany(insert, rows)


def _keep_provenance(database: sqlite3.Connection, provenance: Mapping[str, object]) -> None:
    """Keep what made the result, and its cautions, as JSON."""
    tables = ("gpkg_metadata", "gpkg_metadata_reference")
    _register_extension(database, "gpkg_metadata", f"{_SPEC}#extension_metadata", tables)
    content = json.dumps(provenance, sort_keys=True, ensure_ascii=False, indent=1)
    cursor = database.execute(
        "INSERT INTO gpkg_metadata (md_scope, md_standard_uri, mime_type, metadata) VALUES ('dataset', ?, ?, ?)",
        (_JSON_STANDARD, "application/json", content),
    )
    database.execute(
        "INSERT INTO gpkg_metadata_reference (reference_scope, timestamp, md_file_id) VALUES ('geopackage', ?, ?)",
        (FIXED_DATE, cursor.lastrowid),
    )


def _register_extension(database: sqlite3.Connection, name: str, definition: str, tables: tuple[str, ...]) -> None:
    """List an extension's tables in gpkg_extensions, once."""
    for table in tables:
        known = "SELECT 1 FROM gpkg_extensions WHERE table_name = ? AND extension_name = ?"
        if database.execute(known, (table, name)).fetchone() is None:
            row = (table, name, definition)
            database.execute("INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, 'read-write')", row)

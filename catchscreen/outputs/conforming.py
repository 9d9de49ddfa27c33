"""Give a frame exactly the columns that the schema names: order, type, rounding (here and nowhere else)."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS

from catchscreen.outputs.columns import Column, Layer


def shape_frame(frame: pd.DataFrame, layer: Layer, crs: CRS | None = None) -> pd.DataFrame:
    """Return a frame with the layer's columns in order, the key as index, numbers as they are.

    What a script is handed; ``round_frame`` makes of it what is written. Columns that the frame lacks come out empty;
    columns that the schema does not name are left behind, so that nothing of the caller's leaves unasked. Rows are
    sorted by the key.

    Parameters
    ----------
    frame : DataFrame or GeoDataFrame
        With the layer's key as index or as column.
    layer : Layer
    crs : CRS, optional
        Needed for layers with geometry.
    """
    source = frame if layer.key in frame.columns else frame.rename_axis(layer.key).reset_index()
    shaped = pd.DataFrame({column.name: _cast(source, column) for column in layer.columns}, index=source.index)
    if layer.geometry:
        geometry = source["geometry"] if "geometry" in source.columns else None
        shaped = gpd.GeoDataFrame(shaped, geometry=gpd.GeoSeries(geometry, index=source.index, crs=crs), crs=crs)
    shaped = shaped.set_index(layer.key)
    return shaped if shaped.index.is_monotonic_increasing else shaped.sort_index(kind="stable")


def round_frame(shaped: pd.DataFrame, layer: Layer) -> pd.DataFrame:
    """Return what is written of a frame of ``shape_frame``: numbers rounded, the index as the first column."""
    frame = shaped.reset_index()
    # The cautions have a table of their own in a file; pandas would copy them here with each column that is looked at.
    frame.attrs = {}
    rounded = {
        column.name: np.round(frame[column.name].to_numpy(np.float64), column.decimals) + 0.0
        for column in layer.columns
        if column.type == "REAL"
    }
    return frame.assign(**rounded)


def conform(frame: pd.DataFrame, layer: Layer, crs: CRS | None = None) -> pd.DataFrame:
    """Shape and round any frame for writing: see ``shape_frame`` and ``round_frame``."""
    return round_frame(shape_frame(frame, layer, crs), layer)


def _cast(source: pd.DataFrame, column: Column) -> pd.Series:
    """Return one column in its type; absent becomes all empty."""
    if column.name not in source.columns:
        return _empty(len(source), source.index, column)
    values = source[column.name]
    if column.type == "REAL":
        plain = values if values.dtype == np.float64 else pd.to_numeric(values, errors="coerce")
        numbers = plain.to_numpy(np.float64, na_value=np.nan)
        return pd.Series(np.where(np.isfinite(numbers), numbers, np.nan), index=values.index)
    if column.type == "INTEGER":
        return pd.to_numeric(values, errors="coerce").round().astype("Int64")
    if column.type == "BOOLEAN":
        return values.astype("boolean")
    return pd.Series(_as_texts(values), index=values.index, dtype="object")


def _as_texts(values: pd.Series) -> NDArray[np.object_]:
    """Return values as texts, None for unknown and for empty; texts among themselves are not looked at one by one."""
    cells = values.to_numpy(dtype=object).copy()
    cells[values.isna().to_numpy()] = None
    if pd.api.types.infer_dtype(cells, skipna=True) in ("string", "empty"):
        cells[cells == ""] = None
    else:
        cells[:] = [_as_text(value) for value in cells]
    return cells


def _as_text(value: object) -> str | None:
    """Return any value as text; None for unknown and for empty."""
    return None if value is None or value == "" else str(value)


def _empty(length: int, index: pd.Index, column: Column) -> pd.Series:
    kinds = {"REAL": "float64", "INTEGER": "Int64", "BOOLEAN": "boolean", "TEXT": "object"}
    fill = np.nan if column.type == "REAL" else pd.NA if column.type != "TEXT" else None
    return pd.Series([fill] * length, index=index, dtype=kinds[column.type])

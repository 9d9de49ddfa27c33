"""Give a frame exactly the columns that the schema names: order, type, rounding (here and nowhere else)."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS

from catchscreen.outputs.columns import Column, Layer


def shape_frame(frame: pd.DataFrame, layer: Layer, crs: CRS | None = None) -> pd.DataFrame:
    """Return a frame with the layer's columns in order, the key as index, numbers as they are.

    What a script is handed; ``conform`` makes of it what is written.
    """
    return _shape(frame, layer, crs, rounded=False).set_index(layer.key)


def conform(frame: pd.DataFrame, layer: Layer, crs: CRS | None = None) -> pd.DataFrame:
    """Return a frame whose columns are those of the layer, in order, rounded; the index becomes the first column.

    Columns that the frame lacks come out empty; columns that the schema does not name are left behind, so that nothing
    of the caller's leaves unasked. Rows are sorted by the key.

    Parameters
    ----------
    frame : DataFrame or GeoDataFrame
        With the layer's key as index or as column.
    layer : Layer
    crs : CRS, optional
        Needed for layers with geometry.
    """
    return _shape(frame, layer, crs, rounded=True)


def _shape(frame: pd.DataFrame, layer: Layer, crs: CRS | None, *, rounded: bool) -> pd.DataFrame:
    source = frame if layer.key in frame.columns else frame.rename_axis(layer.key).reset_index()
    columns = {column.name: _cast(source, column, rounded=rounded) for column in layer.columns}
    shaped = pd.DataFrame(columns, index=source.index)
    if layer.geometry:
        geometry = source["geometry"] if "geometry" in source.columns else None
        shaped = gpd.GeoDataFrame(shaped, geometry=gpd.GeoSeries(geometry, index=source.index, crs=crs), crs=crs)
    return shaped.sort_values(layer.key, kind="stable").reset_index(drop=True)


def _cast(source: pd.DataFrame, column: Column, *, rounded: bool) -> pd.Series:
    """Return one column in its type; absent becomes all empty."""
    if column.name not in source.columns:
        return _empty(len(source), source.index, column)
    values = source[column.name]
    if column.type == "REAL":
        numbers = pd.to_numeric(values, errors="coerce").astype("float64")
        numbers = numbers.where(np.isfinite(numbers))
        return numbers.round(column.decimals) + 0.0 if rounded else numbers
    if column.type == "INTEGER":
        return pd.to_numeric(values, errors="coerce").round().astype("Int64")
    if column.type == "BOOLEAN":
        return values.astype("boolean")
    said = (values.notna() & (values != "")).to_numpy(dtype=bool, na_value=False)
    words = values.astype("object").to_numpy(copy=True)
    words[~said] = None
    odd = [place for place in np.flatnonzero(said) if type(words[place]) is not str]
    words[odd] = [str(words[place]) for place in odd]
    return pd.Series(words, index=values.index, dtype="object")


def _empty(length: int, index: pd.Index, column: Column) -> pd.Series:
    kinds = {"REAL": "float64", "INTEGER": "Int64", "BOOLEAN": "boolean", "TEXT": "object"}
    fill = np.nan if column.type == "REAL" else pd.NA if column.type != "TEXT" else None
    return pd.Series([fill] * length, index=index, dtype=kinds[column.type])

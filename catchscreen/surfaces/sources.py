"""All layers that say what lies on the ground, as one list of polygons in the order of precedence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.options import SurfaceOptions
from catchscreen.records import Inputs, Raster
from catchscreen.surfaces.overlay import Shapes, mended
from catchscreen.surfaces.partition import split_large
from catchscreen.surfaces.regions import polygons_of_classes

KIND_OF_CLASS: Final[Mapping[str, str]] = {
    "roof": "roof",
    "asphalt": "paved",
    "concrete": "paved",
    "block_paving": "paved",
    "mixed_hard": "paved",
    "gravel": "paved",
    "bare_soil": "planted",
    "garden": "planted",
    "grass": "planted",
    "woodland": "planted",
    "water": "water",
    "unknown": "unknown",
}
"""Cover class -> kind of surface. A class of the user's own counts as paved when half of it or more is impermeable."""

LEVEL_OF_KIND: Final[Mapping[str, str]] = {
    "roof": "buildings",
    "paved": "paved",
    "planted": "planted",
    "water": "planted",
    "unknown": "unknown",
}
CLASS_ORDER: Final = (*KIND_OF_CLASS,)
"""Where two polygons of one level overlap, the class named first wins; then the place decides, never the row."""

TEXTS: Final = ("cover_class", "kind", "source", "building_id", "ground_use", "road_class")
SHARES: Final = ("piped_fraction", "to_ground_fraction", "impermeable_fraction")
"""Columns by which a source may say more than its class does."""


def gather_features(data: Inputs, options: SurfaceOptions, origin: tuple[float, float]) -> pd.DataFrame:
    """List the polygons of all sources, first in precedence first, whatever the order of rows.

    Returns
    -------
    pandas.DataFrame
        shape (polygons relative to ``origin``, of few vertices), level (of precedence), kind, cover_class, source,
        building_id, ground_use, road_class, is_adopted, piped_fraction, to_ground_fraction, impermeable_fraction.
    """
    tables = [
        _from_classes(data.cover_override, "override", origin, options),
        _from_buildings(data.buildings, origin),
        _from_roads(data.roads, origin),
    ]
    if isinstance(data.land_cover, Raster):
        tables.append(_from_raster(data.land_cover, data.cover_classes, origin, options))
    else:
        tables.append(_from_classes(data.land_cover, "land_cover", origin, options))
    features = pd.concat(tables, ignore_index=True)
    features = features[(features["kind"] != "unknown") | (features["level"] == "override")]
    return _in_order(features, options)


def _in_order(features: pd.DataFrame, options: SurfaceOptions) -> pd.DataFrame:
    """Sort by precedence, class and place, and cut large polygons."""
    number, shapes = split_large(features["shape"].to_numpy(object))
    parts = features.iloc[number].reset_index(drop=True)
    parts["shape"] = shapes
    level = parts["level"].map({name: k for k, name in enumerate(options.precedence)}).to_numpy()
    # Footprints go before roofs that a land-cover layer sees; classes not listed go last.
    second = (parts["source"] != parts["level"]).to_numpy()
    order = {name: k for k, name in enumerate(CLASS_ORDER)}
    class_order = parts["cover_class"].map(order).fillna(len(order)).to_numpy()
    bounds = shapely.bounds(shapes)
    keys = (shapely.area(shapes), *bounds.T, parts["building_id"].to_numpy(str), class_order, second, level)
    return parts.iloc[np.lexsort(keys)].reset_index(drop=True)


def local_shapes(layer: gpd.GeoDataFrame, origin: tuple[float, float]) -> Shapes:
    """Return a layer's shapes relative to ``origin``, so that overlays keep all their digits, and valid."""
    shift = np.array(origin)
    return mended(np.asarray(shapely.transform(layer.geometry.to_numpy(), lambda xy: xy - shift), dtype=object))


def _table(shapes: Shapes, columns: Mapping[str, Any]) -> pd.DataFrame:
    """Make a table of features with every column, plain where a source says nothing."""
    table = pd.DataFrame({"shape": pd.Series(shapes, dtype=object)})
    for name in ("level", *TEXTS):
        table[name] = columns.get(name, "")
    table["is_adopted"] = columns.get("is_adopted", False)
    for name in SHARES:
        table[name] = columns.get(name, np.nan)
    areal = np.isin(shapely.get_type_id(table["shape"].to_numpy(object)), (3, 6))
    return table[areal & (shapely.area(table["shape"].to_numpy(object)) > 0.0)]


def _empty() -> pd.DataFrame:
    """Return a table without features."""
    return _table(np.empty(0, object), {})


def _texts(layer: gpd.GeoDataFrame, name: str, default: str) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    """Return a text column, or the default where it is absent or empty."""
    if name not in layer:
        return np.full(len(layer), default, dtype=object)
    column = layer[name].astype(object)
    return column.where(column.notna() & (column != ""), default).astype(str).to_numpy(object)


def _numbers(layer: gpd.GeoDataFrame) -> dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]]:
    """Return the shares that a layer states, NaN where it does not."""
    return {name: pd.to_numeric(layer[name]).to_numpy(float) for name in SHARES if name in layer}


def _from_buildings(layer: gpd.GeoDataFrame | None, origin: tuple[float, float]) -> pd.DataFrame:
    """Every footprint is a roof."""
    if layer is None or layer.empty:
        return _empty()
    columns: dict[str, Any] = {
        "level": "buildings",
        "kind": "roof",
        "cover_class": "roof",
        "source": _texts(layer, "derived_from", "buildings"),
        "building_id": layer.index.astype(str).to_numpy(object),
    }
    return _table(local_shapes(layer, origin), columns | _numbers(layer))


def _from_roads(layer: gpd.GeoDataFrame | None, origin: tuple[float, float]) -> pd.DataFrame:
    """Carriageways and footways, asphalt unless they say otherwise."""
    if layer is None or layer.empty:
        return _empty()
    adopted = layer["is_adopted"] if "is_adopted" in layer else pd.Series(data=False, index=layer.index)
    columns: dict[str, Any] = {
        "level": "roads",
        "kind": "road",
        "cover_class": _texts(layer, "cover_class", "asphalt"),
        "source": "roads",
        "road_class": _texts(layer, "road_class", "carriageway"),
        "is_adopted": adopted.fillna(value=False).astype(bool).to_numpy(),
    }
    return _table(local_shapes(layer, origin), columns | _numbers(layer))


def kind_of_class(cover_class: str, options: SurfaceOptions) -> str:
    """Return the kind of surface of a class; a class of the user's own goes by its impermeable share."""
    if cover_class in KIND_OF_CLASS:
        return KIND_OF_CLASS[cover_class]
    if cover_class not in options.class_impermeable:
        return "unknown"
    return "paved" if options.class_impermeable[cover_class][1] >= 0.5 else "planted"


def _from_classes(
    layer: gpd.GeoDataFrame | None, source: str, origin: tuple[float, float], options: SurfaceOptions
) -> pd.DataFrame:
    """Polygons with a cover class."""
    if layer is None or layer.empty:
        return _empty()
    classes = _texts(layer, "cover_class", "unknown")
    kinds = np.array([kind_of_class(name, options) for name in classes], dtype=object)
    level = [LEVEL_OF_KIND[kind] for kind in kinds] if source != "override" else "override"
    columns: dict[str, Any] = {
        "level": level,
        "kind": kinds,
        "cover_class": np.where(kinds == "unknown", "unknown", classes),
        "source": source,
        "ground_use": _texts(layer, "ground_use", ""),
    }
    return _table(local_shapes(layer, origin), columns | _numbers(layer))


def _from_raster(
    raster: Raster, classes: Mapping[int, str], origin: tuple[float, float], options: SurfaceOptions
) -> pd.DataFrame:
    """Regions of equal class, on cell edges."""
    named = {code: name for code, name in classes.items() if kind_of_class(name, options) != "unknown"}
    shapes, names = polygons_of_classes(raster, named, origin)
    kinds = [kind_of_class(name, options) for name in names]
    columns = {
        "level": [LEVEL_OF_KIND[kind] for kind in kinds],
        "kind": kinds,
        "cover_class": names,
        "source": "land_cover",
    }
    return _table(shapes, columns)

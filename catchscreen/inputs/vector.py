"""Vector layers brought in: found in files, folders and zips, mended, and transformed to the result's CRS."""

from __future__ import annotations

import difflib
import warnings
import zipfile
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS

from catchscreen.brief_sources import Source, is_pattern, split_zip
from catchscreen.inputs.columns import ID_NAMES, as_text, clean_ids
from catchscreen.inputs.desk import Bounds, Desk, GeometryKind, listed, refuse
from catchscreen.inputs.reference import bounds_in, bring_to_result, find_change, horizontal, source_crs

VECTOR_SUFFIXES: Final = (
    ".gpkg",
    ".shp",
    ".geojson",
    ".json",
    ".gdb",
    ".fgb",
    ".sqlite",
    ".gml",
    ".kml",
    ".tab",
    ".mif",
)
TABLE_SUFFIXES: Final = (".csv", ".xlsx", ".dbf", ".ods")
POINT_COLUMNS: Final = {
    "X_POSSIBLE_NAMES": "x,easting,east,lon,longitude",
    "Y_POSSIBLE_NAMES": "y,northing,north,lat,latitude",
}
TYPE_NUMBERS: Final = {"point": (0, 4), "line": (1, 2, 5), "polygon": (3, 6)}
SHOWN_IDS: Final = 5
MOST_SINGLY: Final = 20
"""Up to so many repairs of a layer are listed one by one."""


def dataset_path(source: Source) -> str:
    """Return the path of a source's dataset as pyogrio takes it.

    Raises
    ------
    InputsAtFault
        When a zip holds several datasets and none is named, or a pattern names several files.
    """
    path = source.path
    if path is None:
        raise refuse("missing-key", source, f"[{source.role}] names no file.", 'Add file = "...".')
    archive = split_zip(path)
    if archive is not None:
        return _path_in_zip(*archive, source)
    if is_pattern(path):
        cure = "Name one file; merge the parts first if there are several."
        raise refuse("wrong-type", source, "A pattern is for raster tiles only.", cure)
    return str(path)


def _path_in_zip(archive: Path, inner: str, source: Source) -> str:
    """Return the path of the one dataset in a zip."""
    base = f"/vsizip/{archive.as_posix()}"
    if inner:
        return f"{base}/{inner}"
    found = datasets_in_zip(archive)
    if len(found) == 1:
        return f"{base}/{found[0]}"
    if not found:
        raise refuse("unreadable-file", source, f"{archive.name} holds no vector layer.", "Name another file.")
    cure = f'Name one of them: file = "{archive.name}/{found[0]}".'
    raise refuse("several-layers", source, f"{archive.name} holds {listed(found)}.", cure)


def datasets_in_zip(archive: Path) -> list[str]:
    """List the vector datasets of a zip, a ``.gdb`` folder as one; empty when it cannot be read."""
    try:
        with zipfile.ZipFile(archive) as opened:
            names = opened.namelist()
    except (OSError, zipfile.BadZipFile):
        return []
    folders = {name[: name.lower().index(".gdb/") + 4] for name in names if ".gdb/" in name.lower()}
    files = {name for name in names if name.lower().endswith(VECTOR_SUFFIXES) and ".gdb/" not in name.lower()}
    return sorted(folders | files)


def list_layers(path: str) -> list[tuple[str, str]]:
    """List (layer, geometry type; "" for a plain table) of a dataset; empty when it cannot be read."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = pyogrio.list_layers(path)
    except (DataSourceError, DataLayerError, ValueError):
        return []
    return [(str(name), "" if kind is None else str(kind)) for name, kind in found]


def _layers_of(path: str, desk: Desk) -> list[tuple[str, str]]:
    """List the layers of a dataset, which many roles may share: it is opened for that once a reading."""
    if path not in desk.layers:
        desk.layers[path] = list_layers(path)
    return desk.layers[path]


def _choose_layer(layers: list[tuple[str, str]], path: str, source: Source) -> str:
    """Return the layer to read: the named one, the only one, or the one named like the role.

    Raises
    ------
    InputsAtFault
        When the file cannot be read, the layer is not in it, or several could be meant.
    """
    names = [name for name, _ in layers]
    if not names:
        cure = "Name a vector file that opens in a GIS (.gpkg, .shp, .geojson, .gdb), or save it again."
        raise refuse("unreadable-file", source, f"{Path(path).name} cannot be read as a vector layer.", cure)
    if source.layer is not None:
        if source.layer in names:
            return source.layer
        near = difflib.get_close_matches(source.layer, names, n=1)
        hint = f'Did you mean "{near[0]}"? ' if near else ""
        raise refuse(
            "missing-layer", source, f'There is no layer "{source.layer}".', f"{hint}It holds: {listed(names)}."
        )
    usable = [name for name, kind in layers if kind]
    for candidates in (usable, names):
        if len(candidates) == 1:
            return candidates[0]
        if source.role in candidates:
            return source.role
    cure = f'Add layer = "..." to [{source.role}].'
    raise refuse("several-layers", source, f"It holds several layers: {listed(names, 12)}.", cure)


def read_frame(source: Source, desk: Desk, *, reach_m: float = 0.0) -> gpd.GeoDataFrame:
    """Read a layer with its own columns, its CRS known, not yet transformed.

    Only features within ``reach_m`` of the area are read, once there is one.
    """
    given = source.data is not None
    frame = _given_frame(source, desk, reach_m) if given else _read_file(source, desk, reach_m)
    return gpd.GeoDataFrame(_apply_where(frame, source))


def _given_frame(source: Source, desk: Desk, reach_m: float) -> gpd.GeoDataFrame:
    """Take a GeoDataFrame given straight in; its named index becomes a column."""
    if not isinstance(source.data, gpd.GeoDataFrame):
        cure = "Give a path or a GeoDataFrame."
        raise refuse("wrong-type", source, f"A {type(source.data).__name__} is no vector layer.", cure)
    frame = source.data.copy()
    if source.role == "parcels" and not isinstance(frame.index, pd.RangeIndex) and "parcel_id" not in frame.columns:
        # The caller's index tells the parcels apart, whatever it is called.
        frame = frame.assign(parcel_id=frame.index)
    elif frame.index.name is not None and frame.index.name not in frame.columns:
        frame = frame.reset_index()
    frame = _named_geometry(frame.reset_index(drop=True))
    stored = frame.crs.to_wkt() if frame.crs is not None else None
    crs = source_crs(stored, source)
    area = _area_for(crs, source, desk, reach_m)
    frame = frame.set_crs(crs, allow_override=True)
    if area is None:
        return frame
    near = frame.geometry.is_empty | frame.geometry.isna() | frame.geometry.intersects(shapely.box(*area))
    return gpd.GeoDataFrame(frame[near].reset_index(drop=True))


def _area_for(crs: CRS, source: Source, desk: Desk, reach_m: float) -> Bounds | None:
    """Return the bounds in a layer's own system within which it matters; None for all of it."""
    if desk.area is None or desk.crs is None or not np.isfinite(reach_m):
        return None
    left, bottom, right, top = desk.area
    wider = (left - reach_m, bottom - reach_m, right + reach_m, top + reach_m)
    return bounds_in(wider, desk.crs, horizontal(crs)[0], source)


def _read_file(source: Source, desk: Desk, reach_m: float) -> gpd.GeoDataFrame:
    """Read a layer from its file."""
    path = dataset_path(source)
    layer = _choose_layer(_layers_of(path, desk), path, source)
    points = POINT_COLUMNS if path.lower().endswith(".csv") else {}
    try:
        with warnings.catch_warnings():
            # Drivers warn of their own oddities (measured points, unusual names); what matters is checked below.
            warnings.simplefilter("ignore")
            frame, crs = _read_near(path, layer, source, desk, (reach_m, points))
    except (DataSourceError, DataLayerError, shapely.errors.ShapelyError, ValueError) as error:
        if isinstance(error, ValueError) and hasattr(error, "faults"):
            raise
        reason = (str(error).splitlines() or ["unknown reason"])[0].rstrip(".")
        raise refuse(
            "unreadable-file", source, f'Layer "{layer}" cannot be read: {reason}.', "Save it again."
        ) from error
    if not isinstance(frame, gpd.GeoDataFrame):
        cure = "Name a layer with geometry; a CSV needs columns x and y (or easting, northing; lon, lat)."
        raise refuse("no-geometry", source, f'"{layer}" is a table without geometry.', cure)
    named = _named_geometry(frame)
    return named if named.crs == crs else named.set_crs(crs, allow_override=True)


def _read_near(
    path: str, layer: str, source: Source, desk: Desk, how: tuple[float, dict[str, str]]
) -> tuple[pd.DataFrame, CRS]:
    """Read the features of a layer that are near enough; also return its CRS.

    Layers of one file mostly share their CRS: the one of the layer before is tried, and where it was not this one's,
    what was read is read anew.

    how : how far outside the area features still matter [m], options for tables of points
    """
    reach_m, points = how
    tried = desk.systems.get(path)
    if tried is not None and source.crs is None:
        frame = pyogrio.read_dataframe(path, layer=layer, bbox=_area_for(tried, source, desk, reach_m), **points)
        if getattr(frame, "crs", None) == tried:
            return frame, tried
    crs = source_crs(pyogrio.read_info(path, layer=layer, **points)["crs"], source)
    if source.crs is None:
        desk.systems[path] = crs
    return pyogrio.read_dataframe(path, layer=layer, bbox=_area_for(crs, source, desk, reach_m), **points), crs


def _named_geometry(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Call the active geometry "geometry"."""
    name = frame.geometry.name
    if name == "geometry":
        return frame
    return frame.drop(columns="geometry", errors="ignore").rename_geometry("geometry")


def _apply_where(frame: Any, source: Source) -> Any:
    """Keep the rows whose columns hold the values that the brief names."""
    if not source.where:
        return frame
    for column, value in source.where.items():
        if column not in frame.columns:
            names = [str(name) for name in frame.columns]
            raise refuse("missing-column", source, f'where names "{column}".', f"Columns are: {listed(names, 20)}.")
        frame = frame[clean_ids(frame[column]) == str(value)]
    return frame.reset_index(drop=True)


def read_layer(
    source: Source, desk: Desk, kinds: tuple[GeometryKind, ...], *, reach_m: float = 0.0
) -> gpd.GeoDataFrame:
    """Read a layer, mend its geometry and bring it to the result's CRS; rows keep the order of the file.

    Raises
    ------
    InputsAtFault
        When it cannot be read, has no usable geometry, or cannot be brought over.
    """
    frame = read_frame(source, desk, reach_m=reach_m)
    frame = mend_geometry(frame, source, desk, kinds)
    return bring_to_result(frame, desk, source)


def mend_geometry(
    frame: gpd.GeoDataFrame, source: Source, desk: Desk, kinds: tuple[GeometryKind, ...]
) -> gpd.GeoDataFrame:
    """Drop null geometry, flatten to two dimensions, repair what is invalid, keep the kinds that the role takes.

    Every repair is listed.
    """
    if frame.empty:
        return frame
    shapes = shapely.force_2d(frame.geometry.to_numpy())
    missing = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    _list_dropped(("null-geometry", "have no geometry"), missing, frame, source, desk)
    invalid = ~missing & ~shapely.is_valid(shapes)
    if invalid.any():
        shapes = _repair_invalid(shapes, frame, np.flatnonzero(invalid), source, desk)
        lost = invalid & shapely.is_empty(shapes)
        _list_dropped(("null-geometry", "have no area once repaired"), lost, frame, source, desk)
        missing |= lost
    numbers = [number for kind in kinds for number in TYPE_NUMBERS[kind]]
    wrong = ~missing & ~np.isin(shapely.get_type_id(shapes), numbers)
    if not missing.all() and wrong[~missing].all():
        found = sorted({str(shape.geom_type) for shape in shapes[~missing]})
        message = f"Its features are {' and '.join(found)}; {source.role} takes {' or '.join(kinds)}s."
        raise refuse("wrong-geometry", source, message, "Name another layer.")
    _list_dropped(("wrong-geometry", f"are no {' or '.join(kinds)}"), wrong, frame, source, desk)
    kept = ~(missing | wrong)
    if not kept.any():
        raise refuse("no-geometry", source, "No feature has a usable geometry.", "Name another layer.")
    mended = frame.set_geometry(gpd.GeoSeries(shapes, index=frame.index, crs=frame.crs))
    return mended if kept.all() else mended[kept].reset_index(drop=True)


def row_names(frame: pd.DataFrame, source: Source) -> Any:
    """Name the rows for messages: by their id where there is one, else "row 3"."""
    ours = ID_NAMES.get(source.role, "id")
    for name in (source.columns.get(ours, ours), source.columns.get("id", "id")):
        if name in frame.columns:
            return as_text(frame[name]).to_numpy(dtype=object)
    return np.array([f"row {number}" for number in range(1, len(frame) + 1)], dtype=object)


def _repair_invalid(shapes: Any, frame: gpd.GeoDataFrame, rows: Any, source: Source, desk: Desk) -> Any:
    """Repair the invalid shapes in some rows, keeping polygons, and list each with its place; return all shapes."""
    names = row_names(frame, source)
    shapes = shapes.copy()
    before = shapes[rows].copy()
    for row in rows:
        mended = shapely.make_valid(shapes[row])
        shapes[row] = _polygons_of(mended) if shapes[row].geom_type.endswith("Polygon") else mended
    places = _places(before, frame.crs, source, desk)
    texts = [
        f"{names[row]}: {shapely.is_valid_reason(old).split('[')[0].lower()}; repaired, "
        f"area {old.area:.1f} before and {shapes[row].area:.1f} after."
        for row, old in zip(rows, before, strict=True)
    ]
    cure = "Mend it in the source."
    if len(rows) <= MOST_SINGLY:
        for row, text, where in zip(rows, texts, places, strict=True):
            feature = str(names[row])
            desk.note("repair", "invalid-geometry", source, text, cure=cure, feature=feature, geometry=where)
        return shapes
    changed = float(np.abs(shapely.area(shapes[rows]) - shapely.area(before)).max())
    message = (
        f"{len(rows)} features were invalid and were repaired, none changing its area by more than {changed:.1f}: "
    )
    where = shapely.multipoints(places) if desk.crs is not None else None
    desk.note("repair", "invalid-geometry", source, message + listed(texts, 2), cure=cure, geometry=where)
    return shapes


def _places(shapes: Any, crs: CRS, source: Source, desk: Desk) -> list[Any]:
    """Return a point of each shape in the result's CRS, None while that is not known."""
    if desk.crs is None:
        return [None] * len(shapes)
    points = shapely.centroid(shapely.envelope(shapes))
    change = find_change(horizontal(crs)[0], desk.crs, source)
    return list(points if change is None else shapely.transform(points, change.points))


def _polygons_of(shape: Any) -> Any:
    """Keep the polygons of a repaired shape."""
    if shape.geom_type in ("Polygon", "MultiPolygon"):
        return shape
    parts = [part for part in shapely.get_parts(shape) if part.geom_type in ("Polygon", "MultiPolygon")]
    return shapely.union_all(parts) if parts else shapely.Polygon()


def _list_dropped(what: tuple[str, str], dropped: Any, frame: gpd.GeoDataFrame, source: Source, desk: Desk) -> None:
    """List features that were left out, in one issue.

    what : the issue's code, what is wrong with them.
    """
    if dropped.any():
        code, said = what
        names = [str(name) for name in row_names(frame, source)[dropped]]
        message = f"{len(names)} features {said} and were left out: {listed(names, SHOWN_IDS)}."
        desk.note("repair", code, source, message, cure="Mend or delete them in the source.")

"""Parcels and district: read, joined with owners and renewals, checked for slivers, overlaps and ground under them."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio.features
import shapely
from shapely.geometry.base import BaseGeometry

from catchscreen.brief_sources import JoinSource, Source
from catchscreen.errors import InputsAtFault
from catchscreen.inputs.columns import clean_ids, pick_columns, set_ids
from catchscreen.inputs.desk import Bounds, Desk, listed, refuse
from catchscreen.inputs.raster import Ground
from catchscreen.inputs.roles import ABSENT, PARCEL_COLUMNS
from catchscreen.inputs.tables import read_table
from catchscreen.inputs.vector import read_layer

Overlaps = tuple[np.ndarray, np.ndarray, np.ndarray]
"""Rows of the first and of the second of each pair, and the ground that they share [m2]."""
SLIVER_M2: Final = 20.0
LARGE_M2: Final = 500_000.0
MOST_OVERLAP: Final = 0.005
HULL_MARGIN_M: Final = 100.0
DISTRICT_KM2: Final = (0.2, 200.0)
CLEAR_OVERLAP_M2: Final = 1.0
SHOWN_OVERLAPS: Final = 500
HARDLY, WHOLE = 0.01, 0.995
"""Shares of a parcel on the ground model below which it counts as off it, and from which it counts as wholly on it."""


def read_parcels(desk: Desk) -> gpd.GeoDataFrame:
    """Read the parcels, whole layer, sorted by id.

    Raises
    ------
    InputsAtFault
        When there is none, or two share an id.
    """
    source = desk.brief.parcels
    layer = read_layer(source, desk, ("polygon",), reach_m=np.inf)
    if layer.empty:
        raise refuse("no-features", source, "The layer has no feature.", "Name the layer that holds the parcels.")
    keep = desk.brief.keep_columns
    missing = [name for name in keep if name not in layer.columns]
    if missing:
        names = listed([str(name) for name in layer.columns], 20)
        raise refuse("missing-column", source, f"keep_columns names {listed(missing)}.", f"Columns are: {names}.")
    frame = pick_columns(layer, source, desk, PARCEL_COLUMNS, keep)
    frame = set_ids(frame, layer, source, desk)
    for role, column in (("owners", "owner_class"), ("renewals", "renewal_year")):
        for table in desk.brief.sources_of(role):
            with desk.gathering():
                frame[column] = _joined(frame, table, column, desk)
    return frame


def _joined(frame: gpd.GeoDataFrame, source: Source, column: str, desk: Desk) -> pd.Series:
    """Return a column of the parcels with what a table says; the parcels' own value where it says nothing."""
    table = read_table(source)
    key = (source.id if isinstance(source, JoinSource) else None) or source.columns.get("parcel_id", "parcel_id")
    if key not in table.columns:
        names = listed([str(name) for name in table.columns], 20)
        raise refuse(
            "missing-column", source, f'The table has no column "{key}".', f'Set id = "...": columns are {names}.'
        )
    spec = [item for item in PARCEL_COLUMNS if item.name == column]
    picked = pick_columns(table, source, desk, spec)
    values = pd.Series(picked[column].to_numpy(), index=clean_ids(table[key]).to_numpy())
    values = values[~values.index.duplicated(keep="first")]
    strange = sorted(set(values.index) - set(frame.index))
    if strange:
        message = f"{len(strange)} ids are no parcel: {listed(strange)}."
        desk.note("note", "unmatched-id", source, message)
    joined = values.reindex(frame.index)
    unknown = joined.isna() | (joined == "unknown")
    return joined.where(~unknown, frame[column])


def note_unknown_columns(frame: gpd.GeoDataFrame, desk: Desk) -> None:
    """Say which facts about the parcels are unknown for all or some of them."""
    if (frame["owner_class"] == "unknown").all():
        desk.note("unknown", "no-column", "owners", ABSENT["owner_class"], cure="Map owner_class, or add [owners].")
    elif (frame["owner_class"] == "unknown").any():
        missing = [str(name) for name in frame.index[frame["owner_class"] == "unknown"]]
        desk.note(
            "unknown", "missing-owner", "owners", f"{len(missing)} parcels have no owner class: {listed(missing)}."
        )
    if frame["renewal_year"].isna().all():
        desk.note(
            "unknown", "no-column", "renewals", ABSENT["renewal_year"], cure="Map renewal_year, or add [renewals]."
        )
    if (frame["land_use"] == "unknown").all():
        desk.note("unknown", "no-column", "parcels", "The parcels' land use is unknown.", cure="Map land_use.")


def check_shapes(frame: gpd.GeoDataFrame, overlaps: Overlaps, desk: Desk) -> None:
    """List slivers, very large parcels and overlaps."""
    source = desk.brief.parcels
    area = shapely.area(frame.geometry.to_numpy())
    ids = frame.index.to_numpy()
    small = [str(name) for name in ids[area < SLIVER_M2]]
    if small:
        message = f"{len(small)} parcels are under {SLIVER_M2:g} m2: {listed(small)}."
        place = _points_of(frame[area < SLIVER_M2])
        desk.note("note", "sliver", source, message, cure="Merge or delete them if they are slivers.", geometry=place)
    large = [str(name) for name in ids[area > LARGE_M2]]
    if large:
        desk.note("note", "large-parcel", source, f"{len(large)} parcels are over 50 ha: {listed(large)}.")
    _check_overlaps(frame, overlaps, float(area.sum()), desk)


def _points_of(frame: gpd.GeoDataFrame) -> BaseGeometry:
    """Return an inner point of each parcel, as one geometry."""
    return shapely.multipoints(shapely.point_on_surface(frame.geometry.to_numpy()))


def find_overlaps(shapes: np.ndarray) -> Overlaps:
    """Find the pairs of shapes that share ground. It is all work outside Python: a thread of its own can do it."""
    first, second = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    each = shapely.bounds(shapes)
    # Neighbours whose boxes share no ground only touch: they need no cutting.
    low, high = np.maximum(each[first, :2], each[second, :2]), np.minimum(each[first, 2:], each[second, 2:])
    once = (first < second) & (high > low).all(axis=1)
    first, second = first[once], second[once]
    return first, second, shapely.area(shapely.intersection(shapes[first], shapes[second]))


def _check_overlaps(frame: gpd.GeoDataFrame, overlaps: Overlaps, total_m2: float, desk: Desk) -> None:
    """List overlaps when together they exceed half a percent of all parcels."""
    shapes = frame.geometry.to_numpy()
    first, second, shared = overlaps
    if shared.sum() <= MOST_OVERLAP * total_m2:
        return
    order = np.lexsort((second, first, -shared))
    pairs = [
        f"{frame.index[first[row]]} and {frame.index[second[row]]} ({shared[row]:.0f} m2)"
        for row in order
        if shared[row] > CLEAR_OVERLAP_M2
    ]
    message = f"Parcels overlap by {shared.sum() / total_m2:.1%} of their area: {listed(pairs)}."
    cure = "Mend them: ground in two parcels is counted for one of them only."
    clear = order[shared[order] > CLEAR_OVERLAP_M2][:SHOWN_OVERLAPS]
    pieces = shapely.union_all(shapely.intersection(shapes[first[clear]], shapes[second[clear]]))
    desk.note("note", "overlap", desk.brief.parcels, message, cure=cure, geometry=pieces)


def read_district(parcels: gpd.GeoDataFrame | None, desk: Desk) -> BaseGeometry | None:
    """Return the district: as given, else the convex hull of the parcels and 100 m around it."""
    given = desk.brief.sources_of("district")
    if given:
        layer = read_layer(given[0], desk, ("polygon",), reach_m=np.inf)
        if layer.empty:
            raise refuse("no-features", given[0], "The layer has no feature.", "Name the layer with the boundary.")
        district = shapely.union_all(layer.geometry.to_numpy())
    elif parcels is not None and desk.crs is not None:
        hull = shapely.convex_hull(shapely.multipoints(shapely.get_coordinates(parcels.geometry.to_numpy())))
        district = shapely.buffer(hull, HULL_MARGIN_M)
    else:
        return None
    if desk.crs is not None and not DISTRICT_KM2[0] <= district.area / 1e6 <= DISTRICT_KM2[1]:
        message = f"The district has {district.area / 1e6:.2f} km2 (usual: {DISTRICT_KM2[0]:g} to {DISTRICT_KM2[1]:g})."
        desk.note("note", "district-size", "district", message)
    return district


def add_ground_fraction(frame: gpd.GeoDataFrame, ground: Ground, desk: Desk) -> gpd.GeoDataFrame:
    """Add ``ground_fraction``: the share of each parcel on ground with a level, by cell centres; list what has none.

    A parcel too small to hold a cell centre takes the state of the cell under its inner point.
    """
    shapes = frame.geometry.to_numpy()
    fraction = _ground_fraction(shapes, ground)
    off = [str(name) for name in frame.index[fraction == 0]]
    part = [str(name) for name in frame.index[(fraction > 0) & (fraction < WHOLE)]]
    if off:
        message = (
            f"{len(off)} parcels have no ground level and are left out of all that terrain decides: {listed(off, 20)}."
        )
        cure = "Give a ground model and a district that cover them."
        place = _points_of(frame[fraction == 0])
        desk.note("note", "off-ground", desk.brief.parcels, message, cure=cure, geometry=place)
    if part:
        message = f"{len(part)} parcels lie partly on ground without a level: {listed(part, 20)}."
        desk.note("note", "partly-off-ground", desk.brief.parcels, message)
    if len(off) == len(frame):
        raise _none_on_ground(shapes, ground, desk)
    return gpd.GeoDataFrame(frame.assign(ground_fraction=fraction))


def _none_on_ground(shapes: np.ndarray, ground: Ground, desk: Desk) -> InputsAtFault:
    """Return the fault for parcels none of which lies on the ground model: they enclose it, or are elsewhere."""
    around = shapely.contains(shapes, shapely.box(*ground.grid.bounds))
    if around.any():
        message = (
            f"{int(around.sum())} of {len(shapes)} parcels enclose the whole ground model: "
            f"under {HARDLY:.0%} of each has a level."
        )
        cure = "Give a ground model that covers the parcels, or name the layer of single parcels, not of one boundary."
        return refuse("parcels-too-large", desk.brief.parcels, message, cure)
    cure = "Name the ground model of this place, or correct the crs of the layer that is wrong."
    return refuse("no-overlap", desk.brief.parcels, "No parcel lies on the ground model.", cure)


def _share_within(shapes: np.ndarray, bounds: Bounds) -> np.ndarray:
    """Return the share of each shape's area within some bounds; only those that reach over are cut."""
    each = shapely.bounds(shapes)
    over = (each[:, 0] < bounds[0]) | (each[:, 1] < bounds[1]) | (each[:, 2] > bounds[2]) | (each[:, 3] > bounds[3])
    share = np.ones(len(shapes))
    cut = shapely.area(shapely.intersection(shapes[over], shapely.box(*bounds)))
    share[over] = cut / shapely.area(shapes[over])
    return share


def _ground_fraction(shapes: np.ndarray, ground: Ground) -> np.ndarray:
    """Return the share of each shape that has a level.

    Shapes whose box has a level in every cell are wholly on the ground; the cells of the others are counted, together
    with what lies over them.
    """
    fraction = np.ones(len(shapes))
    doubtful = _near_holes(shapes, ground)
    if doubtful.any():
        boxes = shapely.box(*shapely.bounds(shapes).T)
        rows = np.union1d(
            np.flatnonzero(doubtful), shapely.STRtree(boxes).query(boxes[doubtful], predicate="intersects")[1]
        )
        fraction[rows] = _counted_fraction(shapes[rows], ground)
    return fraction


def _near_holes(shapes: np.ndarray, ground: Ground) -> np.ndarray:
    """Mark the shapes whose box holds a cell without level or reaches over the grid."""
    grid = ground.grid
    left, bottom, right, top = shapely.bounds(shapes).T
    over = (left < grid.bounds[0]) | (bottom < grid.bounds[1]) | (right > grid.bounds[2]) | (top > grid.bounds[3])
    sides = (
        np.floor((grid.top - top) / grid.cell_height_m),
        np.ceil((grid.top - bottom) / grid.cell_height_m),
        np.floor((left - grid.left) / grid.cell_width_m),
        np.ceil((right - grid.left) / grid.cell_width_m),
    )
    windows = np.maximum(np.column_stack(sides), 0.0).astype(np.int64).tolist()
    holed = [not ground.valid[row0:row1, col0:col1].all() for row0, row1, col0, col1 in windows]
    return over | np.array(holed, dtype=np.bool_)


def _counted_fraction(shapes: np.ndarray, ground: Ground) -> np.ndarray:
    """Return the share of each shape that has a level, by cell centres.

    Cells are labelled by parcel, later ones over earlier; a parcel wholly under others falls back to its inner point.
    """
    grid = ground.grid
    labels = rasterio.features.rasterize(
        zip(shapes, range(1, len(shapes) + 1), strict=True), grid.shape, transform=grid.transform, dtype="int32"
    )
    cells = np.bincount(labels.ravel(), minlength=len(shapes) + 1)[1:]
    good = np.bincount(labels[ground.valid], minlength=len(shapes) + 1)[1:]
    points = shapely.get_coordinates(shapely.point_on_surface(shapes))
    under = grid.cells_of_xy(points[:, 0], points[:, 1])
    at_point = ((under >= 0) & ground.valid.ravel()[np.maximum(under, 0)]).astype(np.float64)
    within = _share_within(shapes, grid.bounds)
    fraction = np.where(cells > 0, good / np.maximum(cells, 1) * within, at_point * within)
    return np.where(fraction > WHOLE, 1.0, np.where(fraction < HARDLY, 0.0, fraction))

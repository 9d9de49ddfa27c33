"""The partition of the ground: one surface for each parcel, kind, class, building and use, disjoint and complete."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.options import SurfaceOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs
from catchscreen.surfaces.overlay import NOTHING_M2, Floats, Ints, Shapes, runs_of, union_of
from catchscreen.surfaces.partition import cut, subtract_earlier, tiles_of, uncovered
from catchscreen.surfaces.sources import SHARES, TEXTS, gather_features, local_shapes

TILE_M = 250.0
"""Ground outside parcels is gathered by squares of this side, so that no surface spans the district."""

REPORTED_M2 = 1.0
REPORTED_FRACTION = 0.005
"""Overlaps of parcels below both (the share is of the smaller parcel) are reported as a sum."""

GROUPED = (*TEXTS, "is_adopted", *SHARES)


def partition_ground(data: Inputs, options: SurfaceOptions, origin: tuple[float, float], run: Run) -> pd.DataFrame:
    """Divide the ground of district and parcels into disjoint surfaces that add up to it.

    Returns
    -------
    pandas.DataFrame
        Index surface_id; shape (relative to ``origin``), parcel_id, the sources' columns, area_m2.
    """
    features = gather_features(data, options, origin)
    shapes, later, earlier, area = subtract_earlier(features["shape"].to_numpy(object))
    _note_overlaps(features, (later, earlier, area), run)
    run.check_stop()
    parcels = _disjoint_parcels(data, origin, run)
    kept = ~shapely.is_empty(shapes)
    features, shapes = features[kept].reset_index(drop=True), shapes[kept]
    pieces = cut(shapes, parcels["shape"].to_numpy(object))
    district = _local_district(data, origin)
    outside = pieces.owner < 0
    within = _within(pieces.shapes[outside], district)
    owner = np.r_[pieces.owner[~outside], np.full(within[0].size, -1, np.int64)]
    feature = np.r_[pieces.feature[~outside], pieces.feature[outside][within[0]]]
    known = np.concatenate([pieces.shapes[~outside], within[1]])
    run.check_stop()
    unknown_owner, unknown = _unknown_ground(known, owner, parcels["shape"].to_numpy(object), district)
    table = features.iloc[feature][list(GROUPED)].reset_index(drop=True)
    table = pd.concat([table, _unknown_rows(unknown.size, table)], ignore_index=True)
    owner = np.r_[owner, unknown_owner]
    names = np.r_[parcels.index.to_numpy(str).astype(object), np.array([""], dtype=object)]
    table["parcel_id"] = names[owner]
    return _merge(table, np.concatenate([known, unknown]))


def _unknown_rows(count: int, like: pd.DataFrame) -> pd.DataFrame:
    """Return the columns of ground that no source covers."""
    texts = dict.fromkeys(TEXTS, "") | {"cover_class": "unknown", "kind": "unknown", "source": "none"}
    values = texts | {"is_adopted": False} | dict.fromkeys(SHARES, np.nan)
    return pd.DataFrame(values, index=range(count), columns=list(GROUPED)).astype(like.dtypes.to_dict())


def _disjoint_parcels(data: Inputs, origin: tuple[float, float], run: Run) -> pd.DataFrame:
    """Return the parcels' own ground; where two overlap the smaller keeps it, then the first by id."""
    shapes = local_shapes(data.parcels, origin)
    area = shapely.area(shapes)
    ids = data.parcels.index.to_numpy(str)
    order = np.lexsort((ids, area))
    own, later, earlier, shared = subtract_earlier(shapes[order])
    _note_parcel_overlaps(ids[order], area[order], (earlier, later, shared), run)
    kept = ~shapely.is_empty(own)
    return pd.DataFrame({"shape": pd.Series(own[kept], dtype=object).to_numpy()}, index=ids[order][kept])


def _note_parcel_overlaps(ids: NDArray[np.str_], area: Floats, pairs: tuple[Ints, Ints, Floats], run: Run) -> None:
    """Report overlaps of parcels that matter one by one, the rest as a sum."""
    first, second, shared = pairs
    matters = (shared > REPORTED_M2) | (shared > REPORTED_FRACTION * area[first])
    for k in np.flatnonzero(matters):
        keeper, loser = ids[first[k]], ids[second[k]]
        run.note(
            DataIssue(
                severity="repair",
                code="parcels_overlap",
                role="parcels",
                message=f"parcels {keeper} and {loser} share {shared[k]:.2f} m2, counted in {keeper}, the smaller",
                cure="Mend the boundary if the shared ground matters.",
                feature=str(loser),
            )
        )
    small = shared[~matters]
    if small.sum() > 1e-6:
        run.note(
            DataIssue(
                severity="note",
                code="parcels_overlap_by_slivers",
                role="parcels",
                message=f"{small.size} pairs of parcels overlap by slivers, {small.sum():.4f} m2 in all; the smaller "
                "parcel keeps them",
            )
        )


def _local_district(data: Inputs, origin: tuple[float, float]) -> shapely.Geometry:
    """Return the district relative to ``origin``."""
    shift = np.array(origin)
    return shapely.transform(data.district, lambda xy: xy - shift)


def _within(shapes: Shapes, district: shapely.Geometry) -> tuple[Ints, Shapes]:
    """Return the numbers of shapes that lie in the district, and their ground there."""
    shapely.prepare(district)
    whole = shapely.covers(district, shapes)
    number = np.flatnonzero(~whole).astype(np.int64)
    pieces = cut(shapes[number], tiles_of(district, TILE_M))
    kept = pieces.owner >= 0
    inside = np.flatnonzero(whole).astype(np.int64)
    return np.r_[inside, number[pieces.feature[kept]]], np.concatenate([shapes[inside], pieces.shapes[kept]])


def _unknown_ground(known: Shapes, owner: Ints, parcels: Shapes, district: shapely.Geometry) -> tuple[Ints, Shapes]:
    """Return what no source covers: each parcel's rest, and the district's rest outside parcels by tiles."""
    in_parcel, parcel_rest = uncovered(parcels, known)
    _, tile_rest = uncovered(tiles_of(district, TILE_M), np.concatenate([parcels, known[owner < 0]]))
    return np.r_[in_parcel, np.full(tile_rest.size, -1, np.int64)], np.concatenate([parcel_rest, tile_rest])


def _merge(table: pd.DataFrame, shapes: Shapes) -> pd.DataFrame:
    """Join the pieces that are one surface, and name it."""
    area = shapely.area(shapes)
    kept = area > NOTHING_M2
    table, shapes, area = table[kept].reset_index(drop=True), shapes[kept], area[kept]
    points = shapely.get_coordinates(shapely.centroid(shapes)) if len(shapes) else np.empty((0, 2))
    tile = np.floor(points / TILE_M).astype(np.int64)
    place = np.array([f"outside.{-row}.{col}" for col, row in tile], dtype=object)
    inside = (table["parcel_id"] != "").to_numpy()
    table["place"] = np.where(inside, table["parcel_id"], place)
    keys = ["place", *GROUPED]
    group = table.groupby(keys, sort=True, dropna=False).ngroup().to_numpy(np.int64)
    order = np.lexsort((points[:, 1], points[:, 0], group))
    starts, ends = runs_of(group[order].astype(np.int64))
    merged = table.iloc[order[starts]].reset_index(drop=True)
    joined = np.empty(starts.size, object)
    for k, (begin, end) in enumerate(zip(starts, ends, strict=True)):
        joined[k] = union_of(shapes[order[begin:end]])
    merged["shape"] = joined
    merged["area_m2"] = shapely.area(joined)
    merged.index = pd.Index(_surface_ids(merged), name="surface_id")
    return merged.drop(columns="place").sort_index(kind="stable")


def _surface_ids(table: pd.DataFrame) -> list[str]:
    """Name each surface by its place, class and what else tells it from its neighbours."""
    second = table["building_id"].where(table["building_id"] != "", table["road_class"])
    second = second.where(second != "", table["ground_use"])
    first = table["kind"].where(table["kind"] == "road", table["cover_class"])
    names = (table["place"] + "." + first + "." + second).str.rstrip(".")
    # Two of one name differ in source or stated shares only: they are counted in the order of these.
    count = names.groupby(names).cumcount()
    return [name if n == 0 else f"{name}.{n + 1}" for name, n in zip(names, count, strict=True)]


def _note_overlaps(features: pd.DataFrame, pairs: tuple[Ints, Ints, Floats], run: Run) -> None:
    """Report how much of the sources lies on the same ground, and which source gave way."""
    later, earlier, area = pairs
    if later.size == 0:
        return
    source = features["source"].to_numpy(str)
    names, number = np.unique(np.char.add(np.char.add(source[earlier], ">"), source[later]), return_inverse=True)
    sums, counts = np.bincount(number, weights=area), np.bincount(number)
    for name, total, count in zip(names, sums, counts, strict=True):
        first, second = str(name).split(">")
        run.note(
            DataIssue(
                severity="note" if first != second else "repair",
                code="sources_overlap",
                role=second,
                message=f"{total:.1f} m2 of {second} lie under {first} ({count} overlaps); "
                f"{first if first != second else 'the first by class and place'} is counted there",
                cure="" if first != second else f"Check {second} for features drawn twice.",
            )
        )

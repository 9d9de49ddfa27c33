"""The partition of the ground: one surface for each parcel, kind, class, building and use, disjoint and complete."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.options import SurfaceOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs
from catchscreen.surfaces.overlay import (
    Floats,
    Ints,
    Shapes,
    overlaps_of_earlier,
    runs_of,
    settled,
    unions_of_runs,
    without_dust,
)
from catchscreen.surfaces.partition import fill_cells, subtract_earlier, tiles_of, uncovered
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
        Index surface_id; shape (relative to ``origin``), geometry (the same in place), parcel_id, the sources'
        columns, area_m2.
    """
    features = gather_features(data, options, origin)
    shapes = features["shape"].to_numpy(object)
    later, earlier, area = overlaps_of_earlier(shapes)
    _note_overlaps(features, (later, earlier, area), run)
    run.check_stop()
    parcels = _disjoint_parcels(data, origin, run)
    tile, outside = _outside_parcels(parcels["shape"].to_numpy(object), data, origin)
    cells = np.concatenate([parcels["shape"].to_numpy(object), outside])
    pieces = fill_cells(cells, shapes, (later, earlier))
    run.check_stop()
    table = _with_unknown(features[list(GROUPED)]).iloc[pieces.feature].reset_index(drop=True)
    names = parcels.index.to_numpy(str).astype(object)
    table["parcel_id"] = np.r_[names, np.full(tile.size, "", dtype=object)][pieces.owner]
    table["place"] = np.r_[names, tile][pieces.owner]
    surfaces = _merge(table, pieces.shapes)
    surfaces["shape"], surfaces["geometry"] = settled(surfaces["shape"].to_numpy(object), origin)
    return surfaces


def _with_unknown(table: pd.DataFrame) -> pd.DataFrame:
    """Append one row: the columns of ground that no source covers."""
    texts = dict.fromkeys(TEXTS, "") | {"cover_class": "unknown", "kind": "unknown", "source": "none"}
    values = texts | {"is_adopted": False} | dict.fromkeys(SHARES, np.nan)
    last = pd.DataFrame(values, index=[0], columns=list(GROUPED)).astype(table.dtypes.to_dict())
    return pd.concat([table, last], ignore_index=True)


def _outside_parcels(parcels: Shapes, data: Inputs, origin: tuple[float, float]) -> tuple[NDArray[np.object_], Shapes]:
    """Return the district's ground in no parcel by tiles, and each tile's name."""
    tiles = tiles_of(_local_district(data, origin), TILE_M)
    number, shapes = uncovered(tiles, parcels)
    bounds = shapely.bounds(tiles[number])
    col, row = (np.floor(0.5 * (bounds[:, k] + bounds[:, k + 2]) / TILE_M).astype(np.int64) for k in (0, 1))
    return np.array([f"outside.{-y}.{x}" for x, y in zip(col, row, strict=True)], dtype=object), shapes


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


def _merge(table: pd.DataFrame, shapes: Shapes) -> pd.DataFrame:
    """Join the pieces that are one surface, and name it."""
    group = table.groupby(["place", *GROUPED], sort=True, dropna=False).ngroup().to_numpy(np.int64)
    order = np.argsort(group, kind="stable")
    starts, ends = runs_of(group[order].astype(np.int64))
    merged = table.iloc[order[starts]].reset_index(drop=True)
    joined = without_dust(unions_of_runs(shapes[order], starts, ends))
    merged["shape"] = joined
    merged["area_m2"] = shapely.area(joined)
    merged.index = pd.Index(_surface_ids(merged), name="surface_id")
    return merged.drop(columns="place").sort_index(kind="stable")


def _surface_ids(table: pd.DataFrame) -> list[str]:
    """Name each surface by its place, class and what else tells it from its neighbours."""
    columns = ("place", "kind", "cover_class", "building_id", "road_class", "ground_use")
    names = []
    for place, kind, cover_class, building, road, use in zip(*(table[name].tolist() for name in columns), strict=True):
        first = kind if kind == "road" else cover_class
        names.append(f"{place}.{first}.{building or road or use}".rstrip("."))
    # Two of one name differ in source or stated shares only: they are counted in the order of these.
    count: dict[str, int] = {}
    for k, name in enumerate(names):
        count[name] = count.get(name, 0) + 1
        if count[name] > 1:
            names[k] = f"{name}.{count[name]}"
    return names


def _note_overlaps(features: pd.DataFrame, pairs: tuple[Ints, Ints, Floats], run: Run) -> None:
    """Report how much of the sources lies on the same ground, and which source gave way."""
    later, earlier, area = pairs
    if later.size == 0:
        return
    source, own = features["source"].to_numpy(str), shapely.area(features["shape"].to_numpy(object))
    # Neighbours that overlap along their border are drawn roughly; what covers half of a feature is drawn twice.
    twice = area > np.maximum(REPORTED_M2, 0.5 * np.minimum(own[later], own[earlier]))
    names, number = np.unique(np.char.add(np.char.add(source[earlier], ">"), source[later]), return_inverse=True)
    sums, counts, doubled = (np.bincount(number, weights=weights) for weights in (area, None, twice))
    for name, total, count, again in zip(names, sums, counts, doubled, strict=True):
        first, second = str(name).split(">")
        repair = first == second and again > 0
        what = f"{count} overlaps along borders" if first == second and not repair else f"{count} overlaps"
        run.note(
            DataIssue(
                severity="repair" if repair else "note",
                code="sources_overlap",
                role=second,
                message=f"{total:.1f} m2 of {second} lie under {first} ({what}); "
                f"{first if first != second else 'the first by class and place'} is counted there",
                cure=f"Check {second} for features drawn twice: {again:.0f} lie on another by half or more."
                if repair
                else "",
            )
        )

"""Whose ground water would be sent onto: by an overflow that follows the ground, by a drain laid to a watercourse."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.measures.threads import query
from catchscreen.records import Inputs, Ints

STREET = "highway"
"""Land use of parcels on which water is led away: not taken for a neighbour's."""
LEAST_CROSSING_M = 0.5
"""A line that crosses less of a parcel only grazes its border."""


def first_other_parcel(path: Ints, end: Ints, own: NDArray[np.object_], data: Inputs, grid: Grid) -> Ints:
    """Give the first parcel other than its own that each way over the ground runs onto; -1 where it meets none.

    Parameters
    ----------
    path : (ways, steps) cells, -1 after the edge. end : (ways,) last step that counts.
    own : (ways,) parcel_id of each way's host.

    Returns
    -------
    (ways,) row of ``data.parcels``; parcels of the street are no neighbours.
    """
    out = np.full(len(path), -1, np.int64)
    counts = (path >= 0) & (np.arange(path.shape[1]) <= end[:, None])
    cells, place = np.unique(path[counts], return_inverse=True)
    if cells.size == 0:
        return out
    parcels = np.full(path.shape, -1, np.int64)
    parcels[counts] = _parcel_at(*grid.xy_of_cells(cells), data)[place]
    names = data.parcels.index.astype(str)
    mine = pd.Index(names).get_indexer(pd.Index(own))
    other = (parcels >= 0) & (parcels != mine[:, None]) & ~_is_street(data)[parcels]
    met = other.any(axis=1)
    first = np.argmax(other, axis=1)
    out[met] = parcels[met, first[met]]
    return out


def add_drain_parcels(hosts: gpd.GeoDataFrame, data: Inputs) -> None:
    """Add drain_parcel_id: the first other parcel that a straight drain to the nearest watercourse would cross."""
    hosts["drain_parcel_id"] = ""
    water = data.watercourses
    shapes = hosts.geometry.to_numpy()
    rows = np.flatnonzero((hosts["outfall"] == "watercourse").to_numpy() & ~shapely.is_missing(shapes))
    if water is None or rows.size == 0:
        return
    things = water.geometry.to_numpy()
    (host, thing), _ = shapely.STRtree(things).query_nearest(shapes[rows], return_distance=True, all_matches=False)
    lines = shapely.shortest_line(shapes[rows[host]], things[thing])
    ground = data.parcels.geometry.to_numpy()
    line, parcel = shapely.STRtree(ground).query(lines, predicate="intersects")
    own = hosts["parcel_id"].to_numpy(dtype=object)[rows[host[line]]]
    other = (data.parcels.index.astype(str).to_numpy(dtype=object)[parcel] != own) & ~_is_street(data)[parcel]
    line, parcel = line[other], parcel[other]
    crosses = shapely.length(shapely.intersection(lines[line], ground[parcel])) >= LEAST_CROSSING_M
    line, parcel = line[crosses], parcel[crosses]
    away = shapely.distance(shapes[rows[host[line]]], ground[parcel])
    order = np.lexsort((parcel, away, line))
    line, parcel = line[order], parcel[order]
    first = np.flatnonzero(np.diff(line, prepend=-1))
    names = data.parcels.index.astype(str).to_numpy(dtype=object)
    hosts.iloc[rows[host[line[first]]], hosts.columns.get_loc("drain_parcel_id")] = names[parcel[first]]


def say_parcels(ids: pd.Series, data: Inputs) -> NDArray[np.object_]:
    """Write "parcel AV1 (its name)" for each id, "" for none."""
    names = data.parcels["name"].fillna("").astype(str) if "name" in data.parcels else pd.Series(dtype=object)
    codes, different = pd.factorize(ids.to_numpy(dtype=object))
    said = [f"parcel {one}" + (f" ({names[one]})" if names.get(one, "") else "") if one else "" for one in different]
    return np.asarray(np.array(said, dtype=object)[codes], dtype=object)


def _parcel_at(x: NDArray[np.float64], y: NDArray[np.float64], data: Inputs) -> Ints:
    """Give the row of the parcel under each point, -1 where there is none; of two the first."""
    parcel, point = query(shapely.STRtree(shapely.points(x, y)), data.parcels.geometry.to_numpy(), "contains")
    out = np.full(len(x), -1, np.int64)
    out[point[::-1]] = parcel[::-1]
    return out


def _is_street(data: Inputs) -> NDArray[np.bool_]:
    if "land_use" not in data.parcels:
        return np.zeros(len(data.parcels), bool)
    return np.asarray((data.parcels["land_use"] == STREET).fillna(value=False), dtype=bool)

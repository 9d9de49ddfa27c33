"""What lies under, on and near the hosts: distances, overlaps and attributes, all vectorised over an index tree.

Every function takes an array of host polygons (None where the place is unknown) and answers NaN or "" where it cannot
tell.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.measures.threads import by_rows, by_shape, query
from catchscreen.records import Floats

Shapes = NDArray[np.object_]
ALL_BUT_NOTHING = 1.0 - 1e-6


def mend(shapes: Shapes) -> Shapes:
    """Make invalid polygons valid and keep of them what has an area; valid ones pass untouched."""
    out = np.array(shapes, dtype=object)
    bad = np.flatnonzero(~shapely.is_missing(out) & ~by_rows(shapely.is_valid, out))
    for place in bad:
        parts = shapely.get_parts(shapely.make_valid(out[place]))
        out[place] = shapely.union_all(parts[shapely.get_dimensions(parts) == 2])
    return out


def distance_to_nearest(hosts: Shapes, things: Shapes) -> Floats:
    """Give the distance [m] from each host to the nearest thing; NaN without host, inf where there is nothing."""
    out = np.full(len(hosts), np.nan)
    known = np.flatnonzero(~shapely.is_missing(hosts))
    if known.size == 0:
        return out
    out[known] = np.inf
    if len(things) == 0:
        return out
    tree = shapely.STRtree(things)

    def nearest(some: Shapes) -> Floats:
        (source, _), distance = tree.query_nearest(some, return_distance=True, all_matches=False)
        near = np.full(len(some), np.inf)
        near[source] = distance
        return near

    out[known] = by_rows(nearest, hosts[known])
    return out


def pairs_touching(
    hosts: Shapes, things: Shapes, distance_m: float = 0.0
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """List (host number, thing number) of pairs that share an area or a line, or lie nearer than a distance.

    A mere contact of edges is no touch: neighbouring polygons of a map always share their border.
    """
    known = np.flatnonzero(~shapely.is_missing(hosts))
    if known.size == 0 or len(things) == 0:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    # The tree holds the hosts: what is asked is prepared once by the query, and the things are the long outlines.
    tree = shapely.STRtree(hosts[known])
    asked = ("dwithin", distance_m) if distance_m > 0.0 else ("intersects", None)
    found = query(tree, things, *asked)
    thing, host = found[0].astype(np.int64), known[found[1]].astype(np.int64)
    if distance_m > 0.0:
        keep = by_rows(shapely.distance, hosts[host], things[thing]) < distance_m
    else:
        keep = _share_more_than_an_edge(hosts, things, host, thing)
    host, thing = host[keep], thing[keep]
    order = np.lexsort((thing, host))
    return host[order], thing[order]


def _share_more_than_an_edge(
    hosts: Shapes, things: Shapes, host: NDArray[np.int64], thing: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell which meeting pairs do more than touch; a host inside a thing is known to without looking at its edges."""
    keep = covers(hosts, things, host, thing)
    rest = np.flatnonzero(~keep)
    own, others = hosts[host[rest]], things[thing[rest]]
    keep[rest] = ~by_shape(lambda some: shapely.touches(own[some], others[some]), own)
    return keep


def covers(hosts: Shapes, things: Shapes, host: NDArray[np.int64], thing: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell in which pairs the thing covers the whole host."""
    shapely.prepare(things[np.unique(thing)])
    inside, around = hosts[host], things[thing]
    return np.asarray(by_shape(lambda some: shapely.covers(around[some], inside[some]), around), dtype=bool)


def _runs(host: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give start and length of each run of one host in a list that is sorted by host."""
    starts = np.flatnonzero(np.r_[True, host[1:] != host[:-1]])
    return starts, np.diff(np.r_[starts, host.size])


def overlap_fraction(hosts: Shapes, things: Shapes) -> Floats:
    """Give the share of each host that polygons cover, overlaps of the polygons among themselves counted once."""
    out = np.full(len(hosts), np.nan)
    known = ~shapely.is_missing(hosts)
    out[known] = 0.0
    host, thing = pairs_touching(hosts, things)
    if host.size == 0:
        return out
    whole = np.zeros(len(hosts), bool)
    whole[host[covers(hosts, things, host, thing)]] = True
    left = ~whole[host]
    host, thing = host[left], thing[left]
    out[whole] = 1.0
    if host.size == 0:
        return out
    starts, counts = _runs(host)
    cover = things[thing[starts]].copy()
    for place in np.flatnonzero(counts > 1):
        cover[place] = shapely.union_all(things[thing[starts[place] : starts[place] + counts[place]]])
    own = hosts[host[starts]]
    shared = shared_areas(own, cover)
    out[host[starts]] = np.minimum(1.0, shared / shapely.area(own))
    return out


def length_inside(hosts: Shapes, lines: Shapes) -> Floats:
    """Give the length [m] of lines inside each host."""
    out = np.where(shapely.is_missing(hosts), np.nan, 0.0)
    host, line = pairs_touching(hosts, lines)
    np.add.at(out, host, shapely.length(shapely.intersection(hosts[host], lines[line])))
    return out


def number_under(hosts: Shapes, layer: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Give the row of the polygon with the largest share of each host, -1 where none; ties go to the first row."""
    return _largest(hosts, layer.geometry.to_numpy(), np.arange(len(layer)))


def _largest(hosts: Shapes, things: Shapes, kind: NDArray[np.int64]) -> NDArray[np.int64]:
    """Give the thing with the largest share of each host; where all that meet it are of one kind, simply the first."""
    out = np.full(len(hosts), -1, np.int64)
    host, thing = pairs_touching(hosts, things)
    if host.size == 0:
        return out
    starts, counts = _runs(host)
    out[host[starts]] = thing[starts]
    mixed = np.repeat(np.maximum.reduceat(kind[thing], starts) != np.minimum.reduceat(kind[thing], starts), counts)
    host, thing = host[mixed], thing[mixed]
    if host.size == 0:
        return out
    size = shapely.get_num_coordinates(things[thing])
    simplest = np.lexsort((thing, size, host))
    starts, counts = _runs(host)
    area = np.zeros(host.size)
    area[simplest[starts]] = shared_areas(hosts[host[simplest[starts]]], things[thing[simplest[starts]]])
    # Where the simplest outline takes up all of the host, long outlines that only brush it need no cutting.
    settled = area[simplest[starts]] >= ALL_BUT_NOTHING * shapely.area(hosts[host[starts]])
    left = ~np.repeat(settled, counts)
    left[simplest[starts]] = False
    area[left] = shared_areas(hosts[host[left]], things[thing[left]])
    order = np.lexsort((thing, -area, host))
    out[host[order[starts]]] = thing[order[starts]]
    return out


def shared_areas(shapes: Shapes, others: Shapes) -> Floats:
    """Give the area [m2] that each shape shares with the other of its row."""
    return by_rows(lambda some, other: shapely.area(shapely.intersection(some, other)), shapes, others)


def text_under(hosts: Shapes, layer: gpd.GeoDataFrame | None, column: str) -> NDArray[np.object_]:
    """Give the text of the polygon with the largest share of each host, "" where there is none or no layer."""
    out = np.full(len(hosts), "", dtype=object)
    if layer is None or len(layer) == 0 or column not in layer:
        return out
    codes, texts = pd.factorize(layer[column].fillna("").astype(str), sort=False)
    row = _largest(hosts, layer.geometry.to_numpy(), codes)
    out[row >= 0] = np.asarray(texts, dtype=object)[codes[row[row >= 0]]]
    return out


def clear_fraction(hosts: Shapes, things: Shapes, distance_m: float) -> Floats:
    """Give the share of each host that lies at ``distance_m`` or more from every thing."""
    out = np.where(shapely.is_missing(hosts), np.nan, 1.0)
    if distance_m <= 0.0:
        return out
    host, thing = pairs_touching(hosts, things, distance_m)
    if host.size == 0:
        return out
    met = np.unique(thing)
    around = by_rows(lambda some: shapely.buffer(some, distance_m, quad_segs=8), things[met])
    around = around[np.searchsorted(met, thing)]
    starts, counts = _runs(host)
    left = hosts[host[starts]].copy()
    whole = shapely.area(left)
    # Things are taken off one by one, the first of every host together, then the second: fewer, larger calls.
    for turn in range(int(counts.max())):
        rows = np.flatnonzero(counts > turn)
        left[rows] = by_rows(shapely.difference, left[rows], around[starts[rows] + turn])
    out[host[starts]] = shapely.area(left) / whole
    return out

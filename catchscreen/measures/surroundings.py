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

from catchscreen.records import Floats

Shapes = NDArray[np.object_]


def mend(shapes: Shapes) -> Shapes:
    """Make invalid polygons valid and keep of them what has an area; valid ones pass untouched."""
    out = np.array(shapes, dtype=object)
    bad = np.flatnonzero(~shapely.is_missing(out) & ~shapely.is_valid(out))
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
    (source, _), distance = tree.query_nearest(hosts[known], return_distance=True, all_matches=False)
    out[known[source]] = distance
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
    tree = shapely.STRtree(things)
    if distance_m > 0.0:
        found = tree.query(hosts[known], predicate="dwithin", distance=distance_m)
    else:
        found = tree.query(hosts[known], predicate="intersects")
    host, thing = known[found[0]].astype(np.int64), found[1].astype(np.int64)
    if distance_m > 0.0:
        keep = shapely.distance(hosts[host], things[thing]) < distance_m
    else:
        keep = ~shapely.touches(hosts[host], things[thing])
    host, thing = host[keep], thing[keep]
    order = np.lexsort((thing, host))
    return host[order], thing[order]


def overlap_fraction(hosts: Shapes, things: Shapes) -> Floats:
    """Give the share of each host that polygons cover, overlaps of the polygons among themselves counted once."""
    out = np.full(len(hosts), np.nan)
    known = ~shapely.is_missing(hosts)
    out[known] = 0.0
    host, thing = pairs_touching(hosts, things)
    if host.size == 0:
        return out
    starts = np.flatnonzero(np.r_[True, host[1:] != host[:-1]])
    ends = np.r_[starts[1:], host.size]
    for start, end in zip(starts, ends, strict=True):
        shape = hosts[host[start]]
        cover = things[thing[start]] if end - start == 1 else shapely.union_all(things[thing[start:end]])
        out[host[start]] = min(1.0, shapely.area(shapely.intersection(shape, cover)) / shapely.area(shape))
    return out


def length_inside(hosts: Shapes, lines: Shapes) -> Floats:
    """Give the length [m] of lines inside each host."""
    out = np.where(shapely.is_missing(hosts), np.nan, 0.0)
    host, line = pairs_touching(hosts, lines)
    np.add.at(out, host, shapely.length(shapely.intersection(hosts[host], lines[line])))
    return out


def number_under(hosts: Shapes, layer: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Give the row of the polygon with the largest share of each host, -1 where none; ties go to the first row."""
    out = np.full(len(hosts), -1, np.int64)
    shapes = layer.geometry.to_numpy()
    host, thing = pairs_touching(hosts, shapes)
    if host.size == 0:
        return out
    area = shapely.area(shapely.intersection(hosts[host], shapes[thing]))
    table = pd.DataFrame({"host": host, "thing": thing, "area": area})
    best = table.sort_values(["host", "area", "thing"], ascending=[True, False, True], kind="stable").drop_duplicates(
        "host"
    )
    out[best["host"].to_numpy()] = best["thing"].to_numpy()
    return out


def text_under(hosts: Shapes, layer: gpd.GeoDataFrame | None, column: str) -> NDArray[np.object_]:
    """Give the text of the polygon with the largest share of each host, "" where there is none or no layer."""
    out = np.full(len(hosts), "", dtype=object)
    if layer is None or len(layer) == 0 or column not in layer:
        return out
    row = number_under(hosts, layer)
    values = layer[column].fillna("").astype(str).to_numpy()
    out[row >= 0] = values[row[row >= 0]]
    return out


def clear_fraction(hosts: Shapes, things: Shapes, distance_m: float) -> Floats:
    """Give the share of each host that lies at ``distance_m`` or more from every thing."""
    out = np.where(shapely.is_missing(hosts), np.nan, 1.0)
    if distance_m <= 0.0:
        return out
    host, thing = pairs_touching(hosts, things, distance_m)
    if host.size == 0:
        return out
    starts = np.flatnonzero(np.r_[True, host[1:] != host[:-1]])
    ends = np.r_[starts[1:], host.size]
    for start, end in zip(starts, ends, strict=True):
        shape = hosts[host[start]]
        near = shapely.union_all(shapely.buffer(things[thing[start:end]], distance_m, quad_segs=8))
        out[host[start]] = shapely.area(shapely.difference(shape, near)) / shapely.area(shape)
    return out

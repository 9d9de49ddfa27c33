"""What one layer tells about another: the social index under each parcel."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from catchscreen.inputs.desk import Desk


def join_social_index(parcels: gpd.GeoDataFrame, index: gpd.GeoDataFrame | None, desk: Desk) -> gpd.GeoDataFrame:
    """Fill ``social_decile`` from the area under each parcel's inner point, where the parcel says none itself."""
    if index is None or index.empty:
        return parcels
    shapes = index.geometry.to_numpy()
    points = shapely.point_on_surface(parcels.geometry.to_numpy())
    which, where = shapely.STRtree(shapes).query(points, predicate="intersects")
    # Of several areas under one point the first by id counts, so that the order of rows does not matter.
    order = np.lexsort((where, which))
    which, where = which[order], where[order]
    first = np.concatenate([[True], which[1:] != which[:-1]]) if len(which) else np.zeros(0, dtype=bool)
    decile = np.full(len(parcels), np.nan)
    decile[which[first]] = index["social_decile"].to_numpy(dtype=np.float64)[where[first]]
    own = parcels["social_decile"].to_numpy(dtype=np.float64)
    filled = np.where(np.isnan(own), decile, own)
    missing = int(np.isnan(filled).sum())
    if missing:
        desk.note("unknown", "no-index", "social_index", f"{missing} parcels lie in no area of the social index.")
    return gpd.GeoDataFrame(parcels.assign(social_decile=filled))

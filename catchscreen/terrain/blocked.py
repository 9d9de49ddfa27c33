"""What would stand behind culverts if they were blocked: the hollows of the ground without them."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.terrain.changes import Edit

Ints = NDArray[np.int64]

SAME = ["spill_x", "spill_y", "spill_level_m", "floor_level_m", "area_m2", "volume_m3"]
"""A hollow that has all of these in common in both states is one that no culvert drains."""

KEPT = (
    "subcatchment_id",
    "depth_m",
    "area_m2",
    "volume_m3",
    "spill_level_m",
    "floor_level_m",
    "contributing_area_m2",
)

L_PER_M2_MM = 3600.0
"""A litre a second over a square metre is so many millimetres an hour."""


def blocked_frame(
    closed_rows: gpd.GeoDataFrame, open_rows: gpd.GeoDataFrame, culverts: list[Edit], grid: Grid
) -> gpd.GeoDataFrame:
    """Return the hollows that are there, or are larger, only while every culvert is blocked.

    Parameters
    ----------
    closed_rows : frame of the hollows of the ground without the culverts. open_rows : of those with them.

    Returns
    -------
    Index blocked_id; depth_m, area_m2, volume_m3, spill_level_m, floor_level_m, contributing_area_m2, hollow_ids (of
    the open state inside its outline), volume_open_m3 (what those hold), culvert_sources, capacity_l_s (the sum of the
    culverts that drain it, NaN unless known for all), capacity_mm_h (the same as a rate of runoff over the
    contributing area), subcatchment_id, polygons at spill level.
    """
    both = closed_rows[SAME].merge(open_rows[SAME].drop_duplicates(), on=SAME, how="left", indicator=True)
    rows = closed_rows[(both["_merge"] == "left_only").to_numpy()]
    inside = _open_inside(rows, open_rows)
    near = max(grid.cell_width_m, grid.cell_height_m)
    drained_by = _touching(rows, [edit.geometry for edit in culverts], near)
    capacity = np.array(
        [sum(culverts[way].capacity_l_s for way in ways) if ways else np.nan for ways in drained_by], dtype=np.float64
    )
    columns = {
        **{name: rows[name].to_numpy() for name in KEPT},
        "hollow_ids": [", ".join(open_rows.index[own]) for own in inside],
        "volume_open_m3": [float(open_rows["volume_m3"].to_numpy()[own].sum()) for own in inside],
        "culvert_sources": [", ".join(culverts[way].source for way in ways) for ways in drained_by],
        "capacity_l_s": capacity,
        "capacity_mm_h": capacity * L_PER_M2_MM / rows["contributing_area_m2"].to_numpy(),
    }
    index = [f"B{number:04d}" for number in range(1, len(rows) + 1)]
    frame = gpd.GeoDataFrame(columns, index=index, geometry=rows.geometry.to_numpy(), crs=grid.crs)
    frame.index.name = "blocked_id"
    return frame


def _open_inside(rows: gpd.GeoDataFrame, open_rows: gpd.GeoDataFrame) -> list[Ints]:
    """Return, for each blocked hollow, the rows of the open ones that share ground with it."""
    tree = shapely.STRtree(open_rows.geometry.to_numpy())
    outer, inner = tree.query(rows.geometry.to_numpy(), predicate="intersects")
    outlines, holes = rows.geometry.to_numpy()[outer], open_rows.geometry.to_numpy()[inner]
    share = shapely.area(shapely.intersection(outlines, holes)) > 0.0
    pairs = pd.DataFrame({"outer": outer[share], "inner": inner[share]}).sort_values(["outer", "inner"])
    return [pairs.loc[pairs["outer"] == number, "inner"].to_numpy() for number in range(len(rows))]


def _touching(rows: gpd.GeoDataFrame, lines: list[shapely.Geometry], near_m: float) -> list[list[int]]:
    """Return, for each blocked hollow, the numbers of the culverts whose line comes into it."""
    tree = shapely.STRtree(lines)
    pairs = tree.query(rows.geometry.to_numpy(), predicate="dwithin", distance=near_m)
    return [sorted(int(way) for way in pairs[1][pairs[0] == number]) for number in range(len(rows))]


def name_blocked(
    layer: gpd.GeoDataFrame, blocked: gpd.GeoDataFrame | None, names: str, by: str | None = None
) -> gpd.GeoDataFrame:
    """Add ``blocked_id`` to a layer: the blocked hollow that lists the row's id (or column ``by``) in column ``names``.

    A long culvert may lie below several: then all are named.
    """
    said: dict[str, list[str]] = {}
    for blocked_id, listed in [] if blocked is None else blocked[names].items():
        for name in filter(None, listed.split(", ")):
            said.setdefault(name, []).append(str(blocked_id))
    keys = layer.index if by is None else layer[by]
    return layer.assign(blocked_id=np.array([", ".join(said.get(str(key), ())) for key in keys], dtype=object))

"""What the main flow paths pass: buildings, parcels, hollows."""

from __future__ import annotations

from typing import Literal

import geopandas as gpd
import pandas as pd
import shapely

from catchscreen.grid import Grid
from catchscreen.records import Inputs


def mark_passed(paths: gpd.GeoDataFrame, data: Inputs, hollows: gpd.GeoDataFrame, grid: Grid) -> gpd.GeoDataFrame:
    """Add the ids of what each path passes, ascending: ``passes_buildings``, ``passes_parcels``, ``passes_hollows``.

    A building is passed within one cell of its footprint: water is led round raised buildings, not through them.
    Parcels and hollows (their outline at spill level) are passed where the line lies in them.
    """
    beside = max(grid.cell_width_m, grid.cell_height_m)
    passed = {
        "passes_buildings": _ids(paths, data.buildings, "dwithin", beside),
        "passes_parcels": _ids(paths, data.parcels, "intersects"),
        "passes_hollows": _ids(paths, hollows, "intersects"),
    }
    return paths.assign(**passed)


def _ids(
    paths: gpd.GeoDataFrame,
    layer: gpd.GeoDataFrame | None,
    predicate: Literal["dwithin", "intersects"],
    distance_m: float | None = None,
) -> pd.Series:
    """Return, for each path, the ids of the features that it meets, joined by commas; empty where it meets none."""
    if layer is None or len(layer) == 0 or len(paths) == 0:
        return pd.Series("", index=paths.index, dtype=object)
    tree = shapely.STRtree(layer.geometry.to_numpy())
    line, feature = tree.query(paths.geometry.to_numpy(), predicate=predicate, distance=distance_m)
    met = pd.DataFrame({"line": line, "id": layer.index.astype(str).to_numpy()[feature]}).sort_values(["line", "id"])
    joined = met.groupby("line", sort=True)["id"].agg(", ".join)
    return pd.Series(joined.reindex(range(len(paths)), fill_value="").to_numpy(), index=paths.index, dtype=object)

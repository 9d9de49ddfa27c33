"""Main flow paths as lines, for drawing and for finding what overland flow passes."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.terrain._kernels import dividing
from catchscreen.terrain.hollows import unframed_cells
from catchscreen.terrain.routing import Routing


def trace_flow_paths(
    routing: Routing, label: NDArray[np.int32], subcatchment_ids: list[str], grid: Grid, min_area_m2: float
) -> gpd.GeoDataFrame:
    """Return lines along the cells to which a least area drains: each from a source, junction or boundary to the next.

    Parameters
    ----------
    label : (rows + 2, cols + 2) int32, framed numbers into ``subcatchment_ids``.

    Returns
    -------
    Index flow_path_id; contributing_area_m2 (at the lower end of the path's own cells), subcatchment_id, length_m,
    geometry.
    """
    threshold = max(1, int(np.ceil(min_area_m2 / grid.cell_area_m2)))
    net = np.flatnonzero(routing.total.ravel() >= threshold)
    cells, start = dividing.trace_links(net, routing.code, label, routing.total, threshold)
    x, y = grid.xy_of_cells(unframed_cells(cells, grid.cols))
    sizes = np.diff(start)
    link = np.repeat(np.arange(sizes.size), sizes)
    long_enough = sizes >= 2
    keep = long_enough[link]
    renumbered = np.cumsum(long_enough) - 1
    lines = shapely.linestrings(np.column_stack([x[keep], y[keep]]), indices=renumbered[link[keep]])
    last_own = cells[start[1:] - 2][long_enough]
    first = cells[start[:-1]][long_enough]
    names = np.array([*subcatchment_ids, ""], dtype=object)
    digits = max(4, len(str(len(lines))))
    frame = gpd.GeoDataFrame(
        {
            "contributing_area_m2": routing.total.ravel()[last_own] * grid.cell_area_m2,
            "subcatchment_id": names[label.ravel()[first]].astype(str),
            "length_m": shapely.length(lines),
        },
        index=[f"F{number:0{digits}d}" for number in range(1, len(lines) + 1)],
        geometry=lines,
        crs=grid.crs,
    )
    frame.index.name = "flow_path_id"
    return frame

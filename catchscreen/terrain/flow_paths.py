"""Main flow paths as lines, for drawing and for finding what overland flow passes."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.terrain._kernels import dividing
from catchscreen.terrain.hollows import unframed_cells
from catchscreen.terrain.routing import Routing

Ints = NDArray[np.int64]


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
    threshold = threshold_cells(min_area_m2, grid)
    net = np.flatnonzero(routing.total.ravel() >= threshold)
    cells, start = dividing.trace_links(net, routing.code, label, routing.total, threshold)
    links = unframed_cells(cells, grid.cols), start
    return link_frame(links, routing.total.ravel()[cells], label.ravel()[cells], subcatchment_ids, grid)


def threshold_cells(min_area_m2: float, grid: Grid) -> int:
    """Return how many cells must drain to a cell of a main flow path."""
    return max(1, int(np.ceil(min_area_m2 / grid.cell_area_m2)))


def link_frame(
    links: tuple[Ints, Ints], total: NDArray[Any], label: NDArray[Any], subcatchment_ids: list[str], grid: Grid
) -> gpd.GeoDataFrame:
    """Return links of the drainage net as lines.

    Parameters
    ----------
    links : the cells of all links one after the other, and where each begins. total, label : of each of these cells.
    """
    cells, start = links
    x, y = grid.xy_of_cells(cells)
    sizes = np.diff(start)
    link = np.repeat(np.arange(sizes.size), sizes)
    long_enough = sizes >= 2
    keep = long_enough[link]
    renumbered = np.cumsum(long_enough) - 1
    lines = shapely.linestrings(np.column_stack([x[keep], y[keep]]), indices=renumbered[link[keep]])
    last_own = (start[1:] - 2)[long_enough]
    first = start[:-1][long_enough]
    names = np.array([*subcatchment_ids, ""], dtype=object)
    digits = max(4, len(str(len(lines))))
    frame = gpd.GeoDataFrame(
        {
            "contributing_area_m2": total[last_own] * grid.cell_area_m2,
            "subcatchment_id": names[label[first]].astype(str),
            "length_m": shapely.length(lines),
        },
        index=[f"F{number:0{digits}d}" for number in range(1, len(lines) + 1)],
        geometry=lines,
        crs=grid.crs,
    )
    frame.index.name = "flow_path_id"
    return frame

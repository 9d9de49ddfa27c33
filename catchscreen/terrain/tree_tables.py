"""The tree of hollows as tables: the parts of each hollow, and how area and volume grow with the level."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.records import HollowTree
from catchscreen.units import TICKS_PER_M

Ints = NDArray[np.int64]

CURVE_STEPS: Final = 10
"""Steps from floor to spill level at which a hollow's curve is shown."""


def part_table(tree: HollowTree, hollows: gpd.GeoDataFrame, grid: Grid) -> pd.DataFrame:
    """Return every kept hollow of the tree: the outermost under their own id, the parts inside them beside them.

    Parameters
    ----------
    hollows : frame of the outermost hollows, with ``tree_number``.

    Returns
    -------
    Index part_id; hollow_id (the outermost one), merges_into_id (the part that it is one of two halves of, empty for an
    outermost one), spills_into_id (what takes its water first when it is full, empty for outside), depth_m,
    floor_level_m, spill_level_m, area_m2, volume_m3, spill_x, spill_y.
    """
    outer = _outermost(tree)
    row_of = np.full(tree.parent.size, -1, dtype=np.int64)
    row_of[hollows["tree_number"].to_numpy()] = np.arange(len(hollows))
    own_row = row_of[outer]
    names = _part_names(tree, outer, hollows.index.to_numpy(dtype=str)[own_row])
    looked_up = np.append(names, "")
    last = tree.curve_start[1:] - 1
    spill_x, spill_y = grid.xy_of_cells(tree.pass_cell)
    columns: dict[str, Any] = {
        "hollow_id": hollows.index.to_numpy(dtype=str)[own_row],
        "merges_into_id": looked_up[tree.parent],
        "spills_into_id": looked_up[tree.spills_into],
        "depth_m": (tree.spill_ticks - tree.floor_ticks) / TICKS_PER_M,
        "floor_level_m": tree.floor_ticks / TICKS_PER_M,
        "spill_level_m": tree.spill_ticks / TICKS_PER_M,
        "area_m2": tree.curve_cells[last] * grid.cell_area_m2,
        "volume_m3": tree.curve_volume_ticks[last] * (grid.cell_area_m2 / TICKS_PER_M),
        "spill_x": spill_x,
        "spill_y": spill_y,
    }
    return pd.DataFrame(columns, index=pd.Index(names, name="part_id")).sort_index(kind="stable")


def curve_table(tree: HollowTree, hollows: gpd.GeoDataFrame, grid: Grid) -> pd.DataFrame:
    """Return level, wet area and volume of each outermost hollow in ten even steps from its floor to its spill level.

    Between two listed ground levels of the tree's curve the volume grows with the cells of the lower one.
    """
    rows = []
    for hollow_id, number in hollows["tree_number"].items():
        part = slice(int(tree.curve_start[number]), int(tree.curve_start[number + 1]))
        levels, cells, volume = tree.curve_ticks[part], tree.curve_cells[part], tree.curve_volume_ticks[part]
        floor, spill = int(tree.floor_ticks[number]), int(tree.spill_ticks[number])
        level = floor + (np.arange(CURVE_STEPS + 1) * (spill - floor)) // CURVE_STEPS
        at = np.searchsorted(levels, level, side="right") - 1
        held = volume[at] + cells[at] * (level - levels[at])
        ids = [f"{hollow_id}:{step:02d}" for step in range(CURVE_STEPS + 1)]
        rows.append(
            pd.DataFrame(
                {
                    "hollow_id": hollow_id,
                    "level_m": level / TICKS_PER_M,
                    "area_m2": cells[at] * grid.cell_area_m2,
                    "volume_m3": held * (grid.cell_area_m2 / TICKS_PER_M),
                },
                index=ids,
            )
        )
    empty = pd.DataFrame({"hollow_id": [], "level_m": [], "area_m2": [], "volume_m3": []})
    return (pd.concat(rows) if rows else empty).rename_axis("point_id")


def _outermost(tree: HollowTree) -> Ints:
    """Return the number of the outermost hollow that each is part of."""
    at = np.arange(tree.parent.size)
    parent = np.append(tree.parent, -1)
    while (parent[at] >= 0).any():
        at = np.where(parent[at] >= 0, parent[at], at)
    return at


def _part_names(tree: HollowTree, outer: Ints, hollow_id: NDArray[np.str_]) -> NDArray[Any]:
    """Return the id of each: that of the hollow for an outermost one, else with a number in the order of the floors."""
    names = hollow_id.astype(object)
    inner = np.flatnonzero(tree.parent >= 0)
    inner = inner[np.lexsort((inner, tree.floor_cell[inner], outer[inner]))]
    start = np.searchsorted(outer[inner], outer[inner], side="left")
    for place, number in enumerate(inner):
        names[number] = f"{hollow_id[number]}-{place - start[place] + 1:02d}"
    return names

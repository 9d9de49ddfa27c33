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
    number = np.repeat(hollows["tree_number"].to_numpy(dtype=np.int64), CURVE_STEPS + 1)
    step = np.tile(np.arange(CURVE_STEPS + 1), len(hollows))
    floor, spill = tree.floor_ticks[number], tree.spill_ticks[number]
    level = floor + step * (spill - floor) // CURVE_STEPS
    at = _last_listed(tree, number, level)
    held = tree.curve_volume_ticks[at] + tree.curve_cells[at] * (level - tree.curve_ticks[at])
    hollow_id = np.repeat(hollows.index.to_numpy(dtype=str), CURVE_STEPS + 1)
    columns = {
        "hollow_id": hollow_id,
        "level_m": level / TICKS_PER_M,
        "area_m2": tree.curve_cells[at] * grid.cell_area_m2,
        "volume_m3": held * (grid.cell_area_m2 / TICKS_PER_M),
    }
    ids = [f"{name}:{place:02d}" for name, place in zip(hollow_id, step, strict=True)]
    return pd.DataFrame(columns, index=pd.Index(ids, name="point_id", dtype=object))


def _last_listed(tree: HollowTree, number: Ints, level: Ints) -> Ints:
    """Return the place in the curves of the last level of each hollow that is not above a level."""
    low, high = tree.curve_start[number].copy(), tree.curve_start[number + 1] - 1
    while (low < high).any():
        middle = (low + high + 1) // 2
        below = tree.curve_ticks[middle] <= level
        low, high = np.where(below, middle, low), np.where(below, high, middle - 1)
    return low


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

"""The frames of the terrain stage: sub-catchments, outlets, hollows."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.terrain import concentration
from catchscreen.terrain.catchments import Division
from catchscreen.terrain.conditioning import unframe
from catchscreen.terrain.hollows import Hollows, unframed_cells
from catchscreen.terrain.longest import LongestPaths
from catchscreen.terrain.polygons import polygons_of
from catchscreen.terrain.routing import Routing
from catchscreen.terrain.snapping import Snapped
from catchscreen.units import TICKS_PER_M

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


def names(letter: str, count: int, digits: int) -> list[str]:
    """Return ids that sort as they count: a letter and a number with leading zeros."""
    return [f"{letter}{number:0{max(digits, len(str(count)))}d}" for number in range(1, count + 1)]


def subcatchment_frame(
    division: Division,
    snapped: Snapped,
    slope: NDArray[np.float32],
    paths: LongestPaths,
    options: TerrainOptions,
    grid: Grid,
) -> gpd.GeoDataFrame:
    """Return the sub-catchments with their shape, slopes, longest flow path, and times of concentration."""
    count = division.outlet_cell.size
    ids = np.array([*names("S", count, 3), ""], dtype=object)
    label = unframe(division.label)
    area_m2 = (division.cells * grid.cell_area_m2).astype(np.float64)
    columns: dict[str, Any] = {
        "outlet_id": outlet_names(division, snapped),
        "kind": division.kind,
        "area_m2": area_m2,
        "cells": division.cells,
        "mean_slope_fraction": _mean_slope(label, slope, count),
        "slope_10_85_fraction": paths.fall_10_85,
        "longest_path_m": paths.length_m,
        **times_of_concentration(paths.length_m, paths.fall, area_m2, options),
        "downstream_id": ids[division.downstream].astype(str),
        "snap_distance_m": _given(division, snapped.distance_m),
        "snap_area_ratio": _given(division, snapped.area_ratio),
    }
    frame = gpd.GeoDataFrame(
        columns, index=ids[:-1].astype(str), geometry=polygons_of(label, count, grid), crs=grid.crs
    )
    frame.index.name = "subcatchment_id"
    return frame


def outlet_names(division: Division, snapped: Snapped) -> list[str]:
    """Return each sub-catchment's outlet id: the user's where it was given, else one of our own."""
    own = names("outlet-", division.outlet_cell.size, 3)
    return [snapped.ids[given] if given >= 0 else name for given, name in zip(division.given, own, strict=True)]


def outlet_frame(division: Division, routing: Routing, subcatchments: gpd.GeoDataFrame, grid: Grid) -> gpd.GeoDataFrame:
    """Return the outlets as points at their cells, with all ground that drains to them, sorted by id.

    A sub-catchment along the data edge may leave the data at many places: its point is the strongest of them, its area
    that of all.
    """
    x, y = grid.xy_of_cells(unframed_cells(division.outlet_cell, grid.cols))
    strongest = routing.total.ravel()[division.outlet_cell] * grid.cell_area_m2
    columns = {
        "subcatchment_id": subcatchments.index.astype(str),
        "kind": subcatchments["kind"].to_numpy(),
        "contributing_area_m2": contributing_cells(division) * grid.cell_area_m2,
        "own_area_m2": division.cells * grid.cell_area_m2,
        "through_this_point_m2": strongest,
    }
    index = subcatchments["outlet_id"].to_numpy()
    frame = gpd.GeoDataFrame(columns, index=index, geometry=gpd.points_from_xy(x, y), crs=grid.crs)
    frame.index.name = "outlet_id"
    return frame.sort_index(kind="stable")


def contributing_cells(division: Division) -> Ints:
    """Return the cells of each sub-catchment and of all those above it."""
    total = division.cells.astype(np.int64)
    waiting = np.bincount(division.downstream[division.downstream >= 0], minlength=total.size)
    ready = list(np.flatnonzero(waiting == 0))
    while ready:
        number = ready.pop()
        below = division.downstream[number]
        if below >= 0:
            total[below] += total[number]
            waiting[below] -= 1
            if waiting[below] == 0:
                ready.append(below)
    return total


def _mean_slope(label: NDArray[np.int32], slope: NDArray[np.float32], count: int) -> Floats:
    """Return the mean slope of each label's cells."""
    known = (label >= 0) & np.isfinite(slope)
    total = np.bincount(label[known], weights=slope[known].astype(np.float64), minlength=count)
    cells = np.bincount(label[known], minlength=count)
    return np.divide(total, cells, out=np.full(count, np.nan), where=cells > 0)


def times_of_concentration(length_m: Floats, slope: Floats, area_m2: Floats, options: TerrainOptions) -> dict[str, Any]:
    """Return the time of concentration by the chosen method and the range over all of them, entry time as the floor."""
    roughness, rain_mm = options.sheet_flow_roughness, options.two_year_day_rain_mm
    every = {
        "kirpich": concentration.kirpich_min(length_m, slope),
        "velocity": concentration.velocity_min(length_m, slope, roughness, rain_mm),
        "nrcs_lag": concentration.nrcs_lag_min(length_m, slope, options.curve_number),
        "bransby_williams": concentration.bransby_williams_min(length_m, slope, area_m2),
    }
    floored = {name: np.maximum(minutes, options.entry_time_min) for name, minutes in every.items()}
    stack = np.vstack(list(floored.values()))
    return {
        "time_of_concentration_method": np.full(length_m.size, options.time_of_concentration, dtype=object),
        "time_of_concentration_min": floored[options.time_of_concentration],
        "time_of_concentration_low_min": stack.min(axis=0),
        "time_of_concentration_high_min": stack.max(axis=0),
        **{f"time_{name}_min": minutes for name, minutes in floored.items()},
    }


def _given(division: Division, values: Floats) -> Floats:
    """Return the value of each sub-catchment's given outlet, NaN where it has none."""
    padded = np.append(values, np.nan)
    return padded[division.given]


def outer_hollows(hollows: Hollows) -> tuple[Ints, list[str]]:
    """Return the numbers of the outermost kept hollows in the row order of their lowest cell, and their ids."""
    numbers = np.flatnonzero(hollows.outer)
    numbers = numbers[np.argsort(hollows.tree.floor_cell[numbers], kind="stable")]
    return numbers, names("H", numbers.size, 4)


def exits_of_hollows(hollows: Hollows, routing: Routing) -> Snapped:
    """Return the cell by which each outermost hollow spills, as an outlet with the hollow's id; shared ones once."""
    numbers, listed = outer_hollows(hollows)
    cell, first = np.unique(_exit_cells(routing, hollows, numbers), return_index=True)
    unknown = np.full(cell.size, np.nan)
    return Snapped([listed[place] for place in first], cell, unknown, unknown)


def hollow_frame(
    hollows: Hollows, routing: Routing, division: Division, subcatchment_ids: list[str], grid: Grid
) -> tuple[gpd.GeoDataFrame, NDArray[np.int32]]:
    """Return the outermost kept hollows as polygons at spill level, and the (rows, cols) label of their ground."""
    tree = hollows.tree
    numbers, listed = outer_hollows(hollows)
    row_of = np.full(hollows.kept.size + 1, -1, dtype=np.int32)
    row_of[numbers] = np.arange(numbers.size, dtype=np.int32)
    ids = np.array([*listed, ""], dtype=object)
    gathers = label_of_basins(routing, row_of[hollows.outer_of_basin])
    merged = hollows.kept[numbers]
    volume = hollows.merging.volume[merged] * (grid.cell_area_m2 / TICKS_PER_M)
    spill_x, spill_y = grid.xy_of_cells(tree.pass_cell[numbers])
    place = np.array([*subcatchment_ids, ""], dtype=object)
    columns = {
        "depth_m": (tree.spill_ticks[numbers] - tree.floor_ticks[numbers]) / TICKS_PER_M,
        "area_m2": hollows.merging.cells[merged] * grid.cell_area_m2,
        "volume_m3": volume,
        "spill_level_m": tree.spill_ticks[numbers] / TICKS_PER_M,
        "floor_level_m": tree.floor_ticks[numbers] / TICKS_PER_M,
        "contributing_area_m2": _upstream(routing, hollows, numbers) * grid.cell_area_m2,
        "own_area_m2": np.bincount(gathers[gathers >= 0], minlength=numbers.size) * grid.cell_area_m2,
        "spills_into_id": ids[_outer_row(tree.spills_into[numbers], hollows, row_of)].astype(str),
        "subcatchment_id": place[unframe(division.label).ravel()[tree.floor_cell[numbers]]].astype(str),
        "spill_x": spill_x,
        "spill_y": spill_y,
        "tree_number": numbers,
    }
    outlines = polygons_of(_wet_label(hollows, routing, row_of), numbers.size, grid)
    frame = gpd.GeoDataFrame(columns, index=ids[:-1].astype(str), geometry=outlines, crs=grid.crs)
    frame.index.name = "hollow_id"
    return frame, gathers


def label_of_basins(routing: Routing, of_basin: NDArray[np.int32]) -> NDArray[np.int32]:
    """Return (rows, cols) int32: what belongs to each cell's closed basin, -1 where water just drains off."""
    graph = routing.graph
    lookup = np.concatenate([np.full(graph.outlets, -1, dtype=np.int32), of_basin, np.array([-1, -1], dtype=np.int32)])
    return lookup[unframe(graph.label)]


def _outer_row(into: Ints, hollows: Hollows, row_of: NDArray[np.int32]) -> Ints:
    """Return the frame row of the outermost hollow that each hollow number is part of, -1 for outside."""
    at = into.copy()
    parent = np.append(hollows.tree.parent, -1)
    while (parent[at] >= 0).any():
        at = np.where(parent[at] >= 0, parent[at], at)
    return row_of[at].astype(np.int64)


def _upstream(routing: Routing, hollows: Hollows, numbers: Ints) -> Ints:
    """Return the cells whose water passes each hollow's exit when all above are full."""
    return routing.total.ravel()[_exit_cells(routing, hollows, numbers)].astype(np.int64)


def _exit_cells(routing: Routing, hollows: Hollows, numbers: Ints) -> Ints:
    """Return the framed cell inside each hollow's ground by which its water leaves when it is full."""
    graph = routing.graph
    owner = np.full(graph.place.size + 1, -1, dtype=np.int64)
    owner[graph.exit_pass] = np.arange(graph.closed)
    basin = owner[hollows.merging.exit_pass[hollows.kept[numbers]]]
    return routing.pass_cell[basin]


def _wet_label(hollows: Hollows, routing: Routing, row_of: NDArray[np.int32]) -> NDArray[np.int32]:
    """Return (rows, cols) int32: the frame row of the hollow that wets each cell at its spill level, -1 where dry."""
    of_merging = np.full(hollows.merging.parent.size + 1, -1, dtype=np.int32)
    of_merging[hollows.kept] = row_of[: hollows.kept.size]
    gathers = label_of_basins(routing, of_merging[hollows.holds_basin])
    wet = unframe(routing.filled) > unframe(routing.level)
    return np.where(wet, gathers, np.int32(-1))

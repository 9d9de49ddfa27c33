"""The frames of the terrain stage: sub-catchments, outlets, hollows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import shapely
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

SLOPE_UNITS: Final = float(1 << 20)
"""Slopes are added up in whole numbers of this share of 1."""


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
    label = unframe(division.label)
    shapes = Shapes(slope_sums(label, slope, count), list(shapely.normalize(polygons_of(label, count, grid))))
    return subcatchment_rows(division, snapped, shapes, paths, options, grid)


@dataclass(frozen=True, slots=True)
class Shapes:
    """What the cells of sub-catchments give: sums for their mean slopes, see ``slope_sums``; outlines."""

    slope: tuple[Floats, Ints]
    outlines: list[Any]


def subcatchment_rows(
    division: Division, snapped: Snapped, shapes: Shapes, paths: LongestPaths, options: TerrainOptions, grid: Grid
) -> gpd.GeoDataFrame:
    """Return the frame of the sub-catchments."""
    count = division.outlet_cell.size
    ids = np.array([*names("S", count, 3), ""], dtype=object)
    area_m2 = (division.cells * grid.cell_area_m2).astype(np.float64)
    total, cells = shapes.slope
    mean_slope = np.divide(total, cells * SLOPE_UNITS, out=np.full(count, np.nan), where=cells > 0)
    columns: dict[str, Any] = {
        "outlet_id": outlet_names(division, snapped),
        "kind": division.kind,
        "area_m2": area_m2,
        "cells": division.cells,
        "mean_slope_fraction": mean_slope,
        "slope_10_85_fraction": paths.fall_10_85,
        "longest_path_m": paths.length_m,
        **times_of_concentration(paths.length_m, paths.fall, area_m2, options),
        "downstream_id": ids[division.downstream].astype(str),
        "snap_distance_m": _given(division, snapped.distance_m),
        "snap_area_ratio": _given(division, snapped.area_ratio),
    }
    frame = gpd.GeoDataFrame(columns, index=ids[:-1].astype(str), geometry=shapes.outlines, crs=grid.crs)
    frame.index.name = "subcatchment_id"
    return frame


def outlet_names(division: Division, snapped: Snapped) -> list[str]:
    """Return each sub-catchment's outlet id: the user's where it was given, else one of our own."""
    own = names("outlet-", division.outlet_cell.size, 3)
    return [snapped.ids[given] if given >= 0 else name for given, name in zip(division.given, own, strict=True)]


def outlet_frame(division: Division, routing: Routing, subcatchments: gpd.GeoDataFrame, grid: Grid) -> gpd.GeoDataFrame:
    """Return the outlets of a ground in memory: see ``outlet_rows``."""
    strongest = routing.total.ravel()[division.outlet_cell].astype(np.int64)
    return outlet_rows(division, unframed_cells(division.outlet_cell, grid.cols), strongest, subcatchments, grid)


def outlet_rows(
    division: Division, cell: Ints, strongest_cells: Ints, subcatchments: gpd.GeoDataFrame, grid: Grid
) -> gpd.GeoDataFrame:
    """Return the outlets as points at their cells, with all ground that drains to them, sorted by id.

    A sub-catchment along the data edge may leave the data at many places: its point is the strongest of them, its area
    that of all.

    Parameters
    ----------
    cell : cells of the grid. strongest_cells : the cells upstream of each.
    """
    x, y = grid.xy_of_cells(cell)
    columns = {
        "subcatchment_id": subcatchments.index.astype(str),
        "kind": subcatchments["kind"].to_numpy(),
        "contributing_area_m2": contributing_cells(division) * grid.cell_area_m2,
        "own_area_m2": division.cells * grid.cell_area_m2,
        "through_this_point_m2": strongest_cells * grid.cell_area_m2,
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


def slope_sums(label: NDArray[np.int32], slope: NDArray[np.float32], count: int) -> tuple[Floats, Ints]:
    """Return the sum of the slopes of each label's cells, and how many of them have a slope.

    The sum counts in millionths (2^-20), whole numbers in a float64: it is the same in whatever order and by whatever
    parts it is added up.
    """
    known = (label >= 0) & np.isfinite(slope)
    units = np.rint(slope[known].astype(np.float64) * SLOPE_UNITS)
    total = np.bincount(label[known], weights=units, minlength=count).astype(np.float64)
    return total, np.bincount(label[known], minlength=count).astype(np.int64)


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
    """Return the framed cell by which each outermost hollow spills, as an outlet with the hollow's id."""
    numbers, _ = outer_hollows(hollows)
    return exits_as_outlets(hollows, _exit_cells(routing, hollows, numbers))


def exits_as_outlets(hollows: Hollows, exit_cell: Ints) -> Snapped:
    """Return the cells by which the outermost hollows spill, as outlets with the hollows' ids; shared ones once."""
    _, listed = outer_hollows(hollows)
    cell, first = np.unique(exit_cell, return_index=True)
    unknown = np.full(cell.size, np.nan)
    return Snapped([listed[place] for place in first], cell, unknown, unknown)


def hollow_frame(
    hollows: Hollows, routing: Routing, division: Division, subcatchment_ids: list[str], grid: Grid
) -> tuple[gpd.GeoDataFrame, NDArray[np.int32], NDArray[np.int32]]:
    """Return the outermost kept hollows as polygons at spill level; two labels of cells, (rows, cols) int32 each.

    The first label is the row of the hollow in whose ground a cell lies, the second that of the hollow that wets it at
    its spill level; -1 elsewhere.
    """
    numbers, _ = outer_hollows(hollows)
    gathers = label_of_basins(routing, rows_that_gather(hollows))
    held = label_of_basins(routing, rows_that_hold(hollows))
    wet = np.where(unframe(routing.filled) > unframe(routing.level), held, np.int32(-1))
    measured = HollowCells(
        upstream=routing.total.ravel()[_exit_cells(routing, hollows, numbers)].astype(np.int64),
        own=np.bincount(gathers[gathers >= 0], minlength=numbers.size),
        subcatchment=unframe(division.label).ravel()[hollows.tree.floor_cell[numbers]],
        outlines=list(shapely.normalize(polygons_of(wet, numbers.size, grid))),
    )
    return hollow_rows(hollows, measured, subcatchment_ids, grid), gathers, wet


@dataclass(frozen=True, slots=True)
class HollowCells:
    """What cells tell of the outermost kept hollows, in their order.

    upstream : cells whose water passes each hollow's exit when all above are full. own : cells whose water first
    gathers in it. subcatchment : number of the one its lowest cell lies in. outlines : polygons of its wet cells.
    """

    upstream: Ints
    own: Ints
    subcatchment: NDArray[Any]
    outlines: list[Any]


def hollow_rows(hollows: Hollows, measured: HollowCells, subcatchment_ids: list[str], grid: Grid) -> gpd.GeoDataFrame:
    """Return the frame of the outermost kept hollows."""
    tree = hollows.tree
    numbers, listed = outer_hollows(hollows)
    ids = np.array([*listed, ""], dtype=object)
    merged = hollows.kept[numbers]
    spill_x, spill_y = grid.xy_of_cells(tree.pass_cell[numbers])
    place = np.array([*subcatchment_ids, ""], dtype=object)
    columns = {
        "depth_m": (tree.spill_ticks[numbers] - tree.floor_ticks[numbers]) / TICKS_PER_M,
        "area_m2": hollows.merging.cells[merged] * grid.cell_area_m2,
        "volume_m3": hollows.merging.volume[merged] * (grid.cell_area_m2 / TICKS_PER_M),
        "spill_level_m": tree.spill_ticks[numbers] / TICKS_PER_M,
        "floor_level_m": tree.floor_ticks[numbers] / TICKS_PER_M,
        "contributing_area_m2": measured.upstream * grid.cell_area_m2,
        "own_area_m2": measured.own * grid.cell_area_m2,
        "spills_into_id": ids[_outer_row(tree.spills_into[numbers], hollows, _rows(hollows))].astype(str),
        "subcatchment_id": place[measured.subcatchment].astype(str),
        "spill_x": spill_x,
        "spill_y": spill_y,
        "tree_number": numbers,
    }
    frame = gpd.GeoDataFrame(columns, index=ids[:-1].astype(str), geometry=measured.outlines, crs=grid.crs)
    frame.index.name = "hollow_id"
    return frame


def _rows(hollows: Hollows) -> NDArray[np.int32]:
    """Return the frame row of each kept hollow, -1 where it is not outermost (and at the end, for none)."""
    numbers, _ = outer_hollows(hollows)
    row_of = np.full(hollows.kept.size + 1, -1, dtype=np.int32)
    row_of[numbers] = np.arange(numbers.size, dtype=np.int32)
    return row_of


def rows_that_gather(hollows: Hollows) -> NDArray[np.int32]:
    """Return, for each closed basin, the frame row of the outermost hollow in which its water first gathers, or -1."""
    return _rows(hollows)[hollows.outer_of_basin]


def rows_that_hold(hollows: Hollows) -> NDArray[np.int32]:
    """Return, for each closed basin, the frame row of the outermost hollow that it is part of, or -1."""
    of_merging = np.full(hollows.merging.parent.size + 1, -1, dtype=np.int32)
    of_merging[hollows.kept] = _rows(hollows)[: hollows.kept.size]
    return of_merging[hollows.holds_basin]


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


def _exit_cells(routing: Routing, hollows: Hollows, numbers: Ints) -> Ints:
    """Return the framed cell inside each hollow's ground by which its water leaves when it is full."""
    graph = routing.graph
    owner = np.full(graph.place.size + 1, -1, dtype=np.int64)
    owner[graph.exit_pass] = np.arange(graph.closed)
    basin = owner[hollows.merging.exit_pass[hollows.kept[numbers]]]
    return routing.pass_cell[basin]

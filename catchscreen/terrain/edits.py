"""Changes to the ground that the user asked for: ways cut through, buildings raised; levels before and after."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize
from shapely.geometry import LineString

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs
from catchscreen.units import TICKS_PER_M

Ints = NDArray[np.int64]

EDIT_COLUMNS = ("kind", "level_before_m", "level_after_m", "cells", "source")


@dataclass(frozen=True, slots=True)
class Edit:
    """One change: the cells touched (flat numbers), their levels before and after [ticks], the line or outline."""

    kind: str
    source: str
    geometry: Any
    cell: Ints
    before: Ints
    after: Ints


def edit_ground(data: Inputs, options: TerrainOptions, run: Run) -> tuple[NDArray[np.int32], list[Edit]]:
    """Return the ground with all edits, (rows, cols) int32 [ticks], and the edits in the order they were made.

    Buildings are raised first, then ways are cut through: a passage under a building stays open.
    """
    ground = data.ground_ticks.copy()
    edits: list[Edit] = []
    if options.raise_buildings and data.buildings is not None and len(data.buildings):
        raise_by = round(options.building_raise_m * TICKS_PER_M)
        edits.extend(_raise_buildings(ground, data, data.buildings, raise_by))
    if data.culverts is not None:
        for line_id, row in data.culverts.iterrows():
            for part in _line_parts(row.geometry):
                edit = _cut_line(ground, data, str(line_id), row, part)
                if edit is None:
                    _note_untouched(run, str(line_id), part)
                else:
                    edits.append(edit)
    return ground, edits


def edits_frame(edits: list[Edit], crs: Any) -> gpd.GeoDataFrame:
    """Return the layer of edits: index edit_id, mean level of the cells before and after, their number, source."""
    rows = [
        {
            "kind": edit.kind,
            "level_before_m": float(edit.before.sum() / (edit.before.size * TICKS_PER_M)),
            "level_after_m": float(edit.after.sum() / (edit.after.size * TICKS_PER_M)),
            "cells": edit.cell.size,
            "source": edit.source,
        }
        for edit in edits
    ]
    index = [f"edit-{number:05d}" for number in range(1, len(rows) + 1)]
    geometry = [edit.geometry for edit in edits]
    frame = gpd.GeoDataFrame(rows, columns=list(EDIT_COLUMNS), index=index, geometry=geometry, crs=crs)
    frame["level_before_m"] = frame["level_before_m"].astype("float64")
    frame["level_after_m"] = frame["level_after_m"].astype("float64")
    frame["cells"] = frame["cells"].astype("int64")
    frame.index.name = "edit_id"
    return frame


def _raise_buildings(
    ground: NDArray[np.int32], data: Inputs, buildings: gpd.GeoDataFrame, raise_by: int
) -> Iterator[Edit]:
    """Raise the cells whose centre lies in a building; where footprints overlap the later id wins."""
    outlines = buildings.geometry
    usable = [
        (shape, number) for number, shape in enumerate(outlines, start=1) if shape is not None and not shape.is_empty
    ]
    if not usable:
        return
    owner = rasterize(usable, out_shape=data.grid.shape, transform=data.grid.transform, fill=0, dtype="int32").ravel()
    cell = np.flatnonzero((owner > 0) & data.ground_valid.ravel())
    cell = cell[np.argsort(owner[cell], kind="stable")]
    bounds = np.searchsorted(owner[cell], np.arange(1, len(outlines) + 2))
    flat = ground.reshape(-1)
    for number, building_id in enumerate(buildings.index):
        own = cell[bounds[number] : bounds[number + 1]]
        if own.size:
            before = flat[own].astype(np.int64)
            flat[own] += raise_by
            yield Edit("building", f"building {building_id}", outlines.iloc[number], own, before, before + raise_by)


def _line_parts(geometry: Any) -> list[LineString]:
    """Return the simple lines of a line or multi-line that have a length."""
    if geometry is None or geometry.is_empty:
        return []
    parts = shapely.get_parts(shapely.line_merge(geometry))
    return [part for part in parts if part.geom_type == "LineString" and part.length > 0]


def _cut_line(ground: NDArray[np.int32], data: Inputs, line_id: str, row: Any, line: LineString) -> Edit | None:
    """Cut one culvert or underpass through the ground; None when nothing had to be lowered."""
    width = _number(row, "width_m")
    ends = _number(row, "upstream_level_m"), _number(row, "downstream_level_m")
    kind = "underpass" if str(row.get("kind", "culvert")) == "underpass" else "culvert"
    axis, chainage = cells_along(line, data.grid)
    on_ground = data.ground_valid.ravel()[axis]
    axis, chainage = axis[on_ground], chainage[on_ground]
    if axis.size < 2:
        return None
    profile = ground.ravel()[axis].astype(np.int64)
    bed = underpass_bed(profile, chainage, ends) if kind == "underpass" else culvert_bed(profile, chainage, ends)
    cell, level = _widen(line, data.grid, axis, chainage, bed, width)
    flat = ground.reshape(-1)
    lower = data.ground_valid.ravel()[cell] & (level < flat[cell])
    cell, level = cell[lower], level[lower]
    if cell.size == 0:
        return None
    before = flat[cell].astype(np.int64)
    flat[cell] = level
    return Edit(kind, f"{kind} {line_id}", line, cell, before, level)


def _number(row: Any, column: str) -> float:
    """Return a row's number, NaN when the column or the value is missing."""
    value = row.get(column)
    return math.nan if value is None or pd.isna(value) else float(value)


def _note_untouched(run: Run, line_id: str, line: LineString) -> None:
    """Tell the user that a line changed nothing."""
    run.note(
        DataIssue(
            severity="note",
            code="way_changes_nothing",
            role="culverts",
            message=f"culvert or underpass {line_id} lowers no cell: the ground along it is nowhere above its bed",
            cure="check that both ends lie outside the embankment and that the levels are in metres",
            feature=line_id,
            geometry=line,
        )
    )


def cells_along(line: LineString, grid: Grid) -> tuple[Ints, NDArray[np.float64]]:
    """Return the cells that a line passes, each once and beside the next, with the chainage [m] of its centre."""
    spacing = 0.25 * min(grid.cell_width_m, grid.cell_height_m)
    steps = max(2, int(np.ceil(line.length / spacing)) + 1)
    chainage = np.linspace(0.0, line.length, steps)
    points = shapely.get_coordinates(shapely.line_interpolate_point(line, chainage))
    cell = grid.cells_of_xy(points[:, 0], points[:, 1])
    cell = cell[cell >= 0]
    cell = cell[np.sort(np.unique(cell, return_index=True)[1])]
    along = shapely.line_locate_point(line, shapely.points(*grid.xy_of_cells(cell)))
    return cell, np.maximum.accumulate(along)


def culvert_bed(profile: Ints, chainage: NDArray[np.float64], ends_m: tuple[float, float]) -> Ints:
    """Return the bed [ticks] of a culvert: straight between its ends, monotone, nowhere above the ground.

    An end without a given level takes the ground there. A given end above the ground takes the ground.
    """
    first, last = (_end_level(profile[at], level) for at, level in zip((0, -1), ends_m, strict=True))
    run_m = chainage[-1] - chainage[0]
    share = (chainage - chainage[0]) / run_m if run_m > 0 else np.zeros(chainage.size)
    straight = np.rint(first + share * (last - first)).astype(np.int64)
    bed = np.minimum(straight, profile)
    return np.minimum.accumulate(bed) if first >= last else np.minimum.accumulate(bed[::-1])[::-1]


def underpass_bed(profile: Ints, chainage: NDArray[np.float64], ends_m: tuple[float, float]) -> Ints:
    """Return the road level [ticks] below a deck: the ground where it is the road, a line where it is the deck.

    The road at a point is at least as low as everything between it and one of the ends; where the ground stands above
    that, it is the deck or the bank. The sag of the road towards the passage is kept.
    """
    ground = profile.copy()
    ground[0] = _end_level(profile[0], ends_m[0])
    ground[-1] = _end_level(profile[-1], ends_m[1])
    road = np.maximum(np.minimum.accumulate(ground), np.minimum.accumulate(ground[::-1])[::-1])
    on_road = road == ground
    between = np.interp(chainage, chainage[on_road], ground[on_road].astype(np.float64))
    return np.minimum(np.rint(between).astype(np.int64), profile)


def _end_level(ground: int, given_m: float) -> int:
    """Return an end's level [ticks]: the given one where it is known and not above the ground."""
    return int(ground) if math.isnan(given_m) else min(int(ground), round(given_m * TICKS_PER_M))


def _widen(
    line: LineString, grid: Grid, axis: Ints, chainage: NDArray[np.float64], bed: Ints, width_m: float
) -> tuple[Ints, Ints]:
    """Return the cells within half the width of the line with the bed at their chainage; the axis alone if narrow."""
    if not width_m > max(grid.cell_width_m, grid.cell_height_m):
        return axis, bed
    outline = line.buffer(width_m / 2.0, cap_style="flat")
    inside = rasterize([(outline, 1)], out_shape=grid.shape, transform=grid.transform, fill=0, dtype="uint8").ravel()
    beside = np.setdiff1d(np.flatnonzero(inside), axis)
    x, y = grid.xy_of_cells(beside)
    along = shapely.line_locate_point(line, shapely.points(x, y))
    level = np.floor(np.interp(along, chainage, bed.astype(np.float64))).astype(np.int64)
    return np.concatenate([axis, beside]), np.concatenate([bed, level])

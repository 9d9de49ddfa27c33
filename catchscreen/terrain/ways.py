"""Ways for water through banks: culverts and underpasses, cut along their lines."""

from __future__ import annotations

import math
from typing import Any, Protocol

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString

from catchscreen.grid import Grid
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs
from catchscreen.terrain.changes import Edit, cells_along, line_parts
from catchscreen.terrain.moving import cells_within
from catchscreen.tiles import NO_LEVEL
from catchscreen.units import TICKS_PER_M

Ints = NDArray[np.int64]

CULVERT, UNDERPASS = "culvert", "underpass"


class Levels(Protocol):
    """Levels of a ground, in memory or over tiles, read and written by cell."""

    def at(self, cell: Ints) -> Ints:
        """Return the levels of cells [ticks], NO_LEVEL where there is none."""

    def put(self, cell: Ints, level: Ints) -> None:
        """Give cells new levels."""


def cut_ways(ground: Levels, data: Inputs, kind: str, run: Run) -> list[Edit]:
    """Cut all ways of one kind through the ground, in place; note those that change nothing."""
    edits: list[Edit] = []
    if data.culverts is None:
        return edits
    for line_id, row in data.culverts.iterrows():
        if kind != (UNDERPASS if str(row.get("kind", CULVERT)) == UNDERPASS else CULVERT):
            continue
        for part in line_parts(row.geometry):
            edit = _cut_line(ground, data.grid, (kind, str(line_id)), row, part)
            if edit is None:
                _note_untouched(run, str(line_id), part)
            else:
                edits.append(edit)
    return edits


def _cut_line(ground: Levels, grid: Grid, named: tuple[str, str], row: Any, line: LineString) -> Edit | None:
    """Cut one culvert or underpass through the ground; None when nothing had to be lowered."""
    kind, line_id = named
    ends = _number(row, "upstream_level_m"), _number(row, "downstream_level_m")
    axis, chainage = cells_along(line, grid)
    profile = ground.at(axis)
    on_ground = profile != NO_LEVEL
    axis, chainage, profile = axis[on_ground], chainage[on_ground], profile[on_ground]
    if axis.size < 2:
        return None
    bed = underpass_bed(profile, chainage, ends) if kind == UNDERPASS else culvert_bed(profile, chainage, ends)
    cell, level = _widen(line, grid, (axis, chainage, bed), _number(row, "width_m"))
    before = ground.at(cell)
    lower = (before != NO_LEVEL) & (level < before)
    cell, level, before = cell[lower], level[lower], before[lower]
    if cell.size == 0:
        return None
    ground.put(cell, level)
    capacity = _number(row, "capacity_l_s") if kind == CULVERT else math.nan
    return Edit.of_levels((kind, f"{kind} {line_id}", line), before, level, capacity)


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
    line: LineString, grid: Grid, axis_bed: tuple[Ints, NDArray[np.float64], Ints], width_m: float
) -> tuple[Ints, Ints]:
    """Return the cells within half the width of the line with the bed at their chainage; the axis alone if narrow."""
    axis, chainage, bed = axis_bed
    if not width_m > max(grid.cell_width_m, grid.cell_height_m):
        return axis, bed
    outline = line.buffer(width_m / 2.0, cap_style="flat")
    beside = np.setdiff1d(cells_within(outline, grid), axis)
    x, y = grid.xy_of_cells(beside)
    along = shapely.line_locate_point(line, shapely.points(x, y))
    level = np.floor(np.interp(along, chainage, bed.astype(np.float64))).astype(np.int64)
    return np.concatenate([axis, beside]), np.concatenate([bed, level])

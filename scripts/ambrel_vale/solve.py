"""Bring the hollow's figures out by turning the sag's radius and bend, and the basin's scale."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ambrel_vale import ground, hollow, plan
from ambrel_vale.frame import CELL_M, HEIGHT_M, LEVEL_STEP_M, Array, cells_of, window_mask
from ambrel_vale.ground import Shape
from ambrel_vale.hollow import Hollow, Mask
from ambrel_vale.town import Town

AREA_M2, VOLUME_M3, UPSTREAM_HA = 9500.0, 2900.0, 23.0
RAISE_M = 0.5
WINDOW = (980.0, 830.0, 1980.0, 1900.0)
"""Part of the district that the solver floods: west, south, east, north [m]."""


@dataclass(frozen=True)
class Cut:
    """A way under an obstacle: its line, name, kind, width and the levels at its two ends."""

    line: shapely.LineString
    name: str
    kind: str
    width_m: float
    upstream_m: float
    downstream_m: float


def cuts_of(levels: Array) -> list[Cut]:
    """Return the culverts and the underpass, with end levels read from the ground."""
    p = plan.passage_point
    at = plan.RIVER.project(shapely.Point(1612.0, 835.0))
    crossing = plan.RIVER.intersection(plan.RAILWAY)
    at = plan.RIVER.project(crossing)
    river = shapely.LineString([plan.RIVER.interpolate(at - 46.0), plan.RIVER.interpolate(at + 46.0)])
    made = [
        ("Station Passage", "underpass", 7.0, shapely.LineString([p(16.0), p(-14.0)])),
        ("Orle railway arches", "culvert", 14.0, river),
    ]
    cuts = []
    for name, kind, width, line in made:
        xy = np.asarray(line.coords)
        row, col = cells_of(xy[:, 0], xy[:, 1])
        first, last = levels[row[0], col[0]], levels[row[-1], col[-1]]
        cuts.append(Cut(line, name, kind, width, float(first), float(last)))
    return cuts


def conditioned(levels: Array, cuts: list[Cut], roofs: Mask) -> Array:
    """Raise buildings, then cut each line through: no cell of it stays above the level between its ends."""
    made = np.where(roofs, levels + RAISE_M, levels)
    for cut in cuts:
        corridor = window_mask(cut.line.buffer(cut.width_m / 2.0, cap_style="flat"))
        row, col = np.nonzero(corridor)
        x, y = (col + 0.5) * CELL_M, HEIGHT_M - (row + 0.5) * CELL_M
        share = shapely.line_locate_point(cut.line, shapely.points(x, y), normalized=True)
        made[row, col] = np.minimum(made[row, col], cut.upstream_m + share * (cut.downstream_m - cut.upstream_m))
    return made


def window() -> tuple[slice, slice]:
    """Return the solver's window as slices."""
    west, south, east, north = WINDOW
    return slice(int((HEIGHT_M - north) / CELL_M), int((HEIGHT_M - south) / CELL_M)), slice(
        int(west / CELL_M), int(east / CELL_M)
    )


def seed_cell() -> tuple[int, int]:
    """Return the cell at the lowest point of the street, within the window."""
    x, y = plan.passage_point(16.0)
    row, col = cells_of(np.array([x]), np.array([y]))
    rows, cols = window()
    return int(row[0]) - rows.start, int(col[0]) - cols.start


def quantised(levels: Array) -> Array:
    """Return the levels on the step that the files keep."""
    return np.round(levels / LEVEL_STEP_M) * LEVEL_STEP_M


def look(base: Array, road: BaseGeometry, roofs: Mask, shape: Shape) -> tuple[Array, Hollow, Array]:
    """Return the finished levels, the hollow measured on the conditioned window, and that window."""
    levels = quantised(ground.finished_ground(base, road, shape))
    part = conditioned(levels, cuts_of(levels), roofs)[window()]
    return levels, hollow.measure(part, seed_cell()), part


def solve(town: Town, rounds: int = 7) -> tuple[Shape, Array, Hollow, Array]:
    """Return the shape that meets the figures, the ground, the hollow and the conditioned window."""
    roofs = window_mask([h.polygon for h in town.houses])
    shape = Shape()
    base = ground.base_ground(town.lakes, shape)
    for _ in range(rounds):
        levels, found, part = look(base, town.road, roofs, shape)
        before = shape
        off = (found.area_m2 / AREA_M2, found.volume_m3 / VOLUME_M3, found.upstream_ha / UPSTREAM_HA)
        if all(abs(o - 1.0) < 0.01 for o in off):
            break
        mean = off[1] / off[0]
        radius = shape.sag_radius_m * float(np.clip(off[0] ** -0.5, 0.85, 1.2))
        scale = shape.basin_scale * float(np.clip(off[2] ** -0.7, 0.92, 1.08))
        shape = Shape(scale, radius, shape.sag_power / float(np.clip(mean, 0.7, 1.4)))
        if abs(off[2] - 1.0) > 0.01:
            base = ground.base_ground(town.lakes, shape)
        else:
            shape = replace(shape, basin_scale=before.basin_scale)
    return shape, levels, found, part

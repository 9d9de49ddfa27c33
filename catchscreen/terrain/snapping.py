"""Outlet points put on the strongest flow nearby, with how far and how much that moved them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from catchscreen.errors import Fault, InputsAtFault
from catchscreen.grid import Grid
from catchscreen.progress import DataIssue, Run
from catchscreen.terrain._kernels.directions import COL_STEP, OUTLET, ROW_STEP
from catchscreen.terrain.routing import Routing
from catchscreen.units import M2_PER_HA

Ints = NDArray[np.int64]
Rival = tuple[tuple[float, float], tuple[float, float]]
"""Area [ha] and distance [m] of the nearer flow path and of the stronger one."""


@dataclass(frozen=True, slots=True)
class Snapped:
    """Outlets on the ground: ids, framed cells, distance moved [m], contributing area after over before."""

    ids: list[str]
    cell: Ints
    distance_m: NDArray[np.float64]
    area_ratio: NDArray[np.float64]


ON_THE_PATH_CELLS: Final = 1.5
"""A point within so many cells of a flow path lies on it."""

RIVAL_SHARE: Final = 0.8
"""Flow with this share of the strongest one's area could as well be meant: upstream of it, or on another path."""

MUCH_NEARER: Final = 0.5
"""A flow path at less than this share of the strongest one's distance is the one that is meant."""

FAR_SHARE: Final = 0.5
"""A move over more than this share of the radius is named to the user."""

MUCH_LARGER: Final = 100.0
"""So is one off the point's own flow path to so many times its contributing area."""

NOTHING = Snapped([], np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))


def snap_outlets(outlets: gpd.GeoDataFrame | None, routing: Routing, grid: Grid, radius_m: float, run: Run) -> Snapped:
    """Move each outlet point to the strongest flow within a radius: the nearest cell that carries nearly all of it.

    The strongest flow is that of the cell with the largest contributing area. Of its flow path within the radius, the
    cells with at least 80 % of that area are as good, and the nearest is taken: else every point would be moved down
    its stream as far as the radius allows. A path that leaves the data within the radius is taken where it does so.
    Long moves, and moves to a much larger area, are noted.

    Raises
    ------
    InputsAtFault
        When a nearer flow path carries nearly as much as the strongest and is not much nearer (which one is meant?), or
        when two outlets fall on one cell.
    """
    if outlets is None or len(outlets) == 0:
        return NOTHING
    rows: list[tuple[str, int, float, float]] = []
    faults: list[Fault] = []
    for outlet_id, point in zip(outlets.index.astype(str), outlets.geometry, strict=True):
        place = None if point is None or point.is_empty else _best_cell(point.x, point.y, routing, grid, radius_m)
        if place is None:
            run.note(_off_the_ground(outlet_id, point))
            continue
        cell, distance, ratio, rival = place
        if rival is not None:
            faults.append(_ambiguous(outlet_id, radius_m, rival))
        rows.append((outlet_id, cell, distance, ratio))
        beside = distance > ON_THE_PATH_CELLS * max(grid.cell_width_m, grid.cell_height_m)
        if distance > FAR_SHARE * radius_m or (ratio >= MUCH_LARGER and beside):
            run.note(_moved_far((outlet_id, point), distance, ratio, radius_m))
    faults.extend(_shared(rows))
    if faults:
        raise InputsAtFault(faults)
    ids, cells, distances, ratios = (list(column) for column in zip(*rows, strict=True)) if rows else ([], [], [], [])
    return Snapped(list(ids), np.array(cells, dtype=np.int64), np.array(distances), np.array(ratios))


def _best_cell(
    x: float, y: float, routing: Routing, grid: Grid, radius_m: float
) -> tuple[int, float, float, Rival | None] | None:
    """Return the strongest cell within the radius, its distance, the ratio of areas, what rivals it if anything."""
    width, height = grid.cell_width_m, grid.cell_height_m
    reach_cols, reach_rows = int(radius_m / width) + 1, int(radius_m / height) + 1
    col, row = int(np.floor((x - grid.left) / width)), int(np.floor((grid.top - y) / height))
    near_rows = np.arange(max(row - reach_rows, 0), min(row + reach_rows + 1, grid.rows))
    near_cols = np.arange(max(col - reach_cols, 0), min(col + reach_cols + 1, grid.cols))
    if near_rows.size == 0 or near_cols.size == 0:
        return None
    cell = ((near_rows[:, None] + 1) * (grid.cols + 2) + near_cols[None, :] + 1).ravel()
    away_x = grid.left + (near_cols[None, :] + 0.5) * width - x
    away_y = grid.top - (near_rows[:, None] + 0.5) * height - y
    distance = np.hypot(away_x, away_y).ravel()
    total = routing.total.ravel()[cell]
    own_cell = (row + 1) * (grid.cols + 2) + col + 1
    usable = (total > 0) & ((distance <= radius_m) | (cell == own_cell))
    cell, distance, total = cell[usable], distance[usable], total[usable]
    if cell.size == 0:
        return None
    best = int(np.lexsort((cell, distance, -total))[0])
    before = int(total[cell == own_cell][0]) if (cell == own_cell).any() else 1
    rivals = _rivals(cell, distance, total, best, routing)
    if rivals.size:
        nearest = int(rivals[np.lexsort((cell[rivals], distance[rivals]))[0]])
        if distance[nearest] > max(ON_THE_PATH_CELLS * max(width, height), MUCH_NEARER * distance[best]):
            areas_ha = total[[nearest, best]] * (grid.cell_area_m2 / M2_PER_HA)
            rival = (float(areas_ha[0]), float(distance[nearest])), (float(areas_ha[1]), float(distance[best]))
            return int(cell[best]), float(distance[best]), float(total[best] / before), rival
        below = [at for at in range(cell.size) if _drains_through(int(cell[nearest]), int(cell[at]), routing)]
        best = max(below, key=lambda at: (int(total[at]), -int(cell[at])))
    best = _nearest_alike(cell, distance, total, best, routing)
    return int(cell[best]), float(distance[best]), float(total[best] / before), None


def _nearest_alike(cell: Ints, distance: NDArray[np.float64], total: Ints, best: int, routing: Routing) -> int:
    """Return the nearest cell whose water passes the best one and that carries nearly as much.

    Where the flow leaves the data at the best cell, that is the outlet: no sliver stays below it.
    """
    if routing.code.ravel()[cell[best]] == OUTLET:
        return best
    alike = np.flatnonzero((distance <= distance[best]) & (total >= RIVAL_SHARE * total[best]))
    for at in alike[np.lexsort((cell[alike], distance[alike]))]:
        if _drains_through(int(cell[at]), int(cell[best]), routing):
            return int(at)
    return best


def _rivals(cell: Ints, distance: NDArray[np.float64], total: Ints, best: int, routing: Routing) -> Ints:
    """Return the nearer cells that carry nearly as much and whose water does not pass the best cell."""
    nearer = np.flatnonzero((distance <= distance[best]) & (total >= RIVAL_SHARE * total[best]))
    return np.array(
        [at for at in nearer if not _drains_through(int(cell[at]), int(cell[best]), routing)], dtype=np.int64
    )


def _drains_through(start: int, goal: int, routing: Routing) -> bool:
    """Tell whether the water of one cell passes another."""
    step = ROW_STEP * routing.code.shape[1] + COL_STEP
    flat, total = routing.code.ravel(), routing.total.ravel()
    at = start
    while at != goal:
        way = int(flat[at])
        if way >= OUTLET or total[at] > total[goal]:
            return False
        at += int(step[way])
    return True


def _shared(rows: list[tuple[str, int, float, float]]) -> list[Fault]:
    """Return a fault for each outlet that falls on the cell of an earlier one."""
    first: dict[int, str] = {}
    faults = []
    for outlet_id, cell, _, _ in rows:
        if cell in first:
            faults.append(
                Fault(
                    code="outlets_on_one_cell",
                    message=f"outlets {first[cell]} and {outlet_id} both fall on the same flow path cell.",
                    cure="Move one of them, remove it, or lower terrain.outlet_snap_m.",
                    layer="outlets",
                    feature=outlet_id,
                )
            )
        first.setdefault(cell, outlet_id)
    return faults


def _ambiguous(outlet_id: str, radius_m: float, rival: Rival) -> Fault:
    """Return the fault of an outlet that two streams claim."""
    near, far = (f"{area_ha:.2f} ha at {distance_m:.1f} m" for area_ha, distance_m in rival)
    return Fault(
        code="outlet_snap_ambiguous",
        message=(
            f"two flow paths of similar size lie within {radius_m:g} m of outlet {outlet_id}, the smaller nearer"
            f" ({near}, {far})."
        ),
        cure="Move the point onto the flow path that is meant, or lower terrain.outlet_snap_m.",
        layer="outlets",
        feature=outlet_id,
    )


def _moved_far(outlet: tuple[str, object], distance: float, ratio: float, radius_m: float) -> DataIssue:
    """Return the note on an outlet that was moved far, or to a flow path with a much larger area."""
    outlet_id, point = outlet
    return DataIssue(
        severity="note",
        code="outlet_moved_far",
        role="outlets",
        message=(
            f"outlet {outlet_id} was moved by {distance:.1f} m (at most {radius_m:g} m) onto the strongest flow path,"
            f" which has {ratio:,.0f} times the contributing area of the ground under the point"
        ),
        cure="look whether that flow path is meant; if not, move the point onto it or lower terrain.outlet_snap_m",
        feature=outlet_id,
        geometry=point,
    )


def _off_the_ground(outlet_id: str, point: object) -> DataIssue:
    """Return the note on an outlet without ground under or near it."""
    return DataIssue(
        severity="repair",
        code="outlet_off_the_ground",
        role="outlets",
        message=f"outlet {outlet_id} has no ground level within the snap distance and is left out",
        cure="move the point onto the ground model",
        feature=outlet_id,
        geometry=point,
    )

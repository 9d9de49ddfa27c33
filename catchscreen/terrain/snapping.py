"""Outlet points put on the strongest flow nearby, with how far and how much that moved them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.errors import Fault, InputsAtFault
from catchscreen.grid import Grid
from catchscreen.progress import DataIssue, Run
from catchscreen.terrain.flows import Flows, WholeFlows, framed_cells
from catchscreen.terrain.routing import Routing
from catchscreen.units import M2_PER_HA

Ints = NDArray[np.int64]
Rival = tuple[tuple[float, float], tuple[float, float]]
"""Area [ha] and distance [m] of the nearer flow path and of the stronger one."""

Place = tuple[int, float, float, Rival | None]
"""An outlet's cell, the distance moved [m], the ratio of areas, what rivals it if anything."""

AT_ONCE_CELLS: Final = 1 << 20
"""So many cells around points are looked at together: that bounds the room for them."""


TOGETHER_CELLS: Final = 256
"""Points within one square of this side are looked at together."""


@dataclass(frozen=True, slots=True)
class Snapped:
    """Outlets on the ground: ids, cells, distance moved [m], contributing area after over before.

    cell : framed numbers from ``snap_outlets``, those of the grid from ``snap_to_flows``.
    """

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
    """Snap outlets to the flows of a ground in memory: see ``snap_to_flows``. The cells are framed ones."""
    snapped = snap_to_flows(outlets, WholeFlows(routing), grid, radius_m, run)
    return replace(snapped, cell=framed_cells(snapped.cell, grid.cols))


def snap_to_flows(outlets: gpd.GeoDataFrame | None, flows: Flows, grid: Grid, radius_m: float, run: Run) -> Snapped:
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
    places = _best_cells(outlets, flows, grid, radius_m)
    for outlet_id, point, place in zip(outlets.index.astype(str), outlets.geometry, places, strict=True):
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


def _best_cells(outlets: gpd.GeoDataFrame, flows: Flows, grid: Grid, radius_m: float) -> list[Place | None]:
    """Return for each point the strongest cell within the radius, its distance, the ratio of areas, any rival."""
    x, y = (side(outlets.geometry.to_numpy()) for side in (shapely.get_x, shapely.get_y))
    places: list[Place | None] = [None] * x.size
    known = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    side = (TOGETHER_CELLS * grid.cell_width_m, TOGETHER_CELLS * grid.cell_height_m)
    known = known[np.lexsort((x[known] // side[0], y[known] // side[1]))]
    window = (2 * int(radius_m / grid.cell_width_m) + 3) * (2 * int(radius_m / grid.cell_height_m) + 3)
    at_once = max(1, AT_ONCE_CELLS // window)
    for first in range(0, known.size, at_once):
        part = known[first : first + at_once]
        near, row = _near_cells(x[part], y[part], flows, grid, radius_m)
        for number, place in zip(part[row], _choose(near, flows, grid), strict=True):
            places[number] = place
    return places


@dataclass(frozen=True, slots=True)
class _Near:
    """The cells near points, one point's after the other's: cell, distance [m], contributing cells.

    owner : which point each belongs to. first : (points + 1,) where each point's begin. before : (points,) the
    contributing cells under the point itself, 1 where there is no ground.
    """

    cell: Ints
    distance: NDArray[np.float64]
    total: Ints
    owner: Ints
    first: Ints
    before: Ints


def _near_cells(
    x: NDArray[np.float64], y: NDArray[np.float64], flows: Flows, grid: Grid, radius_m: float
) -> tuple[_Near, Ints]:
    """Return the ground within the radius of each point, and which of the points have any."""
    width, height = grid.cell_width_m, grid.cell_height_m
    reach_cols, reach_rows = int(radius_m / width) + 1, int(radius_m / height) + 1
    col, row = (np.floor(away).astype(np.int64) for away in ((x - grid.left) / width, (grid.top - y) / height))
    near_row = row[:, None, None] + np.arange(-reach_rows, reach_rows + 1)[None, :, None]
    near_col = col[:, None, None] + np.arange(-reach_cols, reach_cols + 1)[None, None, :]
    inside = (near_row >= 0) & (near_row < grid.rows) & (near_col >= 0) & (near_col < grid.cols)
    away_x = grid.left + (near_col + 0.5) * width - x[:, None, None]
    away_y = grid.top - (near_row + 0.5) * height - y[:, None, None]
    own = (near_row == row[:, None, None]) & (near_col == col[:, None, None])
    distance = np.hypot(away_x, away_y)
    owner, down, across = np.nonzero(inside & ((distance <= radius_m) | own))
    cell = near_row[owner, down, 0] * grid.cols + near_col[owner, 0, across]
    total = flows.total(cell)
    ground = total > 0
    at = owner[ground], down[ground], across[ground]
    cell, total, is_own = cell[ground], total[ground], own[at]
    have, number, many = np.unique(at[0], return_inverse=True, return_counts=True)
    before = np.ones(have.size, dtype=np.int64)
    before[number[is_own]] = total[is_own]
    return _Near(cell, distance[at], total, number, np.append(0, np.cumsum(many)), before), have


def _choose(near: _Near, flows: Flows, grid: Grid) -> list[Place]:
    """Choose each point's cell: the nearest that carries nearly all of the strongest flow, unless a path rivals it."""
    most = np.maximum.reduceat(near.total, near.first[:-1]) if near.cell.size else near.total
    best = _first(np.flatnonzero(near.total == most[near.owner]), near, (near.cell, near.distance))
    alike = np.flatnonzero(_is_alike(near, best))
    rivals = alike[~flows.drain_through(near.cell[alike], near.cell[best[near.owner[alike]]])]
    nearest = _first(rivals, near, (near.cell, near.distance))
    has_rival = nearest >= 0
    clear_m = np.maximum(ON_THE_PATH_CELLS * max(grid.cell_width_m, grid.cell_height_m), MUCH_NEARER * near.distance)
    torn = has_rival & (near.distance[nearest] > clear_m[best])
    strongest = best.copy()
    below = np.flatnonzero((has_rival & ~torn)[near.owner] & (near.total >= near.total[nearest[near.owner]]))
    below = below[flows.drain_through(near.cell[nearest[near.owner[below]]], near.cell[below])]
    lowest = _first(below, near, (near.cell, -near.total))
    best = np.where(lowest >= 0, lowest, best)
    movable = ~torn & ~flows.is_outlet(near.cell[best])
    alike = np.flatnonzero(_is_alike(near, best) & movable[near.owner])
    alike = alike[flows.drain_through(near.cell[alike], near.cell[best[near.owner[alike]]])]
    closest = _first(alike, near, (near.cell, near.distance))
    best = np.where(closest >= 0, closest, best)
    area_ha = near.total * (grid.cell_area_m2 / M2_PER_HA)
    rival: list[Rival | None] = [None] * best.size
    for point in np.flatnonzero(torn):
        pair = nearest[point], strongest[point]
        one, two = ((float(area_ha[at]), float(near.distance[at])) for at in pair)
        rival[point] = one, two
    ratio = near.total[best] / near.before
    columns = near.cell[best].tolist(), near.distance[best].tolist(), ratio.tolist(), rival
    return list(zip(*columns, strict=True))


def _first(some: Ints, near: _Near, keys: tuple[NDArray[Any], ...]) -> Ints:
    """Return for each point the first of some near cells, the last key counting first; -1 where it has none of them."""
    found = np.full(near.before.size, -1, dtype=np.int64)
    ordered = some[np.lexsort((*(key[some] for key in keys), near.owner[some]))]
    owner, first = np.unique(near.owner[ordered], return_index=True)
    found[owner] = ordered[first]
    return found


def _is_alike(near: _Near, best: Ints) -> NDArray[np.bool_]:
    """Tell which cells are no farther than each point's best one and carry nearly as much."""
    return (near.distance <= near.distance[best][near.owner]) & (
        near.total >= (RIVAL_SHARE * near.total[best])[near.owner]
    )


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
    # A point beside a channel has a cell or two above it: by how many times that is less tells nobody anything.
    times = f"{ratio:,.0f} times" if ratio <= 1000.0 else "more than 1,000 times"
    return DataIssue(
        severity="note",
        code="outlet_moved_far",
        role="outlets",
        message=(
            f"outlet {outlet_id} was moved by {distance:.1f} m (at most {radius_m:g} m) onto the strongest flow path,"
            f" which has {times} the contributing area of the ground under the point"
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

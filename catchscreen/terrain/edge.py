"""Where the data end: which sub-catchments are cut, where water from beyond enters, how far that ground may reach."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.progress import DataIssue, Run
from catchscreen.terrain._kernels.directions import COL_STEP, OUTLET, ROW_STEP, VOID, WALL
from catchscreen.terrain.catchments import Division
from catchscreen.terrain.routing import Routing
from catchscreen.units import TICKS_PER_M

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

NEAR_THE_TOP: Final = 0.1
"""Ground within this share of the range of levels from the highest says nothing about how far ground goes on rising."""

FLATTEST: Final = 0.0005
"""Slopes below this count as this, as in the times of concentration."""

FARTHEST_SAID_M: Final = 5000.0
"""Beyond this the estimate says no more than that."""


def edge_cells(level: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Return (rows, cols) bool: ground with a neighbour off the data."""
    void = level == VOID
    across = void[:, :-2] | void[:, 1:-1] | void[:, 2:]
    return (across[:-2] | across[1:-1] | across[2:]) & (level[1:-1, 1:-1] < WALL)


def edge_columns(routing: Routing, division: Division, slope: NDArray[np.float32], grid: Grid) -> dict[str, Any]:
    """Return what the data edge does to each sub-catchment.

    touches_data_edge : some of its ground lies at the edge. edge_inflow_m : length of the edge at which the ground
    falls into it, so that water from beyond would come in; 0 where water only leaves. missing_buffer_m : how far beyond
    the edge the ground may reach that drains in: the median, over those cells of the edge, of the distance in which the
    ground would climb at the slope it has there to the highest level in the data. It is 0 where nothing comes in, NaN
    where half of those cells already lie among the highest tenth of the range of levels: then the data do not tell. A
    watercourse that comes in needs its whole catchment.
    """
    count = division.outlet_cell.size
    at_edge = edge_cells(routing.level)
    label = division.label[1:-1, 1:-1]
    touched = np.zeros(count + 1, dtype=bool)
    touched[label[at_edge]] = True
    cell = _inflow_cells(routing, at_edge)
    owner = label.ravel()[cell].astype(np.int64)
    side_m = 0.5 * (grid.cell_width_m + grid.cell_height_m)
    entering = np.bincount(owner, minlength=count)[:count]
    return {
        "touches_data_edge": touched[:count],
        "edge_inflow_m": entering * side_m,
        "missing_buffer_m": _buffers(cell, owner, routing, slope, count),
    }


def _inflow_cells(routing: Routing, at_edge: NDArray[np.bool_]) -> Ints:
    """Return the cells at the edge whose water flows inward, away from the edge."""
    cols = at_edge.shape[1]
    cell = np.flatnonzero(at_edge)
    code = routing.code[1:-1, 1:-1].ravel()[cell]
    cell, code = cell[code < OUTLET], code[code < OUTLET]
    below = cell + (ROW_STEP * cols + COL_STEP)[code]
    return cell[~at_edge.ravel()[below]]


def _buffers(cell: Ints, owner: Ints, routing: Routing, slope: NDArray[np.float32], count: int) -> Floats:
    """Return the estimate of the missing buffer of each sub-catchment [m]."""
    if cell.size == 0:
        return np.zeros(count)
    level = routing.level[1:-1, 1:-1].ravel()
    ground = level[level < WALL]
    span = int(ground.min()), int(ground.max())
    return buffers_m(owner, level[cell].astype(np.int64), slope.ravel()[cell].astype(np.float64), span, count)


def buffers_m(owner: Ints, ticks: Ints, slope: Floats, span: tuple[int, int], count: int) -> Floats:
    """Return the same from the sub-catchment, level and slope of each cell of the edge at which water comes in.

    span : lowest and highest level of the ground [ticks].
    """
    buffer_m = np.zeros(count)
    lowest, highest = span
    rise_m = (highest - ticks) / TICKS_PER_M
    fall = np.maximum(np.nan_to_num(slope), FLATTEST)
    far_m = np.where(rise_m > NEAR_THE_TOP * (highest - lowest) / TICKS_PER_M, rise_m / fall, np.inf)
    order = np.lexsort((far_m, owner))
    bounds = np.searchsorted(owner[order], np.arange(count + 1))
    entered = np.flatnonzero(np.diff(bounds))
    middle = far_m[order[(bounds[entered] + bounds[entered + 1] - 1) // 2]]
    buffer_m[entered] = np.where(np.isfinite(middle), middle, np.nan)
    return buffer_m


def note_cut_catchments(subcatchments: Any, run: Run) -> None:
    """Tell the user which sub-catchments water from beyond the data may enter, and how much ground may be missing."""
    cut = subcatchments[subcatchments["edge_inflow_m"] > 0.0]
    if not len(cut):
        return
    said = [f"{name} ({_about(far)})" for name, far in cut["missing_buffer_m"].head(20).items()]
    rest = "" if len(cut) <= len(said) else f" and {len(cut) - len(said)} more"
    run.note(
        DataIssue(
            severity="note",
            code="catchment_cut_by_data_edge",
            role="elevation",
            message=f"ground falls from the data edge into sub-catchments; buffer missing: {', '.join(said)}{rest}",
            cure="give a ground model that reaches so much further; until then their areas and flows may be short",
        )
    )


def _about(far_m: float) -> str:
    """Say an estimated distance in two digits, and no far one: it is extrapolated."""
    if np.isnan(far_m):
        return "not to be estimated"
    return f"about {float(format(far_m, '.2g')):,.0f} m" if far_m <= FARTHEST_SAID_M else "more than 5 km"

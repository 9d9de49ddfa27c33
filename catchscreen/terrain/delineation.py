"""The terrain stage as one story: edit, route, find hollows, divide, trace, measure slopes, say what is doubtful."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs, Terrain
from catchscreen.terrain.blocked import blocked_frame, name_blocked
from catchscreen.terrain.carving import carve_depressions
from catchscreen.terrain.catchments import GIVEN, HOLLOW_EXIT, Division, divide
from catchscreen.terrain.changes import Edit, edits_frame
from catchscreen.terrain.conditioning import frame_levels, unframe
from catchscreen.terrain.edge import edge_columns, note_cut_catchments
from catchscreen.terrain.edits import EditedGround, edit_ground
from catchscreen.terrain.flow_paths import trace_flow_paths
from catchscreen.terrain.frames import (
    exits_of_hollows,
    hollow_frame,
    label_of_basins,
    outlet_frame,
    subcatchment_frame,
)
from catchscreen.terrain.hollows import Hollows, find_hollows, note_filtered
from catchscreen.terrain.longest import longest_frame, longest_paths
from catchscreen.terrain.passing import mark_passed
from catchscreen.terrain.routing import Routing, direction_weights, route
from catchscreen.terrain.slope import slope_fraction
from catchscreen.terrain.snapping import NOTHING, Snapped, snap_outlets
from catchscreen.terrain.steadiness import persistence
from catchscreen.terrain.suspects import Surfaces, find_suspects, note_suspects
from catchscreen.terrain.tree_tables import curve_table, part_table
from catchscreen.units import M2_PER_HA

RELIABLE_CELL_M = 2.0


@dataclass(frozen=True, slots=True)
class _Ready:
    """A ground made ready and routed: its levels (rows, cols), the routes, the cuts that opened depressions."""

    ticks: NDArray[np.int32]
    routing: Routing
    cuts: list[Edit]


def delineate(data: Inputs, options: TerrainOptions, run: Run) -> Terrain:
    """Delineate sub-catchments, hollows and flow paths on the user's ground.

    Slopes are those of the ground as given: edits are for the water only. Hollows are kept for the water account, and
    filled (passed through) for routing.

    Raises
    ------
    InputsAtFault
        When an outlet point cannot be told apart (see ``snapping.snap_outlets``).
    ScreeningStopped
        When the caller asked to stop.
    """
    grid = data.grid
    edited = edit_ground(data, options, run)
    ready = _make_ready(edited.open_ticks, data, options)
    routing = ready.routing
    run.check_stop()
    changed = bool(edited.edits or ready.cuts)
    natural = frame_levels(data.ground_ticks, data.ground_valid, options.holes) if changed else routing.level
    slope = slope_fraction(natural, grid)
    found = find_hollows(routing, grid, options)
    division, snapped = _divide(data, routing, found, options, run)
    paths = longest_paths(division, routing, grid)
    subcatchments = subcatchment_frame(division, snapped, slope, paths, options, grid)
    subcatchments = subcatchments.assign(**edge_columns(routing, division, slope, grid))
    run.check_stop()
    ids = list(subcatchments.index)
    hollows, hollow_label, wet = hollow_frame(found, routing, division, ids, grid)
    inner = slice(1, -1), slice(1, -1)
    level, filled = routing.level[inner], routing.filled[inner]
    hollows["persistence_fraction"] = persistence(hollows, level, filled, grid, options)
    blocked = _hollows_when_blocked(edited, data, hollows, division, ids, options)
    suspects = find_suspects(hollows, found, Surfaces(level, filled, natural[inner], wet), grid, options)
    note_ground(subcatchments, suspects, found, (grid, options), run)
    flow_paths = trace_flow_paths(routing, division.label, ids, grid, options.flow_path_min_ha * M2_PER_HA)
    edits = edits_frame(edited.edits + ready.cuts, grid.crs)
    return Terrain(
        grid=grid,
        conditioned_ticks=ready.ticks,
        filled_ticks=np.where(data.ground_valid, unframe(routing.filled), ready.ticks),
        valid=data.ground_valid,
        receiver=routing.receivers(),
        accumulation_cells=routing.total[1:-1, 1:-1].astype(np.int64),
        subcatchment_label=unframe(division.label),
        hollow_label=hollow_label,
        slope_fraction=slope,
        subcatchments=subcatchments,
        outlets=outlet_frame(division, routing, subcatchments, grid),
        hollows=name_blocked(hollows, blocked, "hollow_ids"),
        flow_paths=mark_passed(flow_paths, data, hollows, grid),
        edits=name_blocked(edits, blocked, "culvert_sources", by="source"),
        hollow_tree=found.tree,
        suspects=suspects,
        tree_label=label_of_basins(routing, found.home_of_basin.astype(np.int32)),
        blocked=blocked,
        longest_paths=longest_frame(paths, ids, grid),
        hollow_parts=part_table(found.tree, hollows, grid),
        hollow_curves=curve_table(found.tree, hollows, grid),
    )


def _make_ready(ticks: NDArray[np.int32], data: Inputs, options: TerrainOptions) -> _Ready:
    """Route an edited ground, its depressions opened where the options say so."""
    level = frame_levels(ticks, data.ground_valid, options.holes)
    routing = route(level, direction_weights(data.grid))
    if options.depressions == "keep":
        return _Ready(ticks, routing, [])
    level, cuts = carve_depressions(level, routing, data.grid, options)
    ticks = np.where(data.ground_valid, unframe(level), ticks)
    return _Ready(ticks, route(level, direction_weights(data.grid)), cuts)


def _divide(
    data: Inputs, routing: Routing, found: Hollows, options: TerrainOptions, run: Run
) -> tuple[Division, Snapped]:
    """Divide the ground as the options say: at the given outlets, by size, or at the exit of each hollow."""
    snapped = snap_outlets(data.outlets, routing, data.grid, options.outlet_snap_m, run)
    target_cells = max(1, round(options.subcatchment_target_ha * M2_PER_HA / data.grid.cell_area_m2))
    if options.subcatchments_by == "outlets":
        return divide(routing, snapped.cell, target_cells), snapped
    if len(snapped.ids):
        note_outlets_not_used(options, run)
    snapped = exits_of_hollows(found, routing) if options.subcatchments_by == "hollows" else NOTHING
    kind = HOLLOW_EXIT if options.subcatchments_by == "hollows" else GIVEN
    return divide(routing, snapped.cell, target_cells, given_kind=kind), snapped


def _hollows_when_blocked(
    edited: EditedGround,
    data: Inputs,
    hollows: gpd.GeoDataFrame,
    division: Division,
    ids: list[str],
    options: TerrainOptions,
) -> gpd.GeoDataFrame | None:
    """Return what would stand behind the culverts if they were all blocked; None where there are none."""
    if edited.blocked_ticks is None:
        return None
    routing = _make_ready(edited.blocked_ticks, data, options).routing
    closed = find_hollows(routing, data.grid, options)
    closed_rows, _, _ = hollow_frame(closed, routing, division, ids, data.grid)
    return blocked_frame(closed_rows, hollows, edited.culverts, data.grid)


def note_outlets_not_used(options: TerrainOptions, run: Run) -> None:
    """Say that outlets are given and do not divide the ground."""
    run.note(
        DataIssue(
            severity="note",
            code="outlets_not_used",
            role="outlets",
            message=f"the outlets do not divide the ground: terrain.subcatchments_by is {options.subcatchments_by}",
            cure='set terrain.subcatchments_by to "outlets" to use them',
        )
    )


def note_ground(
    subcatchments: gpd.GeoDataFrame,
    suspects: gpd.GeoDataFrame,
    found: Hollows,
    asked: tuple[Grid, TerrainOptions],
    run: Run,
) -> None:
    """Say what is doubtful about the ground: banks that may hide culverts, cut catchments, filters, coarse cells."""
    grid, options = asked
    note_suspects(suspects, run)
    note_cut_catchments(subcatchments, run)
    note_filtered(found, grid, options, run)
    _note_coarse_cells(grid, run)


def _note_coarse_cells(grid: Grid, run: Run) -> None:
    """Say that hollows are unreliable where cells are large."""
    size = max(grid.cell_width_m, grid.cell_height_m)
    if size > RELIABLE_CELL_M:
        run.note(
            DataIssue(
                severity="note",
                code="coarse_ground_model",
                role="elevation",
                message=f"cells of {size:g} m are too coarse to trust hollows: kerbs and underpasses are not in them",
                cure="use a ground model of 2 m or finer",
            )
        )

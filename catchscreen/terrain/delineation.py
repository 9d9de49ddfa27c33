"""The terrain stage as one story: edit, route, divide, find hollows, trace, measure slopes."""

from __future__ import annotations

import numpy as np

from catchscreen.options import TerrainOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs, Terrain
from catchscreen.terrain.carving import carve_depressions
from catchscreen.terrain.catchments import divide
from catchscreen.terrain.conditioning import frame_levels, unframe
from catchscreen.terrain.edits import edit_ground, edits_frame
from catchscreen.terrain.flow_paths import trace_flow_paths
from catchscreen.terrain.frames import hollow_frame, label_of_basins, outlet_frame, subcatchment_frame
from catchscreen.terrain.hollows import find_hollows
from catchscreen.terrain.routing import direction_weights, route
from catchscreen.terrain.slope import slope_fraction
from catchscreen.terrain.snapping import snap_outlets
from catchscreen.terrain.steadiness import persistence
from catchscreen.terrain.suspects import find_suspects, note_suspects
from catchscreen.units import M2_PER_HA

RELIABLE_CELL_M = 2.0


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
    ground, edits = edit_ground(data, options, run)
    level = frame_levels(ground, data.ground_valid, options.holes)
    run.check_stop()
    routing = route(level, direction_weights(grid))
    if options.depressions != "keep":
        level, cuts = carve_depressions(level, routing, grid, options)
        edits.extend(cuts)
        ground = np.where(data.ground_valid, unframe(level), ground)
        routing = route(level, direction_weights(grid))
    run.check_stop()
    natural = frame_levels(data.ground_ticks, data.ground_valid, options.holes) if edits else level
    slope = slope_fraction(natural, grid)
    snapped = snap_outlets(data.outlets, routing, grid, options.outlet_snap_m, run)
    target_cells = max(1, round(options.subcatchment_target_ha * M2_PER_HA / grid.cell_area_m2))
    division = divide(routing, snapped.cell, target_cells)
    subcatchments = subcatchment_frame(division, routing, snapped, slope, grid, options)
    run.check_stop()
    ids = list(subcatchments.index)
    hollows = find_hollows(routing, grid, options)
    hollow_rows, hollow_label = hollow_frame(hollows, routing, division, ids, grid)
    hollow_rows["persistence_fraction"] = persistence(hollow_rows, routing, grid, options)
    suspects = find_suspects(hollow_rows, hollows, routing, natural, grid, options)
    note_suspects(suspects, run)
    _note_coarse_cells(data, run)
    return Terrain(
        grid=grid,
        conditioned_ticks=ground,
        filled_ticks=np.where(data.ground_valid, unframe(routing.filled), ground),
        valid=data.ground_valid,
        receiver=routing.receivers(),
        accumulation_cells=routing.total[1:-1, 1:-1].astype(np.int64),
        subcatchment_label=unframe(division.label),
        hollow_label=hollow_label,
        slope_fraction=slope,
        subcatchments=subcatchments,
        outlets=outlet_frame(division, routing, subcatchments, grid),
        hollows=hollow_rows,
        flow_paths=trace_flow_paths(routing, division.label, ids, grid, options.flow_path_min_ha * M2_PER_HA),
        edits=edits_frame(edits, grid.crs),
        hollow_tree=hollows.tree,
        suspects=suspects,
        tree_label=label_of_basins(routing, hollows.home_of_basin.astype(np.int32)),
    )


def _note_coarse_cells(data: Inputs, run: Run) -> None:
    """Say that hollows are unreliable where cells are large."""
    size = max(data.grid.cell_width_m, data.grid.cell_height_m)
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

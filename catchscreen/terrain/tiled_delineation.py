"""The terrain stage over tiles: the same story as ``delineation``, the same frames, on ground read by windows."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.records import HollowTree, Inputs
from catchscreen.terrain.blocked import blocked_frame, name_blocked
from catchscreen.terrain.catchments import GIVEN, HOLLOW_EXIT, Division
from catchscreen.terrain.changes import Edit, edits_frame
from catchscreen.terrain.delineation import note_ground, note_outlets_not_used
from catchscreen.terrain.frames import (
    exits_as_outlets,
    hollow_rows,
    names,
    outer_hollows,
    outlet_rows,
    subcatchment_rows,
)
from catchscreen.terrain.longest import longest_frame
from catchscreen.terrain.passing import mark_passed
from catchscreen.terrain.routing import direction_weights
from catchscreen.terrain.snapping import NOTHING, Snapped, snap_to_flows
from catchscreen.terrain.steadiness import persistence
from catchscreen.terrain.suspects import Surfaces, find_suspects
from catchscreen.terrain.tiled import TiledRouting, route_tiles
from catchscreen.terrain.tiled_carving import carve_tiles
from catchscreen.terrain.tiled_catchments import divide_tiles
from catchscreen.terrain.tiled_edits import edit_tiles
from catchscreen.terrain.tiled_flows import TiledFlows
from catchscreen.terrain.tiled_frames import (
    Depressions,
    exit_cells,
    keep_slopes,
    measure_hollows,
    shapes_of,
)
from catchscreen.terrain.tiled_holes import ReadyGround, wall_off_holes
from catchscreen.terrain.tiled_hollows import find_hollows_tiled, label_hollows
from catchscreen.terrain.tiled_reading import gather
from catchscreen.terrain.tiled_ways import edge_columns_tiled, longest_paths_tiled, trace_flow_paths_tiled
from catchscreen.terrain.tree_tables import curve_table, part_table
from catchscreen.tiles import Room, Source, Store
from catchscreen.units import M2_PER_HA


@dataclass(frozen=True, slots=True)
class TiledTerrain:
    """What ``records.Terrain`` holds, of a tiled ground: the same frames; what it has by cell is kept in stores.

    routing : levels as routed, filled surface, flow codes, totals. subcatchment_label, hollow_label, tree_label :
    int32, below 0 elsewhere. slope : float32, NaN off the ground.
    """

    grid: Grid
    routing: TiledRouting
    subcatchment_label: Store
    hollow_label: Store
    tree_label: Store
    slope: Store
    subcatchments: gpd.GeoDataFrame
    outlets: gpd.GeoDataFrame
    hollows: gpd.GeoDataFrame
    flow_paths: gpd.GeoDataFrame
    edits: gpd.GeoDataFrame
    hollow_tree: HollowTree
    suspects: gpd.GeoDataFrame
    blocked: gpd.GeoDataFrame | None
    longest_paths: gpd.GeoDataFrame
    hollow_parts: pd.DataFrame
    hollow_curves: pd.DataFrame


@dataclass(frozen=True, slots=True)
class _Divided:
    """The division of the ground, the number of each cell's sub-catchment, the outlets, the ids."""

    division: Division
    label: Store
    snapped: Snapped
    ids: list[str]


class _Work:
    """One run over tiles: the ground, what the user asked for, where results are kept."""

    def __init__(self, ground: Source, data: Inputs, options: TerrainOptions, size: int, room: Room) -> None:
        self.ground = ground
        self.data = data
        self.grid = data.grid
        self.options = options
        self.size = size
        self.room = room
        self.walls = wall_off_holes(ground, size, room) if options.holes == "wall" else None
        self.natural = ReadyGround(ground, self.walls)

    def route(self, ground: Source, room: Room) -> tuple[TiledRouting, list[Edit]]:
        """Route an edited ground, its depressions opened where the options say so; return also the cuts."""
        weights = direction_weights(self.grid)
        ready = ReadyGround(ground, self.walls)
        routing = route_tiles(ready, self.size, weights, room, keep_graph=True)
        if self.options.depressions == "keep":
            return routing, []
        carved, cuts = carve_tiles(ground, routing, self.grid, self.options)
        return route_tiles(ReadyGround(carved, self.walls), self.size, weights, room, keep_graph=True), cuts

    def hollows(self, routing: TiledRouting) -> Depressions:
        """Find the hollows of a routed ground."""
        return Depressions(routing, *find_hollows_tiled(routing, self.grid, self.options))

    def divide(self, state: Depressions, run: Run) -> _Divided:
        """Divide the ground as the options say: at the given outlets, by size, or at the exit of each hollow."""
        options, grid, by = self.options, self.grid, self.options.subcatchments_by
        snapped = snap_to_flows(self.data.outlets, TiledFlows(state.routing), grid, options.outlet_snap_m, run)
        target_cells = max(1, round(options.subcatchment_target_ha * M2_PER_HA / grid.cell_area_m2))
        if by != "outlets" and len(snapped.ids):
            note_outlets_not_used(options, run)
        if by == "hollows":
            snapped = exits_as_outlets(state.found, exit_cells(state, outer_hollows(state.found)[0]))
        elif by == "size":
            snapped = NOTHING
        kind = HOLLOW_EXIT if by == "hollows" else GIVEN
        division, label = divide_tiles(state.routing, snapped.cell, target_cells, given_kind=kind)
        return _Divided(division, label, snapped, names("S", division.outlet_cell.size, 3))

    def blocked(
        self, ground: Source | None, culverts: list[Edit], hollows: gpd.GeoDataFrame, divided: _Divided
    ) -> gpd.GeoDataFrame | None:
        """Return what would stand behind the culverts if they were all blocked; None where there are none."""
        if ground is None:
            return None
        with self.room.within("blocked") as room:
            routing, _ = self.route(ground, room)
            state = self.hollows(routing)
            measured, _, _ = measure_hollows(state, divided.label, self.grid)
            closed = hollow_rows(state.found, measured, divided.ids, self.grid)
        return blocked_frame(closed, hollows, culverts, self.grid)


def delineate_tiles(
    ground: Source, data: Inputs, options: TerrainOptions, run: Run, *, size: int, room: Room
) -> TiledTerrain:
    """Delineate sub-catchments, hollows and flow paths on ground read by windows: as ``delineate`` does of the whole.

    Every row and every note is the same, whatever the size of the tiles. In memory are a few tiles, their borders, the
    closed basins, and the rows themselves.

    Parameters
    ----------
    ground : (rows, cols) int32 [ticks], NO_LEVEL where there is none, on ``data.grid``. data : the layers; the ground
    in it is not looked at. size : cells along a tile's side, 16 or more. room : where results are kept.

    Raises
    ------
    InputsAtFault
        When an outlet point cannot be told apart (see ``snapping.snap_to_flows``).
    ScreeningStopped
        When the caller asked to stop.
    ValueError
        When a level lies beyond 9.5 km: then it is no level in metres.
    """
    work = _Work(ground, data, options, size, room)
    grid = data.grid
    edited = edit_tiles(ground, data, options, room, run)
    routing, cuts = work.route(edited.open, room)
    run.check_stop()
    slope = keep_slopes(work.natural, routing.tiling, grid, room)
    state = work.hollows(routing)
    divided = work.divide(state, run)
    subcatchments, longest = _subcatchments(work, state, divided, slope)
    run.check_stop()
    measured, hollow_label, wet = measure_hollows(state, divided.label, grid)
    hollows = hollow_rows(state.found, measured, divided.ids, grid)
    level = work.natural if routing.level is None else routing.level
    hollows["persistence_fraction"] = persistence(hollows, level, routing.filled, grid, options)
    blocked = work.blocked(edited.blocked, edited.culverts, hollows, divided)
    suspects = find_suspects(hollows, state.found, Surfaces(level, routing.filled, work.natural, wet), grid, options)
    note_ground(subcatchments, suspects, state.found, (grid, options), run)
    least_m2 = options.flow_path_min_ha * M2_PER_HA
    flow_paths = trace_flow_paths_tiled(routing, divided.label, divided.ids, grid, least_m2)
    return TiledTerrain(
        grid=grid,
        routing=routing,
        subcatchment_label=divided.label,
        hollow_label=hollow_label,
        tree_label=label_hollows(routing, state.basins, state.found.home_of_basin, "tree"),
        slope=slope,
        subcatchments=subcatchments,
        outlets=_outlets(routing, divided, subcatchments, grid),
        hollows=name_blocked(hollows, blocked, "hollow_ids"),
        flow_paths=mark_passed(flow_paths, data, hollows, grid),
        edits=name_blocked(edits_frame(edited.edits + cuts, grid.crs), blocked, "culvert_sources", by="source"),
        hollow_tree=state.found.tree,
        suspects=suspects,
        blocked=blocked,
        longest_paths=longest,
        hollow_parts=part_table(state.found.tree, hollows, grid),
        hollow_curves=curve_table(state.found.tree, hollows, grid),
    )


def _outlets(routing: TiledRouting, divided: _Divided, subcatchments: gpd.GeoDataFrame, grid: Grid) -> gpd.GeoDataFrame:
    """Return the frame of the outlets."""
    cell = divided.division.outlet_cell
    strongest = gather(routing.total, cell).astype(np.int64)
    return outlet_rows(divided.division, cell, strongest, subcatchments, grid)


def _subcatchments(
    work: _Work, state: Depressions, divided: _Divided, slope: Store
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Return the frame of the sub-catchments and that of their longest ways."""
    routing, division, label, grid = state.routing, divided.division, divided.label, work.grid
    paths = longest_paths_tiled(routing, division, label, grid)
    shapes = shapes_of(label, slope, division.outlet_cell.size, grid)
    frame = subcatchment_rows(division, divided.snapped, shapes, paths, work.options, grid)
    frame = frame.assign(**edge_columns_tiled(routing, division, label, work.natural, grid))
    return frame, longest_frame(paths, divided.ids, grid)

"""Where each host's water goes now and could go: sewer zone, outfall, hollow below, way of an overflow."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.measures.evidence import lowest_by_host
from catchscreen.measures.neighbours import first_other_parcel
from catchscreen.measures.run_on import sum_by_host
from catchscreen.measures.surroundings import distance_to_nearest, number_under
from catchscreen.measures.threads import by_shape, query
from catchscreen.records import Cover, Inputs, Ints, Terrain

WATERCOURSE_REACH_M = 50.0
"""A drain may lead to a watercourse this near (from memory)."""
EXCEEDANCE_LEGS = (8, 16, 32, 64, 130)
"""Cells of the way that are looked at in one go; most ways end in the first legs."""
MET = ("", "hollow", "road", "watercourse", "building")
MAX_HOLLOWS_BELOW = 50


def add_sewers(hosts: gpd.GeoDataFrame, data: Inputs, matches: pd.DataFrame) -> None:
    """Add the kind of sewer zone, the spills of its overflow, the nearest watercourse and the outfall."""
    zones = data.sewer_zones
    hosts["sewer_kind"] = ""
    if zones is not None and len(zones):
        blind = (~hosts["zone_id"].isin(zones.index)).to_numpy()
        row = number_under(hosts.geometry.to_numpy()[blind], zones)
        hosts.loc[blind, "zone_id"] = np.where(
            row >= 0, zones.index.to_numpy(dtype=object)[np.where(row >= 0, row, 0)], ""
        )
        kind = zones["sewer_kind"].fillna("").astype(str).reindex(hosts["zone_id"]).fillna("").to_numpy()
        hosts["sewer_kind"] = np.where(kind == "", "none", kind)
    hosts["overflow_spills_per_year"] = _spills(hosts, data)
    hosts["combined_spills_per_year"] = _spills_if_combined(hosts)
    water = data.watercourses
    near = distance_to_nearest(hosts.geometry.to_numpy(), water.geometry.to_numpy()) if water is not None else np.nan
    hosts["watercourse_distance_m"] = near
    by_water = hosts["watercourse_distance_m"] <= WATERCOURSE_REACH_M
    nothing = (hosts["sewer_kind"] == "none") & (hosts["watercourse_distance_m"] > WATERCOURSE_REACH_M)
    choices = [by_water, hosts["sewer_kind"] == "separate", hosts["sewer_kind"] == "combined", nothing]
    hosts["outfall"] = np.select(choices, ["watercourse", "surface-water sewer", "combined sewer", "none"], "")
    hosts["outfall_tidal"] = _tidal(hosts, data)
    traced = lowest_by_host(matches, "sewer_connection", hosts.index)
    hosts["connection_traced"] = np.select([traced == 1.0, traced == 0.0], ["yes", "no"], "")


def _tidal(hosts: gpd.GeoDataFrame, data: Inputs) -> pd.Series:
    """Tell whether the outfall that a drain would lead to is shut at high tide: "yes", "no", "" for unknown."""
    zones, water = data.sewer_zones, data.watercourses
    by_zone = pd.Series(pd.NA, index=hosts.index, dtype="boolean")
    if zones is not None and "outfall_is_tidal" in zones:
        tidal = zones["outfall_is_tidal"].astype("boolean")
        by_zone = pd.Series(tidal.reindex(hosts["zone_id"]).to_numpy(), index=hosts.index, dtype="boolean")
    by_water = pd.Series(pd.NA, index=hosts.index, dtype="boolean")
    if water is not None and "is_tidal" in water:
        tidal_things = water.geometry[water["is_tidal"].astype("boolean").fillna(value=False)].to_numpy()
        near = distance_to_nearest(hosts.geometry.to_numpy(), tidal_things) <= WATERCOURSE_REACH_M
        by_water = pd.Series(near, index=hosts.index, dtype="boolean")
    answer = by_water.where(hosts["outfall"] == "watercourse", by_zone)
    return answer.map({True: "yes", False: "no"}).fillna("").astype(object)


def _spills(hosts: gpd.GeoDataFrame, data: Inputs) -> pd.Series:
    overflows = data.storm_overflows
    if overflows is None or "spills_per_year" not in overflows:
        return pd.Series(np.nan, index=hosts.index)
    spills = pd.to_numeric(overflows["spills_per_year"], errors="coerce")
    if "zone_id" in overflows:
        per_zone = spills.groupby(overflows["zone_id"].astype(str)).max()
        return pd.Series(per_zone.reindex(hosts["zone_id"]).to_numpy(float), index=hosts.index)
    return pd.Series(float(spills.max()), index=hosts.index)


def _spills_if_combined(hosts: gpd.GeoDataFrame) -> pd.Series:
    """Count spills only where a combined sewer runs; a combined zone without known overflow stays unknown."""
    value = hosts["overflow_spills_per_year"].where(hosts["sewer_kind"] == "combined", 0.0)
    return value.where(hosts["sewer_kind"] != "", np.nan)


def add_run_on(hosts: gpd.GeoDataFrame, run_on: pd.DataFrame) -> None:
    """Add the area that runs on, its ratio to the host, and the part of it that comes from roofs."""
    hosts["run_on_area_m2"] = sum_by_host(run_on, run_on["area_m2"].to_numpy(float), hosts.index)
    hosts["run_on_ratio"] = hosts["run_on_area_m2"] / hosts["host_area_m2"]
    roofs = run_on[run_on["way"] == "roof_pipe"]
    hosts["roof_run_on_m2"] = sum_by_host(roofs, roofs["area_m2"].to_numpy(float), hosts.index)


def add_areas(hosts: gpd.GeoDataFrame, cover: Cover, run_on: pd.DataFrame, host_surfaces: pd.DataFrame) -> None:
    """Add connected impermeable area, and the shares in which the host's runoff leaves now."""
    surfaces = cover.surfaces
    connected = surfaces["impermeable_fraction"] * surfaces["piped_fraction"]
    parts = {}
    for name, frame in (("host", host_surfaces), ("run_on", run_on)):
        at = connected.reindex(frame["surface_id"]).to_numpy(float) * frame["area_m2"].to_numpy(float)
        parts[name] = sum_by_host(frame, at, hosts.index)
    for share in ("piped_fraction", "to_ground_fraction", "overland_fraction"):
        weighted = surfaces[share].reindex(host_surfaces["surface_id"]).to_numpy(float) * host_surfaces["area_m2"]
        total = sum_by_host(host_surfaces, host_surfaces["area_m2"].to_numpy(float), hosts.index)
        part = sum_by_host(host_surfaces, weighted.to_numpy(float), hosts.index) / total.where(total > 0.0)
        # A surface of unknown way makes the host's unknown: a sum would take it for nought.
        blank = set(host_surfaces.loc[weighted.isna().to_numpy(), "candidate_id"])
        hosts[share] = part.mask(hosts.index.isin(blank))
    not_connected = hosts["connection_traced"] == "no"
    hosts["host_connected_m2"] = parts["host"].where(~not_connected, 0.0)
    blind = hosts["piped_fraction"].isna()
    hosts.loc[blind, "host_connected_m2"] = np.nan
    hosts["captured_connected_m2"] = hosts["host_connected_m2"] + parts["run_on"]
    hosts["combined_roof_m2"] = hosts["host_connected_m2"].where(hosts["sewer_kind"] == "combined", 0.0)
    hosts["combined_roof_m2"] = hosts["combined_roof_m2"].where(hosts["sewer_kind"] != "")


def add_hollows(hosts: gpd.GeoDataFrame, data: Inputs, land: Terrain) -> None:
    """Add the hollow that gains: the first with properties on the way down, and how many stand in its outline."""
    hollows = land.hollows
    inside = _count_properties(data, hollows)
    _place_blind_hosts(hosts, land)
    hosts["eased_hollow_id"] = ""
    hosts["hollow_properties"] = np.nan if data.property_points is None else 0.0
    if len(hollows) == 0:
        return
    below = _hollows_with_properties(hollows, inside)
    first = hosts["hollow_id"].map(below).fillna("")
    hosts["eased_hollow_id"] = first
    if data.property_points is not None:
        hosts["hollow_properties"] = first.map(inside).fillna(0.0).astype(float)


def _place_blind_hosts(hosts: gpd.GeoDataFrame, land: Terrain) -> None:
    """Give hosts without a patch the hollow and the sub-catchment of their parcel's inner point."""
    cell = land.grid.cells_of_xy(hosts["inner_x"].to_numpy(), hosts["inner_y"].to_numpy())
    safe = np.where(cell >= 0, cell, 0)
    blind = (hosts["patch_id"] == "").to_numpy() & (cell >= 0)
    for column, labels, names in (
        ("hollow_id", land.hollow_label, land.hollows.index),
        ("subcatchment_id", land.subcatchment_label, land.subcatchments.index),
    ):
        row = labels.ravel()[safe]
        known = blind & (row >= 0) & (row < len(names))
        hosts.loc[known, column] = np.asarray(names, dtype=object)[row[known]]


def _count_properties(data: Inputs, hollows: gpd.GeoDataFrame) -> dict[str, float]:
    if data.property_points is None or len(hollows) == 0:
        return dict.fromkeys(hollows.index, 0.0)
    tree = shapely.STRtree(data.property_points.geometry.to_numpy())
    hollow, _ = tree.query(hollows.geometry.to_numpy(), predicate="intersects")
    counts = np.bincount(hollow, minlength=len(hollows))
    return {name: float(number) for name, number in zip(hollows.index, counts, strict=True)}


def _hollows_with_properties(hollows: gpd.GeoDataFrame, inside: dict[str, float]) -> dict[str, str]:
    """Follow the spill from each hollow to the first one with properties; itself where none has any."""
    into = hollows["spills_into_id"].fillna("").astype(str).to_dict()
    found = {}
    for start in hollows.index:
        name, steps = start, 0
        while name and inside.get(name, 0.0) == 0.0 and steps < MAX_HOLLOWS_BELOW:
            name, steps = into.get(name, ""), steps + 1
        found[start] = name if name and inside.get(name, 0.0) > 0.0 else start
    return found


def add_exceedance(hosts: gpd.GeoDataFrame, data: Inputs, land: Terrain) -> None:
    """Trace an overflow from each host downhill to the first hollow, road, watercourse or building outside the host.

    ``exceedance`` names it ("building": the way enters its outline); ``passes_building`` says whether the way runs
    along a wall; ``exceedance_parcel_id`` is the first other parcel that it runs onto ("": none, or only a street). A
    roof overflows through its own outlets, not over the ground.
    """
    shapes = hosts.geometry.to_numpy()
    at = land.grid.cells_of_xy(hosts["inner_x"].to_numpy(), hosts["inner_y"].to_numpy()).astype(np.int64)
    at[shapely.is_missing(shapes) | (hosts["ground"] == "roof").to_numpy()] = -1
    code, passes = np.zeros(len(hosts), np.int64), np.zeros(len(hosts), bool)
    own, other = hosts["parcel_id"].to_numpy(dtype=object), np.full(len(hosts), -1, np.int64)
    for steps in EXCEEDANCE_LEGS:
        walking = np.flatnonzero(at >= 0)
        if walking.size == 0:
            break
        path, at[walking] = _walk(at[walking], land, steps)
        code[walking], along, end = _first_met(path, shapes[walking], data, land)
        passes[walking] |= along
        # A street or a watercourse takes what reaches it, whoever owns its bank; a hollow or a building does not.
        last = end - np.isin(code[walking], (MET.index("road"), MET.index("watercourse")))
        onto = first_other_parcel(path, last, own[walking], data, land.grid)
        other[walking] = np.where(other[walking] < 0, onto, other[walking])
        at[code > 0] = -1
    hosts["exceedance"] = np.array(MET, dtype=object)[code]
    hosts["passes_building"] = passes
    parcels = np.append(data.parcels.index.astype(str).to_numpy(dtype=object), "")
    hosts["exceedance_parcel_id"] = parcels[other]


def _first_met(
    path: Ints, shapes: NDArray[np.object_], data: Inputs, land: Terrain
) -> tuple[Ints, NDArray[np.bool_], Ints]:
    """Give the code of the first thing that each way meets outside its host, if it runs along a wall, its last step.

    path : (hosts, steps) cells, -1 after the edge.
    """
    known = path >= 0
    cells, place = np.unique(path[known], return_inverse=True)
    meets, beside = _what_lies_at(cells, data, land)
    met, along = np.zeros(path.shape, np.int64), np.zeros(path.shape, bool)
    met[known], along[known] = meets[place], beside[place]
    row, step = np.nonzero((met > 0) | along)
    x, y = land.grid.xy_of_cells(path[row, step])
    around = shapes[row]
    inside = by_shape(lambda some: shapely.contains_xy(around[some], x[some], y[some]), around)
    met[row[inside], step[inside]], along[row[inside], step[inside]] = 0, False
    first = np.argmax(met > 0, axis=1)
    code = met[np.arange(len(path)), first]
    end = np.where(code > 0, first, path.shape[1])
    return code, (along & (np.arange(path.shape[1]) <= end[:, None])).any(axis=1), end


def _walk(start: Ints, land: Terrain, steps: int) -> tuple[Ints, Ints]:
    """Follow receivers for a number of steps; give the cells (-1 after the edge) and where the next leg starts."""
    receiver = land.receiver.ravel()
    path = np.full((start.size, steps), -1, np.int64)
    at = start.astype(np.int64)
    for step in range(steps):
        path[:, step] = at
        at = np.where(at >= 0, receiver[np.where(at >= 0, at, 0)], -1)
        if not (at >= 0).any():
            break
    return path, at


def _what_lies_at(cells: Ints, data: Inputs, land: Terrain) -> tuple[Ints, NDArray[np.bool_]]:
    """Code cells (1 in a hollow, 2 on a road, 3 at a watercourse, 4 in a building; the higher wins); tell walls."""
    code, beside = np.zeros(cells.size, np.int64), np.zeros(cells.size, bool)
    if cells.size == 0:
        return code, beside
    x, y = land.grid.xy_of_cells(cells)
    tree = shapely.STRtree(shapely.points(x, y))
    half = 0.5 * max(land.grid.cell_width_m, land.grid.cell_height_m)
    layers = ((1, land.hollows, 0.0), (2, data.roads, 0.0), (3, data.watercourses, half), (4, data.buildings, 0.0))
    for number, layer, reach in layers:
        if layer is None or len(layer) == 0:
            continue
        shapes = layer.geometry.to_numpy()
        asked = ("dwithin", reach) if reach > 0.0 else ("intersects", None)
        _, hit = query(tree, shapes, *asked)
        code[hit] = number
    if data.buildings is not None:
        _, hit = query(tree, data.buildings.geometry.to_numpy(), "dwithin", half)
        beside[hit] = True
    return code, beside

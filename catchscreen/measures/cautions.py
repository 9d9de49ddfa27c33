"""Plain sentences for each candidate: what can hurt someone here, and which water goes where, now and after."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.measures.contract import Measure
from catchscreen.measures.neighbours import say_parcels
from catchscreen.measures.traffic import on_carriageway
from catchscreen.options import MeasureOptions
from catchscreen.records import Floats, Inputs
from catchscreen.units import TICKS_PER_M

BURIED = ("basement", "cutting")
FRAGILE = ("fibre_cement", "asbestos_cement")
NEAR_GROUNDWATER_M = 2.0
"""Groundwater less deep than this below ground is named in a caution (from memory)."""

CAUTIONS = {
    "foundations": "Digging or soaking beside foundations, walls and basements can move the ground: "
    "an engineer decides by local codes.",
    "contaminated": "The ground may be contaminated: a licensed specialist tests it before any digging.",
    "mounding": "Infiltration at several sites within {near:.0f} m raises groundwater together (mounding): "
    "an engineer looks at them as one.",
    "uphill": "Infiltration uphill of a basement or a cutting raises groundwater (mounding) and can let water out "
    "there: an engineer decides by local codes.",
    "beside": "Infiltration near a basement or a cutting can let water out there: an engineer decides by local codes.",
    "groundwater": "Groundwater is near: read it over a winter; local codes say how far off it must be.",
    "services": "Buried services: ask every owner for records of buried services before any digging; local safety "
    "rules hold.",
    "roots": "Roots: dig by hand, by a tree officer's word.",
    "school": "School ground: works in the holidays, fenced from pupils, by the school's and local safety rules.",
    "traffic": "Works in traffic need the highway authority's leave and licensed traffic management.",
    "building": "If it overflows, water runs towards a building: keep its way open, by an engineer's word.",
    "neighbour": "What overflows, or runs off a surface that was raised, flows towards a neighbour onto {onto}: "
    "local law on drainage and a licensed engineer decide whether it may.",
    "drain": "A drain from its base to the watercourse would cross {across}: local law on drainage and the owner's "
    "leave decide.",
    "roof_load": "A chartered structural engineer decides by local codes what load the roof carries, never its age.",
    "fragile": "The roof may be fragile or hold asbestos: nobody steps on it before a licensed survey.",
    "unknown_roof": "Before anybody steps on the roof, find out whether it is fragile or holds asbestos, by a licensed "
    "survey.",
}
"""What a candidate is warned of by what it touches, each with who decides; a measure's own cautions come before."""


def write_cautions(
    hosts: gpd.GeoDataFrame, table: pd.DataFrame, measures: Sequence[Measure], data: Inputs, options: MeasureOptions
) -> pd.Series:
    """Write the cautions of each candidate by what it touches; local codes and licensed practice decide.

    Parameters
    ----------
    hosts : with the site columns. table : the options, judged: only what may be built soaks or drains.
    """
    touched = find_touched(hosts, table, data, options)
    onto = say_parcels(hosts["exceedance_parcel_id"], data)
    across = say_parcels(hosts["drain_parcel_id"].where(touched["drain"], ""), data)
    own = {measure.name: list(measure.cautions) for measure in measures}
    names = list(CAUTIONS)
    codes, different = zip(*(pd.factorize(values) for values in (hosts["measure"], onto, across)), strict=True)
    bits = np.sum([touched[name].astype(np.int64) << place for place, name in enumerate(names)], axis=0)
    # Alike candidates are worded once: one number for what they touch, one for the measure and the parcels named.
    alike = np.column_stack([bits, *codes])
    rows, back = np.unique(alike, axis=0, return_inverse=True)
    said = []
    for touches, measure, overflow, drain in rows.tolist():
        known = {"near": options.mounding_distance_m, "onto": different[1][overflow], "across": different[2][drain]}
        texts = [CAUTIONS[name].format(**known) for place, name in enumerate(names) if touches >> place & 1]
        said.append(" ".join(dict.fromkeys([*own[different[0][measure]], *texts])))
    return pd.Series(np.array(said, dtype=object)[back.ravel()] if said else [], index=hosts.index, dtype=object)


def find_touched(
    hosts: gpd.GeoDataFrame, table: pd.DataFrame, data: Inputs, options: MeasureOptions
) -> dict[str, NDArray[np.bool_]]:
    """Tell by caution (the keys of ``CAUTIONS``) which hosts it concerns."""
    able = table[table["admissible"].to_numpy(bool)]
    soaks = hosts.index.isin(able.loc[able["soaks"] != "none", "candidate_id"])
    drains = hosts.index.isin(able.loc[able["soaks"] != "all", "candidate_id"])
    on_ground = (hosts["ground"] != "roof").to_numpy()
    deck = hosts["deck"].to_numpy(dtype=object)
    beside, uphill = _near_buried(hosts, data, options.mounding_distance_m)
    return {
        "foundations": on_ground & (hosts["building_distance_m"] < options.base_clearance_m).to_numpy(),
        "contaminated": (hosts["doubtful_ground"] == "yes").to_numpy(),
        "mounding": _near_soaking(hosts, soaks, options.mounding_distance_m),
        "uphill": soaks & uphill,
        "beside": soaks & beside & ~uphill,
        "groundwater": on_ground & (hosts["groundwater_depth_m"] < NEAR_GROUNDWATER_M).to_numpy(),
        "services": on_ground,
        "roots": (hosts["root_overlap_fraction"] > 0.0).to_numpy(),
        "school": (hosts["land_use"] == "school").to_numpy(),
        "traffic": on_carriageway(hosts),
        "building": ((hosts["exceedance"] == "building") | hosts["passes_building"]).to_numpy(bool),
        "neighbour": (hosts["exceedance_parcel_id"] != "").to_numpy(),
        "drain": drains & on_ground & (hosts["drain_parcel_id"] != "").to_numpy(),
        "roof_load": ~on_ground,
        "fragile": ~on_ground & np.isin(deck, FRAGILE),
        "unknown_roof": ~on_ground & (deck == ""),
    }


def write_receiving(hosts: gpd.GeoDataFrame, table: pd.DataFrame) -> None:
    """Add what receives the water now (hosts) and after (options), and how sure that is.

    The order of preference is re-use, ground, watercourse, surface-water sewer, combined sewer.
    """
    sewer = (
        hosts["sewer_kind"]
        .map({"combined": "combined sewer", "separate": "surface-water sewer", "none": ""})
        .fillna("")
    )
    piped = hosts["piped_fraction"].fillna(0.0)
    soaked = hosts["to_ground_fraction"].fillna(0.0)
    now = np.where(
        piped >= np.maximum(soaked, 0.5 * (1.0 - soaked)), sewer, np.where(soaked >= 0.5, "ground", "overland")
    )
    unknown_sewer = (hosts["sewer_kind"] == "") | hosts["piped_fraction"].isna()
    hosts["receiving_now"] = np.where(unknown_sewer, "", np.where(now == "", "overland", now))
    traced = hosts["connection_traced"]
    hosts.loc[traced == "no", "receiving_now"] = "ground"
    certainty = np.select([traced != "", hosts["receiving_now"] != ""], ["traced", "assumed from the map"], "unknown")
    hosts["receiving_certainty"] = certainty
    outfall = hosts["outfall"].reindex(table["candidate_id"]).to_numpy()
    named = np.where(outfall == "", "unknown outfall", outfall)
    soaks, ground = table["soaks"].to_numpy(), table["ground"].to_numpy()
    roof_now = hosts["receiving_now"].reindex(table["candidate_id"]).to_numpy()
    partly = np.array([f"ground, the rest slowed to {name}" for name in named], dtype=object)
    slowed = np.array([f"slowed to {name}" for name in named], dtype=object)
    roofs = np.array([f"air, the rest slowed to {name or 'where it goes now'}" for name in roof_now], dtype=object)
    table["receiving_now"] = roof_now
    table["receiving_after"] = np.where(
        ground == "roof",
        roofs,
        np.select([soaks == "all", soaks == "part"], [np.full(len(table), "ground", dtype=object), partly], slowed),
    )


def add_off_combined(table: pd.DataFrame) -> None:
    """Add the connected area whose water no longer comes to a combined sewer; only what went there counts.

    A drained store whose outlet leads to the combined sewer, or a roof, keeps nothing out of it but what it retains,
    which the runs tell: its area does not count.
    """
    there = (table["receiving_now"] == "combined sewer").to_numpy()
    drained = (table["outfall"] == "combined sewer") & (table["soaks"] != "all")
    back = (drained | (table["ground"] == "roof")).to_numpy()
    area = np.where(there & ~back, table["captured_connected_m2"].to_numpy(float), 0.0)
    table["off_combined_sewer_m2"] = np.where(table["receiving_now"] == "", np.nan, area)


def _near_soaking(hosts: gpd.GeoDataFrame, soaks: np.ndarray, distance_m: float) -> np.ndarray:
    """Tell which soaking hosts have another soaking host of another patch within the distance."""
    out = np.zeros(len(hosts), bool)
    shapes = hosts.geometry.to_numpy()
    chosen = np.flatnonzero(soaks & ~shapely.is_missing(shapes))
    if chosen.size < 2:
        return out
    tree = shapely.STRtree(shapes[chosen])
    one, other = tree.query(shapes[chosen], predicate="dwithin", distance=distance_m)
    patch = hosts["patch_id"].to_numpy()[chosen]
    out[chosen[np.unique(one[patch[one] != patch[other]])]] = True
    return out


def _near_buried(
    hosts: gpd.GeoDataFrame, data: Inputs, distance_m: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell which hosts lie within the distance of a basement or a cutting, and which of them stand higher than it.

    Where a level is not known the host counts as higher: what is unknown is not clear. The level of a basement or
    cutting is the lower of the ground inside it and at its point nearest to the host.
    """
    near, uphill = np.zeros(len(hosts), bool), np.zeros(len(hosts), bool)
    shapes = hosts.geometry.to_numpy()
    known = np.flatnonzero(~shapely.is_missing(shapes))
    if data.constraints is None or known.size == 0:
        return near, uphill
    things = data.constraints.geometry[data.constraints["kind"].isin(BURIED)].to_numpy()
    host, thing = shapely.STRtree(things).query(shapes[known], predicate="dwithin", distance=distance_m)
    host = known[host]
    near[host] = True
    own = _ground_level_m(shapely.point_on_surface(shapes[host]), data)
    nearest = shapely.get_point(shapely.shortest_line(things[thing], shapes[host]), 0)
    inside = shapely.point_on_surface(things[thing])
    low = np.fmin(_ground_level_m(nearest, data), _ground_level_m(inside, data))
    uphill[host[~(own <= low)]] = True
    return near, uphill


def _ground_level_m(points: NDArray[np.object_], data: Inputs) -> Floats:
    cell = data.grid.cells_of_xy(shapely.get_x(points), shapely.get_y(points))
    safe = np.where(cell >= 0, cell, 0)
    level = data.ground_ticks.ravel()[safe] / TICKS_PER_M
    return np.where((cell >= 0) & data.ground_valid.ravel()[safe], level, np.nan)

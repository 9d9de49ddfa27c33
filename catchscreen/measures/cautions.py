"""Plain sentences for each candidate: what can hurt someone here, and which water goes where, now and after."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.measures.contract import Measure
from catchscreen.options import MeasureOptions
from catchscreen.records import Inputs

BURIED = ("basement", "cutting")


def write_cautions(
    hosts: gpd.GeoDataFrame, table: pd.DataFrame, measures: Sequence[Measure], data: Inputs, options: MeasureOptions
) -> pd.Series:
    """Write the cautions of each candidate by what it touches; local codes and licensed practice decide."""
    soaking = set(table.loc[table["admissible"] & (table["soaks"] != "none"), "candidate_id"])
    soaks = np.array([name in soaking for name in hosts.index], dtype=bool)
    on_ground = (hosts["ground"] != "roof").to_numpy()
    near = _near_soaking(hosts, soaks, options.mounding_distance_m)
    below = _near_buried(hosts, data, options.mounding_distance_m)
    rules: list[tuple[np.ndarray, str]] = [
        (
            soaks & (hosts["building_distance_m"] < options.base_clearance_m).to_numpy(),
            "Water that soaks away beside foundations, walls and basements can move the ground: an engineer decides.",
        ),
        ((hosts["doubtful_ground"] == "yes").to_numpy(), "The ground may be contaminated: test it before any digging."),
        (
            soaks & near,
            f"Infiltration at several sites within {options.mounding_distance_m:.0f} m raises groundwater together.",
        ),
        (soaks & below, "Infiltration near a basement or a cutting can let water out there."),
        (on_ground & (hosts["groundwater_depth_m"] < 2.0).to_numpy(), "Groundwater is near: read it over a winter."),
        (on_ground, "Ask for records of buried services before any digging."),
        ((hosts["root_overlap_fraction"] > 0.0).to_numpy(), "Roots: dig by hand, by a tree officer's word."),
        ((hosts["land_use"] == "school").to_numpy(), "School ground: works in the holidays, fenced from pupils."),
        (
            (hosts["land_use"] == "highway").to_numpy() | (hosts["adopted_fraction"] > 0.0).to_numpy(),
            "Works in traffic need the highway authority.",
        ),
        (
            ((hosts["exceedance"] == "building") | hosts["passes_building"]).to_numpy(),
            "If it overflows, water runs towards a building: keep its way open.",
        ),
        (~on_ground, "A chartered structural engineer decides what load the roof carries, never its age."),
        (
            hosts["deck"].isin(["fibre_cement", "asbestos_cement"]).to_numpy(),
            "The roof may be fragile or hold asbestos: nobody steps on it before a survey.",
        ),
        (
            ~on_ground & (hosts["deck"] == "").to_numpy(),
            "Before anybody steps on the roof, find out whether it is fragile or holds asbestos.",
        ),
    ]
    own = {measure.name: list(measure.cautions) for measure in measures}
    lines = [list(own[name]) for name in hosts["measure"]]
    for mask, text in rules:
        for row in np.flatnonzero(mask):
            lines[row].append(text)
    return pd.Series([" ".join(dict.fromkeys(texts)) for texts in lines], index=hosts.index, dtype=object)


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


def _near_buried(hosts: gpd.GeoDataFrame, data: Inputs, distance_m: float) -> np.ndarray:
    return _meets(hosts, data, BURIED, distance_m)


def _meets(hosts: gpd.GeoDataFrame, data: Inputs, kinds: tuple[str, ...], distance_m: float) -> np.ndarray:
    out = np.zeros(len(hosts), bool)
    if data.constraints is None:
        return out
    things = data.constraints.geometry[data.constraints["kind"].isin(kinds)].to_numpy()
    shapes = hosts.geometry.to_numpy()
    known = np.flatnonzero(~shapely.is_missing(shapes))
    if len(things) == 0 or known.size == 0:
        return out
    found, _ = shapely.STRtree(things).query(shapes[known], predicate="dwithin", distance=distance_m)
    out[known[found]] = True
    return out

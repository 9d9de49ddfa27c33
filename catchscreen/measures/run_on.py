"""Run-on: which surfaces drain onto which host by gravity, each square metre to one host only.

Order: hosts by the ground that drains to them (upstream first, so that the first capture wins), then by id; each
takes its
largest surfaces first until the limit of run-on area per host area is reached. What a host may not take goes where it
went
before.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.measures.surroundings import covers, mend, shared_areas
from catchscreen.options import MeasureOptions
from catchscreen.records import Cover, Floats, Terrain

CLEAN_KINDS = ("roof", "paved", "road")
"""Planted or bare ground is no run-on: its silt closes the joints."""
HARD_KINDS = ("paved", "road")
SMALLEST_PIECE_M2 = 1.0
SMALLEST_SHARE_M2 = 0.01
"""Less shared ground than this is the rounding of an overlay, not a piece of the host."""
COLUMNS = ["candidate_id", "surface_id", "area_m2", "fraction", "way"]


def assign_run_on(
    hosts: gpd.GeoDataFrame,
    cover: Cover,
    land: Terrain,
    host_surfaces: pd.DataFrame,
    taking: frozenset[str],
    options: MeasureOptions,
) -> pd.DataFrame:
    """Give each host its run-on surfaces.

    Parameters
    ----------
    hosts : the table of ``hosts.find_hosts``.
    host_surfaces : from ``find_host_surfaces``: what is a host itself runs on to no other.
    taking : measures that take run-on.

    Returns
    -------
    DataFrame
        candidate_id, surface_id, area_m2, fraction (of the surface's area), way. Hosts that are alternatives on one
        patch
        share one list.
    """
    takers = hosts[hosts["measure"].isin(taking) & (hosts["patch_id"] != "")]
    own = host_surfaces[host_surfaces["candidate_id"].isin(takers.index)]
    links = _usable_links(cover, takers, own)
    if len(links) == 0 or len(takers) == 0:
        return pd.DataFrame(columns=COLUMNS)
    by_patch = takers.groupby("patch_id")["host_area_m2"].min()
    taken = _take_in_order(links, by_patch, _upstream_order(takers, land), options.run_on_ratio_max)
    named = taken.merge(takers["patch_id"].rename_axis("candidate_id").reset_index(), on="patch_id")
    named["fraction"] = named["area_m2"] / cover.surfaces["area_m2"].reindex(named["surface_id"]).to_numpy()
    return named[COLUMNS].sort_values(["candidate_id", "surface_id"], kind="stable").reset_index(drop=True)


def find_host_surfaces(hosts: gpd.GeoDataFrame, cover: Cover) -> pd.DataFrame:
    """List the surfaces that each host would replace: candidate_id, surface_id, area_m2, fraction of the surface.

    A roof's surfaces are those of its building, each by the same share; on the ground, what lies within the host. Where
    cover is unknown, the host is that share of the parcel's unknown surface that its impermeable ground makes up.
    """
    kinds = (_roof_pairs, _ground_pairs, _unknown_pairs)
    pairs = pd.concat([pair_up(hosts, cover.surfaces) for pair_up in kinds], ignore_index=True)
    pairs["area_m2"] = pairs["area_m2"].astype(float)
    whole = cover.surfaces["area_m2"].reindex(pairs["surface_id"]).to_numpy(float)
    pairs["fraction"] = np.minimum(1.0, np.divide(pairs["area_m2"], whole, out=np.zeros(len(pairs)), where=whole > 0))
    return pairs.sort_values(["candidate_id", "surface_id"], kind="stable").reset_index(drop=True)


def _roof_pairs(hosts: gpd.GeoDataFrame, surfaces: gpd.GeoDataFrame) -> pd.DataFrame:
    roofs = hosts.loc[(hosts["ground"] == "roof") & (hosts["building_id"] != "")]
    keys = roofs[["parcel_id", "building_id", "host_area_m2"]].rename_axis("candidate_id").reset_index()
    roof = surfaces["kind"] == "roof"
    there = surfaces.loc[roof, ["parcel_id", "building_id", "area_m2"]].rename_axis("surface_id").reset_index()
    there["building_id"] = there["building_id"].astype(str)
    pairs = keys.merge(there, on=["parcel_id", "building_id"])
    total = pairs.groupby("candidate_id")["area_m2"].transform("sum")
    pairs["area_m2"] = pairs["area_m2"] * (pairs["host_area_m2"] / total).clip(upper=1.0)
    return pairs[["candidate_id", "surface_id", "area_m2"]]


def _unknown_pairs(hosts: gpd.GeoDataFrame, surfaces: gpd.GeoDataFrame) -> pd.DataFrame:
    blind = hosts.loc[hosts["patch_id"] == "", ["parcel_id", "host_area_m2"]].rename_axis("candidate_id").reset_index()
    unknown = surfaces.loc[surfaces["kind"] == "unknown", ["parcel_id", "area_m2", "impermeable_fraction"]]
    pairs = blind.merge(unknown.rename_axis("surface_id").reset_index(), on="parcel_id")
    hard = pairs["area_m2"] * pairs["impermeable_fraction"]
    total = hard.groupby(pairs["candidate_id"]).transform("sum")
    share = (pairs["host_area_m2"] / total.where(total > 0.0)).clip(upper=1.0).fillna(0.0)
    pairs["area_m2"] = pairs["area_m2"] * share
    return pairs[["candidate_id", "surface_id", "area_m2"]]


def _ground_pairs(hosts: gpd.GeoDataFrame, surfaces: gpd.GeoDataFrame) -> pd.DataFrame:
    """Intersect hosts on the ground with the surfaces of their own parcel; paved patches are made of hard ones."""
    shapes = hosts.geometry.to_numpy()
    chosen = np.flatnonzero(~shapely.is_missing(shapes) & (hosts["ground"] != "roof").to_numpy())
    ground = surfaces[surfaces["kind"] != "roof"]
    if chosen.size == 0 or len(ground) == 0:
        return pd.DataFrame({"candidate_id": [], "surface_id": [], "area_m2": []}, dtype=object)
    there = ground.geometry.to_numpy()
    host, surface = shapely.STRtree(there).query(shapes[chosen])
    host = chosen[host]
    places, _ = pd.factorize(pd.concat([hosts["parcel_id"], ground["parcel_id"]]).to_numpy(dtype=object))
    same = places[host] == places[len(hosts) + surface]
    hard = ground["kind"].isin(HARD_KINDS).to_numpy()[surface]
    same &= hard | (hosts["ground"] != "paved").to_numpy()[host]
    host, surface = host[same], surface[same]
    met = np.unique(surface)
    there = there.copy()
    there[met] = mend(there[met])
    shared = shapely.area(there[surface])
    part = np.flatnonzero(~covers(there, shapes, surface, host))
    shared[part] = shared_areas(shapes[host[part]], there[surface[part]])
    keep = shared > SMALLEST_SHARE_M2
    return pd.DataFrame(
        {
            "candidate_id": hosts.index[host[keep]],
            "surface_id": ground.index[surface[keep]],
            "area_m2": shared[keep],
        }
    )


def _usable_links(cover: Cover, takers: gpd.GeoDataFrame, replaced: pd.DataFrame) -> pd.DataFrame:
    """Keep links from clean, impermeable surfaces that are not themselves part of a host for paving."""
    surfaces = cover.surfaces
    clean = surfaces["kind"].isin(CLEAN_KINDS) & (surfaces["impermeable_fraction"] >= 0.5)
    clean &= surfaces["cover_class"] != "bare_soil"
    inside = replaced.groupby("surface_id")["fraction"].max()
    good = set(surfaces.index[clean]) - set(inside.index[inside > 0.5])
    links = cover.links[cover.links["surface_id"].isin(good) & cover.links["patch_id"].isin(set(takers["patch_id"]))]
    return links[links["area_m2"] > 0.0]


def _upstream_order(takers: gpd.GeoDataFrame, land: Terrain) -> dict[str, int]:
    """Rank patches by the cells that drain to their inner point, fewest first, ties by id."""
    cell = land.grid.cells_of_xy(takers["inner_x"].to_numpy(), takers["inner_y"].to_numpy())
    gathered = np.where(cell >= 0, land.accumulation_cells.ravel()[np.where(cell >= 0, cell, 0)], 0)
    table = pd.DataFrame({"patch_id": takers["patch_id"].to_numpy(), "cells": gathered})
    fewest = table.groupby("patch_id", sort=True)["cells"].min().sort_values(kind="stable")
    return {str(name): place for place, name in enumerate(fewest.index)}


def _take_in_order(links: pd.DataFrame, host_m2: pd.Series, order: dict[str, int], ratio_max: float) -> pd.DataFrame:
    """Walk the links, host by host in flow order, largest surface first; a surface that is given is gone."""
    table = links.assign(place=links["patch_id"].map(order))
    table = table.sort_values(["place", "area_m2", "surface_id"], ascending=[True, False, True], kind="stable")
    room: dict[str, float] = {str(name): area * ratio_max for name, area in host_m2.items()}
    given: set[str] = set()
    taken: list[tuple[str, str, float, str]] = []
    for patch, surface, area, way in zip(
        table["patch_id"], table["surface_id"], table["area_m2"], table["way"], strict=True
    ):
        part = min(float(area), room[patch])
        if surface in given or part < SMALLEST_PIECE_M2:
            continue
        given.add(surface)
        room[patch] -= part
        taken.append((patch, surface, part, way))
    return pd.DataFrame(taken, columns=["patch_id", "surface_id", "area_m2", "way"])


def sum_by_host(frame: pd.DataFrame, values: Floats, index: pd.Index) -> pd.Series:
    """Sum values of a candidate's rows; 0 where it has none."""
    return (
        pd.Series(values, index=frame["candidate_id"].to_numpy()).groupby(level=0).sum().reindex(index, fill_value=0.0)
    )

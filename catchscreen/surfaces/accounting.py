"""The whole account of a district's surfaces, step by step."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import pandas as pd

from catchscreen.options import SurfaceOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Cover, Inputs, Terrain
from catchscreen.surfaces.connection import RANGE, connection_shares, impermeable_shares, stated_connection
from catchscreen.surfaces.cover import partition_ground
from catchscreen.surfaces.creep import add_creep
from catchscreen.surfaces.derived import derive_buildings
from catchscreen.surfaces.ledger import divide_surfaces
from catchscreen.surfaces.links import link_surfaces
from catchscreen.surfaces.patches import as_layer, find_patches
from catchscreen.surfaces.roofs import describe_roofs
from catchscreen.surfaces.shift import note_shifts

SHARES = ("piped_fraction", "to_ground_fraction", "overland_fraction", "piped_low_fraction", "piped_high_fraction")


def with_buildings(data: Inputs, cover: Cover) -> Inputs:
    """Return the inputs with buildings that were derived from the surface model in place of none."""
    return data if cover.derived_buildings is None else replace(data, buildings=cover.derived_buildings)


def account(data: Inputs, land: Terrain, options: SurfaceOptions, run: Run) -> Cover:
    """Count every square metre of the district and its parcels once.

    Parameters
    ----------
    data : Inputs
        Layers in the result's CRS; absent layers leave ground unknown.
    land : Terrain
        Sub-catchments, hollows and receivers of the same grid.

    Returns
    -------
    Cover
        Disjoint surfaces, the ledger (areas add up to the surfaces'), patches, links and roofs.

    Raises
    ------
    ScreeningStopped
        When the caller asked to stop.
    """
    origin = (float(data.grid.left), float(data.grid.top))
    surfaces, derived = _divide_ground(data, options, origin, run)
    data = data if derived is None else replace(data, buildings=derived)
    rows = divide_surfaces(surfaces, data, land, origin)
    stated = stated_connection(surfaces, data, origin, run)
    ledger = _with_attributes(rows, surfaces, stated, data, options)
    surfaces[list(SHARES)] = _means(ledger, surfaces.index)
    surfaces["connection_source"] = stated["connection_source"]
    run.check_stop()
    patches = find_patches(surfaces, data, land, options, origin)
    links, planted = link_surfaces(surfaces, patches, (data, land), options, origin)
    patches["planted_run_on_m2"] = planted
    run.check_stop()
    patches, roofs = describe_roofs(patches, data, options, origin, run)
    return Cover(as_layer(surfaces, data), ledger, as_layer(patches, data), links, roofs, derived)


def _divide_ground(
    data: Inputs, options: SurfaceOptions, origin: tuple[float, float], run: Run
) -> tuple[pd.DataFrame, gpd.GeoDataFrame | None]:
    """Return the disjoint surfaces with their impermeable shares, and the footprints that were derived, if any."""
    derived = derive_buildings(data, options, run)
    data = data if derived is None else replace(data, buildings=derived)
    surfaces = partition_ground(data, options, origin, run)
    surfaces[list(RANGE)] = impermeable_shares(surfaces, data.parcels, options, run)
    if options.urban_creep:
        surfaces[list(RANGE)] = add_creep(surfaces, data, options, run)
    _note_unknown(surfaces, run)
    if derived is None:
        note_shifts(data, origin, run)
    run.check_stop()
    return surfaces, derived


def _with_attributes(
    rows: pd.DataFrame, surfaces: pd.DataFrame, stated: pd.DataFrame, data: Inputs, options: SurfaceOptions
) -> pd.DataFrame:
    """Give each row of the ledger its surface's attributes, and the connection in its own sewer zone."""
    columns = ["parcel_id", "kind", "cover_class", "building_id", "ground_use", "source", *RANGE]
    ledger = rows.join(surfaces[columns], on="surface_id").join(stated, on="surface_id")
    kinds = pd.Series(dtype=object)
    if data.sewer_zones is not None and "sewer_kind" in data.sewer_zones:
        kinds = data.sewer_zones["sewer_kind"].set_axis(data.sewer_zones.index.astype(str))
    ledger["sewer_kind"] = kinds.reindex(ledger["zone_id"]).fillna("").astype(str).to_numpy(object)
    return ledger.join(connection_shares(ledger, options)).drop(columns=["piped_stated", "to_ground_stated"])


def _means(ledger: pd.DataFrame, index: pd.Index) -> pd.DataFrame:
    """Return each surface's shares as the means of its rows by area."""
    weighted = ledger[list(SHARES)].mul(ledger["area_m2"], axis=0).groupby(ledger["surface_id"]).sum()
    area = ledger.groupby("surface_id")["area_m2"].sum()
    return weighted.div(area, axis=0).reindex(index)


def _note_unknown(surfaces: pd.DataFrame, run: Run) -> None:
    """Say how much ground has no known cover."""
    unknown = surfaces["kind"] == "unknown"
    area = float(surfaces.loc[unknown, "area_m2"].sum())
    total = float(surfaces["area_m2"].sum())
    if area <= 1e-6 * max(total, 1.0):
        return
    inside = float(surfaces.loc[unknown & (surfaces["parcel_id"] != ""), "area_m2"].sum())
    run.note(
        DataIssue(
            severity="unknown",
            code="cover_unknown",
            role="land_cover",
            message=f"no source covers {area:.0f} m2 ({100.0 * area / total:.1f} % of the ground, {inside:.0f} m2 of "
            "it in parcels); its impermeable share is a range by land use",
            cure="A land-cover layer narrows it most.",
        )
    )

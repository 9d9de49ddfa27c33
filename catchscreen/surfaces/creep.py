"""Urban creep: gardens of homes that will be paved over, as the usual allowance by housing density."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.options import SurfaceOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs
from catchscreen.surfaces.connection import RANGE
from catchscreen.surfaces.overlay import Floats
from catchscreen.units import M2_PER_HA

DENSITY_PER_HA = (25.0, 30.0, 35.0, 45.0, 50.0)
ALLOWANCE_FRACTION = (0.10, 0.08, 0.06, 0.04, 0.02)
"""Allowance on impermeable area at each density (UK guidance on urban creep as quoted in the trade: 10 % up to 25
dwellings per hectare, 2 % from 50 on, none for flats); between the steps in proportion."""

FLATS_PER_HA = 100.0
"""From this density on a parcel counts as flats (our own reading)."""

HOME_USES = ("home", "homes", "dwelling", "residential")


def allowance(density_per_ha: Floats) -> Floats:
    """Return the share that is added to the impermeable area at each density [dwellings/ha]."""
    share = np.interp(density_per_ha, DENSITY_PER_HA, ALLOWANCE_FRACTION)
    return np.where(density_per_ha >= FLATS_PER_HA, 0.0, share)


def add_creep(surfaces: pd.DataFrame, data: Inputs, options: SurfaceOptions, run: Run) -> pd.DataFrame:
    """Return the impermeable shares with the allowance put on the planted ground of each parcel of homes.

    The added ground is not taken to be connected: it keeps the connection of planted ground.

    Parameters
    ----------
    surfaces : parcel_id, kind, area_m2 [m2], and the low, middle and high impermeable share
    """
    shares = surfaces[list(RANGE)].copy()
    density = _density(data, options)
    rate = pd.Series(allowance(density.to_numpy(float)), index=density.index)
    planted = surfaces["kind"].eq("planted") & surfaces["parcel_id"].isin(rate.index[rate > 0.0])
    group = surfaces["parcel_id"]
    room = surfaces["area_m2"].where(planted, 0.0).groupby(group).transform("sum")
    added = 0.0
    for name in RANGE:
        hard = (surfaces["area_m2"] * surfaces[name]).groupby(group).transform("sum")
        more = (group.map(rate).fillna(0.0) * hard / room).where(planted, 0.0)
        shares[name] = (shares[name] + more).clip(upper=1.0)
        if name == "impermeable_fraction":
            added = float(((shares[name] - surfaces[name]) * surfaces["area_m2"]).sum())
    parcels = int((rate > 0.0).sum())
    run.note(
        DataIssue(
            severity="note",
            code="urban_creep_added",
            role="parcels",
            message=f"{added:.0f} m2 of impermeable area are added for gardens to be paved, in {parcels} parcels of "
            "homes",
        )
    )
    return shares


def _density(data: Inputs, options: SurfaceOptions) -> pd.Series:
    """Return the dwellings per hectare of each parcel of homes; parcels without a known density are left out."""
    parcels = data.parcels
    homes = parcels[parcels["land_use"] == "homes"] if "land_use" in parcels else parcels.iloc[:0]
    if data.property_points is not None:
        counts = _dwellings(homes, data.property_points)
        density = counts / (homes.geometry.area.to_numpy() / M2_PER_HA)
        return pd.Series(density, index=homes.index.astype(str))[counts > 0]
    if options.dwellings_per_ha is not None:
        return pd.Series(options.dwellings_per_ha, index=homes.index.astype(str), dtype=float)
    return pd.Series(dtype=float)


def _dwellings(homes: gpd.GeoDataFrame, points: gpd.GeoDataFrame) -> Floats:
    """Count the homes among the property points in each parcel."""
    if "use" in points:
        points = points[points["use"].isin(HOME_USES)]
    found, _ = shapely.STRtree(points.geometry.to_numpy()).query(homes.geometry.to_numpy(), predicate="intersects")
    return np.bincount(found, minlength=len(homes)).astype(np.float64)

"""The plain functions that a measure gets when it brings none of its own."""

from __future__ import annotations

from math import pi, sqrt
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from catchscreen.units import M2_PER_HA, MM_H_PER_M_S

if TYPE_CHECKING:
    from catchscreen.measures.contract import Variant

GRAVITY_M_S2 = 9.81
DISCHARGE_COEFFICIENT = 0.6
SMALLEST_HOLE_MM = 20.0
"""A protected outlet hole smaller than this blocks (common practice)."""
HALF_EMPTYING_H = 24.0
"""A store should be half empty within a day, to be ready for the next storm (U.K. local practice)."""
HALF_EMPTYING_FACTOR = 2.0 * (1.0 - sqrt(0.5))
"""Full store over outflow at full head, times this, is the time to half-empty by an orifice."""


def orifice_l_s(hole_mm: float, head_m: float) -> float:
    """Give the flow through a round hole, C_d a sqrt(2 g h), in l/s.

    Examples
    --------
    >>> round(orifice_l_s(50.0, 0.35), 1)
    3.1
    """
    area_m2 = pi * (hole_mm / 1000.0) ** 2 / 4.0
    return DISCHARGE_COEFFICIENT * area_m2 * sqrt(2.0 * GRAVITY_M_S2 * max(head_m, 0.0)) * 1000.0


def whole_patches(patches: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Make each patch one host, whole."""
    hosts = patches[["geometry"]].copy()
    hosts["host_area_m2"] = patches["area_m2"].astype(float)
    return gpd.GeoDataFrame(hosts, geometry="geometry", crs=patches.crs)


def outlet_rate_mm_h(options: pd.DataFrame, l_s_ha: float, void_mm: pd.Series, head_m: float) -> pd.Series:
    """Give the outflow at full head, mm/h over the host.

    The greatest of the rate per hectare drained, of what half-empties the store within a day, and of the smallest
    hole that
    does not block.
    """
    host_m2 = options["host_area_m2"].to_numpy(float)
    drained_m2 = host_m2 + options["run_on_area_m2"].to_numpy(float)
    by_area = l_s_ha * drained_m2 / M2_PER_HA * 3600.0 / host_m2
    by_time = HALF_EMPTYING_FACTOR * void_mm.to_numpy(float) / HALF_EMPTYING_H
    by_hole = orifice_l_s(SMALLEST_HOLE_MM, head_m) * 3600.0 / host_m2
    return pd.Series(np.maximum.reduce([by_area, by_time, by_hole]), index=options.index)


def plain_store(options: pd.DataFrame, variant: Variant, depth_mm: float) -> pd.DataFrame:
    """Give the parameters of a layer of voids under a surface that lets rain through.

    Parameters
    ----------
    options : index option_id; host_area_m2, run_on_area_m2, base_area_m2, q_m_s, q_design_m_s, store_fraction (what
    the slope
        leaves of the store), outlet_to.
    variant : the variant of all these options.
    depth_mm : thickness of the store.

    Returns
    -------
    DataFrame
        Same index, one column per array field of ``records.Stores``.
    """
    void_mm = depth_mm * variant.void_fraction * options["store_fraction"]
    soaks = 0.0 if variant.soaks == "none" else 1.0
    outlet: pd.Series | float = 0.0
    if variant.soaks != "all":
        outlet = outlet_rate_mm_h(options, variant.outlet_l_s_ha, void_mm, depth_mm / 1000.0)
    return pd.DataFrame(
        {
            "wetting_mm": variant.wetting_mm,
            "intake_mm_h": variant.intake_mm_h,
            "substrate_mm": 0.0,
            "substrate_start_fraction": 0.0,
            "evaporation_factor": variant.evaporation_factor,
            "void_mm": void_mm,
            "sill_mm": void_mm * (1.0 if variant.soaks == "all" else variant.sill_fraction),
            "outlet_exponent": variant.outlet_exponent,
            "outlet_mm_h": outlet,
            "soak_design_mm_h": options["q_design_m_s"].fillna(0.0) * MM_H_PER_M_S * soaks,
            "soak_mean_mm_h": options["q_m_s"].fillna(0.0) * MM_H_PER_M_S * soaks,
        },
        index=options.index,
    )


def plain_layers(sized: pd.DataFrame, variant: Variant) -> pd.DataFrame:
    """List the layers of each sized option: the variant's own, the store's with the depth that was chosen.

    Returns
    -------
    DataFrame
        option_id, layer_number (1 at the top), product, thickness_mm, area_m2.
    """
    rows = []
    for number, layer in enumerate(variant.layers, start=1):
        part = pd.DataFrame({"option_id": sized.index})
        part["layer_number"] = number
        part["product"] = layer.product
        part["thickness_mm"] = sized["depth_mm"].to_numpy() if layer.thickness_mm is None else layer.thickness_mm
        part["area_m2"] = sized["host_area_m2"].to_numpy()
        rows.append(part)
    columns = ["option_id", "layer_number", "product", "thickness_mm", "area_m2"]
    return pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=columns)

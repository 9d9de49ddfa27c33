"""Where the material could come from: suitable supply points, the haul, and how much of the yearly need they cover."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.options import MeasureOptions
from catchscreen.records import Inputs, Proposals


def list_supply(data: Inputs) -> pd.DataFrame | None:
    """List the supply points: index supply_id; x, y, product, tonnes_per_year (NaN: unknown); None without any."""
    points = data.supply_points
    if points is None or len(points) == 0:
        return None
    centre = shapely.centroid(points.geometry.to_numpy())
    frame = pd.DataFrame({"x": shapely.get_x(centre), "y": shapely.get_y(centre)}, index=points.index.astype(str))
    frame["product"] = points["product"].fillna("").astype(str).to_numpy() if "product" in points else ""
    frame["tonnes_per_year"] = np.nan
    if "tonnes_per_year" in points:
        frame["tonnes_per_year"] = pd.to_numeric(points["tonnes_per_year"], errors="coerce").to_numpy(float)
    return frame.sort_index()


def suits(product: str, ground: str, options: MeasureOptions) -> bool:
    """Tell whether a product serves a ground: one of the ground's words stands in its name, or it names no product."""
    low = product.strip().lower()
    return not low or any(word in low for word in options.supply_words.get(ground, ()))


def add_supply(hosts: gpd.GeoDataFrame, data: Inputs, options: MeasureOptions) -> None:
    """Add the haul from the nearest suitable supply point [km], straight distance times a factor, and that point.

    Equally near points: the first by id. NaN where no point suits.
    """
    hosts["supply_km"] = np.nan
    hosts["supply_id"] = ""
    points = list_supply(data)
    if points is None:
        return
    for ground in ("paved", "roof", "pitch"):
        rows = np.flatnonzero((hosts["ground"] == ground).to_numpy())
        fit = points[[suits(name, ground, options) for name in points["product"]]]
        if rows.size == 0 or len(fit) == 0:
            continue
        away = _straight_m(hosts.iloc[rows], fit)
        nearest = away.argmin(axis=1)
        hosts.iloc[rows, hosts.columns.get_loc("supply_km")] = away.min(axis=1) * options.haul_factor / 1000.0
        hosts.iloc[rows, hosts.columns.get_loc("supply_id")] = fit.index.to_numpy(dtype=object)[nearest]


def cover_supply(sized: pd.DataFrame, tonnes: pd.Series, proposals: Proposals, options: MeasureOptions) -> pd.DataFrame:
    """Say how much of the tonnes needed in a year the sources within a chosen haul of each site could cover.

    The need is that of every candidate's first admissible variant, spread over ``supply_years``; a source serves the
    ground whose words its product names.

    Returns
    -------
    DataFrame
        Index option_id; supply_tonnes_per_yr, supply_need_t_per_yr, supply_cover_fraction (0..1). NaN where no source
        says how much it gives.
    """
    frame = pd.DataFrame({"supply_tonnes_per_yr": np.nan, "supply_need_t_per_yr": np.nan}, index=sized.index)
    frame["supply_need_t_per_yr"] = sized["ground"].map(_yearly_need(sized, tonnes, proposals, options))
    points = proposals.supply
    if points is not None and points["tonnes_per_year"].notna().any():
        for ground in sorted(set(sized["ground"])):
            rows = (sized["ground"] == ground).to_numpy()
            fit = points[[suits(name, ground, options) for name in points["product"]]]
            fit = fit[fit["tonnes_per_year"].notna()]
            near = _straight_m(sized[rows], fit) * options.haul_factor <= options.supply_haul_km * 1000.0
            frame.loc[rows, "supply_tonnes_per_yr"] = near @ fit["tonnes_per_year"].to_numpy(float)
    need = frame["supply_need_t_per_yr"]
    share = (frame["supply_tonnes_per_yr"] / need.where(need > 0.0)).clip(upper=1.0)
    frame["supply_cover_fraction"] = share.astype(float)
    return frame


def _yearly_need(
    sized: pd.DataFrame, tonnes: pd.Series, proposals: Proposals, options: MeasureOptions
) -> dict[str, float]:
    """Give the tonnes a year by ground, each candidate counted once, by its most wished variant that can be built."""
    order = {(m.name, v.name): place for m in proposals.measures for place, v in enumerate(m.variants)}
    place = [order[key] for key in zip(sized["measure"], sized["variant"], strict=True)]
    table = pd.DataFrame(
        {"candidate": sized["candidate_id"], "ground": sized["ground"], "place": place, "tonnes": tonnes}
    )[sized["admissible"].to_numpy(bool)]
    first = table.sort_values(["candidate", "place"], kind="stable").drop_duplicates("candidate")
    return {str(k): float(v) for k, v in (first.groupby("ground")["tonnes"].sum() / options.supply_years).items()}


def _straight_m(sites: pd.DataFrame, points: pd.DataFrame) -> np.ndarray:
    """Give straight distances [m], sites by points."""
    east = sites["inner_x"].to_numpy(float)[:, None] - points["x"].to_numpy(float)
    north = sites["inner_y"].to_numpy(float)[:, None] - points["y"].to_numpy(float)
    return np.hypot(east, north)

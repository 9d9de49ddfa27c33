"""Hosts: where a measure could stand, on paved ground, roofs and pitches, each with an id that stays."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.measures.asking import ask
from catchscreen.measures.contract import Measure
from catchscreen.measures.surroundings import mend
from catchscreen.options import MeasureOptions
from catchscreen.records import Cover, Inputs

CODE_CELL_M = 5.0
UNKNOWN_COVER_SHARES = {"paved": (0.2, 0.4, 0.6), "roof": (0.1, 0.3, 0.5)}
"""Share of the impermeable area that is usable paved ground or roof where cover is unknown (from memory)."""
OPEN_GROUND = ("park", "pitch", "open", "railway", "highway")
"""Land uses on which no roof is supposed where cover is unknown."""
LEAST_PITCH_M2 = 25.0
"""A smaller part of a mapped pitch is where the map and the parcels do not quite meet."""
CARRIED = (
    "parcel_id",
    "ground",
    "cover_class",
    "width_m",
    "building_id",
    "slope_fraction",
    "zone_id",
    "soil_id",
    "subcatchment_id",
    "hollow_id",
    "pitch_deg",
    "flat_fraction",
    "plane_error_m",
    "height_m",
    "usable_area_m2",
    "roof_state",
    "area_m2",
)
TEXTS = (
    "parcel_id",
    "ground",
    "cover_class",
    "building_id",
    "zone_id",
    "soil_id",
    "subcatchment_id",
    "hollow_id",
    "roof_state",
)


def find_hosts(data: Inputs, cover: Cover, measures: Sequence[Measure], options: MeasureOptions) -> gpd.GeoDataFrame:
    """Ask each measure for its hosts and name them.

    Returns
    -------
    GeoDataFrame
        Index candidate_id; parcel_id, patch_id, measure, ground, host_area_m2 with low and high, what the patch says of
        itself, inner_x, inner_y; geometry (None where cover is unknown).

    Raises
    ------
    MeasureFailed
        When a measure's host function raises or breaks the contract and the brief says to stop.
    """
    patches = _whole(cover.patches)
    pitches = find_pitches(data, cover)
    unknown = _parcels_of_unknown_cover(data, cover)
    parts = []
    for measure in measures:
        of_ground = pitches if measure.ground == "pitch" else patches[patches["ground"] == measure.ground]
        own = _hosts_of(measure, of_ground, options)
        if own is None:
            continue
        parts.append(own)
        blind = unknown[~unknown["is_open"]] if measure.ground == "roof" else unknown
        if measure.ground in UNKNOWN_COVER_SHARES and len(blind):
            parts.append(_unknown_hosts(measure, blind))
    filled = [part for part in parts if len(part)] or parts[:1]
    hosts = gpd.GeoDataFrame(pd.concat(filled, ignore_index=True), geometry="geometry", crs=data.crs)
    hosts.index = pd.Index(name_hosts(hosts), name="candidate_id")
    return hosts.sort_index()


def name_hosts(hosts: pd.DataFrame) -> list[str]:
    """Make ids of the parcel, the ground, the measure and the host's inner point on a 5 m grid.

    Of two hosts in one cell the smaller one gets a letter, then by the point's y and x.
    """
    east = np.floor(hosts["inner_x"] / CODE_CELL_M).astype(np.int64)
    north = np.floor(hosts["inner_y"] / CODE_CELL_M).astype(np.int64)
    base = (
        hosts["parcel_id"].astype(str)
        + "-"
        + hosts["ground"]
        + "-"
        + hosts["measure"]
        + "-"
        + east.astype(str)
        + "_"
        + north.astype(str)
    )
    order = pd.DataFrame({"base": base, "area": -hosts["host_area_m2"], "y": hosts["inner_y"], "x": hosts["inner_x"]})
    order = order.sort_values(["base", "area", "y", "x"], kind="stable")
    place = order.groupby("base", sort=False).cumcount().reindex(hosts.index)
    return [name + (_letters(number) if number else "") for name, number in zip(base, place, strict=True)]


def find_pitches(data: Inputs, cover: Cover) -> gpd.GeoDataFrame:
    """Take mapped pitches, else parcels whose use is a pitch, less roofs and paving, as patches of ground "pitch"."""
    columns: dict[str, list[str]] = {"parcel_id": [], "ground": [], "area_m2": []}
    mapped = data.land_cover
    if isinstance(mapped, gpd.GeoDataFrame) and "ground_use" in mapped:
        found = mapped.loc[mapped["ground_use"] == "pitch", ["geometry"]]
        if len(found):
            cut = gpd.overlay(
                found, data.parcels[["geometry"]].rename_axis("parcel_id").reset_index(), keep_geom_type=True
            )
            return _patches_from(_open_ground(cut, cover), data)
    if "land_use" in data.parcels:
        whole = data.parcels.loc[data.parcels["land_use"] == "pitch", ["geometry"]]
        return _patches_from(_open_ground(whole.rename_axis("parcel_id").reset_index(), cover), data)
    return gpd.GeoDataFrame(columns, geometry=[], crs=data.crs)


def _open_ground(pitches: gpd.GeoDataFrame, cover: Cover) -> gpd.GeoDataFrame:
    """Take roofs, roads and paving out of pitches: a map draws the pitch on beneath them."""
    hard = cover.surfaces.geometry[cover.surfaces["kind"].isin(["roof", "road", "paved"])]
    shapes = mend(pitches.geometry.to_numpy())
    pitch, other = shapely.STRtree(hard.to_numpy()).query(shapes, predicate="intersects")
    for place in np.unique(pitch):
        taken = shapely.union_all(hard.to_numpy()[other[pitch == place]])
        shapes[place] = shapely.difference(shapes[place], taken)
    open_ground = pitches.set_geometry(gpd.GeoSeries(mend(shapes), index=pitches.index, crs=pitches.crs))
    return open_ground[open_ground.area >= LEAST_PITCH_M2]


def _patches_from(cut: gpd.GeoDataFrame, data: Inputs) -> gpd.GeoDataFrame:
    quarter = 0.25 * cut.length
    # The width of the rectangle of equal area and outline, as for paved ground.
    width = quarter - np.sqrt(np.maximum(quarter**2 - cut.area, 0.0))
    cut = cut.assign(parcel_id=cut["parcel_id"].astype(str), ground="pitch", area_m2=cut.area, width_m=width)
    cut = cut.sort_values(["parcel_id", "area_m2"], kind="stable").reset_index(drop=True)
    number = cut.groupby("parcel_id").cumcount().astype(str)
    cut.index = pd.Index(cut["parcel_id"] + "-pitch-" + number, name="patch_id")
    return _whole(gpd.GeoDataFrame(cut, geometry="geometry", crs=data.crs))


def _whole(patches: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Fill the columns that a patch may lack, so that every measure sees the same table."""
    frame = patches.copy()
    frame["geometry"] = mend(frame.geometry.to_numpy())
    for name in CARRIED:
        if name not in frame:
            frame[name] = "" if name in TEXTS else np.nan
        elif name in TEXTS:
            frame[name] = frame[name].fillna("").astype(str)
    return frame


def _hosts_of(measure: Measure, patches: gpd.GeoDataFrame, options: MeasureOptions) -> gpd.GeoDataFrame | None:
    """Call the measure's own function on a copy and join what the patch says of itself."""

    def fault_of(hosts: gpd.GeoDataFrame) -> str:
        if not hosts.index.isin(patches.index).all() or not hosts.index.is_unique:
            return "hosts must keep the patches' index"
        if "host_area_m2" not in hosts or not (hosts["host_area_m2"] > 0.0).all():
            return "each host needs a positive host_area_m2"
        return ""

    hosts = ask(measure, "hosts", lambda: measure.hosts(patches.copy()), fault_of, options)
    if hosts is None:
        return None
    carried = patches.loc[hosts.index, list(CARRIED)]
    table = carried.assign(measure=measure.name, patch_id=hosts.index.astype(str), ground=measure.ground)
    for bound in ("", "low_", "high_"):
        column = f"host_area_{bound}m2"
        table[column] = hosts[column].astype(float) if column in hosts else hosts["host_area_m2"].astype(float)
    inner = shapely.point_on_surface(hosts.geometry.to_numpy())
    table["inner_x"], table["inner_y"] = shapely.get_x(inner), shapely.get_y(inner)
    return gpd.GeoDataFrame(table, geometry=hosts.geometry, crs=patches.crs)


def _parcels_of_unknown_cover(data: Inputs, cover: Cover) -> pd.DataFrame:
    """Find parcels of which most is of unknown cover: their impermeable area is a range, its place unknown."""
    surfaces = cover.surfaces[cover.surfaces["parcel_id"] != ""]
    area = surfaces.groupby("parcel_id")["area_m2"].sum()
    blind = surfaces[surfaces["kind"] == "unknown"]
    share = blind.groupby("parcel_id")["area_m2"].sum().reindex(area.index, fill_value=0.0) / area
    names = share.index[share > 0.5]
    blind = blind[blind["parcel_id"].isin(names)]
    table = pd.DataFrame(index=pd.Index(sorted(names), name="parcel_id"))
    for bound in ("low_", "", "high_"):
        weighted = blind["area_m2"] * blind[f"impermeable_{bound}fraction"]
        table[f"impermeable_{bound}m2"] = weighted.groupby(blind["parcel_id"]).sum().reindex(table.index)
    inner = shapely.point_on_surface(data.parcels.geometry.reindex(table.index).to_numpy())
    table["inner_x"], table["inner_y"] = shapely.get_x(inner), shapely.get_y(inner)
    table["is_open"] = data.parcels["land_use"].reindex(table.index).isin(OPEN_GROUND).to_numpy()
    return table[table["impermeable_high_m2"] > 0.0]


def _unknown_hosts(measure: Measure, parcels: pd.DataFrame) -> gpd.GeoDataFrame:
    low, mid, high = UNKNOWN_COVER_SHARES[measure.ground]
    table = pd.DataFrame({name: "" if name in TEXTS else np.nan for name in CARRIED}, index=parcels.index)
    table = table.assign(parcel_id=parcels.index.astype(str), patch_id="", measure=measure.name, ground=measure.ground)
    table["host_area_low_m2"] = parcels["impermeable_low_m2"] * low
    table["host_area_m2"] = parcels["impermeable_m2"] * mid
    table["host_area_high_m2"] = parcels["impermeable_high_m2"] * high
    table["area_m2"] = table["host_area_m2"]
    table["inner_x"], table["inner_y"] = parcels["inner_x"], parcels["inner_y"]
    return gpd.GeoDataFrame(table, geometry=np.full(len(table), None, dtype=object))


def _letters(number: int) -> str:
    """Write 1 as b, 2 as c, ... 26 as ba: the first host of a cell has none."""
    text = ""
    while number:
        number, rest = divmod(number, 26)
        text = chr(ord("a") + rest) + text
    return text

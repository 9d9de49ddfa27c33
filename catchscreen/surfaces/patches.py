"""Patches: contiguous paved ground and roof of one parcel, wide enough to be worth a look."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.options import SurfaceOptions
from catchscreen.records import Inputs, Terrain
from catchscreen.surfaces._kernels.coverage import mean_under
from catchscreen.surfaces.coverage import pack_in_cells
from catchscreen.surfaces.ledger import divide_surfaces, largest_share
from catchscreen.surfaces.overlay import (
    Floats,
    Ints,
    Shapes,
    in_threads,
    polygonal,
    runs_of,
    settled,
    unions_of_runs,
)
from catchscreen.units import TICKS_PER_M

ID_GRID_M = 5.0
"""A patch is named by the square of this side in which its inner point lies."""

SLIT_M = 0.001
"""Gaps narrower than this are where layers do not quite meet."""

WIDTH_TOLERANCE_M = 1e-4
"""Ground exactly as wide as the least width counts as wide enough."""


def find_patches(
    surfaces: pd.DataFrame, data: Inputs, land: Terrain, options: SurfaceOptions, origin: tuple[float, float]
) -> pd.DataFrame:
    """Find the paved and roof patches of all parcels.

    Parameters
    ----------
    surfaces : index surface_id; shape relative to ``origin``, parcel_id, kind, cover_class, ground_use, building_id

    Returns
    -------
    pandas.DataFrame
        Index patch_id; shape, geometry (the same in place), parcel_id, ground ("paved", "roof"), cover_class (of most
        ground), ground_use, is_road, is_adopted, building_id, area_m2, width_m (of the rectangle of equal area and
        outline), slope_fraction, ground_level_m, and zone_id, soil_id, subcatchment_id, hollow_id of the largest share.
    """
    inside = surfaces[surfaces["parcel_id"] != ""]
    paved = _paved(inside[inside["kind"].isin(["paved", "road"])], options)
    roofs = _roofs(inside[inside["kind"] == "roof"])
    patches = pd.concat([paved, roofs], ignore_index=True)
    shapes = patches["shape"].to_numpy(object)
    patches["area_m2"] = shapely.area(shapes)
    patches = patches[patches["area_m2"] >= options.patch_min_area_m2].reset_index(drop=True)
    patches["shape"], patches["geometry"] = settled(patches["shape"].to_numpy(object), origin)
    patches = _name(patches, origin)
    shapes = patches["shape"].to_numpy(object)
    patches["width_m"] = mean_width_m(shapes)
    patches["slope_fraction"] = mean_of(shapes, land.slope_fraction.astype(np.float64), land, origin)
    patches["ground_level_m"] = mean_of(shapes, ground_levels(data), land, origin)
    rows = divide_surfaces(patches.rename_axis("surface_id"), data, land, origin)
    for name in ("zone_id", "soil_id", "subcatchment_id", "hollow_id"):
        patches[name] = largest_share(rows, "surface_id", name).reindex(patches.index).fillna("")
    return patches


def ground_levels(data: Inputs) -> Floats:
    """Return the ground level [m] of each cell as it was given, NaN where there is none."""
    return np.where(data.ground_valid, data.ground_ticks / TICKS_PER_M, np.nan)


def mean_of(shapes: Shapes, values: Floats, land: Terrain, origin: tuple[float, float]) -> Floats:
    """Return the mean of a raster under each shape, weighted by exact coverage."""
    packed = pack_in_cells(shapes, land.grid, origin)
    return mean_under(packed.xy, packed.ring_start, packed.polygon_start, packed.bounds, np.ascontiguousarray(values))


def _paved(surfaces: pd.DataFrame, options: SurfaceOptions) -> pd.DataFrame:
    """Join paved ground of one parcel and use, and keep the parts that are wide enough."""
    surfaces = surfaces.assign(is_road=surfaces["kind"] == "road")
    keys = ["parcel_id", "is_road", "is_adopted", "ground_use"]
    group = surfaces.groupby(keys, sort=True).ngroup().to_numpy()
    # Within a group the class of most ground comes first, of equals the first by name: it names the patch.
    surfaces = surfaces.assign(group=group)
    sums = surfaces.groupby(["group", "cover_class"], sort=True)["area_m2"].transform("sum").to_numpy()
    order = np.lexsort((surfaces["cover_class"].to_numpy(str), -sums, group))
    surfaces = surfaces.iloc[order]
    starts, ends = runs_of(group[order].astype(np.int64))
    joined, number = shapely.get_parts(
        unions_of_runs(surfaces["shape"].to_numpy(object), starts, ends), return_index=True
    )
    large = shapely.area(joined) >= options.patch_min_area_m2
    part, parts = wide_parts(joined[large], options.patch_min_width_m)
    number = number[large][part]
    table = surfaces.iloc[starts][[*keys, "cover_class"]].reset_index(drop=True)
    return table.iloc[number].assign(ground="paved", building_id="", shape=parts)


def wide_parts(shapes: Shapes, width_m: float) -> tuple[Ints, Shapes]:
    """Return the parts of each shape that a disc of the width can sweep, corners kept, and the shape's number."""
    half = 0.5 * width_m - WIDTH_TOLERANCE_M

    def sweep(part: Shapes) -> Shapes:
        # Where an outline begins is chance, but the buffer minds it in its last digits.
        part = shapely.normalize(part)
        core = shapely.buffer(part, -half, join_style="mitre")
        swept = shapely.buffer(core, half + 2.0 * WIDTH_TOLERANCE_M, join_style="mitre", mitre_limit=2.0)
        return np.asarray(shapely.intersection(part, swept), dtype=object)

    parts, number = shapely.get_parts(polygonal(in_threads(sweep, shapes)), return_index=True)
    kept = shapely.area(parts) > 0.0
    return number[kept].astype(np.int64), parts[kept]


def _roofs(surfaces: pd.DataFrame) -> pd.DataFrame:
    """Each contiguous part of a roof in a parcel is a patch."""
    parts, number = shapely.get_parts(surfaces["shape"].to_numpy(object), return_index=True)
    table = surfaces.iloc[number][["parcel_id", "cover_class", "building_id"]].reset_index(drop=True)
    return table.assign(ground="roof", ground_use="", is_road=False, is_adopted=False, shape=parts)


def _name(patches: pd.DataFrame, origin: tuple[float, float]) -> pd.DataFrame:
    """Name each patch by parcel, ground and place; of two in one square the smaller, then by y and x, gets a letter."""
    shapes = patches["shape"].to_numpy(object)
    inner = shapely.get_coordinates(shapely.point_on_surface(shapes)) + np.array(origin)
    square = np.floor(inner.reshape(-1, 2) / ID_GRID_M).astype(np.int64)
    order = np.lexsort((inner[:, 0], inner[:, 1], -patches["area_m2"].to_numpy(float)))
    patches, square = patches.iloc[order].reset_index(drop=True), square[order]
    codes = pd.Series([f"{x}-{y}" for x, y in square], dtype=object)
    names = patches["parcel_id"] + "." + patches["ground"] + "." + codes
    count = names.groupby(names).cumcount()
    patches.index = pd.Index([n if k == 0 else f"{n}{_letters(k)}" for n, k in zip(names, count, strict=True)])
    return patches.rename_axis("patch_id").sort_index(kind="stable")


def _letters(number: int) -> str:
    """Return a, b, ..., z, aa, ab, ... for 1, 2, ..."""
    text = ""
    while number:
        number, digit = divmod(number - 1, 26)
        text = chr(ord("a") + digit) + text
    return text


def mean_width_m(shapes: Shapes) -> Floats:
    """Return the width [m] of the rectangle that has each shape's area and outline (else a quarter of the outline).

    Slits narrower than a millimetre, where layers do not quite meet, do not count as outline.
    """
    shapes = shapes.copy()
    slit = np.flatnonzero(shapely.length(shapes) > 1.001 * shapely.length(shapely.convex_hull(shapes)))
    closed = in_threads(lambda part: shapely.set_precision(part, SLIT_M), shapes[slit])
    shapes[slit] = np.where(shapely.is_empty(closed), shapes[slit], closed)
    quarter = 0.25 * shapely.length(shapes)
    return quarter - np.sqrt(np.maximum(quarter**2 - shapely.area(shapes), 0.0))


def as_layer(table: pd.DataFrame, data: Inputs) -> gpd.GeoDataFrame:
    """Return a table of shapes that were settled as a layer in the result's CRS, its geometry last."""
    attributes = table.drop(columns=["shape", "geometry"])
    return gpd.GeoDataFrame(attributes, geometry=table["geometry"].to_numpy(object), crs=data.crs)

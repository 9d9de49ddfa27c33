"""Buildings from the surface model where no footprints are given: regions of enough height and area that lie on planes.

Tree crowns are the known confusion: they are as high as houses but rough, so only cells on a fitted plane count. Dense,
clipped crowns can still pass for a roof, and roofs under trees are missed: what is derived is marked and to be checked.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.options import SurfaceOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs, Raster
from catchscreen.rings import label_regions, polygons_of_regions
from catchscreen.surfaces.overlay import Floats, Ints, Shapes
from catchscreen.surfaces.planes import Windows, fit_planes
from catchscreen.units import TICKS_PER_M

MIN_PLANE_M2 = 10.0
"""Planes smaller than this are found on crowns, too."""
SMALL_PLANES = 32
"""Regions with room for no more planes than this are fitted together."""
HOLE_M2 = 16.0
"""Holes up to this in a roof are plant, rooflights or noise, and are filled."""
ID_GRID_M = 5.0


def height_above_ground(data: Inputs, model: Raster) -> Floats:
    """Return how far the surface model stands above the ground [m], NaN where either is unknown."""
    ground = np.where(data.ground_valid, data.ground_ticks / TICKS_PER_M, np.nan).ravel()
    rows, cols = model.grid.shape
    x, y = model.grid.xy_of_cells(np.arange(cols))[0], model.grid.xy_of_cells(np.arange(rows) * cols)[1]
    # A column of the model lies in one column of the ground, a row in one row: no cell needs to be asked alone.
    middle = data.grid.xy_of_cells(np.zeros(1, np.int64))
    col = data.grid.cells_of_xy(x, np.full(cols, middle[1][0]))
    row = data.grid.cells_of_xy(np.full(rows, middle[0][0]), y)
    level = ground[np.maximum(row, 0)[:, None] + np.maximum(col, 0)]
    level[row < 0] = np.nan
    level[:, col < 0] = np.nan
    return np.where(model.valid, model.values - level, np.nan)


def derive_buildings(data: Inputs, options: SurfaceOptions, run: Run) -> gpd.GeoDataFrame | None:
    """Derive footprints, where none are given and a surface model is; None where there is nothing to derive from.

    Returns
    -------
    geopandas.GeoDataFrame
        Index building_id ("derived." and the place); polygons, height_m (median above the ground), derived_from.
    """
    model = data.surface_model
    if data.buildings is not None or model is None or not options.derive_buildings or _has_roofs(data):
        return None
    height = height_above_ground(data, model)
    with np.errstate(invalid="ignore"):
        tall = height >= options.derived_min_height_m
    regions = _regions(tall, options.derived_min_area_m2 / model.grid.cell_area_m2)
    on_plane = _on_planes(regions, model, options)
    kept = _regions(on_plane, options.derived_min_area_m2 / model.grid.cell_area_m2)
    shapes, heights = _footprints(kept, height, model)
    _report(shapes, int(tall.sum()) - int((kept >= 0).sum()), model, options, run)
    table = gpd.GeoDataFrame(
        {"height_m": heights, "derived_from": "surface_model"}, geometry=list(shapes), index=_ids(shapes), crs=data.crs
    )
    return table.rename_axis("building_id").sort_index(kind="stable")


def _has_roofs(data: Inputs) -> bool:
    """Say whether a land-cover layer shows roofs already."""
    if isinstance(data.land_cover, Raster):
        return "roof" in data.cover_classes.values()
    return data.land_cover is not None and bool((data.land_cover["cover_class"] == "roof").any())


def _regions(mask: NDArray[np.bool_], least_cells: float) -> Ints:
    """Return the number of each cell's side-connected region, -1 outside and where it has too few cells."""
    label, _ = label_regions(np.where(mask, 0, -1))
    size = np.bincount(label[label >= 0])
    number = np.where(size >= least_cells, np.cumsum(size >= least_cells) - 1, -1)
    return np.append(number, -1)[label].astype(np.int64)


def _boxes(label: Ints) -> Ints:
    """Return (n, 4) first row, first col, rows, cols around each region."""
    row, col = np.nonzero(label >= 0)
    number = label[row, col]
    count = int(label.max(initial=-1)) + 1
    low = np.full((count, 2), max(label.shape), np.int64)
    high = np.full((count, 2), -1, np.int64)
    for axis, value in enumerate((row, col)):
        np.minimum.at(low[:, axis], number, value)
        np.maximum.at(high[:, axis], number, value)
    return np.column_stack([low, high - low + 1])


def _on_planes(label: Ints, model: Raster, options: SurfaceOptions) -> NDArray[np.bool_]:
    """Mark the cells of the regions that lie on a plane large enough for a roof."""
    held = np.zeros(label.shape, dtype=bool)
    box = _boxes(label)
    least = max(6, int(np.ceil(MIN_PLANE_M2 / model.grid.cell_area_m2)))
    most = np.maximum(SMALL_PLANES, np.bincount(label[label >= 0], minlength=len(box)) // least)
    # A terrace or a town block is one region of hundreds of planes: such are fitted one by one, the small together.
    small = np.flatnonzero(most == SMALL_PLANES)
    for regions in [small, *np.flatnonzero(most > SMALL_PLANES)[:, None]]:
        if regions.size:
            _hold_planes(held, (label, box, regions), model, (least, int(most[regions].max())), options)
    return held


def _hold_planes(
    held: NDArray[np.bool_],
    chosen: tuple[Ints, Ints, Ints],
    model: Raster,
    limits: tuple[int, int],
    options: SurfaceOptions,
) -> None:
    """Mark the cells of some regions (labels, boxes, their numbers) that lie on planes; ``limits``: cells, planes."""
    label, box, regions = chosen
    box = box[regions]
    start = np.r_[0, np.cumsum(box[:, 2] * box[:, 3])].astype(np.int64)
    empty = np.zeros(int(start[-1]))
    windows = Windows(box, start, empty, empty)
    number = windows.number
    place = box[number, 0] + windows.row, box[number, 1] + windows.col
    level = np.where(model.valid[place], model.values[place], 0.0).astype(np.float64)
    inside = np.ascontiguousarray(label[place] == regions[number])
    cell = (model.grid.cell_width_m, model.grid.cell_height_m)
    windows = Windows(box, start, level, empty)
    fits = fit_planes(windows, inside, cell, options.roof_max_plane_error_m, limits[0], limits[1])
    on_plane = inside & (fits.plane_of >= 0)
    held[place[0][on_plane], place[1][on_plane]] = True


def _footprints(label: Ints, height: Floats, model: Raster) -> tuple[Shapes, Floats]:
    """Return each region's outline and its median height; small holes are filled, cell steps smoothed to a cell."""
    shapes: list[shapely.Geometry] = []
    heights: list[float] = []
    for number, (top, left, rows, cols) in enumerate(_boxes(label)):
        part = np.s_[top : top + rows, left : left + cols]
        own = label[part] == number
        polygons, _ = polygons_of_regions(np.where(own, 0, -1), model.grid, (int(top), int(left)))
        shape = polygons[0]
        holes = [ring for ring in shape.interiors if shapely.Polygon(ring).area > HOLE_M2]
        shape = shapely.Polygon(shape.exterior, holes)
        shapes.append(shapely.simplify(shape, 0.75 * max(model.grid.cell_width_m, model.grid.cell_height_m)))
        heights.append(float(np.median(height[part][own])))
    return np.array(shapes, dtype=object), np.array(heights)


def _ids(shapes: Shapes) -> pd.Index:
    """Name each building by the square in which its inner point lies; of two in one the later gets a number."""
    inner = shapely.get_coordinates(shapely.point_on_surface(shapes)).reshape(-1, 2)
    square = np.floor(inner / ID_GRID_M).astype(np.int64)
    names = pd.Series([f"derived.{x}-{y}" for x, y in square], dtype=object)
    count = names.groupby(names).cumcount()
    return pd.Index([name if n == 0 else f"{name}.{n + 1}" for name, n in zip(names, count, strict=True)], dtype=object)


def _report(shapes: Shapes, left_out: int, model: Raster, options: SurfaceOptions, run: Run) -> None:
    """Say what was derived, how, and what it cannot tell."""
    run.note(
        DataIssue(
            severity="unknown",
            code="buildings_derived",
            role="buildings",
            message=f"no footprints are given: {len(shapes)} buildings of {shapely.area(shapes).sum():.0f} m2 are "
            f"derived from the surface model minus the ground model (at least {options.derived_min_height_m:g} m high, "
            f"{options.derived_min_area_m2:g} m2, on planes). {left_out * model.grid.cell_area_m2:.0f} m2 as high but "
            "rough or small are taken for trees. Dense crowns can pass for roofs, roofs under trees are missed, and "
            "edges are as coarse as the cells",
            cure="Give footprints; see each derived building on a map or on site before anything rests on it.",
        )
    )

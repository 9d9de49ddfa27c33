"""Roofs from the surface model: planes, pitch, height and the area that a green roof could use."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.options import SurfaceOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs, Raster
from catchscreen.surfaces._kernels.coverage import cover_window, window_of
from catchscreen.surfaces._kernels.planes import fit_planes
from catchscreen.surfaces.coverage import pack_in_cells
from catchscreen.surfaces.overlay import Floats, Packed

FLAT_DEG: Final = 10.0
"""Up to this pitch every kind of green roof can lie."""
STEEPEST_DEG: Final = 30.0
"""Steeper planes are no place for a green roof."""
MIN_HEIGHT_M: Final = 1.8
"""Lower than this above the ground, the surface model does not show the building."""
MIN_PLANE_FRACTION: Final = 0.6
"""With less of its cells on planes, what the surface model shows is no roof."""
MIN_PLANE_M2: Final = 6.0
PLANT_HEIGHT_M: Final = 0.3
CANOPY_FRACTION: Final = 0.4
COARSE_CELL_M: Final = 1.0
"""With larger cells plant and rooflights cannot be seen."""

COLUMNS: Final = (
    "pitch_deg",
    "aspect_deg",
    "flat_fraction",
    "plane_error_m",
    "plane_count",
    "height_m",
    "plant_fraction",
    "usable_area_m2",
)


@dataclass(frozen=True, slots=True)
class RoofFit:
    """What the surface model says of one roof; numbers are NaN and ``reason`` is filled where it says nothing."""

    numbers: dict[str, float]
    reason: str = ""


def describe_roofs(
    patches: pd.DataFrame, data: Inputs, options: SurfaceOptions, origin: tuple[float, float], run: Run
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Fit planes to every roof patch.

    Parameters
    ----------
    patches : index patch_id; shape relative to ``origin``, ground, area_m2, ground_level_m, building_id

    Returns
    -------
    patches : with pitch_deg, aspect_deg (downhill, clockwise from north), flat_fraction (planes up to 10 degrees),
        plane_error_m, plane_count, height_m, plant_fraction, usable_area_m2 (planes up to 30 degrees, without edge
        strip and what stands on no plane), roof_state ("fitted", "unknown", "" on the ground), roof_reason
    roofs : index building_id; the same of its largest part, and area_m2 and usable_area_m2 of all its parts
    """
    roof = (patches["ground"] == "roof").to_numpy()
    fits = _fit_all(patches[roof], data, options, origin)
    table = pd.DataFrame([fit.numbers for fit in fits], columns=list(COLUMNS), index=patches.index[roof], dtype=float)
    table["roof_reason"] = [fit.reason for fit in fits]
    table["roof_state"] = np.where(table["roof_reason"] == "", "fitted", "unknown")
    patches = patches.join(table)
    for name in ("roof_reason", "roof_state"):
        patches[name] = patches[name].astype(object).where(patches[name].notna(), "")
    if data.surface_model is None and roof.any():
        run.note(
            DataIssue(
                "unknown", "no_surface_model", "surface_model", "no surface model: roof pitch and height are unknown"
            )
        )
    return patches, _by_building(patches[roof])


def _by_building(roofs: pd.DataFrame) -> pd.DataFrame:
    """Sum up the parts of each building."""
    known = roofs[roofs["building_id"] != ""].sort_values("area_m2", ascending=False, kind="stable")
    columns = [*COLUMNS, "roof_state", "roof_reason", "area_m2"]
    table = known.drop_duplicates("building_id").set_index("building_id")[columns]
    sums = known.groupby("building_id")[["area_m2", "usable_area_m2"]].sum(min_count=1)
    table[["area_m2", "usable_area_m2"]] = sums.reindex(table.index)
    return table.sort_index(kind="stable")


def _fit_all(roofs: pd.DataFrame, data: Inputs, options: SurfaceOptions, origin: tuple[float, float]) -> list[RoofFit]:
    """Fit each roof patch in turn."""
    if data.surface_model is None:
        return [_unknown("no surface model")] * len(roofs)
    model = data.surface_model
    levels = np.where(model.valid, model.values, np.nan).astype(np.float64)
    shapes = roofs["shape"].to_numpy(object)
    inner = shapely.buffer(shapes, -options.roof_edge_strip_m, join_style="mitre")
    inner_area = shapely.area(inner)
    seen = np.flatnonzero(inner_area > 0.0)
    packed = pack_in_cells(inner[seen], model.grid, origin)
    place = dict(zip(seen.tolist(), range(seen.size), strict=True))
    reasons = _reasons_before(roofs, data, options, origin)
    ground = roofs["ground_level_m"].to_numpy(float)
    fits: list[RoofFit] = []
    for k in range(len(roofs)):
        if reasons[k]:
            fits.append(_unknown(reasons[k]))
        elif k not in place:
            fits.append(_unknown("narrower than its edge strips"))
        else:
            window = _window(packed, place[k], levels)
            fits.append(_fit_one(window, model, (ground[k], float(inner_area[k])), options))
    return fits


def _reasons_before(
    roofs: pd.DataFrame, data: Inputs, options: SurfaceOptions, origin: tuple[float, float]
) -> list[str]:
    """Say for which roofs the surface model cannot speak, whatever it shows."""
    reasons = pd.Series("", index=roofs.index, dtype=object)
    buildings = data.buildings
    if buildings is not None and "year_built" in buildings and options.surface_model_year is not None:
        built = pd.to_numeric(buildings["year_built"]).set_axis(buildings.index.astype(str))
        newer = (built.reindex(roofs["building_id"]) > options.surface_model_year).to_numpy(bool)
        reasons[newer] = "built after the surface model was flown"
    if data.trees is not None and not data.trees.empty:
        shapes = roofs["shape"].to_numpy(object)
        canopy = _canopy(data.trees, origin)
        covered = shapely.area(shapely.intersection(shapes, canopy)) / shapely.area(shapes)
        reasons[covered > CANOPY_FRACTION] = "tree canopy covers it"
    return reasons.to_list()


def _canopy(trees: gpd.GeoDataFrame, origin: tuple[float, float]) -> shapely.Geometry:
    """Return the ground under tree crowns: polygons as they are, points by their canopy radius."""
    radius = (
        pd.to_numeric(trees["canopy_m"]).fillna(0.0).to_numpy(float) if "canopy_m" in trees else np.zeros(len(trees))
    )
    shapes = trees.geometry.to_numpy()
    points = shapely.get_type_id(shapes) == 0
    crowns = np.where(points, shapely.buffer(shapes, np.where(points, radius, 0.0)), shapes)
    shift = np.array(origin)
    return shapely.transform(shapely.union_all(crowns), lambda xy: xy - shift)


@dataclass(frozen=True, slots=True)
class Window:
    """The surface model around one roof: levels, NaN cells included, and the cells that lie wholly or half in it."""

    levels: Floats
    counts: NDArray[np.bool_]


def _window(packed: Packed, number: int, levels: Floats) -> Window:
    """Cut out one roof's cells."""
    top, left, rows, cols = window_of(packed.bounds[number], levels.shape[0], levels.shape[1])
    rings = (int(packed.polygon_start[number]), int(packed.polygon_start[number + 1]))
    shares = np.abs(cover_window(packed.xy, packed.ring_start, rings, (top, left, rows, cols)))[:, :cols]
    part = np.ascontiguousarray(levels[top : top + rows, left : left + cols])
    return Window(part, (shares >= 0.5) & ~np.isnan(part))


def _unknown(reason: str) -> RoofFit:
    """Return a fit that says nothing but why."""
    return RoofFit(dict.fromkeys(COLUMNS, float("nan")), reason)


def _fit_one(window: Window, model: Raster, place: tuple[float, float], options: SurfaceOptions) -> RoofFit:
    """Fit one roof; ``place`` is its ground level [m] and its area inside the edge strip [m2]."""
    count = int(window.counts.sum())
    if count < options.roof_min_points:
        return _unknown(f"{count} points of the surface model, {options.roof_min_points} are needed")
    height = float(np.median(window.levels[window.counts])) - place[0]
    if height < MIN_HEIGHT_M:
        return _unknown(f"the surface model shows {height:.1f} m above the ground: no building, or another one")
    cell = (model.grid.cell_width_m, model.grid.cell_height_m)
    least = max(6, int(np.ceil(MIN_PLANE_M2 / model.grid.cell_area_m2)))
    tolerance = options.roof_max_plane_error_m
    plane_of, planes = fit_planes(window.levels, window.counts, cell, tolerance, least, 16)
    on_plane = (plane_of >= 0) & window.counts
    if on_plane.sum() < MIN_PLANE_FRACTION * count:
        share = 100.0 * on_plane.sum() / count
        return _unknown(f"only {share:.0f} % of it lies on planes: canopy, plant or noise in the surface model")
    numbers = _summary(window, plane_of, planes, cell)
    if numbers["plane_error_m"] > options.roof_max_plane_error_m:
        return _unknown(f"plane error {numbers['plane_error_m']:.2f} m: noise or canopy in the surface model")
    usable = numbers.pop("usable_fraction")
    if max(cell) > COARSE_CELL_M:
        numbers["plant_fraction"] = options.roof_plant_fraction
        usable *= 1.0 - options.roof_plant_fraction
    numbers["height_m"] = height
    numbers["usable_area_m2"] = place[1] * usable
    return RoofFit(numbers)


def _summary(
    window: Window, plane_of: NDArray[np.int64], planes: Floats, cell: tuple[float, float]
) -> dict[str, float]:
    """Return pitch and aspect of the plane with most cells, the flat share, the error, and the share of plant."""
    size = np.bincount(plane_of[plane_of >= 0], minlength=len(planes))
    pitch = np.degrees(np.arctan(np.hypot(planes[:, 0], planes[:, 1])))
    main = int(np.argmax(size))
    cells = float(window.counts.sum())
    return {
        "pitch_deg": float(pitch[main]),
        "aspect_deg": float(np.degrees(np.arctan2(-planes[main, 0], -planes[main, 1])) % 360.0),
        "flat_fraction": float(size[pitch <= FLAT_DEG].sum() / cells),
        "plane_error_m": float(np.sqrt((planes[:, 3] ** 2 * size).sum() / size.sum())),
        "plane_count": float(len(planes)),
        "plant_fraction": float(_plant_cells(window, plane_of, planes[main], cell).sum() / cells),
        "usable_fraction": float(size[pitch <= STEEPEST_DEG].sum() / cells),
    }


def _plant_cells(
    window: Window, plane_of: NDArray[np.int64], plane: Floats, cell: tuple[float, float]
) -> NDArray[np.bool_]:
    """Mark the cells on no plane that stand above or below the main plane: plant, rooflights, wells."""
    row, col = np.indices(window.counts.shape)
    level = plane[0] * col * cell[0] - plane[1] * row * cell[1] + plane[2]
    return window.counts & (plane_of < 0) & (np.abs(window.levels - level) > PLANT_HEIGHT_M)

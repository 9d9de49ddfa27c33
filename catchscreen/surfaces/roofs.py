"""Roofs from the surface model: planes, pitch, height and the area that a green roof could use."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.options import SurfaceOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs, Raster
from catchscreen.surfaces.coverage import pack_in_cells
from catchscreen.surfaces.overlay import Floats, Ints, in_threads
from catchscreen.surfaces.planes import PlaneFits, Windows, fit_planes, open_windows

Texts = NDArray[np.object_]

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
    table = _fit_all(patches[roof], data, options, origin)
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


def _fit_all(roofs: pd.DataFrame, data: Inputs, options: SurfaceOptions, origin: tuple[float, float]) -> pd.DataFrame:
    """Return the numbers of each roof patch, and why they are unknown where they are."""
    table = pd.DataFrame(np.nan, index=roofs.index, columns=list(COLUMNS))
    model = data.surface_model
    if model is None:
        return table.assign(roof_reason="no surface model")
    table["roof_reason"] = _reasons_before(roofs, data, options, origin)
    shapes = roofs["shape"].to_numpy(object)
    inner = in_threads(lambda part: shapely.buffer(part, -options.roof_edge_strip_m, join_style="mitre"), shapes)
    narrow = shapely.is_empty(inner) & (table["roof_reason"] == "").to_numpy()
    table.loc[narrow, "roof_reason"] = "narrower than its edge strips"
    rows = np.flatnonzero(table["roof_reason"] == "")
    levels = np.where(model.valid, model.values, np.nan).astype(np.float64)
    windows = open_windows(pack_in_cells(inner[rows], model.grid, origin), levels)
    ground = roofs["ground_level_m"].to_numpy(float)[rows]
    numbers, reasons = _fit_windows(windows, model, (ground, shapely.area(inner[rows])), options)
    table.iloc[rows, : len(COLUMNS)] = numbers[list(COLUMNS)].to_numpy(float)
    table.iloc[rows, len(COLUMNS)] = reasons
    return table


def _reasons_before(roofs: pd.DataFrame, data: Inputs, options: SurfaceOptions, origin: tuple[float, float]) -> Texts:
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
    return reasons.to_numpy(object)


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


def _fit_windows(
    windows: Windows, model: Raster, places: tuple[Floats, Floats], options: SurfaceOptions
) -> tuple[pd.DataFrame, Texts]:
    """Fit each roof; ``places`` are their ground levels [m] and areas inside the edge strip [m2]."""
    inside = (windows.share >= 0.5) & ~np.isnan(windows.level)
    number = windows.number
    count = np.bincount(number[inside], minlength=len(windows.box))
    height = _medians(windows.level[inside], number[inside], count) - places[0]
    few, low = count < options.roof_min_points, height < MIN_HEIGHT_M
    inside &= ~(few | low)[number]
    cell = (model.grid.cell_width_m, model.grid.cell_height_m)
    least = max(6, int(np.ceil(MIN_PLANE_M2 / model.grid.cell_area_m2)))
    fits = fit_planes(windows, inside, cell, options.roof_max_plane_error_m, least)
    with np.errstate(divide="ignore", invalid="ignore"):
        numbers = _summary(windows, inside, fits, cell)
        on_planes = fits.size.sum(axis=1) / count
    error = numbers["plane_error_m"].to_numpy(float)
    reasons = [
        (few, [f"{n} points of the surface model, {options.roof_min_points} are needed" for n in count]),
        (low, [f"the surface model shows {h:.1f} m above the ground: no building, or another one" for h in height]),
        (
            ~(on_planes >= MIN_PLANE_FRACTION),
            [
                f"only {100.0 * s:.0f} % of it lies on planes: canopy, plant or noise in the surface model"
                for s in on_planes
            ],
        ),
        (
            error > options.roof_max_plane_error_m,
            [f"plane error {e:.2f} m: noise or canopy in the surface model" for e in error],
        ),
    ]
    reason = np.select([given for given, _ in reasons], [np.array(text, dtype=object) for _, text in reasons], "")
    if max(cell) > COARSE_CELL_M:
        numbers["plant_fraction"] = options.roof_plant_fraction
        numbers["usable_fraction"] *= 1.0 - options.roof_plant_fraction
    numbers["height_m"] = height
    numbers["usable_area_m2"] = places[1] * numbers["usable_fraction"]
    numbers[reason != ""] = np.nan
    return numbers, reason


def _medians(values: Floats, number: Ints, count: Ints) -> Floats:
    """Return the median of each group's values, NaN for a group without any."""
    ordered = np.append(values[np.lexsort((values, number))], np.nan)
    start = np.cumsum(count) - count
    middle = 0.5 * (
        ordered[start + np.maximum(count - 1, 0) // 2] + ordered[np.minimum(start + count // 2, values.size)]
    )
    return np.where(count > 0, middle, np.nan)


def _summary(windows: Windows, inside: NDArray[np.bool_], fits: PlaneFits, cell: tuple[float, float]) -> pd.DataFrame:
    """Return pitch and aspect of the plane with most cells, the flat share, the error, and the share of plant."""
    every = np.arange(len(windows.box))
    size, planes = fits.size, fits.planes
    pitch = np.degrees(np.arctan(np.hypot(planes[:, :, 0], planes[:, :, 1])))
    main = np.argmax(size, axis=1)
    first = planes[every, main]
    cells = np.bincount(windows.number[inside], minlength=every.size)
    plant = _plant_cells(windows, inside & (fits.plane_of < 0), first, cell)
    return pd.DataFrame(
        {
            "pitch_deg": pitch[every, main],
            "aspect_deg": np.degrees(np.arctan2(-first[:, 0], -first[:, 1])) % 360.0,
            "flat_fraction": np.where(pitch <= FLAT_DEG, size, 0).sum(axis=1) / cells,
            "plane_error_m": np.sqrt((planes[:, :, 3] ** 2 * size).sum(axis=1) / size.sum(axis=1)),
            "plane_count": fits.count.astype(float),
            "plant_fraction": np.bincount(windows.number[plant], minlength=every.size) / cells,
            "usable_fraction": np.where(pitch <= STEEPEST_DEG, size, 0).sum(axis=1) / cells,
        }
    )


def _plant_cells(
    windows: Windows, off_plane: NDArray[np.bool_], plane: Floats, cell: tuple[float, float]
) -> NDArray[np.bool_]:
    """Mark the cells on no plane that stand above or below the main plane: plant, rooflights, wells."""
    a, b, c = plane[windows.number, :3].T
    level = a * windows.col * cell[0] - b * windows.row * cell[1] + c
    return off_plane & (np.abs(windows.level - level) > PLANT_HEIGHT_M)

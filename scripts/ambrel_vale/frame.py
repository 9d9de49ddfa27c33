"""Where Ambrel Vale lies, its grid, its seed, and small helpers that every part uses.

All drawing is done in local metres: x from 0 (west) to 2400, y from 0 (south) to 2500. ``to_map`` moves geometries into
the map's CRS.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import geometry_mask
from rasterio.transform import from_origin
from scipy.interpolate import CubicSpline
from shapely import LineString, Polygon
from shapely.affinity import rotate, translate
from shapely.geometry.base import BaseGeometry

SEED = 1866
CRS = "EPSG:32628"
WIDTH_M, HEIGHT_M = 2400.0, 2500.0
LEFT, BOTTOM = 498_800.0, 4_982_000.0
CELL_M = 2.0
ROWS, COLS = int(HEIGHT_M / CELL_M), int(WIDTH_M / CELL_M)
LEVEL_STEP_M = 1.0 / 128.0
"""Levels are kept in binary fractions: exact in float32, and their empty low bits compress well."""

Array = NDArray[np.float64]


def stream(name: str) -> np.random.Generator:
    """Return the random stream of one part, so that a change in one part leaves the others as they were."""
    return np.random.default_rng([SEED, zlib.crc32(name.encode())])


def cell_centres() -> tuple[Array, Array]:
    """Return local x, y of the cell centres, both (rows, cols)."""
    x = (np.arange(COLS) + 0.5) * CELL_M
    y = HEIGHT_M - (np.arange(ROWS) + 0.5) * CELL_M
    return np.meshgrid(x, y)


def cells_of(x: Array, y: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return row and column of local points, held inside the grid."""
    col = np.clip(np.floor(np.asarray(x) / CELL_M).astype(np.int64), 0, COLS - 1)
    row = np.clip(np.floor((HEIGHT_M - np.asarray(y)) / CELL_M).astype(np.int64), 0, ROWS - 1)
    return row, col


def window_mask(shapes: BaseGeometry | Sequence[BaseGeometry]) -> NDArray[np.bool_]:
    """Return (rows, cols) True where a cell's centre lies in one of the local shapes."""
    one_by_one = [shapes] if isinstance(shapes, BaseGeometry) else list(shapes)
    filled = [s for s in one_by_one if not s.is_empty]
    if not filled:
        return np.zeros((ROWS, COLS), dtype=bool)
    transform = from_origin(0.0, HEIGHT_M, CELL_M, CELL_M)
    return geometry_mask(filled, (ROWS, COLS), transform, invert=True)


def curve(points: list[tuple[float, float]], spacing_m: float = 14.0) -> LineString:
    """Return a smooth line through the points, with a vertex about every ``spacing_m``."""
    xy = np.asarray(points, dtype=float)
    if len(xy) == 2:
        return LineString(xy)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    spline = CubicSpline(along, xy)
    at = np.linspace(0.0, along[-1], max(3, int(along[-1] / spacing_m)))
    return LineString(spline(at)).simplify(0.15)


def slab(x: float, y: float, length_m: float, depth_m: float, angle_deg: float = 0.0) -> Polygon:
    """Return a rectangle about a centre, its length turned by an angle from the x axis."""
    plain = shapely.box(-length_m / 2, -depth_m / 2, length_m / 2, depth_m / 2)
    return translate(rotate(plain, angle_deg, origin=(0.0, 0.0)), x, y)


def polygons_of(geometry: BaseGeometry, min_area_m2: float = 0.0) -> list[Polygon]:
    """Return the polygons of any geometry, the larger than ``min_area_m2``, in a stable order."""
    parts = [p for p in shapely.get_parts(geometry, return_index=False) if p.geom_type == "Polygon"]
    if geometry.geom_type == "GeometryCollection":
        parts = [q for p in shapely.get_parts(geometry) for q in shapely.get_parts(p) if q.geom_type == "Polygon"]
    kept = [p for p in parts if p.area > min_area_m2]
    return sorted(kept, key=lambda p: (round(p.representative_point().x, 1), round(p.representative_point().y, 1)))


def smoothstep(value: Array, low: float, high: float) -> Array:
    """Return 0 below ``low``, 1 above ``high``, and a smooth rise between."""
    t = np.clip((value - low) / (high - low), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def to_map(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return geometries moved from local metres into the map's CRS, on a 1 cm grid, all of them valid."""
    moved = shapely.transform(shapes, lambda xy: xy + np.array([LEFT, BOTTOM]))
    rounded = shapely.transform(moved, lambda xy: np.round(xy, 2))
    broken = ~shapely.is_valid(rounded)
    rounded[broken] = shapely.make_valid(rounded[broken], method="structure", keep_collapsed=False)
    return rounded


class FigureMissedError(AssertionError):
    """Raised when the district does not show a figure that it must show."""


def require(what: str, value: float, low: float, high: float) -> None:
    """Assert that a figure lies between two limits (both allowed).

    Raises
    ------
    FigureMissedError
        When it does not.
    """
    if not low <= value <= high:
        message = f"{what} is {value:g}, it must lie between {low:g} and {high:g}"
        raise FigureMissedError(message)


def require_about(what: str, value: float, wanted: float, tolerance: float) -> None:
    """Assert that a figure is as wanted within a share of itself.

    Raises
    ------
    FigureMissedError
        When it is not.
    """
    require(what, value, wanted * (1.0 - tolerance), wanted * (1.0 + tolerance))

"""The surface model: roofs of believable form and crowns of trees on the ground; and the files of both models."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import rasterio
import shapely
from rasterio.features import rasterize
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter

from ambrel_vale.buildings import Building
from ambrel_vale.frame import BOTTOM, CELL_M, COLS, CRS, HEIGHT_M, LEFT, ROWS, Array, cell_centres, stream, window_mask

PITCH = {"gable": 0.78, "hip": 0.70, "low_gable": 0.11, "mono": 0.16, "flat": 0.0}
"""Rise of each roof form over its half span, rise over run."""


def numbered(buildings: list[Building]) -> np.ndarray:
    """Return (rows, cols) the number of the building whose footprint holds the cell's centre, -1 elsewhere."""
    shapes = ((b.polygon, i) for i, b in enumerate(buildings))
    return rasterize(shapes, (ROWS, COLS), fill=-1, transform=from_origin(0.0, HEIGHT_M, CELL_M, CELL_M), dtype="int32")


def roof_levels(ground: Array, buildings: list[Building]) -> tuple[Array, np.ndarray]:
    """Return the levels with roofs standing on the ground, and the mask of roof cells."""
    number = numbered(buildings)
    x, y = cell_centres()
    made = ground.copy()
    on = number >= 0
    row, col = np.nonzero(on)
    which = number[row, col]
    order = np.argsort(which, kind="stable")
    row, col, which = row[order], col[order], which[order]
    starts = np.flatnonzero(np.r_[True, np.diff(which) > 0, True])
    for a, b in pairwise(starts):
        building = buildings[which[a]]
        r, c = row[a:b], col[a:b]
        made[r, c] = _one_roof(building, ground[r, c], x[r, c], y[r, c])
    return made, on


def _one_roof(building: Building, below: Array, x: Array, y: Array) -> Array:
    """Return the levels of one roof; its eaves stand on the mean of the ground below it."""
    foot = float(np.mean(below))
    ux, uy = building.ridge
    ring = np.asarray(building.polygon.exterior.coords)
    across = -ring[:, 0] * uy + ring[:, 1] * ux
    along = ring[:, 0] * ux + ring[:, 1] * uy
    here, there = -x * uy + y * ux, x * ux + y * uy
    # the main body sets the ridge: a wing lies under the same slopes
    middle, half = (across.min() + across.max()) / 2.0, (across.max() - across.min()) / 2.0
    pitch = PITCH[building.roof]
    if building.roof == "flat":
        return np.full(len(x), foot + building.height_m)
    if building.roof == "mono":
        return foot + building.height_m + pitch * (here - across.min())
    rise = half - np.abs(here - middle)
    if building.roof == "hip":
        rise = np.minimum(rise, np.minimum(there - along.min(), along.max() - there))
    return foot + building.height_m + pitch * np.clip(rise, 0.0, None)


def trees_on(levels: Array, roofs: np.ndarray, wooded: np.ndarray, crowns: list[tuple[float, float, float]]) -> Array:
    """Add crowns: single trees as domes, woods as rough cover."""
    rng = stream("crowns")
    x, y = cell_centres()
    lift = np.zeros_like(levels)
    for tx, ty, radius in crowns:
        reach = int(radius / CELL_M) + 2
        c, r = int(tx / CELL_M), int((HEIGHT_M - ty) / CELL_M)
        box = (slice(max(0, r - reach), r + reach + 1), slice(max(0, c - reach), c + reach + 1))
        dome = 1.0 - ((x[box] - tx) ** 2 + (y[box] - ty) ** 2) / radius**2
        lift[box] = np.maximum(lift[box], np.where(dome > 0, 2.2 * radius * np.sqrt(np.clip(dome, 0, 1)) * 0.85, 0.0))
    rough = gaussian_filter(rng.standard_normal(levels.shape), 1.6)
    lift = np.where(wooded, 11.0 + 1.8 * rough / rough.std() * 1.0, lift)
    lift = np.where(wooded | (lift > 0), np.round(np.clip(lift, 0, None) * 8) / 8, 0.0)
    return np.where(roofs, levels, levels + lift)


def surface_model(
    ground: Array, buildings: list[Building], wooded: np.ndarray, crowns: list[tuple[float, float, float]]
) -> Array:
    """Return the surface model on the grid of the ground model [m]."""
    levels, roofs = roof_levels(ground, buildings)
    return np.round(trees_on(levels, roofs, wooded, crowns) * 16.0) / 16.0


def write_levels(path: Path, levels: Array, row: int = 0, col: int = 0) -> Path:
    """Write levels as a float32 GeoTIFF whose upper left cell is (row, col) of the grid."""
    rows, cols = levels.shape
    profile = {
        "driver": "GTiff", "height": rows, "width": cols, "count": 1, "dtype": "float32", "crs": CRS, "nodata": -9999.0,
        "transform": from_origin(LEFT + col * CELL_M, BOTTOM + HEIGHT_M - row * CELL_M, CELL_M, CELL_M),
        "compress": "deflate", "predictor": 3, "zlevel": 9, "tiled": True, "blockxsize": 256, "blockysize": 256,
    }  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(path, "w", **profile) as sink:
        sink.write(levels.astype(np.float32), 1)
        sink.set_band_description(1, "level above datum [m]")
    return path


def write_ground(folder: Path, levels: Array) -> list[Path]:
    """Write the ground model as four tiles that share one grid; return their paths."""
    half_r, half_c = ROWS // 2, COLS // 2
    corners = {
        "north_west": (0, 0),
        "north_east": (0, half_c),
        "south_west": (half_r, 0),
        "south_east": (half_r, half_c),
    }
    return [
        write_levels(folder / f"ground_{name}.tif", levels[r : r + half_r, c : c + half_c], r, c)
        for name, (r, c) in corners.items()
    ]


def wood_mask(woods: list[shapely.Polygon]) -> np.ndarray:
    """Return the cells in woods."""
    return window_mask(shapely.union_all(woods).buffer(-3.0)) if woods else np.zeros((ROWS, COLS), dtype=bool)

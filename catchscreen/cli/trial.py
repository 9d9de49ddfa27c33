"""The invented square of ground that ``doctor`` screens: every part of the engine works on it, in a second or two."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from catchscreen.brief import Brief

SIDE_CELLS = 60
CELL_M = 2.0
LEFT, TOP = 500_000.0, 4_000_120.0
CRS = "EPSG:32631"


def trial_brief() -> Brief:
    """Make a brief of four parcels, two buildings, a road and a car park on a slope with one hollow."""
    from catchscreen.brief import Brief

    ground, roofs = _levels()
    place = (CELL_M, 0.0, LEFT, 0.0, -CELL_M, TOP)
    return Brief(
        name="trial",
        parcels=_frame(
            {"parcel_id": ["P1", "P2", "P3", "P4"], "land_use": ["school", "offices", "homes", "park"]}, _PARCELS
        ),
        elevation=(ground, _affine(place), CRS),
        surface_model=(roofs, _affine(place), CRS),
        buildings=_frame({"building_id": ["B1", "B2"]}, _BUILDINGS),
        roads=_frame({"road_class": ["carriageway"]}, [(0, 56, 120, 64)]),
        land_cover=_frame(
            {"cover_class": ["asphalt", "grass"], "ground_use": ["car_park", ""]}, [(62, 66, 118, 88), (2, 2, 58, 54)]
        ),
    )


_PARCELS = [(2, 66, 58, 118), (62, 66, 118, 118), (2, 2, 58, 54), (62, 2, 118, 54)]
_BUILDINGS = [(10, 90, 50, 110), (70, 92, 110, 112)]
"""Boxes in metres from the lower left corner: left, bottom, right, top."""


def _affine(six: tuple[float, ...]) -> Any:
    from affine import Affine

    return Affine(*six)


def _levels() -> tuple[Any, Any]:
    """Return ground and surface levels [m], (rows, cols) float64: a slope to the south-east, a hollow, flat roofs."""
    import numpy as np

    rows, cols = np.mgrid[0:SIDE_CELLS, 0:SIDE_CELLS]
    ground = 20.0 - 0.02 * CELL_M * (0.6 * rows + 0.4 * cols)
    ground -= 0.8 * np.exp(-((rows - 40) ** 2 + (cols - 44) ** 2) / 18.0)
    surface = ground.copy()
    for left, bottom, right, top in _BUILDINGS:
        inside = (
            slice(int(SIDE_CELLS - top / CELL_M), int(SIDE_CELLS - bottom / CELL_M)),
            slice(int(left / CELL_M), int(right / CELL_M)),
        )
        surface[inside] = 27.0
    return ground, surface


def _frame(columns: dict[str, list[str]], boxes: Sequence[tuple[float, float, float, float]]) -> Any:
    """Make a layer of boxes."""
    import geopandas as gpd
    import shapely

    bottom_m = TOP - SIDE_CELLS * CELL_M
    shapes = [shapely.box(LEFT + a, bottom_m + b, LEFT + c, bottom_m + d) for a, b, c, d in boxes]
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)

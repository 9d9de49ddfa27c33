"""Light on the ground for the overview: a picture, not a measurement."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.records import Terrain
from catchscreen.units import TICKS_PER_M

SUN_AZIMUTH_DEG = 315.0
SUN_ALTITUDE_DEG = 45.0
LONGEST_SIDE = 1200


def shade_ground(
    land: Terrain, exaggeration: float = 2.0
) -> tuple[NDArray[np.float32], tuple[float, float, float, float]]:
    """Return light 0..1 on a thinned grid (at most 1,200 cells a side) and its bounds; NaN outside the data."""
    step = max(1, -(-max(land.grid.shape) // LONGEST_SIDE))
    ground = np.where(land.valid, land.conditioned_ticks, np.nan)[::step, ::step].astype(np.float32) / TICKS_PER_M
    rise_y, rise_x = np.gradient(
        ground * np.float32(exaggeration), land.grid.cell_height_m * step, land.grid.cell_width_m * step
    )
    slope = np.arctan(np.hypot(rise_x, rise_y))
    aspect = np.arctan2(rise_y, -rise_x)
    azimuth, altitude = np.radians(450.0 - SUN_AZIMUTH_DEG), np.radians(SUN_ALTITUDE_DEG)
    light = np.sin(altitude) * np.cos(slope) + np.cos(altitude) * np.sin(slope) * np.cos(azimuth - aspect)
    rows, cols = ground.shape
    left, _, _, top = land.grid.bounds
    bounds = (left, top - rows * step * land.grid.cell_height_m, left + cols * step * land.grid.cell_width_m, top)
    return np.clip(light, 0.0, 1.0).astype(np.float32), bounds

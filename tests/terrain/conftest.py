from __future__ import annotations

import heapq
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.records import Inputs
from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.routing import route

ORDER = ((0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (1, -1), (-1, -1), (-1, 1))


def _neighbours(row, col, shape):
    for way, (down, right) in enumerate(ORDER):
        if 0 <= row + down < shape[0] and 0 <= col + right < shape[1]:
            yield way, (row + down, col + right)


def naive_receivers(level, valid):
    """The rules in plain Python, before water is led out of depressions: cell -> cell, "out" or "pit"."""
    cells = [(int(r), int(c)) for r, c in np.argwhere(valid)]
    ground = {cell: int(level[cell]) for cell in cells}
    near = {cell: [(w, n) for w, n in _neighbours(*cell, level.shape) if n in ground] for cell in cells}
    to = {}
    for cell in cells:
        lower = [(w, n) for w, n in near[cell] if ground[n] < ground[cell]]
        if lower:
            to[cell] = max(
                lower, key=lambda wn: ((ground[cell] - ground[wn[1]]) ** 2 * (2 if wn[0] < 4 else 1), -wn[0])
            )[1]
        elif len(near[cell]) < 8:
            to[cell] = "out"
    _rings(cells, ground, near, to)
    for cell in cells:
        if cell not in to:
            to[cell] = "pit"
            _rings([cell, *cells], ground, near, to)
    return to


def _rings(cells, ground, near, to):
    while True:
        ring = {}
        for cell in cells:
            if cell not in to:
                decided = [(w, n) for w, n in near[cell] if n in to and ground[n] == ground[cell]]
                if decided:
                    ring[cell] = min(decided)[1]
        if not ring:
            return
        to.update(ring)


def naive_fill(level, valid):
    """Fill by a priority queue from the edge of the data (Barnes, Lehman, Mulla 2014, Computers & Geosciences)."""
    filled = level.astype(np.int64).copy()
    queue, seen = [], np.zeros(level.shape, dtype=bool)
    for row, col in np.argwhere(valid):
        near = list(_neighbours(row, col, level.shape))
        if len(near) < 8 or not all(valid[n] for _, n in near):
            heapq.heappush(queue, (int(level[row, col]), int(row), int(col)))
            seen[row, col] = True
    while queue:
        height, row, col = heapq.heappop(queue)
        filled[row, col] = height
        for _, n in _neighbours(row, col, level.shape):
            if valid[n] and not seen[n]:
                seen[n] = True
                heapq.heappush(queue, (max(height, int(level[n])), *n))
    return filled


@pytest.fixture
def route_grid():
    """Route a plain (rows, cols) array of whole ticks, with an optional mask."""

    def run(level, valid=None, holes="outlet", weights=(2.0, 2.0, 1.0)):
        level = np.asarray(level, dtype=np.int32)
        valid = np.ones(level.shape, dtype=bool) if valid is None else valid
        return route(frame_levels(level, valid, holes), weights)

    return run


@pytest.fixture
def make_inputs():
    """Inputs with a ground model in metres and whatever else a test gives."""

    def make(level_m, valid=None, cell_m=1.0, **layers):
        level_m = np.asarray(level_m, dtype=np.float64)
        valid = np.ones(level_m.shape, dtype=bool) if valid is None else valid
        size = cell_m if isinstance(cell_m, tuple) else (cell_m, cell_m)
        grid = Grid(*level_m.shape, 500_000.0, 5_000_000.0, *size, CRS.from_epsg(32628))
        ticks = np.where(valid, np.rint(np.nan_to_num(level_m) * 10_000), 0).astype(np.int32)
        district = shapely.box(*grid.bounds)
        parcels = gpd.GeoDataFrame({"land_use": ["open"]}, index=["P1"], geometry=[district], crs=grid.crs)
        empty = Inputs(grid.crs, grid, ticks, valid, parcels, district)
        return replace(empty, **layers)

    return make


@pytest.fixture
def keep_all():
    """Options under which every hollow, however small, has an account."""
    return TerrainOptions(hollow_min_depth_m=0.0, hollow_min_area_m2=0.0, hollow_min_volume_m3=0.0)


@pytest.fixture
def naive():
    """The plain-Python rules to compare with."""
    return {"receivers": naive_receivers, "fill": naive_fill}


@pytest.fixture
def hills():
    """Make smooth random ground in metres, seeded."""
    from scipy.ndimage import gaussian_filter

    def make(rows, cols, seed=0, smooth=4.0, height=5.0, tilt=0.01):
        rng = np.random.default_rng(seed)
        ground = gaussian_filter(rng.normal(size=(rows, cols)), smooth)
        return ground / ground.std() * height + 20.0 + tilt * np.arange(rows)[:, None]

    return make

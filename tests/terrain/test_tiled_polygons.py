"""Polygons joined over tiles are those of the whole grid, point for point."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from pyproj import CRS

from catchscreen.grid import Grid
from catchscreen.terrain.polygons import polygons_of
from catchscreen.terrain.tiled_polygons import polygons_of_tiles
from catchscreen.tiles import Tiling


def patches(kind):
    rng = np.random.default_rng(8)
    if kind == "noise":
        return rng.integers(-1, 3, (53, 47)).astype(np.int32)
    if kind == "blocks":
        return np.kron(rng.integers(-1, 6, (9, 8)), np.ones((7, 6), dtype=np.int64)).astype(np.int32)
    rings = (np.hypot(*np.mgrid[-30:30, -25:25]) // 4).astype(np.int32)
    return np.where(rng.random(rings.shape) < 0.05, -1, rings).astype(np.int32)


@pytest.mark.parametrize("cell_m", [1.0, 0.1])
@pytest.mark.parametrize("size", [3, 16, 23, 64])
@pytest.mark.parametrize("kind", ["noise", "blocks", "rings"])
def test_polygons_equal_the_whole(kind, size, cell_m):
    label = patches(kind)
    grid = Grid(*label.shape, 412_345.67, 5_000_000.3, cell_m, 2.0 * cell_m, CRS.from_epsg(32628))
    count = int(label.max()) + 2
    expected = shapely.normalize(polygons_of(label, count, grid))
    found = polygons_of_tiles(lambda tile: label[tile.window], Tiling(*label.shape, size), count, grid)
    assert [one.wkb for one in found] == [one.wkb for one in expected]
    assert shapely.is_valid(found).all()
    assert found[-1].is_empty
    cells = np.bincount(label[label >= 0], minlength=count)
    assert shapely.area(found) == pytest.approx(cells * grid.cell_area_m2, rel=1e-6)


def test_nothing_gives_empty_polygons():
    label = np.full((20, 20), -1, dtype=np.int32)
    grid = Grid(20, 20, 0.0, 20.0, 1.0, 1.0, CRS.from_epsg(32628))
    found = polygons_of_tiles(lambda tile: label[tile.window], Tiling(20, 20, 16), 2, grid)
    assert [one.is_empty for one in found] == [True, True]
    assert polygons_of_tiles(lambda tile: label[tile.window], Tiling(20, 20, 16), 0, grid) == []

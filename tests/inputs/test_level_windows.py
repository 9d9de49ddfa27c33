from __future__ import annotations

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin

from catchscreen.brief_sources import RasterSource
from catchscreen.inputs.level_windows import LevelWindows
from catchscreen.terrain._kernels.directions import VOID
from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.routing import route
from catchscreen.terrain.tiled import route_tiles
from catchscreen.tiles import NO_LEVEL, Room


def write(path, values, left, top):
    rows, cols = values.shape
    place = {"crs": "EPSG:32628", "transform": from_origin(left, top, 2, 2), "nodata": -9999.0}
    with rasterio.open(path, "w", driver="GTiff", dtype="float32", count=1, width=cols, height=rows, **place) as file:
        file.write(values.astype(np.float32), 1)


@pytest.fixture
def ground(tmp_path):
    """A ground of two files side by side, and what they hold."""
    rng = np.random.default_rng(3)
    level = np.cumsum(rng.normal(0, 0.3, (60, 70)), axis=1) + 0.05 * np.arange(60)[:, None]
    level[rng.random(level.shape) < 0.05] = -9999.0
    folder = tmp_path / "ground"
    folder.mkdir()
    write(folder / "west.tif", level[:, :33], 500_000, 5_000_000)
    write(folder / "east.tif", level[:, 33:], 500_066, 5_000_000)
    return RasterSource(file=str(folder)), level.astype(np.float32)


def test_windows_are_levels_in_ticks(ground):
    source, level = ground
    windows = LevelWindows(source)
    assert windows.shape == level.shape
    cut = windows[10:25, 20:50]
    expected = np.where(level == -9999.0, NO_LEVEL, np.rint(level.astype(np.float64) * 10_000))
    assert cut.dtype == np.int32
    np.testing.assert_array_equal(cut, expected[10:25, 20:50])
    assert NO_LEVEL == VOID
    assert windows[5:5, 0:3].shape == (0, 3)


def test_units_are_turned_into_metres(ground):
    source, level = ground
    cut = LevelWindows(source, 0.3048)[0:4, 0:4]
    good = level[:4, :4] != -9999.0
    np.testing.assert_array_equal(cut[good], np.rint(level[:4, :4].astype(np.float64) * 3048)[good])


def test_routing_from_files_equals_the_whole_in_memory(ground, tmp_path):
    source, level = ground
    windows = LevelWindows(source)
    every = windows[:, :]
    valid = level != -9999.0
    whole = route(frame_levels(np.where(valid, every, 0).astype(np.int32), valid))
    room = tmp_path / "room"
    room.mkdir()
    tiled = route_tiles(windows, 16, (2.0, 2.0, 1.0), Room(room))
    for name in ("code", "filled", "basin", "total"):
        found, expected = np.asarray(getattr(tiled, name)), getattr(whole, name)[1:-1, 1:-1]
        np.testing.assert_array_equal(found[valid], expected[valid], err_msg=name)

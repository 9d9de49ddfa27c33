"""Longest ways, times of concentration, main flow paths and the data edge over tiles equal those of the whole."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from pyproj import CRS

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.terrain._kernels import ways
from catchscreen.terrain.catchments import divide
from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.edge import edge_columns
from catchscreen.terrain.flow_paths import trace_flow_paths
from catchscreen.terrain.frames import names, times_of_concentration
from catchscreen.terrain.longest import longest_paths
from catchscreen.terrain.routing import direction_weights, route
from catchscreen.terrain.slope import slope_fraction
from catchscreen.terrain.tiled import route_tiles
from catchscreen.terrain.tiled_catchments import divide_tiles
from catchscreen.terrain.tiled_ways import edge_columns_tiled, longest_paths_tiled, trace_flow_paths_tiled
from catchscreen.tiles import Room


def grounds(kind, hills):
    rng = np.random.default_rng(3)
    level = {
        "hills": np.rint(hills(70, 61, seed=5, smooth=2.0) * 10_000),
        "steps": rng.integers(0, 4, (70, 61)) * 1000,
        "bowl": np.floor(np.hypot(*np.mgrid[-35:35, -30:31])) * 1000 + rng.integers(0, 900, (70, 61)),
    }[kind]
    return level.astype(np.int32), rng.random(level.shape) > 0.004


@pytest.fixture(params=[("hills", 16, 0), ("steps", 16, 12), ("bowl", 23, 5), ("hills", 30, 40), ("steps", 500, 0)])
def both(request, hills, tmp_path):
    """The whole and the tiled routing and division of one ground."""
    kind, size, given = request.param
    level, valid = grounds(kind, hills)
    grid = Grid(*level.shape, 0.0, 0.0, 2.0, 1.5, CRS.from_epsg(32628))
    framed, weights = frame_levels(level, valid), direction_weights(grid)
    whole = route(framed, weights)
    tiled = route_tiles(framed[1:-1, 1:-1], size, weights, Room(tmp_path), keep_graph=True)
    cell = np.sort(np.random.default_rng(given).choice(np.flatnonzero(valid), given, replace=False))
    row, col = np.divmod(cell, grid.cols)
    division = divide(whole, (row + 1) * (grid.cols + 2) + col + 1, 150)
    return grid, (whole, division), (tiled, *divide_tiles(tiled, cell, 150))


def test_longest_ways_and_times_equal_the_whole(both):
    grid, (whole, division), (tiled, parts, label) = both
    expected, found = longest_paths(division, whole, grid), longest_paths_tiled(tiled, parts, label, grid)
    assert expected.length_m.max() > 40.0
    for part in fields(expected):
        np.testing.assert_array_equal(getattr(found, part.name), getattr(expected, part.name), part.name)
    area_m2 = division.cells * grid.cell_area_m2
    times = [
        times_of_concentration(paths.length_m, paths.fall, area_m2, TerrainOptions()) for paths in (found, expected)
    ]
    for name, values in times[1].items():
        np.testing.assert_array_equal(times[0][name], values, name)


@pytest.mark.parametrize("least_m2", [1.0, 60.0, 1e9])
def test_main_flow_paths_equal_the_whole(least_m2, both):
    grid, (whole, division), (tiled, _, label) = both
    ids = names("S", division.outlet_cell.size, 3)
    expected = trace_flow_paths(whole, division.label, ids, grid, least_m2)
    found = trace_flow_paths_tiled(tiled, label, ids, grid, least_m2)
    assert (len(expected) > 0) == (least_m2 < 1e9)
    assert found.equals(expected)


def test_what_the_data_edge_cuts_equals_the_whole(both):
    grid, (whole, division), (tiled, parts, label) = both
    slope = slope_fraction(whole.level, grid)
    expected = edge_columns(whole, division, slope, grid)
    found = edge_columns_tiled(tiled, parts, label, whole.level[1:-1, 1:-1], grid)
    assert (expected["edge_inflow_m"] > 0).any()
    assert (np.nan_to_num(expected["missing_buffer_m"]) > 0).any()
    for name, values in expected.items():
        np.testing.assert_array_equal(found[name], values, name)


def test_kernels_plain_and_compiled(route_grid, hills):
    routing = route_grid(np.rint(hills(14, 12, seed=1) * 100))
    label = np.where(routing.total > 0, np.int32(0), np.int32(-2))
    step_m = np.array([0.0, *[1.0] * 4, *[2.0**0.5] * 4])
    found, plain = np.full(label.shape, -1.0), np.full(label.shape, -1.0)
    ways.extend_distance(routing.code, label, step_m, found)
    ways.extend_distance.py_func(routing.code, label, step_m, plain)
    np.testing.assert_array_equal(found, plain)
    assert (found[1:-1, 1:-1] >= 0.0).all()
    below, is_head = np.array([2, 2, 3, 4, -1]), np.array([True, True, True, False, False])
    for function in (ways.join_links, ways.join_links.py_func):
        places, start = function(below, is_head)
        assert (places.tolist(), start.tolist()) == ([0, 2, 1, 2, 2, 3, 4], [0, 2, 4, 7])

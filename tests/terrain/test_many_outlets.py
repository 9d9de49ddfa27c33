"""Many outlets at once: as many calls for all of them as for a few, and the plain rule's answer for each."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest

from catchscreen.errors import InputsAtFault
from catchscreen.progress import Run
from catchscreen.terrain import flows, longest, snapping
from catchscreen.terrain._kernels import ways
from catchscreen.terrain.catchments import divide
from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.routing import direction_weights, route


def routed(data):
    return route(frame_levels(data.ground_ticks, data.ground_valid), direction_weights(data.grid))


def points_at(grid, cell):
    return gpd.GeoDataFrame(
        index=[f"o{number}" for number in range(len(cell))],
        geometry=gpd.points_from_xy(*grid.xy_of_cells(cell)),
        crs=grid.crs,
    )


@pytest.mark.parametrize("radius_m", [0.0, 2.5])
def test_kernels_are_called_as_often_for_three_thousand_as_for_ten(radius_m, make_inputs, hills, monkeypatch):
    data = make_inputs(hills(100, 100, seed=3))
    routing = routed(data)
    calls = []
    for name in ("drain_through", "follow_all"):
        kernel = getattr(ways, name)
        monkeypatch.setattr(ways, name, lambda *args, name=name, kernel=kernel: (calls.append(name), kernel(*args))[1])
    cells = np.random.default_rng(1).choice(100 * 100, 3_000, replace=False)
    seen = []
    for count in (10, 3_000):
        calls.clear()
        try:
            given = snapping.snap_outlets(points_at(data.grid, cells[:count]), routing, data.grid, radius_m, Run()).cell
        except InputsAtFault:
            given = np.array([102 + 1], dtype=np.int64)
        longest.longest_paths(divide(routing, given, 100), routing, data.grid)
        seen.append(list(calls))
    assert seen[0] == seen[1] == ["drain_through"] * 3 + ["follow_all"]


def plain_choice(point, routing, grid, radius_m):
    """The rule for one point in plain Python: (framed cell, whether a path rivals it)."""
    col, row = point.x - grid.left, grid.top - point.y
    near = []
    for r in range(grid.rows):
        for c in range(grid.cols):
            away = float(np.hypot(c + 0.5 - col, r + 0.5 - row))
            cell = (r + 1) * (grid.cols + 2) + c + 1
            if (away <= radius_m or (r, c) == (int(row), int(col))) and routing.total.ravel()[cell] > 0:
                near.append((cell, away, int(routing.total.ravel()[cell])))
    receivers = routing.receivers().ravel()

    def passes(start, goal):
        at, end = ((cell // (grid.cols + 2) - 1) * grid.cols + cell % (grid.cols + 2) - 1 for cell in (start, goal))
        while at >= 0 and at != end:
            at = receivers[at]
        return at == end

    best = min(near, key=lambda c: (-c[2], c[1], c[0]))
    alike = [c for c in near if c[1] <= best[1] and c[2] >= 0.8 * best[2]]
    rivals = [c for c in alike if not passes(c[0], best[0])]
    if rivals:
        nearest = min(rivals, key=lambda c: (c[1], c[0]))
        if nearest[1] > max(1.5, 0.5 * best[1]):
            return best[0], True
        best = max((c for c in near if passes(nearest[0], c[0])), key=lambda c: (c[2], -c[0]))
    row, col = divmod(best[0], grid.cols + 2)
    if receivers[(row - 1) * grid.cols + col - 1] >= 0:
        alike = [c for c in near if c[1] <= best[1] and c[2] >= 0.8 * best[2] and passes(c[0], best[0])]
        best = min(alike, key=lambda c: (c[1], c[0]))
    return best[0], False


@pytest.mark.parametrize("radius_m", [0.0, 3.0, 6.0])
def test_each_of_many_is_chosen_as_it_is_alone(radius_m, make_inputs, hills):
    data = make_inputs(hills(24, 26, seed=7, smooth=2.0), np.random.default_rng(2).random((24, 26)) > 0.05)
    routing = routed(data)
    cells = np.flatnonzero(data.ground_valid)[::4]
    outlets = points_at(data.grid, cells)
    places = snapping._best_cells(outlets, flows.WholeFlows(routing), data.grid, radius_m)
    expected = [plain_choice(point, routing, data.grid, radius_m) for point in outlets.geometry]
    framed = flows.framed_cells(np.array([place[0] for place in places]), data.grid.cols)
    torn = [place[3] is not None for place in places]
    assert list(zip(framed.tolist(), torn, strict=True)) == expected
    assert radius_m == 0.0 or any(torn for _, torn in expected)


def test_drain_through_and_follow_all_plain_and_compiled(route_grid, hills):
    routing = route_grid(np.rint(hills(20, 22, seed=1) * 100))
    ground = np.flatnonzero(routing.total.ravel() > 0)
    rng = np.random.default_rng(0)
    start, goal = rng.choice(ground, 200), rng.choice(ground, 200)
    goal[:100] = start[:100]
    args = (start, goal, routing.code, routing.total)
    found = ways.drain_through(*args)
    assert found[:100].all()
    np.testing.assert_array_equal(found, ways.drain_through.py_func(*args))
    label = np.where(np.arange(22 * 24).reshape(22, 24) % 24 < 12, 0, 1).astype(np.int32)
    for one, other in zip(
        ways.follow_all(start, routing.code, label), ways.follow_all.py_func(start, routing.code, label), strict=True
    ):
        np.testing.assert_array_equal(one, other)

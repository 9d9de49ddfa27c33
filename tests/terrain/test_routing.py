from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from catchscreen.terrain._kernels.directions import OUTLET, PIT
from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.routing import find_directions

# The D8 teaching grid, reproduced in many textbooks and in the tests of several raster libraries; accumulation with
# the cell itself not counted. Row 5, column 4 is the pit that opens to the south.
TEACHING = [
    [78, 72, 69, 71, 58, 49],
    [74, 67, 56, 49, 46, 50],
    [69, 53, 44, 37, 38, 48],
    [64, 58, 55, 22, 31, 24],
    [68, 61, 47, 21, 16, 19],
    [74, 53, 34, 12, 11, 12],
]
TEACHING_WAYS = [
    "SE SE SE S S SW",
    "SE SE SE S S SW",
    "E E SE S SW S",
    "NE NE E SE S SW",
    "SE SE E S S S",
    "E E E E out W",
]
TEACHING_UPSTREAM = [
    [0, 0, 0, 0, 0, 0],
    [0, 1, 1, 2, 2, 0],
    [0, 3, 7, 5, 4, 0],
    [0, 0, 0, 20, 0, 1],
    [0, 0, 0, 1, 24, 0],
    [0, 2, 4, 7, 35, 1],
]
WAY_NAMES = ("", "E", "S", "W", "N", "SE", "SW", "NW", "NE", "out")

small_grounds = hnp.arrays(np.int32, st.tuples(st.integers(1, 9), st.integers(1, 9)), elements=st.integers(0, 5))
quick = settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])


def holed(level, seed):
    return np.random.default_rng(seed).random(level.shape) > 0.12


def test_teaching_grid(route_grid):
    routing = route_grid(np.array(TEACHING) * 10_000)
    assert (routing.total[1:-1, 1:-1] - 1).tolist() == TEACHING_UPSTREAM
    ways = [" ".join(WAY_NAMES[way] for way in row) for row in routing.code[1:-1, 1:-1]]
    assert ways == TEACHING_WAYS


def test_hole_in_a_plain_is_raised_to_one(route_grid):
    """A 3 x 3 hole of 0 in 10 x 10 of 1.0: all nine raised, fill volume 9.0 (landlab's depression test)."""
    level = np.full((10, 10), 10_000)
    level[4:7, 4:7] = 0
    filled = route_grid(level).filled[1:-1, 1:-1]
    assert (filled == 10_000).all()
    assert (filled - level).sum() / 10_000 == 9.0


def test_seven_by_seven_hollow_spills_at_its_notch(route_grid):
    """Six cells rise to the spill level 1.8, volume 1.1 (grid of landlab's depression test; result by hand)."""
    rows = [
        [0, 0, 0, 0, 0, 0, 0],
        [0, 2, 2, 2, 2, 2, 0],
        [0, 2, 1.6, 1.5, 1.6, 2, 0],
        [0, 2, 1.7, 1.6, 1.7, 2, 0],
        [0, 2, 1.8, 2, 2, 2, 0],
        [0, 1, 0.6, 1, 1, 1, 0],
        [0, 0, -0.5, 0, 0, 0, 0],
    ]
    level = np.rint(np.array(rows) * 10_000).astype(np.int32)
    filled = route_grid(level).filled[1:-1, 1:-1]
    raised = filled > level
    assert raised.sum() == 6
    assert (filled[raised] == 18_000).all()
    assert (filled - level).sum() == 11_000


@quick
@given(level=small_grounds, seed=st.integers(0, 3))
def test_directions_follow_the_rules(level, seed, naive):
    valid = holed(level, seed)
    code = find_directions(frame_levels(level, valid), (2.0, 2.0, 1.0))
    expected = naive["receivers"](level, valid)
    steps = {1: (0, 1), 2: (1, 0), 3: (0, -1), 4: (-1, 0), 5: (1, 1), 6: (1, -1), 7: (-1, -1), 8: (-1, 1)}
    for (row, col), to in expected.items():
        way = int(code[row + 1, col + 1])
        found = {OUTLET: "out", PIT: "pit"}.get(way) or (row + steps[way][0], col + steps[way][1])
        assert found == to


@quick
@given(level=small_grounds, seed=st.integers(0, 3))
def test_filled_surface_is_the_least_that_drains(level, seed, naive, route_grid):
    valid = holed(level, seed)
    filled = route_grid(level, valid).filled[1:-1, 1:-1]
    assert (filled[valid] == naive["fill"](level, valid)[valid]).all()


def assert_water_balance(routing, valid):
    receiver = routing.receivers()
    filled = routing.filled[1:-1, 1:-1]
    flat = receiver.ravel()
    inside = np.flatnonzero(valid.ravel())
    moving = inside[flat[inside] >= 0]
    assert valid.ravel()[flat[moving]].all()
    assert (filled.ravel()[flat[moving]] <= filled.ravel()[moving]).all()
    at_outlets = routing.total.ravel()[routing.outlet_cell]
    assert at_outlets.sum() == valid.sum()
    sizes = np.bincount(routing.basin[routing.basin >= 0], minlength=routing.outlet_cell.size)
    assert (sizes == at_outlets).all()


@quick
@given(level=small_grounds, seed=st.integers(0, 3))
def test_every_cell_reaches_an_outlet(level, seed, route_grid):
    valid = holed(level, seed)
    assert_water_balance(route_grid(level, valid), valid)


@quick
@given(order=st.permutations(range(42)), turn=st.integers(0, 3), flip=st.booleans())
def test_turned_and_mirrored_ground_drains_alike(order, turn, flip, route_grid):
    """The filled surface and the spill levels are the same whatever the ties."""
    level = (np.array(order).reshape(6, 7) ** 2).astype(np.int32)
    turned = np.rot90(np.fliplr(level) if flip else level, turn)
    one = route_grid(level)
    two = route_grid(np.ascontiguousarray(turned))
    back = np.rot90(two.filled[1:-1, 1:-1], -turn)
    assert (one.filled[1:-1, 1:-1] == (np.fliplr(back) if flip else back)).all()
    assert sorted(one.graph.spill[one.graph.outlets :]) == sorted(two.graph.spill[two.graph.outlets :])


def test_mirrored_receivers_where_all_drops_differ(route_grid):
    rng = np.random.default_rng(8)
    level = rng.permutation(2_000 * 1_600)[: 40 * 40].reshape(40, 40).astype(np.int32)
    one = route_grid(level)
    two = route_grid(np.ascontiguousarray(level[:, ::-1]))
    assert (one.total[1:-1, 1:-1] == two.total[1:-1, 1:-1][:, ::-1]).all()


def skimage_fill(level, valid):
    from scipy.ndimage import binary_dilation
    from skimage.morphology import reconstruction

    outside = ~np.pad(valid, 1)
    edge = binary_dilation(outside, np.ones((3, 3)))[1:-1, 1:-1] & valid
    high = int(level.max()) + 1
    ground = np.where(valid, level, high).astype(np.float64)
    seed = np.where(edge | ~valid, ground, high)
    return reconstruction(seed, ground, method="erosion", footprint=np.ones((3, 3))).astype(np.int64)


def pyflwdir_sums(routing, valid):
    import pyflwdir

    compass = np.array([0, 1, 4, 16, 64, 2, 8, 32, 128, 0, 0, 0, 0, 0, 0, 247], dtype=np.uint8)
    net = pyflwdir.from_array(compass[routing.code[1:-1, 1:-1]], ftype="d8", check_ftype=False)
    return np.where(valid, net.upstream_area("cell"), 0)


@pytest.mark.parametrize("case", ["hills", "quantised", "flat", "steps", "noise"])
@pytest.mark.parametrize("gaps", [False, True])
def test_against_peers(case, gaps, hills, route_grid):
    rng = np.random.default_rng(3)
    level = {
        "hills": np.rint(hills(150, 170) * 10_000),
        "quantised": np.rint(hills(150, 170) * 10) * 1000,
        "flat": np.zeros((60, 90)),
        "steps": rng.integers(0, 4, (140, 130)) * 10_000,
        "noise": rng.permutation(150 * 170).reshape(150, 170),
    }[case].astype(np.int32)
    valid = rng.random(level.shape) > 0.08 if gaps else np.ones(level.shape, dtype=bool)
    routing = route_grid(level, valid)
    assert_water_balance(routing, valid)
    assert (routing.filled[1:-1, 1:-1][valid] == skimage_fill(level, valid)[valid]).all()
    assert (routing.total[1:-1, 1:-1] == pyflwdir_sums(routing, valid)).all()


def test_jacksboro_sample(route_grid):
    """The ground model that matplotlib carries as a sample: real ground in whole metres, half of it in flats."""
    from matplotlib import cbook

    with np.load(cbook.get_sample_data("jacksboro_fault_dem.npz", asfileobj=False)) as sample:
        level = (sample["elevation"].astype(np.int64) * 10_000).astype(np.int32)
    valid = np.ones(level.shape, dtype=bool)
    routing = route_grid(level)
    assert_water_balance(routing, valid)
    assert (routing.filled[1:-1, 1:-1] == skimage_fill(level, valid)).all()
    assert (routing.total[1:-1, 1:-1] == pyflwdir_sums(routing, valid)).all()


def test_whole_metre_ground_with_half_its_cells_in_flats_drains(hills, route_grid):
    level = (np.floor(hills(200, 200, smooth=12.0)) * 10_000).astype(np.int32)
    directions = find_directions(frame_levels(level, np.ones(level.shape, dtype=bool)), (2.0, 2.0, 1.0))
    lower = np.stack(
        [np.roll(level, shift, (0, 1))[1:-1, 1:-1] < level[1:-1, 1:-1] for shift in ((0, 1), (0, -1), (1, 0), (-1, 0))]
    )
    assert (~lower.any(axis=0)).mean() > 0.5
    assert (directions[1:-1, 1:-1] != 0).all()
    assert_water_balance(route_grid(level), np.ones(level.shape, dtype=bool))


def test_threads_do_not_change_a_byte(hills, route_grid):
    import numba

    level = np.rint(hills(300, 280) * 100).astype(np.int32)
    valid = np.random.default_rng(1).random(level.shape) > 0.05
    before = numba.get_num_threads()
    results = []
    try:
        for threads in sorted({1, before}):
            numba.set_num_threads(threads)
            routing = route_grid(level, valid)
            parts = (
                routing.code,
                routing.filled,
                routing.basin,
                routing.total,
                routing.outlet_cell,
                routing.graph.place,
            )
            results.append(b"".join(np.ascontiguousarray(part).tobytes() for part in parts))
    finally:
        numba.set_num_threads(before)
    assert len(set(results)) == 1


def test_long_cells_compare_slope_not_drop(route_grid):
    """Cells 1 m wide and 4 m high: a drop of 3 to the east (3 per m) beats one of 8 to the south (2 per m)."""
    level = np.full((3, 3), 100)
    level[1, 1] = 50
    level[1, 2] = 47
    level[2, 1] = 42
    weights = ((1 + 16) / 1, (1 + 16) / 16, 1.0)
    assert route_grid(level, weights=weights).code[2, 2] == 1
    assert route_grid(level).code[2, 2] == 2


def test_a_hole_is_an_outlet_or_a_wall(route_grid):
    """A cone that falls to a hole: water leaves there, or, with the hole as a wall, fills up and goes over the rim."""
    row, col = np.mgrid[-6:7, -6:7]
    level = (np.hypot(row, col) * 1000).astype(np.int32)
    valid = np.hypot(row, col) > 1.5
    open_hole = route_grid(level, valid)
    assert (open_hole.filled[1:-1, 1:-1][valid] == level[valid]).all()
    walled = route_grid(level, valid, holes="wall")
    assert (walled.filled[1:-1, 1:-1][valid] >= 6000).all()
    assert_water_balance(walled, valid)


def test_an_island_in_a_walled_hole_still_drains(route_grid):
    level = np.ones((11, 11), dtype=np.int32)
    valid = np.ones((11, 11), dtype=bool)
    valid[3:8, 3:8] = False
    valid[5, 5] = True
    assert_water_balance(route_grid(level, valid, holes="wall"), valid)


def test_levels_beyond_the_earth_are_refused():
    with pytest.raises(ValueError, match=r"beyond 9\.5 km"):
        frame_levels(np.full((2, 2), 100_000_000, dtype=np.int32), np.ones((2, 2), dtype=bool))


@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (2, 2)])
def test_tiny_grids(shape, route_grid):
    routing = route_grid(np.arange(np.prod(shape)).reshape(shape))
    assert_water_balance(routing, np.ones(shape, dtype=bool))


def test_no_ground_at_all(route_grid):
    routing = route_grid(np.zeros((4, 5)), np.zeros((4, 5), dtype=bool))
    assert routing.outlet_cell.size == 0
    assert (routing.receivers() == -1).all()
    assert routing.total.sum() == 0

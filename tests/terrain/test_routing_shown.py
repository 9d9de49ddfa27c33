"""What routing promises, on grounds made up by hypothesis, in strips, turned, beside peers and on several threads."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from catchscreen.terrain import listed_passes, walking
from catchscreen.terrain import routing as routing_module
from catchscreen.terrain._kernels.directions import OUTLET, WALL
from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.routing import fill, route

quick = settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
grounds = hnp.arrays(np.int32, st.tuples(st.integers(1, 12), st.integers(1, 12)), elements=st.integers(0, 6))
LONG_CELLS = ((9 + 16) / 9, (9 + 16) / 16, 1.0)
"""Weights of cells 3 m wide and 4 m high."""


def holed(shape, seed, share=0.15):
    return np.random.default_rng(seed).random(shape) >= share


def parts(routing):
    graph = routing.graph
    return {
        "code": routing.code,
        "filled": routing.filled,
        "basin": routing.basin,
        "total": routing.total,
        "outlet_cell": routing.outlet_cell,
        "pass_cell": routing.pass_cell,
        "label": graph.label,
        "place": graph.place,
        "spill": graph.spill,
        "exit_pass": graph.exit_pass,
    }


def digest(routing):
    return hashlib.sha256(
        b"".join(np.ascontiguousarray(part).tobytes() for part in parts(routing).values())
    ).hexdigest()


@pytest.fixture
def in_strips(monkeypatch):
    """Cut every ground into strips of a few rows, however small it is."""

    def use(rows):
        def cut(shape):
            return [(first, min(first + rows, shape[0])) for first in range(0, shape[0], rows)]

        for module in (routing_module, walking, listed_passes):
            monkeypatch.setattr(module, "strip_rows", cut)

    return use


@quick
@given(level=grounds, seed=st.integers(0, 5), holes=st.sampled_from(["outlet", "wall"]), long=st.booleans())
def test_every_cell_reaches_an_outlet_and_all_is_counted_once(level, seed, holes, long):
    valid = holed(level.shape, seed)
    routing = route(frame_levels(level, valid, holes), LONG_CELLS if long else (2.0, 2.0, 1.0))
    receiver = routing.receivers().ravel()
    inside = np.flatnonzero(valid.ravel())
    at = inside.copy()
    for _ in range(level.size):
        at = np.where(receiver[at] >= 0, receiver[at], at)
    cols = level.shape[1]
    outlet_row, outlet_col = np.divmod(routing.outlet_cell, cols + 2)
    outlets = (outlet_row - 1) * cols + outlet_col - 1
    assert np.isin(at, outlets).all()
    assert (routing.basin[1:-1, 1:-1].ravel()[inside] == np.searchsorted(outlets, at)).all()
    counted = np.bincount(at, minlength=level.size)
    assert (routing.total[1:-1, 1:-1].ravel()[outlets] == counted[outlets]).all()
    assert counted.sum() == valid.sum()
    assert (routing.total.ravel()[routing.code.ravel() > OUTLET] == 0).all()


@quick
@given(level=grounds, seed=st.integers(0, 5))
def test_filled_surface_is_the_least_above_the_ground_that_drains(level, seed):
    """For every height: filled below it are just the cells that the data edge reaches over ground below it.

    Such a cell drains without rising to that height, so the least draining surface is lower there; any other cell is
    cut off by ground of that height or more, so no draining surface is.
    """
    from scipy.ndimage import label as components

    valid = holed(level.shape, seed)
    filled = route(frame_levels(level, valid)).filled[1:-1, 1:-1]
    assert (filled[valid] >= level[valid]).all()
    outside = np.pad(~valid, 1, constant_values=True)
    ground = np.pad(level, 1)
    for height in range(8):
        patch, _ = components(outside | (ground < height), structure=np.ones((3, 3)))
        from_edge = np.isin(patch, patch[outside])[1:-1, 1:-1]
        assert ((filled < height)[valid] == from_edge[valid]).all()


@quick
@given(level=grounds, turn=st.integers(0, 3), flip=st.booleans(), seed=st.integers(0, 5))
def test_turned_and_mirrored_ground_with_ties_has_the_same_fill_spill_levels_and_volumes(level, turn, flip, seed):
    valid = holed(level.shape, seed)

    def turned(array):
        return np.ascontiguousarray(np.rot90(np.fliplr(array) if flip else array, turn))

    one, two = route(frame_levels(level, valid)), route(frame_levels(turned(level), turned(valid)))
    assert (turned(one.filled[1:-1, 1:-1]) == two.filled[1:-1, 1:-1]).all()
    assert sorted(one.graph.spill[one.graph.outlets :]) == sorted(two.graph.spill[two.graph.outlets :])
    raised = [(r.filled.astype(np.int64) - r.level)[r.level < WALL] for r in (one, two)]
    assert sorted(raised[0]) == sorted(raised[1])


def distinct_ground(rows, cols, seed):
    """Make levels of which no two are equal, and no two drops of one cell weighed by their distance."""
    level = np.random.default_rng(seed).integers(0, 40_000_000, (rows, cols))
    assert np.unique(level).size == level.size
    drops = []
    for down, right in ((0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (1, -1), (-1, -1), (-1, 1)):
        beside = np.roll(level, (-down, -right), (0, 1))
        drops.append((level - beside) ** 2 * (1 if down and right else 2) * (level > beside))
    inner = np.sort(np.stack(drops)[:, 1:-1, 1:-1], axis=0)
    assert ((inner[1:] != inner[:-1]) | (inner[1:] == 0)).all()
    return level.astype(np.int32)


@pytest.mark.parametrize("turn", range(4))
@pytest.mark.parametrize("flip", [False, True])
def test_turned_and_mirrored_receivers_where_no_two_drops_and_levels_are_equal(turn, flip):
    level = distinct_ground(37, 52, seed=11)
    number = np.arange(level.size).reshape(level.shape)

    def turned(array):
        return np.ascontiguousarray(np.rot90(np.fliplr(array) if flip else array, turn))

    valid = np.ones(level.shape, dtype=bool)
    one, two = route(frame_levels(level, valid)), route(frame_levels(turned(level), turned(valid)))
    back = turned(number).ravel()
    receiver = two.receivers().ravel()
    assert (turned(one.receivers()).ravel() == np.where(receiver >= 0, back[receiver], -1)).all()
    assert (turned(one.total[1:-1, 1:-1]) == two.total[1:-1, 1:-1]).all()


@quick
@given(level=grounds, seed=st.integers(0, 5), rows=st.integers(1, 5), holes=st.sampled_from(["outlet", "wall"]))
def test_strips_of_any_height_give_the_same(level, seed, rows, holes, in_strips, monkeypatch):
    framed = frame_levels(level, holed(level.shape, seed), holes)
    whole = route(framed)
    with monkeypatch.context():
        in_strips(rows)
        cut = route(framed)
        filled = fill(framed)
    monkeypatch.undo()
    for name, part in parts(whole).items():
        np.testing.assert_array_equal(parts(cut)[name], part, err_msg=name)
    np.testing.assert_array_equal(filled, whole.filled)


@quick
@given(level=grounds, seed=st.integers(0, 5), holes=st.sampled_from(["outlet", "wall"]))
def test_filled_alone_is_filled_as_in_the_whole_job(level, seed, holes):
    framed = frame_levels(level, holed(level.shape, seed), holes)
    before = framed.copy()
    np.testing.assert_array_equal(fill(framed), route(framed, LONG_CELLS).filled)
    np.testing.assert_array_equal(framed, before)


def test_passes_find_room_however_many_they_are(monkeypatch):
    level = np.random.default_rng(8).integers(0, 2**20, (420, 300)).astype(np.int32)
    framed = frame_levels(level, holed(level.shape, 2, share=0.05))
    enough = route(framed)
    more, grown = listed_passes._doubled, []

    def noted(out):
        grown.append(out[0].size)
        return more(out)

    monkeypatch.setattr(listed_passes, "_doubled", noted)
    monkeypatch.setattr(listed_passes, "_ROOM_SHARE", 10**6)
    cramped = route(framed)
    assert grown
    for name, part in parts(enough).items():
        np.testing.assert_array_equal(parts(cramped)[name], part, err_msg=name)


def test_strips_compiled_and_plain_python_agree(hills, in_strips, monkeypatch):
    from catchscreen.terrain._kernels import blocks, joints, passes, plateaus, receivers, rerouting, tree, upstream

    level = np.rint(hills(23, 26, seed=5, smooth=1.0) * 10).astype(np.int32)
    framed = frame_levels(level, holed(level.shape, 3, share=0.02))
    in_strips(6)
    compiled = route(framed)
    for module in (blocks, joints, passes, plateaus, receivers, rerouting, tree, upstream):
        for name, value in vars(module).copy().items():
            if hasattr(value, "py_func"):
                monkeypatch.setattr(module, name, value.py_func)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "overflow encountered", RuntimeWarning)  # the hash wraps round on purpose
        plain = route(framed)
    for name, part in parts(compiled).items():
        np.testing.assert_array_equal(parts(plain)[name], part, err_msg=name)
    assert compiled.graph.closed > 5


RUN = """
import sys
import numpy as np
sys.path.insert(0, {folder!r})
from test_routing_shown import digest, strip_ground
from catchscreen.terrain._kernels.threads import get_num_threads
from catchscreen.terrain.conditioning import frame_levels
from catchscreen.terrain.routing import route
from catchscreen.terrain.strips import strip_rows
framed = frame_levels(*strip_ground())
assert len(strip_rows(framed.shape)) > 1
print(get_num_threads(), digest(route(framed)))
"""


def strip_ground():
    """Make a ground that is cut into strips: slopes, pits, flats, holes."""
    rng = np.random.default_rng(21)
    row, col = np.mgrid[:400, :420]
    level = 3000 * np.sin(row / 17.0) * np.cos(col / 23.0) + 40 * row + rng.integers(0, 400, row.shape)
    level[100:160, 50:300] = 9000
    return level.astype(np.int32), rng.random(row.shape) > 0.01


def test_one_two_and_eight_threads_give_the_same_bytes():
    found = {}
    for threads in (1, 2, 8):
        done = subprocess.run(
            [sys.executable, "-c", RUN.format(folder=str(Path(__file__).parent))],
            env=os.environ | {"NUMBA_NUM_THREADS": str(threads)},
            capture_output=True,
            text=True,
            check=True,
        )
        used, found[threads] = done.stdout.split()
        assert int(used) == threads
    assert len(set(found.values())) == 1


@pytest.mark.parametrize("case", ["noise", "quantised", "flat", "whole metres"])
@pytest.mark.parametrize("gaps", [0.0, 0.08])
def test_fill_equals_that_of_a_second_peer(case, gaps, hills):
    """pyflwdir fills by a priority queue in float32, which holds these levels exactly: no difference in any cell."""
    import pyflwdir

    rng = np.random.default_rng(6)
    level = {
        "noise": rng.permutation(90 * 110).reshape(90, 110),
        "quantised": rng.integers(0, 5, (90, 110)),
        "flat": np.zeros((40, 50)),
        "whole metres": np.floor(hills(90, 110, seed=4)),
    }[case].astype(np.int32)
    valid = rng.random(level.shape) >= gaps
    filled = route(frame_levels(level, valid)).filled[1:-1, 1:-1]
    given = np.where(valid, level, -9999).astype(np.float32)
    peer, _ = pyflwdir.dem.fill_depressions(given, nodata=-9999.0, outlets="edge")
    assert (peer[valid] == filled[valid]).all()


def test_directions_beside_a_peer_s_own_differ_by_free_choices_only(hills):
    """Where two choices do not come in, pyflwdir's own directions are ours.

    The choices: pyflwdir sends a cell where its priority queue came from, ours to the steepest drop, so the two agree
    where just one neighbour is lower; and pyflwdir ends every cell of the data edge there, ours only those without a
    lower neighbour. Cells below a spill level are left out: through them the one goes by the queue, the other along the
    pit's way to the pass, turned round.
    """
    import pyflwdir

    level = np.rint(hills(120, 140, seed=3, smooth=1.2) * 1000).astype(np.int32)
    ours = route(frame_levels(level, np.ones(level.shape, dtype=bool)))
    net = pyflwdir.from_dem(level.astype(np.float32), nodata=-9999.0, outlets="edge")
    theirs = net.idxs_ds.reshape(level.shape).astype(np.int64)
    filled = ours.filled[1:-1, 1:-1]
    wide = np.pad(filled, 1, constant_values=2**30)
    shifts = [(down, right) for down in (0, 1, 2) for right in (0, 1, 2) if (down, right) != (1, 1)]
    beside = np.stack([wide[down : down + 120, right : right + 140] for down, right in shifts])
    alone = ((beside < filled).sum(axis=0) == 1) & (filled == level)
    alone[[0, -1]] = alone[:, [0, -1]] = False
    assert alone.sum() > 100
    assert (theirs[alone] == ours.receivers()[alone]).all()


def test_every_cell_of_the_data_edge_keeps_the_rule():
    """A cell beside no ground with a lower neighbour drains there, one without drains off the data.

    By hand: 9 falls 6 to the east (2 x 36) and 7 to the south-east (49), so to the east; 6 falls 2 to the north-east
    (4) and 1 to the north (2).
    """
    level = np.array([[5, 4, 5], [6, 9, 3], [7, 8, 2]], dtype=np.int32)
    receiver = route(frame_levels(level, np.ones(level.shape, dtype=bool))).receivers()
    assert receiver.tolist() == [[1, 5, 5], [1, 5, 8], [3, 8, -1]]

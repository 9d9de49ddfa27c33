"""The kernels as plain Python and compiled: the same bytes."""

from __future__ import annotations

import numpy as np
import pytest

from catchscreen.runoff import _store_kernels as k


@pytest.fixture
def block() -> np.ndarray:
    """Return a block of random stores of all kinds, some of its lanes empty."""
    draw = np.random.default_rng(11)
    rows = draw.uniform(0.0, 5.0, (k.ROWS, k.LANES))
    rows[k.KEEP] = draw.uniform(0.0, 1.0, k.LANES)
    rows[k.FACTOR_WET] = rows[k.FACTOR]
    rows[k.VOID] += 5.0
    rows[k.HELD] = rows[k.SUBSTRATE] * draw.uniform(0.0, 1.0, k.LANES)
    rows[k.WET] = rows[k.WETTING] * draw.uniform(0.0, 1.0, k.LANES)
    rows[[k.WET, k.HELD, k.STORED], ::7] = 0.0
    rows[k.INTAKE_KEPT] = 0.9
    rows[k.AIR :] = 0.0
    rows[k.RUN_ON] = 0.0
    return rows.reshape(-1)


@pytest.fixture
def sets(block) -> np.ndarray:
    """Return two parameter sets for the block, of whole and half steps."""
    rows = block.reshape(k.ROWS, k.LANES)[k.INTAKE : k.INTAKE + k.STEP_ROWS]
    return np.stack([rows, rows * 0.5]).reshape(2, -1)


def _same(block: np.ndarray, kernel, *arguments) -> np.ndarray:
    """Run a kernel compiled and plain on copies of the block; return what both left."""
    compiled, plain = block.copy(), block.copy()
    kernel(compiled, *arguments)
    kernel.py_func(plain, *arguments)
    np.testing.assert_array_equal(compiled, plain)
    return compiled


@pytest.mark.parametrize(("rain", "potential"), [(0.0, 0.3), (4.0, 0.0), (0.2, 9.0), (0.0, 0.0)])
@pytest.mark.parametrize("kind", range(4))
def test_a_step(block, rain, potential, kind):
    """``advance`` and ``advance_dry``, compiled and plain, with and without substrates and orifices."""
    _same(block, k.advance, rain, potential, 0.25, kind)
    _same(block, k.advance_dry, potential, 0.25, kind)


@pytest.mark.parametrize("potential", [0.0, 0.02, 3.0])
@pytest.mark.parametrize("kind", range(4))
def test_a_dry_step_is_a_step_without_rain(block, potential, kind):
    """A dry step leaves the bytes that a step without rain leaves; brims are not passed beforehand."""
    rows = block.reshape(k.ROWS, k.LANES)
    if not kind & k.SUBSTRATES:
        rows[[k.SUBSTRATE, k.HELD, k.DRYING]] = 0.0
    dry, whole = block.copy(), block.copy()
    for _ in range(5):
        k.advance_dry(dry, potential, 0.125, kind)
        k.advance(whole, 0.0, potential, 0.125, kind)
    greatest = slice(k.GREATEST * k.LANES, (k.GREATEST + 1) * k.LANES)
    whole[greatest] = dry[greatest]  # a dry step does not look at the greatest depth, which cannot rise
    np.testing.assert_array_equal(dry, whole)


@pytest.mark.parametrize("kind", range(4))
def test_stores_at_rest_are_passed_by(block, sets, kind):
    """Dry steps by night and day after the void stores have come to rest leave the bytes of steps that move them."""
    rows = block.reshape(k.ROWS, k.LANES)
    rows[k.SILL, ::3] = 0.0
    rows[k.SOAK, ::5] = 0.0
    if not kind & k.SUBSTRATES:
        rows[[k.SUBSTRATE, k.HELD, k.DRYING]] = 0.0
    if not kind & k.ORIFICES:
        rows[k.ROOT] = np.inf
    rows[k.KEEP] *= 0.5
    sets = np.stack([rows[k.INTAKE : k.INTAKE + k.STEP_ROWS].reshape(-1)] * 2) * np.array([[1.0], [0.5]])
    steps = 240
    rain = np.zeros(steps)
    rain[[0, 1, 121]] = 4.0
    potential = np.where(np.arange(steps) // 6 % 2, 0.01, 0.0)
    drivers, plan = np.column_stack([rain, potential, np.full(steps, 0.5)]), np.zeros((steps, 2), np.int64)
    plan[40:60, 0], plan[150, 1], plan[130, 1] = 1, k.MARK_START, k.MARK_EVENT
    given = (np.zeros((0, k.LANES)), np.array([kind]), (drivers, np.zeros((steps, 0)), plan))
    moved = block.copy()
    for t in range(steps):
        moved[k.INTAKE * k.LANES : (k.INTAKE + k.STEP_ROWS) * k.LANES] = sets[plan[t, 0]]
        if plan[t, 1]:
            k.mark_before(moved, plan[t, 1])
        if rain[t] > 0.0:
            k.advance(moved, rain[t], potential[t], 0.5, kind)
        else:
            k.advance_dry(moved, potential[t], 0.5, kind)
        assert k.is_at_rest(moved) == k.is_at_rest.py_func(moved)
        assert k.is_at_rest(moved) or t not in (120, steps - 1), "the case has to come to rest"
        assert t not in (1, 121) or not k.is_at_rest(moved)
    k.rank_peaks(moved)
    k.close_event(moved)
    for kernel in (k.simulate_block, k.simulate_block.py_func):
        x = block.copy()
        kernel(x, sets.copy(), *given, np.zeros((0, k.SAVED_ROWS * k.LANES)))
        np.testing.assert_array_equal(x, moved)
    _same(block, k.dry_out, 0.3, kind)


def test_what_no_lane_has_may_be_left_out(block):
    """Without substrates and orifices the parts of the loops for them change no byte."""
    rows = block.reshape(k.ROWS, k.LANES)
    rows[[k.SUBSTRATE, k.HELD, k.DRYING]] = 0.0
    rows[k.ROOT] = np.inf
    lean, full = block.copy(), block.copy()
    for _ in range(5):
        for x, kind in ((lean, 0), (full, k.SUBSTRATES | k.ORIFICES)):
            k.advance(x, 2.0, 0.1, 0.125, kind)
            k.advance_dry(x, 0.1, 0.125, kind)
    np.testing.assert_array_equal(lean, full)


def test_a_tiny_head_leaves_at_once(block):
    """A linear outlet does not keep heads below a millionth of a micrometre: no numbers too small for full speed."""
    rows = block.reshape(k.ROWS, k.LANES)
    rows[k.SILL], rows[k.SOAK], rows[k.KEEP], rows[k.ROOT] = 0.0, 0.0, 0.5, np.inf
    start = rows[k.STORED].copy()
    for _ in range(60):
        k.advance_dry(block, 0.0, 1.0, k.ORIFICES)
    assert (rows[k.STORED] == 0.0).all()
    np.testing.assert_allclose(rows[k.OUTLET], start, rtol=1e-14)


def test_a_wetting_layer_of_nothing_gives_nothing(block):
    """A layer switched off by zero lets all rain through, however much the air would take."""
    rows = block.reshape(k.ROWS, k.LANES)
    rows[[k.WETTING, k.WET, k.FACTOR_WET]] = 0.0
    rows[[k.SUBSTRATE, k.HELD, k.DRYING, k.STORED, k.SOAK]] = 0.0
    rows[k.KEEP], rows[k.ROOT], rows[k.VOID] = 1.0, np.inf, 9.0
    k.advance(block, 2.0, 9.0, 1.0, 0)
    assert (rows[k.AIR] == 0.0).all()
    np.testing.assert_allclose(rows[k.STORED] + rows[k.EXCESS], 2.0, rtol=1e-14)


def test_a_run_with_all_marks(block, sets):
    """``simulate_block`` with run-on, both step lengths and every mark; an hour above the limit is counted."""
    draw = np.random.default_rng(3)
    marks = [k.MARK_START, k.MARK_EVENT, k.MARK_SUMMER, 0, k.MARK_DAY, k.MARK_SAVE, k.MARK_EVENT, k.MARK_WINTER, 0]
    marks += [k.MARK_YEAR, k.MARK_SAVE, 0]
    steps = len(marks)
    drivers = np.column_stack([draw.uniform(0.0, 4.0, steps), draw.uniform(0.0, 0.2, steps), np.full(steps, 0.5)])
    drivers[4:7, 0] = 0.0
    run_on = np.maximum(drivers[:, :1] - 0.3, 0.0) * np.array([[1.0, 0.0]])
    plan = np.column_stack([np.arange(steps) % 2, marks])
    weight = draw.uniform(0.0, 2.0, (1, k.LANES))
    used = np.array([k.SUBSTRATES | k.ORIFICES | k.LIMITS, 0])
    start, results = block.copy(), []
    for kernel in (k.simulate_block, k.simulate_block.py_func):
        x, own, out = start.copy(), sets.copy(), np.zeros((2, k.SAVED_ROWS * k.LANES))
        kernel(x, own, weight, used, (drivers, run_on, plan), out)
        results.append((x, own, out))
    for compiled, plain in zip(*results, strict=True):
        np.testing.assert_array_equal(compiled, plain)
    x, own, out = results[0]
    rows = x.reshape(k.ROWS, k.LANES)
    assert rows[k.HOURS_ABOVE].max() > 0.0
    assert (rows[k.TOP] >= rows[k.TOP + 1]).all()
    np.testing.assert_array_equal(own[:, : k.LANES], sets[:, : k.LANES] * 0.9)
    assert (out[1] != out[0]).any()
    blocks, many = np.stack([start, start]), np.stack([sets, sets])
    outs = np.zeros((2, 2, k.SAVED_ROWS * k.LANES))
    again = (blocks.copy(), many.copy(), outs.copy())
    both = (np.stack([weight, weight]), np.stack([used, used]), (drivers, run_on, plan))
    k.simulate(blocks, many, *both, outs)
    k.simulate.py_func(again[0], again[1], *both, again[2])
    np.testing.assert_array_equal(blocks, again[0])
    np.testing.assert_array_equal(outs, again[2])
    np.testing.assert_array_equal(outs[0], outs[1])
    np.testing.assert_array_equal(outs[0], out)


def test_single_marks_as_python(block, sets):
    """The small kernels that act on marks, compiled and plain."""
    for mark in (k.MARK_START, k.MARK_EVENT, k.MARK_START | k.MARK_EVENT):
        _same(block, k.mark_before, mark)
    for mark in (k.MARK_SUMMER, k.MARK_WINTER, k.MARK_DAY, k.MARK_YEAR, k.MARK_CLEAR, k.MARK_EMPTY):
        _same(block, k.mark_after, mark, sets.copy())
    _same(block, k.rank_peaks)
    _same(block, k.close_event)
    _same(block, k.count_hours, 0.5)


def test_hard_ground_sheds_what_its_layer_does_not_hold():
    """Layer of 1 mm: 0.6 mm all held; 0.6 mm more shed 0.2 mm; 0.5 mm dry out; then of 1 mm 0.5 mm are shed."""
    rain, potential = np.array([0.6, 0.6, 0.0, 1.0]), np.array([0.0, 0.0, 0.5, 0.0])
    expected = [0.0, 0.2, 0.0, 0.5]
    np.testing.assert_allclose(k.shed(rain, potential, 1.0), expected, atol=1e-15)
    np.testing.assert_array_equal(k.shed(rain, potential, 1.0), k.shed.py_func(rain, potential, 1.0))
    depth, used = np.array([[0.0, 5.0], [2.0, 5.0]]), np.array([0, 0, -1])
    weight = np.stack([np.linspace(0.0, 1.0, k.LANES), np.zeros(k.LANES)])
    compiled, plain = np.zeros(k.ROWS * k.LANES), np.zeros(k.ROWS * k.LANES)
    for sheds in (k.sheds_nothing, k.sheds_nothing.py_func):
        assert [sheds(used, depth, t) for t in (0, 1)] == [True, False]
    for t, last_lane in ((1, 2.0), (0, 0.0)):
        k.gather_run_on(compiled, weight, used, depth, t)
        k.gather_run_on.py_func(plain, weight, used, depth, t)
        np.testing.assert_array_equal(compiled, plain)
        assert compiled[k.RUN_ON * k.LANES + k.LANES - 1] == last_lane

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
    rows[k.KEEP] = rows[k.LONG + 3] = rows[k.SHORT + 3] = draw.uniform(0.0, 1.0, k.LANES)
    rows[k.VOID] += 5.0
    rows[k.HELD] = rows[k.SUBSTRATE] * draw.uniform(0.0, 1.0, k.LANES)
    rows[k.WET] = rows[k.WETTING] * draw.uniform(0.0, 1.0, k.LANES)
    rows[[k.WET, k.HELD, k.STORED], ::7] = 0.0
    rows[k.INTAKE_KEPT] = 0.9
    rows[k.AIR :] = 0.0
    rows[k.RUN_ON] = 0.0
    return rows.reshape(-1)


@pytest.mark.parametrize(("rain", "potential"), [(0.0, 0.3), (4.0, 0.0), (0.2, 9.0), (0.0, 0.0)])
def test_a_step(block, rain, potential):
    """``advance`` compiled and plain."""
    plain = block.copy()
    k.advance(block, rain, potential, 0.25)
    k.advance.py_func(plain, rain, potential, 0.25)
    np.testing.assert_array_equal(block, plain)


@pytest.mark.parametrize("potential", [0.0, 0.02, 3.0])
def test_a_dry_step_is_a_step_without_rain(block, potential):
    """``advance_dry`` leaves the bytes that ``advance`` leaves, compiled and plain; brims are not passed beforehand."""
    whole, plain = block.copy(), block.copy()
    for _ in range(5):
        k.advance_dry(block, potential, 0.125)
        k.advance_dry.py_func(plain, potential, 0.125)
        k.advance(whole, 0.0, potential, 0.125)
    np.testing.assert_array_equal(block, plain)
    greatest = slice(k.GREATEST * k.LANES, (k.GREATEST + 1) * k.LANES)
    whole[greatest] = block[greatest]  # a dry step does not look at the greatest depth, which cannot rise
    np.testing.assert_array_equal(block, whole)


def test_a_tiny_head_leaves_at_once(block):
    """A linear outlet does not keep heads below a millionth of a micrometre: no numbers too small for full speed."""
    rows = block.reshape(k.ROWS, k.LANES)
    rows[k.SILL], rows[k.SOAK], rows[k.KEEP], rows[k.ROOT] = 0.0, 0.0, 0.5, np.inf
    start = rows[k.STORED].copy()
    for _ in range(60):
        k.advance_dry(block, 0.0, 1.0)
    assert (rows[k.STORED] == 0.0).all()
    np.testing.assert_allclose(rows[k.OUTLET], start, rtol=1e-14)


def test_a_run_with_all_marks(block):
    """``simulate_block`` with run-on, both step lengths and every mark; an hour above the limit is counted."""
    draw = np.random.default_rng(3)
    steps = 12
    drivers = np.column_stack([draw.uniform(0.0, 4.0, steps), draw.uniform(0.0, 0.2, steps), np.full(steps, 0.5)])
    drivers[4:7, 0] = 0.0
    run_on = np.maximum(drivers[:, :1] - 0.3, 0.0) * np.array([[1.0, 0.0]])
    marks = [
        k.MARK_START,
        k.MARK_EVENT,
        k.MARK_SUMMER,
        0,
        k.MARK_DAY,
        0,
        k.MARK_EVENT,
        k.MARK_WINTER,
        0,
        k.MARK_YEAR,
        0,
        0,
    ]
    plan = np.column_stack([np.where(np.arange(steps) % 2, k.SHORT, k.LONG), marks])
    weight = np.stack([draw.uniform(0.0, 2.0, k.LANES), np.zeros(k.LANES)])
    plain = block.copy()
    k.simulate_block(block, weight, drivers, run_on, plan)
    k.simulate_block.py_func(plain, weight, drivers, run_on, plan)
    np.testing.assert_array_equal(block, plain)
    rows = block.reshape(k.ROWS, k.LANES)
    assert rows[k.HOURS_ABOVE].max() > 0.0
    assert (rows[k.TOP] >= rows[k.TOP + 1]).all()
    assert (rows[k.PEAK] == rows[k.TOP]).all()
    blocks = np.stack([plain, plain])
    again = np.stack([plain, plain])
    k.simulate(blocks, np.stack([weight, weight]), drivers, run_on, plan)
    k.simulate.py_func(again, np.stack([weight, weight]), drivers, run_on, plan)
    np.testing.assert_array_equal(blocks, again)
    np.testing.assert_array_equal(blocks[0], blocks[1])


def test_single_marks_as_python(block):
    """The small kernels that act on marks, compiled and plain."""
    for mark in (k.MARK_START, k.MARK_EVENT, k.MARK_START | k.MARK_EVENT):
        plain = block.copy()
        k.mark_before(block, mark)
        k.mark_before.py_func(plain, mark)
        np.testing.assert_array_equal(block, plain)
    for mark in (k.MARK_SUMMER, k.MARK_WINTER, k.MARK_DAY, k.MARK_YEAR):
        plain = block.copy()
        k.mark_after(block, mark)
        k.mark_after.py_func(plain, mark)
        np.testing.assert_array_equal(block, plain)
    for function, arguments in ((k.rank_peak, (3,)), (k.count_hours, (0.5,)), (k.use_step, (k.LONG,))):
        plain = block.copy()
        function(block, *arguments)
        function.py_func(plain, *arguments)
        np.testing.assert_array_equal(block, plain)


def test_hard_ground_sheds_what_its_layer_does_not_hold():
    """Layer of 1 mm: 0.6 mm all held; 0.6 mm more shed 0.2 mm; 0.5 mm dry out; then of 1 mm 0.5 mm are shed."""
    rain, potential = np.array([0.6, 0.6, 0.0, 1.0]), np.array([0.0, 0.0, 0.5, 0.0])
    expected = [0.0, 0.2, 0.0, 0.5]
    np.testing.assert_allclose(k.shed(rain, potential, 1.0), expected, atol=1e-15)
    np.testing.assert_array_equal(k.shed(rain, potential, 1.0), k.shed.py_func(rain, potential, 1.0))
    depth, used = np.array([2.0, 5.0]), np.array([True, False])
    weight = np.stack([np.linspace(0.0, 1.0, k.LANES), np.zeros(k.LANES)])
    compiled, plain = np.zeros(k.ROWS * k.LANES), np.zeros(k.ROWS * k.LANES)
    assert not k.gather_run_on(compiled, weight, used, depth)
    assert not k.gather_run_on.py_func(plain, weight, used, depth)
    np.testing.assert_array_equal(compiled, plain)
    assert compiled[k.RUN_ON * k.LANES + k.LANES - 1] == 2.0
    assert k.gather_run_on(compiled, weight, used, np.array([0.0, 5.0]))

"""The ledger kernels, compiled and as plain Python, and the outlet laws on paper."""

from __future__ import annotations

import numpy as np
import pytest

from catchscreen.runoff import _ledger_kernels as kernels

BOTH = pytest.mark.parametrize("form", ["compiled", "python"])


def as_form(function, form: str):
    return function if form == "compiled" else function.py_func


@BOTH
def test_outlet_laws(form: str) -> None:
    """From 100 mm of head, 60 mm/h at full head, in half an hour.

    Orifice: sqrt falls by 60 x 0.5 / (2 x 10) = 1.5 to 8.5, so 100 - 72.25 = 27.75 leave. Linear: 100 (1 - e^-0.3).
    Another power: the rate at the start. No head above the sill, no rate: nothing. No store height: the rate.
    """
    depth = as_form(kernels.outlet_depth, form)
    assert depth(100.0, 100.0, 60.0, 0.5, 0.5) == pytest.approx(27.75)
    assert depth(100.0, 100.0, 60.0, 1.0, 0.5) == pytest.approx(100.0 * (1.0 - np.exp(-0.3)))
    assert depth(50.0, 100.0, 60.0, 2.0, 0.5) == pytest.approx(7.5)
    assert depth(-1.0, 100.0, 60.0, 0.5, 0.5) == 0.0
    assert depth(10.0, 100.0, 0.0, 0.5, 0.5) == 0.0
    assert depth(10.0, 0.0, 60.0, 0.5, 0.1) == pytest.approx(6.0)
    assert depth(1.0, 100.0, 6000.0, 0.5, 1.0) == 1.0


@BOTH
def test_one_store_step(form: str) -> None:
    """100 m2; 3 m3 come in (30 mm): 2 mm wet the top, 20 mm/h enter in an hour, 8 mm are turned away.

    Of the 20 mm the substrate keeps 5, 15 reach the void of 10 mm; base 50 m2 soaks 4 mm/h x 0.5 = 2 mm; 3 mm overflow.
    Over: (8 + 3) mm x 100 m2 = 1.1 m3.
    """
    store = np.array([100.0, 50.0, 2.0, 20.0, 5.0, 0.0, 10.0, 0.0, 0.0, 0.5, 4.0, 0.0, 0.0, -1.0, 0.0])
    state, totals = np.zeros(5), np.zeros(11)
    over = as_form(kernels.fill_store, form)(store, state, 3.0, 0.0, np.array([1.0, 0.0]), totals)
    assert over == pytest.approx(1.1)
    assert state[:3].tolist() == pytest.approx([2.0, 5.0, 10.0])
    assert totals[3] == pytest.approx(0.2)


@BOTH
def test_capture(form: str) -> None:
    """Half of 2 fits in 1, all of 1 in 3; nothing offered is wholly taken."""
    capture = as_form(kernels.capture, form)
    assert [capture(2.0, 1.0), capture(1.0, 3.0), capture(0.0, 0.0)] == [0.5, 1.0, 1.0]


def case():
    """One storm, two zones, two sub-catchments, three groups, two candidates in a chain."""
    rng = np.random.default_rng(11)
    rain = rng.gamma(1.0, 3.0, 13)
    runoff = np.stack([rain * 0.8, rain * 0.5])
    mixes = (np.array([[0, 0], [0, 1], [1, 1]]), np.array([300.0, 100.0, 200.0]))
    places = np.array([[0, 0, 0], [1, 1, 1], [1, 0, 1]])
    areas = np.array([[300.0, 50.0], [200.0, 80.0], [100.0, 10.0]])
    store = np.array(
        [
            [50.0, 20.0, 1.0, 90.0, 5.0, 0.2, 30.0, 5.0, 20.0, 0.5, 6.0, 0.0, 1.0, 1.0, 0.5],
            [40.0, 40.0, 0.5, 60.0, 0.0, 0.0, 20.0, 0.0, 8.0, 1.0, 3.0, 2.0, 0.0, -1.0, 0.0],
        ]
    )
    hosts = np.array([[0, 0, 0], [0, 1, 1], [1, 0, 1]])
    shares = np.array([[0.6, 0.8, 0.1, 0.1], [0.4, 0.5, 0.0, 0.5], [1.0, 0.9, 0.0, 0.1]])
    candidates = (store, np.array([[0, 1], [1, 0]]), np.array([70.0, 30.0]), hosts, shares)
    return rain, np.array([1.0 / 12.0, 0.3]), runoff, mixes, (places, areas), np.array([2.0, 5.0]), candidates


def test_a_storm_compiled_and_plain() -> None:
    """Offer, steps, sums and overland flow of one storm."""
    results = []
    for form in ("compiled", "python"):
        rain, step, runoff, mixes, groups, capacity, candidates = case()
        out = tuple(np.zeros(shape) for shape in ((2, 13), (2, 13), (2, 13), (2, 11), (3, 3)))
        offered, sums = np.zeros((2, 13)), np.zeros((3, 2))
        as_form(kernels.offer, form)(runoff, mixes, offered)
        as_form(kernels.run_steps, form)(rain, step, runoff, capacity, candidates, offered, out)
        as_form(kernels.sum_mixes, form)(runoff, out[0], mixes[0], sums)
        as_form(kernels.flow_over_land, form)(runoff, out[0], groups, out[2])
        results.append(np.concatenate([values.ravel() for values in (*out, sums)]))
    np.testing.assert_allclose(results[0], results[1], rtol=1e-12, atol=1e-13)
    assert np.count_nonzero(results[0]) > 80


@BOTH
def test_capture_without_candidates_is_that_with_none(form: str) -> None:
    """Bit for bit what the longer kernel gives for no candidates."""
    rain, step, runoff, mixes, _, capacity, _ = case()
    none = (np.zeros((0, 16)), np.zeros((0, 2), np.int64), np.zeros(0), np.zeros((0, 3), np.int64), np.zeros((0, 4)))
    offered = np.zeros((2, 13))
    kernels.offer(runoff, mixes, offered)
    long = tuple(np.zeros(shape) for shape in ((2, 13), (2, 13), (2, 13), (0, 11), (0, 3)))
    kernels.run_steps(rain, step, runoff, capacity, none, offered.copy(), long)
    fraction, flow = np.zeros((2, 13)), np.zeros((2, 13))
    as_form(kernels.capture_steps, form)(capacity, step[0], offered, fraction, flow)
    np.testing.assert_array_equal(fraction, long[0])
    np.testing.assert_array_equal(flow, long[1])
    assert 0.0 < fraction.min() < 1.0


def test_sum_pieces_compiled_and_plain() -> None:
    rng = np.random.default_rng(2)
    at = (rng.integers(0, 2, 7), rng.integers(0, 3, 7), np.stack([rng.integers(-1, 2, 7), np.full(7, 2)]))
    given = (20.0, rng.random((2, 4)), rng.random((3, 2)), at, rng.uniform(0, 90, (7, 6)))
    results = []
    for function in (kernels.sum_pieces, kernels.sum_pieces.py_func):
        sums = np.zeros((3, 6))
        function(*given, sums)
        results.append(sums)
    np.testing.assert_allclose(results[0], results[1], rtol=1e-13)
    assert np.count_nonzero(results[0]) > 6

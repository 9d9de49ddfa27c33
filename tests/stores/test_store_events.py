"""Event run of the generic store against hand values, closed forms and invariants."""

from __future__ import annotations

import math

import numba
import numpy as np
import pandas as pd
import pytest

from catchscreen.runoff.store_events import EVENT_COLUMNS, run_store_events


def test_hand_ledger_of_paving_with_run_on(make_stores, make_storms, make_run_on, run):
    """The hand test of the water ledger, by 1-minute steps.

    200 m2 of paving, void 0.3, q 5e-6 m/s = 18 mm/h, 30 mm in 1 h uniform, run-on from 300 m2 less 1 mm:
    in = 200 * 0.030 + 300 * 0.029 = 14.70 m3; soaked = 200 * 0.018 = 3.60; stored 11.10 m3 = 55.5 mm of water = 185 mm
    of depth at a void share of 0.3; half of it goes in 5.55 / 3.60 = 1.54 h.
    """
    rain = np.full(60, 0.5)
    shed = np.where(np.arange(60) < 2, 0.0, 0.5)
    stores = make_stores(
        host_area_m2=200.0, base_area_m2=200.0, run_on_area_m2=300.0, void_mm=105.0, soak_design_mm_h=18.0
    )
    storms = make_storms({"a": (30.0, 60.0, rain, 1.0)})
    row = run_store_events(stores, make_run_on([[1.5]], {"a": shed[None, :]}), storms, run).events.iloc[0]
    assert row["inflow_m3"] == pytest.approx(14.70, abs=1e-9)
    assert row["soaked_m3"] == pytest.approx(3.60, abs=1e-9)
    assert row["store_change_m3"] == pytest.approx(11.10, abs=1e-9)
    assert row["greatest_store_mm"] / 0.3 == pytest.approx(185.0, abs=1e-9)
    assert row["half_emptying_h"] == pytest.approx(1.5417, abs=1e-4)
    assert row["overflow_m3"] == 0.0
    assert row["retained_m3"] == pytest.approx(14.70, abs=1e-9)
    assert row["slowed_m3"] == 0.0
    assert abs(row["residual_m3"]) < 1e-9 * 14.70


@pytest.mark.parametrize(
    ("q_m_s", "run_on_ratio", "depth_mm", "half_h"),
    [
        (1e-5, 1.0, 80.0, 1.0 / 3.0),
        (1e-6, 1.0, 188.0, 7.8333),
        (2e-5 / 1, 2.0, 60.0, None),
        (2e-5 / 2, 2.0, 180.0, None),
        (2e-5 / 5, 2.0, 252.0, None),
    ],
)
def test_quick_depth_of_a_plane_system(
    make_stores, make_storms, make_run_on, run, q_m_s, run_on_ratio, depth_mm, half_h
):
    """Plane system, uniform rain: h_max = (D / n)(R i - q), t_half = n h_max / (2 q); derived, no published number.

    30 mm in 1 h, n 0.3. R 2: (30*2 - 36)/0.3 = 80 mm and 0.3*80/(2*36) = 1/3 h; (60 - 3.6)/0.3 = 188 mm and
    0.3*188/7.2 = 7.83 h. R 3 and q 2e-5 m/s at safety factors 1, 2, 5: (90 - 72)/0.3 = 60, (90 - 36)/0.3 = 180,
    (90 - 14.4)/0.3 = 252 mm.
    """
    rain = np.full(12, 2.5)
    stores = make_stores(void_mm=200.0, soak_design_mm_h=q_m_s * 3.6e6, run_on_area_m2=100.0 * run_on_ratio)
    storms = make_storms({"a": (30.0, 60.0, rain, 5.0)})
    events = run_store_events(stores, make_run_on([[run_on_ratio]], {"a": rain[None, :]}), storms, run).events
    assert events["greatest_store_mm"][0] / 0.3 == pytest.approx(depth_mm, abs=1e-9)
    if half_h is not None:
        assert events["half_emptying_h"][0] == pytest.approx(half_h, abs=1e-3)


def test_orifice_at_full_head(make_stores, make_storms, no_run_on, run):
    """A 50 mm hole under 0.35 m of water lets out 0.6 * 1.9635e-3 m2 * sqrt(2 * 9.81 * 0.35) = 3.087 l/s.

    A store kept brim-full by heavy rain gives that through its outlet (100 m2: 111.1 mm/h), the rest goes over the
    brim.
    """
    litres = 0.6 * math.pi * 0.025**2 * math.sqrt(2.0 * 9.81 * 0.35) * 1000.0
    assert litres == pytest.approx(3.1, abs=0.05)
    outlet_mm_h = litres / 100.0 * 3600.0
    stores = make_stores(void_mm=105.0, outlet_mm_h=outlet_mm_h)
    long_rain = make_storms({"a": (30.0, 600.0, np.full(600, 5.0), 1.0), "b": (30.0, 660.0, np.full(660, 5.0), 1.0)})
    events = run_store_events(stores, no_run_on(stores, long_rain), long_rain, run).events
    through_m3 = events["outlet_m3"][1] - events["outlet_m3"][0]
    assert through_m3 / 3600.0 * 1000.0 == pytest.approx(litres, rel=0.01)
    assert events["peak_outflow_l_s"][1] == pytest.approx(5.0 * 60.0 * 100.0 / 3600.0, rel=1e-9)


def test_linear_outlet_follows_its_closed_form(make_stores, make_storms, no_run_on, run):
    """Linear reservoir under uniform inflow p from empty: S = (p/k)(1 - exp(-k t)); here p 12 mm/h, k 0.5 /h, t 2 h."""
    stores = make_stores(void_mm=100.0, outlet_mm_h=50.0, outlet_exponent=1.0)
    storms = make_storms({"a": (30.0, 120.0, np.full(120, 0.2), 1.0)})
    row = run_store_events(stores, no_run_on(stores, storms), storms, run).events.iloc[0]
    stored = 24.0 * (1.0 - math.exp(-1.0))
    assert row["store_change_m3"] == pytest.approx(stored * 0.1, rel=1e-4)
    assert row["half_emptying_h"] == pytest.approx(math.log(2.0) / 0.5, rel=1e-9)
    assert row["slowed_m3"] == pytest.approx(2.4, rel=1e-9)
    assert row["retained_m3"] == pytest.approx(0.0, abs=1e-9)


def test_outfall_shut_keeps_the_water(make_stores, make_storms, no_run_on, run):
    """Shut, a lined store keeps all 30 mm, never half-empties and overflows what is over 25 mm; free, it does not."""
    stores = make_stores(void_mm=25.0, outlet_mm_h=40.0, outlet_exponent=1.0)
    storms = make_storms({"a": (30.0, 60.0, np.full(60, 0.5), 1.0)})
    row = run_store_events(stores, no_run_on(stores, storms), storms, run).events.iloc[0]
    assert row["overflow_m3"] == 0.0
    assert row["overflow_shut_m3"] == pytest.approx(0.5, abs=1e-9)
    assert row["greatest_store_shut_mm"] == 25.0
    assert np.isinf(row["half_emptying_shut_h"])
    assert np.isfinite(row["half_emptying_h"])


def test_intake_limit_sheds_what_it_cannot_take(make_stores, make_storms, no_run_on, run):
    """Rain of 60 mm/h on a surface that lets in 20 mm/h: two thirds of 30 mm go over, 10 mm enter."""
    stores = make_stores(intake_mm_h=20.0)
    storms = make_storms({"a": (30.0, 30.0, np.full(6, 5.0), 5.0)})
    row = run_store_events(stores, no_run_on(stores, storms), storms, run).events.iloc[0]
    assert row["intake_excess_m3"] == pytest.approx(2.0)
    assert row["overflow_m3"] == pytest.approx(2.0)
    assert row["store_change_m3"] == pytest.approx(1.0)
    assert row["peak_outflow_l_s"] == pytest.approx(40.0 * 100.0 / 3600.0)


def test_roof_keeps_only_the_free_part_of_its_substrate(make_stores, make_storms, no_run_on, run):
    """Substrate of 20 mm, three quarters full: 5 mm of 15 mm stay, 1 mm wets the leaves, 9 mm reach the drain layer."""
    stores = make_stores(substrate_mm=20.0, substrate_start_fraction=0.75, wetting_mm=1.0, void_mm=50.0)
    storms = make_storms({"a": (30.0, 60.0, np.full(12, 1.25), 5.0)})
    row = run_store_events(stores, no_run_on(stores, storms), storms, run).events.iloc[0]
    assert row["greatest_store_mm"] == pytest.approx(9.0)
    assert row["store_change_m3"] == pytest.approx(1.5)


def test_second_storm_is_interpolated_in_the_logarithm(make_stores, make_storms, no_run_on, run):
    """1-in-10 between 1-in-5 (20 mm) and 1-in-30 (40 mm): 20 + 20 ln 2 / ln 6 = 27.737 mm onto what is still stored.

    A shut lined store of 50 mm holds the first 40 mm, so 40 + 27.737 - 50 = 17.737 mm go over; after the first 20 mm it
    holds 20 + 27.737 < 50: nothing. With a 1-in-2 storm only, or without a return period, there is no value.
    """
    stores = make_stores(void_mm=50.0)
    rows = {
        "t5": (5.0, 60.0, np.full(12, 20.0 / 12), 5.0),
        "t30": (30.0, 60.0, np.full(12, 40.0 / 12), 5.0),
        "alone": (2.0, 30.0, np.full(6, 2.0), 5.0),
        "plain": (np.nan, 60.0, np.full(12, 1.0), 5.0),
    }
    storms = make_storms(rows)
    events = run_store_events(stores, no_run_on(stores, storms), storms, run).events.set_index("storm_id")
    depth = 20.0 + 20.0 * math.log(2.0) / math.log(6.0)
    assert events.loc["t30", "second_storm_overflow_m3"] == pytest.approx((40.0 + depth - 50.0) * 0.1, rel=1e-9)
    assert events.loc["t5", "second_storm_overflow_m3"] == 0.0
    assert np.isnan(events.loc["alone", "second_storm_overflow_m3"])
    assert np.isnan(events.loc["plain", "second_storm_overflow_m3"])


def test_second_storm_finds_the_day_in_between(make_stores, make_storms, no_run_on, run):
    """A tabulated 1-in-10 of 30 mm, soak 1 mm/h: 29 mm are stored, 24 mm go in a day, 5 mm are left.

    The brim of 32 mm then sheds 5 + 30 - 1 - 32 = 2 mm.
    """
    stores = make_stores(void_mm=32.0, soak_design_mm_h=1.0)
    storms = make_storms({"t10": (10.0, 60.0, np.full(12, 2.5), 5.0)})
    row = run_store_events(stores, no_run_on(stores, storms), storms, run).events.iloc[0]
    assert row["overflow_m3"] == 0.0
    assert row["second_storm_overflow_m3"] == pytest.approx(0.2, rel=1e-9)


def _peaked(depth: float, steps: int) -> np.ndarray:
    """A symmetrical peaked profile."""
    shape = np.exp(-np.abs(np.linspace(-3.0, 3.0, steps)))
    return depth * shape / shape.sum()


@pytest.fixture
def storm_set(make_storms):
    """Six storms of three durations."""
    rows = {
        f"t{period:g}d{minutes:g}": (period, minutes, _peaked(depth, int(minutes / 5)), 5.0)
        for period, factor in ((5.0, 1.0), (30.0, 1.7))
        for minutes, depth in ((30.0, 15.0 * factor), (180.0, 27.0 * factor), (1440.0, 50.0 * factor))
    }
    return make_storms(rows)


def _random_run_on(storms, count, make_run_on, seed=3):
    """Three classes of run-on with losses of their own."""
    draw = np.random.default_rng(seed)
    weights = np.where(draw.random((count, 3)) < 0.4, 0.0, draw.uniform(0.0, 1.0, (count, 3)))
    steps = {
        key: np.stack([np.maximum(depth - loss, 0.0) for loss in (0.02, 0.1, 0.4)])
        for key, depth in storms.depths_mm.items()
    }
    return make_run_on(weights, steps)


def test_balance_closes_on_random_stores(random_stores, storm_set, make_run_on, run):
    """The residual is under 1e-9 of the inflow; retained, slowed and overflow share the inflow out."""
    stores = random_stores(300)
    events = run_store_events(stores, _random_run_on(storm_set, 300, make_run_on), storm_set, run).events
    assert len(events) == 300 * 6
    assert (events["inflow_m3"] > 0.0).all()
    assert (events["residual_m3"].abs() < 1e-9 * events["inflow_m3"]).all()
    whole = events["retained_m3"] + events["slowed_m3"] + events["overflow_m3"]
    np.testing.assert_allclose(whole, events["inflow_m3"], rtol=1e-9)
    assert (events["retained_m3"] > -1e-9).all()
    assert (events["overflow_shut_m3"] >= events["overflow_m3"] - 1e-12).all()


def test_bytes_depend_on_no_neighbour_and_no_thread(random_stores, storm_set, make_run_on, run):
    """The same stores in another order, and on one thread, give the same bytes."""
    stores = random_stores(150)
    inflow = _random_run_on(storm_set, 150, make_run_on)
    numba.set_num_threads(1)
    one = run_store_events(stores, inflow, storm_set, run).events
    numba.set_num_threads(numba.config.NUMBA_NUM_THREADS)
    many = run_store_events(stores, inflow, storm_set, run).events
    order = np.random.default_rng(1).permutation(150)
    arrays = {name: getattr(stores, name) for name in stores.__slots__}
    is_array = {name: isinstance(values, np.ndarray) and values.size == 150 for name, values in arrays.items()}
    fields = {name: values[order] for name, values in arrays.items() if is_array[name]}
    ids = tuple(stores.store_id[place] for place in order)
    mixed = type(stores)(store_id=ids, option_id=ids, outlet_to=stores.outlet_to, **fields)
    moved_inflow = make_run_on(inflow.class_weight[order], inflow.steps_mm)
    moved = run_store_events(mixed, moved_inflow, storm_set, run).events
    columns = list(EVENT_COLUMNS)
    assert one[columns].to_numpy().tobytes() == many[columns].to_numpy().tobytes()
    back = moved.set_index(["store_id", "storm_id"]).loc[list(zip(one["store_id"], one["storm_id"], strict=True))]
    assert back[columns].to_numpy().tobytes() == one[columns].to_numpy().tobytes()


def test_a_larger_store_never_overflows_more(random_stores, storm_set, make_run_on, run):
    """Adding void below the same law of outflow (the rate at full head grows with the head) never adds overflow."""
    stores = random_stores(200)
    inflow = _random_run_on(storm_set, 200, make_run_on)
    fields = {name: getattr(stores, name) for name in stores.__slots__}
    head = stores.void_mm - stores.sill_mm
    grown = (head + 30.0) / head
    fields["void_mm"] = stores.void_mm + 30.0
    fields["outlet_mm_h"] = stores.outlet_mm_h * grown**stores.outlet_exponent
    small = run_store_events(stores, inflow, storm_set, run).events
    large = run_store_events(type(stores)(**fields), inflow, storm_set, run).events
    assert (large["overflow_m3"] <= small["overflow_m3"] + 1e-9).all()
    assert small["overflow_m3"].sum() > 1.1 * large["overflow_m3"].sum()


def test_only_the_storms_asked_for_are_run(make_stores, storm_set, no_run_on, run):
    """``storm_ids`` picks and orders the storms; an unknown one is refused."""
    stores = make_stores(void_mm=[30.0, 60.0])
    events = run_store_events(stores, no_run_on(stores, storm_set), storm_set, run, storm_ids=["t30d30"]).events
    assert list(events["storm_id"]) == ["t30d30", "t30d30"]
    with pytest.raises(KeyError):
        run_store_events(stores, no_run_on(stores, storm_set), storm_set, run, storm_ids=["other"])


def test_only_the_first_storm_gives_the_same_first_storm(random_stores, storm_set, make_run_on, run):
    """``only_first`` leaves out the second storm and the shut outfalls and changes no byte of the rest."""
    stores = random_stores(100)
    inflow = _random_run_on(storm_set, 100, make_run_on)
    whole = run_store_events(stores, inflow, storm_set, run).events
    first = run_store_events(stores, inflow, storm_set, run, only_first=True).events
    left_out = [name for name in whole if "shut" in name or "second" in name]
    assert len(left_out) == 5
    assert first[left_out].isna().all(axis=None)
    ends = ["retained_low_m3", "retained_high_m3"]
    kept = whole.drop(columns=[*left_out, *ends])
    pd.testing.assert_frame_equal(first.drop(columns=left_out), kept, check_exact=True)


def test_run_on_that_does_not_fit_is_refused(make_stores, make_storms, make_run_on, run):
    """Run-on of another number of stores or steps is a mistake of the caller."""
    storms = make_storms({"a": (30.0, 60.0, np.full(12, 1.0), 5.0)})
    stores = make_stores(void_mm=[30.0, 60.0])
    with pytest.raises(ValueError, match="1 stores, not 2"):
        run_store_events(stores, make_run_on([[1.0]], {"a": np.zeros((1, 12))}), storms, run)
    with pytest.raises(ValueError, match="shape"):
        run_store_events(stores, make_run_on([[1.0], [1.0]], {"a": np.zeros((1, 9))}), storms, run)


def test_finer_steps_change_little(random_stores, make_storms, no_run_on, run):
    """The same 5-minute rain by steps of 5 and of 0.5 minutes: terms move by under 1 % of the rain.

    So does the greatest depth; peaks of stores that do not overflow (where the answer is the outlet's) by under 2 %.
    """
    stores = random_stores(150)
    rain = _peaked(41.0, 36)
    rows = {"coarse": (30.0, 180.0, rain, 5.0), "fine": (30.0, 180.0, np.repeat(rain / 10.0, 10), 0.5)}
    storms = make_storms(rows)
    events = run_store_events(stores, no_run_on(stores, storms), storms, run).events.set_index("storm_id")
    coarse, fine = (events.loc[name].set_index("store_id") for name in rows)
    assert (coarse["greatest_store_mm"] - fine["greatest_store_mm"]).abs().max() < 0.41
    for name in ("soaked_m3", "outlet_m3", "overflow_m3", "store_change_m3"):
        assert ((coarse[name] - fine[name]).abs() / fine["inflow_m3"]).max() < 0.01, name
    seen = (fine["overflow_m3"] == 0.0) & (fine["slowed_m3"] > 0.1 * fine["inflow_m3"])
    assert seen.sum() > 30
    peaks = coarse["peak_outflow_l_s"][seen] / fine["peak_outflow_l_s"][seen]
    assert (peaks - 1.0).abs().max() < 0.02


def test_no_stores_no_rows(make_stores, storm_set, make_run_on, run):
    """Without stores there are no rows, and all columns."""
    none = make_stores(void_mm=np.zeros(0))
    events = run_store_events(none, _random_run_on(storm_set, 0, make_run_on), storm_set, run).events
    assert len(events) == 0
    assert set(EVENT_COLUMNS) < set(events.columns)

"""What must hold of the water ledger whatever the ground, the storm and the candidates."""

from __future__ import annotations

import os

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from catchscreen.options import RunoffOptions
from catchscreen.runoff import CandidatePieces
from catchscreen.runoff import ledger as ledger_module

SEEDS = st.integers(0, 10_000)
few = settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
CLASSES = ("roof", "asphalt", "gravel", "garden", "woodland")
SHARES = {"roof": 1.0, "asphalt": 0.95, "gravel": 0.5, "garden": 0.1, "woodland": 0.0}
HOLLOWS = {"H1": (4.0, "H2"), "H2": (6.0, ""), "H3": (1.0, "H2")}


def random_rows(rng: np.random.Generator, count: int = 12) -> list[dict[str, object]]:
    """Pieces of mixed cover in two parcels, two zones (one unknown) and three hollows."""
    rows = []
    for _ in range(count):
        cover = CLASSES[rng.integers(len(CLASSES))]
        piped, ground = rng.uniform(0, 0.8), rng.uniform(0, 0.2)
        rows.append(
            {
                "parcel_id": ("P1", "P2", "")[rng.integers(3)],
                "hollow_id": ("H1", "H2", "H3", "")[rng.integers(4)],
                "zone_id": ("Z1", "")[rng.integers(2)],
                "subcatchment_id": ("C1", "C2")[rng.integers(2)],
                "cover_class": cover,
                "area_m2": float(rng.uniform(50, 900)),
                "impermeable_fraction": SHARES[cover],
                "piped_fraction": piped,
                "to_ground_fraction": ground,
                "overland_fraction": 1.0 - piped - ground,
            }
        )
    return rows


def random_depths(rng: np.random.Generator, steps: int = 24) -> np.ndarray:
    """A gusty storm with dry steps."""
    return rng.gamma(0.5, 2.0, steps) * (rng.random(steps) > 0.2)


def random_candidates(rng: np.random.Generator, ledger: pd.DataFrame, make_stores) -> CandidatePieces:
    """Three candidates: 0 passes half its overflow to 2; each has hosts in two rows and run-on from one."""
    rows = [
        {
            "base_area_m2": rng.uniform(0, 60),
            "host_area_m2": 60.0,
            "wetting_mm": rng.uniform(0, 3),
            "intake_mm_h": rng.uniform(5, 200),
            "substrate_mm": rng.uniform(0, 20),
            "substrate_start_fraction": rng.random(),
            "void_mm": rng.uniform(0, 60),
            "outlet_mm_h": rng.uniform(0, 50),
            "outlet_exponent": exponent,
            "soak_design_mm_h": rng.uniform(0, 20),
            "outlet_to": to,
        }
        for to, exponent in (("sewer", 0.5), ("ground", 1.0), ("watercourse", 0.5))
    ]
    for row in rows:
        row["sill_mm"] = row["void_mm"] * rng.random()
    area = ledger["area_m2"].to_numpy()
    hosts = pd.DataFrame({"candidate": [0, 0, 1, 1, 2, 2], "row": [0, 1, 2, 3, 4, 5], "area_m2": area[:6] * 0.4})
    run_on = pd.DataFrame({"candidate": [0, 1, 2], "row": [1, 7, 8], "area_m2": area[[1, 7, 8]] * [0.5, 1.0, 0.7]})
    return CandidatePieces(make_stores(*rows), hosts, run_on, np.array([2, -1, -1]), np.array([0.5, 0.0, 0.0]))


def total(runs, column: str, level: str = "district") -> float:
    return float(runs.balance.loc[runs.balance["level"] == level, column].sum())


@few
@given(seed=SEEDS, model=st.sampled_from(["green_ampt", "curve_number"]), built=st.booleans())
def test_every_level_closes(seed, model, built, make_ledger, make_storms, make_land, make_stores, run_ledger) -> None:
    """Rain and inflow equal the sum of the other terms, each summed on its own, within 1e-9 of the rain."""
    rng = np.random.default_rng(seed)
    ledger = make_ledger(*random_rows(rng))
    storms = make_storms(step_min=5.0, A=random_depths(rng), B=random_depths(rng, 7))
    candidates = random_candidates(rng, ledger, make_stores) if built else None
    options = RunoffOptions(loss_model=model, storm_evaporation_mm_h=0.2)
    land = make_land(HOLLOWS, {"C2": "C1"})
    runs = run_ledger(ledger, storms, land=land, options=options, candidates=candidates)
    table = runs.balance
    district = table[table["level"] == "district"].set_index("storm_id")
    limit = 1e-9 * district["rain_m3"]
    assert (table["residual_m3"].abs() <= table["storm_id"].map(limit)).all()
    assert set(table["level"]) == {"parcel", "subcatchment", "sewer_zone", "hollow", "district"}
    fate = district["held_in_hollows_m3"] + district["leaving_m3"]
    np.testing.assert_allclose(fate, district["overland_m3"], rtol=1e-12)
    for storm in ("A", "B"):
        assert runs.overland_m3[storm].sum() == pytest.approx(district.loc[storm, "overland_m3"], rel=1e-12)
        by_level = table[table["storm_id"] == storm].groupby("level")["sewer_m3"].sum()
        assert by_level["sewer_zone"] == pytest.approx(by_level["district"], rel=1e-12)
        assert by_level["subcatchment"] == pytest.approx(by_level["district"], rel=1e-12)
    if built:
        stores = runs.candidates
        inflow = stores[["rain_m3", "run_on_m3", "from_candidates_m3"]].sum(axis=1)
        out = stores[["soaked_m3", "to_sewer_m3", "to_ground_m3", "to_watercourse_m3", "evaporation_m3"]].sum(axis=1)
        out = out + stores["overflow_m3"] + stores["passed_on_m3"] + stores["store_change_m3"]
        np.testing.assert_allclose(inflow, out, rtol=1e-10)


@few
@given(seed=SEEDS, capacity=st.floats(0.0, 60.0), built=st.booleans())
def test_no_sewer_and_endless_sewer_bracket(
    seed, capacity, built, make_ledger, make_storms, make_zones, make_stores, run_ledger
) -> None:
    """K = 0 gives the least piped and most overland water of each piece, K without limit the reverse."""
    rng = np.random.default_rng(seed)
    ledger = make_ledger(*random_rows(rng)).assign(zone_id="Z1")
    storms = make_storms(step_min=5.0, S=random_depths(rng))
    candidates = random_candidates(rng, ledger, make_stores) if built else None
    none, some, endless = (
        run_ledger(ledger, storms, zones=make_zones(Z1=k), candidates=candidates) for k in (0.0, capacity, 1e9)
    )
    assert total(none, "sewer_m3") == 0.0
    assert total(none, "sewer_m3") <= total(some, "sewer_m3") + 1e-12
    assert total(some, "sewer_m3") <= total(endless, "sewer_m3") + 1e-12
    assert (endless.capture_fraction["S"] == 1.0).all()
    if not built:  # a store whose outlet is held back may overflow more, but only where it stands
        assert (none.overland_m3["S"] >= some.overland_m3["S"] - 1e-12).all()
        assert (some.overland_m3["S"] >= endless.overland_m3["S"] - 1e-12).all()


@few
@given(seed=SEEDS, lower=st.floats(0.0, 30.0), more=st.floats(0.0, 30.0))
def test_more_sewer_never_fills_a_hollow(
    seed, lower, more, make_ledger, make_storms, make_zones, make_land, run_ledger
) -> None:
    """Raising K never raises what a hollow holds."""
    rng = np.random.default_rng(seed)
    ledger = make_ledger(*random_rows(rng)).assign(zone_id="Z1")
    storms = make_storms(step_min=5.0, S=random_depths(rng))
    land = make_land(HOLLOWS, {"C2": "C1"})
    small, large = (run_ledger(ledger, storms, land=land, zones=make_zones(Z1=k)) for k in (lower, lower + more))
    held = [runs.balance.query("level == 'hollow'")["held_in_hollows_m3"].to_numpy() for runs in (small, large)]
    assert (held[1] <= held[0] + 1e-12).all()


@few
@given(seed=SEEDS)
def test_merging_pieces_changes_nothing(seed, make_ledger, make_storms, make_land, run_ledger) -> None:
    """Two pieces of one class, zone and cell are one piece; cutting each into three parts changes nothing either."""
    rng = np.random.default_rng(seed)
    rows = random_rows(rng, 6)
    parts = [row | {"area_m2": row["area_m2"] * share} for row in rows for share in (0.2, 0.3, 0.5)]
    storms = make_storms(step_min=5.0, S=random_depths(rng))
    land = make_land(HOLLOWS, {"C2": "C1"})
    whole, cut = (run_ledger(make_ledger(*some), storms, land=land) for some in (rows, parts))
    numbers = whole.balance.columns[3:].drop("residual_m3")
    np.testing.assert_allclose(whole.balance[numbers], cut.balance[numbers], rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(whole.overland_m3["S"], cut.overland_m3["S"].reshape(-1, 3).sum(axis=1), rtol=1e-9)


@few
@given(seed=SEEDS)
def test_a_slab_changes_nothing(seed, make_ledger, make_storms, make_stores, run_ledger) -> None:
    """A candidate without depth on impermeable ground, with the host's depression store, changes nothing."""
    rng = np.random.default_rng(seed)
    ledger = make_ledger({"area_m2": 400.0}, {"area_m2": 300.0, "parcel_id": "P2"})
    storms = make_storms(step_min=5.0, S=random_depths(rng))
    pieces = CandidatePieces(
        make_stores({"wetting_mm": 1.0}),
        pd.DataFrame({"candidate": [0], "row": [0], "area_m2": [150.0]}),
        pd.DataFrame({"candidate": [0], "row": [1], "area_m2": [200.0]}),
        np.array([-1]),
        np.array([0.0]),
    )
    now, after = (run_ledger(ledger, storms, candidates=pieces_) for pieces_ in (None, pieces))
    columns = ["rain_m3", "sewer_m3", "overland_m3", "infiltration_m3", "store_change_m3"]
    district = [runs.balance.query("level == 'district'")[columns] for runs in (now, after)]
    np.testing.assert_allclose(district[0], district[1], atol=1e-9)


@few
@given(
    seed=SEEDS,
    factor=st.floats(1.0, 3.0),
    model=st.sampled_from(["green_ampt", "curve_number"]),
    state=st.sampled_from(["dry", "normal", "wet", "baked"]),
)
def test_more_rain_never_gives_less_runoff(seed, factor, model, state, make_ledger, make_storms, run_ledger) -> None:
    """Scaling a whole storm up never lowers the runoff of any piece."""
    rng = np.random.default_rng(seed)
    ledger = make_ledger(*random_rows(rng))
    depths = random_depths(rng)
    storms = make_storms(step_min=5.0, antecedent=state, A=depths, B=depths * factor)
    runs = run_ledger(ledger, storms, options=RunoffOptions(loss_model=model))
    assert (runs.runoff_mm["B"] >= runs.runoff_mm["A"] - 1e-10).all()


def test_wetter_ground_sheds_more(make_ledger, make_storms, run_ledger) -> None:
    """Dry, normal and wet ground shed in that order; a crust sheds more than the same dry ground without it."""
    ledger = make_ledger({"cover_class": "grass", "impermeable_fraction": 0.0})
    for model in ("green_ampt", "curve_number"):
        shed = {}
        for state in ("dry", "normal", "wet", "baked"):
            storms = make_storms(step_min=5.0, antecedent=state, S=np.full(12, 5.0))
            shed[state] = run_ledger(ledger, storms, options=RunoffOptions(loss_model=model)).runoff_mm["S"][0]
        assert shed["dry"] < shed["normal"] < shed["wet"]
        assert shed["baked"] > shed["dry"]


def test_same_bytes_whatever_the_threads(
    monkeypatch, make_ledger, make_storms, make_land, make_stores, run_ledger
) -> None:
    """Storms are shared out to threads, sums are not: not one bit may differ."""
    rng = np.random.default_rng(7)
    ledger = make_ledger(*random_rows(rng, 200))
    storms = make_storms(step_min=5.0, **{f"S{n}": random_depths(rng, 5 + 7 * n) for n in range(6)})
    pieces = random_candidates(rng, ledger, make_stores)
    results = []
    for threads in (1, 3):
        monkeypatch.setattr(ledger_module, "worker_count", lambda: threads)  # noqa: B023  (called within the turn)
        results.append(run_ledger(ledger, storms, land=make_land(HOLLOWS, {"C2": "C1"}), candidates=pieces))
    one, two = results
    pd.testing.assert_frame_equal(one.balance, two.balance, check_exact=True)
    pd.testing.assert_frame_equal(one.peaks, two.peaks, check_exact=True)
    for storm in one.overland_m3:
        assert one.overland_m3[storm].tobytes() == two.overland_m3[storm].tobytes()
        assert one.runoff_steps_mm[storm].tobytes() == two.runoff_steps_mm[storm].tobytes()


def test_workers_follow_the_users_setting(monkeypatch) -> None:
    """NUMBA_NUM_THREADS decides, as for all compiled code; without it, the processors of this process."""
    monkeypatch.setenv("NUMBA_NUM_THREADS", "3")
    assert ledger_module.worker_count() == 3
    monkeypatch.delenv("NUMBA_NUM_THREADS")
    assert 1 <= ledger_module.worker_count() <= (os.cpu_count() or 1)

"""Cases of the water ledger on paper: outlets that share a sewer, overflow passed on, hollows, unknown zones."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from catchscreen.options import RunoffOptions
from catchscreen.progress import Run
from catchscreen.runoff import CandidatePieces


def pieces(stores, hosts, run_on=(), passes=None) -> CandidatePieces:
    count = len(stores.store_id)
    passes = passes or {}
    return CandidatePieces(
        stores,
        pd.DataFrame(hosts, columns=["candidate", "row", "area_m2"]),
        pd.DataFrame(list(run_on), columns=["candidate", "row", "area_m2"]),
        np.array([passes.get(n, (-1, 0.0))[0] for n in range(count)]),
        np.array([passes.get(n, (-1, 0.0))[1] for n in range(count)]),
    )


def test_outlets_come_first_and_share_the_sewer(make_ledger, make_storms, make_stores, run_ledger) -> None:
    """Two stores of 100 m2 with the same linear outlet on a piece of 1,000 m2 (K 12 mm/h: 0.18 m3 a minute).

    60 mm fall in the first step, 12 mm and so 1.2 m3 a minute into each store of 100 mm. From the second minute on each
    outlet of 3,600 mm/h at full head would let go at least 1.2 (1 - exp(-0.6)) = 0.54 m3 a minute: together they get
    0.18, shared 0.09 each, for 19 minutes. In the first step 0.18 m3 of room is left for the ground's 0.9 x 800 m2 x
    59 mm = 42.48 m3, later none.
    """
    outlet = {"host_area_m2": 100.0, "void_mm": 100.0, "outlet_mm_h": 3600.0, "outlet_exponent": 1.0}
    stores = make_stores(outlet, outlet)
    laid = pieces(stores, [(0, 0, 100.0), (1, 0, 100.0)])
    storms = make_storms(step_min=5.0, S=np.array([60.0, 0.0, 0.0, 0.0]))
    runs = run_ledger(make_ledger(), storms, candidates=laid)
    assert runs.candidates["to_sewer_m3"].tolist() == pytest.approx([19 * 0.09, 19 * 0.09])
    assert runs.candidates["store_change_m3"].tolist() == pytest.approx([6.0 - 1.71, 6.0 - 1.71])
    district = runs.balance.query("level == 'district'").iloc[0]
    assert district["sewer_m3"] == pytest.approx(0.18 * 20)
    np.testing.assert_allclose(runs.capture_fraction["S"][0], [0.18 / 42.48, 1.0, 1.0, 1.0])


def test_outlet_to_a_watercourse_is_its_own_term(make_ledger, make_storms, make_stores, run_ledger) -> None:
    """Five minutes bring 10 mm each; the sixth to tenth are dry. Rate 60 mm/h at 50 mm of head: 1 - e^-0.02 a minute.

    Minute by minute, outlet before inflow: S = (S q) + 10 for five minutes, then S q, with q = e^-0.02; all of what is
    gone went to the stream, nothing of it may count as sewer or infiltration.
    """
    stores = make_stores({"void_mm": 50.0, "outlet_mm_h": 60.0, "outlet_exponent": 1.0, "outlet_to": "watercourse"})
    storms = make_storms(step_min=5.0, S=np.array([50.0, 0.0]))
    runs = run_ledger(make_ledger({"area_m2": 200.0}), storms, candidates=pieces(stores, [(0, 0, 200.0)]))
    district = runs.balance.query("level == 'district'").iloc[0]
    q = np.exp(-0.02)
    left_mm = 10.0 * (1.0 + q + q**2 + q**3 + q**4) * q**5
    assert district["watercourse_m3"] == pytest.approx((50.0 - left_mm) * 0.2)
    assert district["sewer_m3"] == 0.0
    assert district["infiltration_m3"] == 0.0


def test_overflow_is_passed_on_between_parcels(make_ledger, make_storms, make_stores, run_ledger) -> None:
    """A full roof of 100 m2 passes its overflow to paving of 100 m2 next door: inflow there, passed on here.

    30 mm fall; the roof keeps 10 mm (1 m3) and passes 2 m3; the paving holds 40 of 50 mm: 3 + 2 = 5 m3 in, 1 m3 over.
    """
    ledger = make_ledger({"area_m2": 100.0}, {"area_m2": 100.0, "parcel_id": "P2"})
    stores = make_stores({"host_area_m2": 100.0, "void_mm": 40.0}, {"host_area_m2": 100.0, "substrate_mm": 10.0})
    laid = pieces(stores, [(0, 1, 100.0), (1, 0, 100.0)], passes={1: (0, 1.0)})
    runs = run_ledger(ledger, make_storms(step_min=5.0, S=np.array([30.0])), candidates=laid)
    parcels = runs.balance.query("level == 'parcel'").set_index("unit_id")
    assert parcels.loc["P1", "passed_on_m3"] == pytest.approx(2.0)
    assert parcels.loc["P2", "inflow_m3"] == pytest.approx(2.0)
    assert parcels["store_change_m3"].tolist() == pytest.approx([1.0, 4.0])
    assert runs.balance["residual_m3"].abs().max() < 1e-12
    district = runs.balance.query("level == 'district'").iloc[0]
    assert district["inflow_m3"] == 0.0
    assert district["sewer_m3"] + district["overland_m3"] == pytest.approx(1.0)


def test_overflow_in_a_ring_is_refused(make_ledger, make_storms, make_stores, run_ledger) -> None:
    stores = make_stores({"host_area_m2": 100.0}, {"host_area_m2": 100.0})
    laid = pieces(stores, [(0, 0, 100.0), (1, 0, 100.0)], passes={0: (1, 1.0), 1: (0, 1.0)})
    with pytest.raises(ValueError, match="ring"):
        run_ledger(make_ledger(), make_storms(S=np.ones(3)), candidates=laid)


def test_ground_is_not_taken_twice(make_ledger, make_storms, make_stores, run_ledger) -> None:
    stores = make_stores({"host_area_m2": 600.0})
    laid = pieces(stores, [(0, 0, 600.0)], run_on=[(0, 0, 500.0)])
    with pytest.raises(ValueError, match="more ground"):
        run_ledger(make_ledger(), make_storms(S=np.ones(3)), candidates=laid)


def test_hollows_fill_on_totals_and_spill_down(make_ledger, make_storms, make_land, make_zones, run_ledger) -> None:
    """29 m3 reach H1 (10 m3), 19 spill into H2, which gets 29 of its own and holds 30: 18 leave; 14.5 leave beside."""
    ledger = make_ledger({"hollow_id": "H1"}, {"hollow_id": "H2"}, {"area_m2": 500.0})
    land = make_land({"H1": (10.0, "H2"), "H2": (30.0, "")})
    runs = run_ledger(ledger, make_storms(S=np.full(60, 0.5)), land=land, zones=make_zones(Z1=0.0))
    hollows = runs.balance.query("level == 'hollow'").set_index("unit_id")
    assert hollows["held_in_hollows_m3"].tolist() == pytest.approx([10.0, 30.0])
    assert hollows["inflow_m3"].tolist() == pytest.approx([0.0, 19.0])
    assert hollows["leaving_m3"].tolist() == pytest.approx([19.0, 18.0])
    district = runs.balance.query("level == 'district'").iloc[0]
    assert district["held_in_hollows_m3"] == pytest.approx(40.0)
    assert district["leaving_m3"] == pytest.approx(18.0 + 14.5)
    assert runs.balance["residual_m3"].abs().max() < 1e-10


def test_unknown_zone_takes_the_default_and_says_so(make_ledger, make_storms, run_ledger) -> None:
    """Without sewer zones the hand test comes out with the brief's capacity, and the note names the assumption."""
    run = Run()
    storms = make_storms(S=np.full(60, 0.5))
    runs = run_ledger(make_ledger({"zone_id": ""}), storms, zones=None, run=run)
    assert runs.zones == ("",)
    row = runs.balance.query("level == 'sewer_zone'").iloc[0]
    assert row["sewer_m3"] == pytest.approx(10.44)
    assert {issue.code for issue in run.issues} >= {"sewer_capacity_assumed", "runoff_uncalibrated"}


def test_zone_without_sewer_takes_nothing(make_ledger, make_storms, make_zones, run_ledger) -> None:
    zones = make_zones(Z1=np.nan).assign(sewer_kind="none")
    runs = run_ledger(make_ledger(), make_storms(S=np.full(60, 0.5)), zones=zones)
    assert runs.balance.query("level == 'district'").iloc[0]["overland_m3"] == pytest.approx(29.0)


def test_calibration_scales_connection_and_capacity(make_ledger, make_storms, run_ledger) -> None:
    """Half the connection halves the connected area too: 450 m2 x 0.5 mm offered, 12 mm/h x 450 m2 taken, times 2."""
    run = Run()
    options = RunoffOptions(connection_scale=0.5, capacity_scale=2.0, calibration_source="spill record of the overflow")
    runs = run_ledger(make_ledger(), make_storms(S=np.full(60, 0.5)), options=options, run=run)
    assert runs.balance.query("level == 'district'").iloc[0]["sewer_m3"] == pytest.approx(58 * 0.18)
    codes = {issue.code for issue in run.issues}
    assert "runoff_calibrated" in codes
    assert "runoff_uncalibrated" not in codes


def test_pieces_are_rebuilt_from_their_class(make_ledger, make_storms, run_ledger) -> None:
    """The runoff of a class over the steps adds up to what left each of its pieces."""
    ledger = make_ledger({}, {"cover_class": "garden", "impermeable_fraction": 0.2}, {"cover_class": "roof"})
    runs = run_ledger(ledger, make_storms(step_min=5.0, S=np.linspace(1, 8, 12)))
    steps = runs.runoff_steps_mm["S"][runs.loss_class]
    np.testing.assert_allclose(steps.sum(axis=1), runs.runoff_mm["S"])
    assert (steps >= 0.0).all()


@pytest.mark.parametrize("wrong", [{"piped_fraction": 0.5}, {"area_m2": np.nan}, {"overland_fraction": np.nan}])
def test_a_ledger_that_cannot_close_is_refused(wrong, make_ledger, make_storms, run_ledger) -> None:
    with pytest.raises(ValueError, match="ledger row 1"):
        run_ledger(make_ledger({}, wrong), make_storms(S=np.ones(3)))


def test_connection_case_takes_its_column_and_divides_the_rest_as_before(make_ledger, make_storms, run_ledger) -> None:
    """10 m3 shed; middle 0.6 piped with 3 to 1 soaked to overland; high 0.8: 8, 1.5, 0.5; low 0.2: 2, 6, 2."""
    ledger = make_ledger({"piped_fraction": 0.6, "to_ground_fraction": 0.3, "overland_fraction": 0.1})
    ledger = ledger.assign(piped_low_fraction=0.2, piped_high_fraction=0.8)
    storms = make_storms(step_min=5.0, S=np.array([2.0] + [0.75] * 12))
    for case, wanted in {"low": (2.0, 6.0, 2.0), "mid": (6.0, 3.0, 1.0), "high": (8.0, 1.5, 0.5)}.items():
        runs = run_ledger(ledger, storms, options=RunoffOptions(connection_case=case), zones=ZONES)
        row = runs.balance.query("level == 'district'").iloc[0]
        assert row[["sewer_m3", "infiltration_m3", "overland_m3"]].tolist() == pytest.approx(list(wanted))


ZONES = pd.DataFrame({"sewer_kind": ["combined"], "capacity_mm_h": [1e6]}, index=["Z1"])


def test_capture_goes_step_by_step(make_ledger, make_storms, make_zones, run_ledger) -> None:
    """12 mm in the first of twelve 5-minute steps, K 12 mm/h over 900 m2: 0.9 m3 a step.

    11 mm run off; 9.9 m3 are offered in that one step and 0.9 fit. By totals of the hour 9.9 of 10.8 would have fitted.
    """
    rain = np.zeros(12)
    rain[0] = 12.0
    runs = run_ledger(make_ledger(), make_storms(step_min=5.0, S=rain), zones=make_zones(Z1=12.0))
    district = runs.balance.query("level == 'district'").iloc[0]
    assert district["sewer_m3"] == pytest.approx(0.9)
    assert district["overland_m3"] == pytest.approx(10.1)


@pytest.mark.parametrize("coefficient", [0.5, 0.95])
def test_the_rational_coefficients_follow_no_loss(coefficient, make_ledger, make_storms, run_ledger) -> None:
    """Cv and Cr move the rational checks and nothing else: every volume and both routed peaks stay bit for bit."""
    storms = make_storms(step_min=5.0, S=np.array([3.0, 9.0, 4.0, 0.0]))
    usual = run_ledger(make_ledger(), storms)
    moved = run_ledger(
        make_ledger(), storms, options=RunoffOptions(runoff_coefficient=coefficient, routing_coefficient=1.1)
    )
    pd.testing.assert_frame_equal(usual.balance, moved.balance, check_exact=True)
    routed = ["overland_peak_l_s", "piped_peak_l_s", "time_of_peak_min"]
    pd.testing.assert_frame_equal(usual.peaks[routed], moved.peaks[routed], check_exact=True)
    ratio = moved.peaks["rational_check_l_s"] / usual.peaks["rational_check_l_s"]
    assert ratio.dropna().tolist() == pytest.approx([coefficient / 0.75])


def test_every_piece_closes_on_its_own(make_ledger, make_storms, run_ledger) -> None:
    """Each piece its own parcel, sub-catchment and hollow: the residual stays under 1e-9 of the piece's own rain."""
    covers = ("roof", "asphalt", "gravel", "garden", "woodland")
    rows = [
        {
            "parcel_id": f"P{n}",
            "subcatchment_id": f"C{n}",
            "cover_class": cover,
            "area_m2": 7.0 * (n + 1) ** 3,
            "impermeable_fraction": 1.0 - 0.25 * n,
            "piped_fraction": 0.7,
            "to_ground_fraction": 0.1,
            "overland_fraction": 0.2,
        }
        for n, cover in enumerate(covers)
    ]
    storms = make_storms(step_min=5.0, S=np.random.default_rng(3).gamma(0.6, 2.0, 60))
    balance = run_ledger(make_ledger(*rows), storms).balance
    for level in ("parcel", "subcatchment"):
        part = balance[balance["level"] == level]
        assert len(part) == len(covers)
        assert (part["residual_m3"].abs() <= 1e-9 * part["rain_m3"]).all()


@pytest.mark.parametrize("state", ["normal", "baked"])
def test_baked_ground_says_that_it_is_assumed(state, make_ledger, make_storms, run_ledger) -> None:
    run = Run()
    run_ledger(make_ledger(), make_storms(antecedent=state, S=np.ones(5)), run=run)
    said = [issue for issue in run.issues if issue.code == "baked_ground_assumed"]
    assert len(said) == (state == "baked")
    assert all("10 mm" in issue.message and "50 %" in issue.message for issue in said)

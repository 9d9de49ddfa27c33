"""A chosen set on the ledger: areas by hand, overflow that follows the host's old way, and a closed run."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from catchscreen.runoff import place_candidates


def frame(*rows: tuple[str, str, float]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=["candidate_id", "surface_id", "fraction"])


@pytest.fixture
def ledger(make_ledger) -> pd.DataFrame:
    """A roof in two rows (300 and 100 m2) beside a yard of 200 m2."""
    rows = make_ledger({"area_m2": 300.0, "cover_class": "roof"}, {"area_m2": 100.0}, {"area_m2": 200.0})
    return rows.assign(surface_id=["roof", "roof", "yard"])


def test_roof_onto_paving(ledger, make_stores) -> None:
    """A green roof on 80 % of the roof; half the roof ran on to the yard, whose paving covers all of it.

    The bare 20 % of each roof row still sends half: 30 and 10 m2. Half of the green roof's overflow goes the same way.
    """
    stores = make_stores({}, {})
    option_of = pd.Series({"K0": "green", "K1": "paving"})
    hosts = frame(("green", "roof", 0.8), ("paving", "yard", 1.0), ("elsewhere", "yard", 1.0))
    placed = place_candidates(stores, option_of, hosts, frame(("paving", "roof", 0.5)), ledger)
    assert placed.hosts.to_numpy().tolist() == [[0, 0, 240.0], [0, 1, 80.0], [1, 2, 200.0]]
    np.testing.assert_allclose(placed.run_on.to_numpy(), [[1, 0, 30.0], [1, 1, 10.0]])
    assert placed.passes_to.tolist() == [1, -1]
    assert placed.passed_fraction.tolist() == pytest.approx([0.5, 0.0])


def test_the_set_runs_and_closes(ledger, make_stores, make_storms, run_ledger) -> None:
    """30 mm: the green roof keeps 10 of 30 mm on 320 m2; the paving holds all that reaches it.

    Paving: 200 m2 x 30 mm, 40 m2 x 29 mm, half of 320 m2 x 20 mm = 6 + 1.16 + 3.2 = 10.36 m3.
    """
    stores = make_stores({"host_area_m2": 320.0, "substrate_mm": 10.0}, {"void_mm": 100.0})
    option_of = pd.Series({"K0": "green", "K1": "paving"})
    hosts = frame(("green", "roof", 0.8), ("paving", "yard", 1.0))
    placed = place_candidates(stores, option_of, hosts, frame(("paving", "roof", 0.5)), ledger)
    runs = run_ledger(ledger, make_storms(step_min=5.0, S=np.full(12, 2.5)), candidates=placed)
    assert runs.candidates["store_change_m3"].tolist() == pytest.approx([3.2, 10.36])
    assert runs.balance["residual_m3"].abs().max() < 1e-9 * 18.0


def test_what_drains_from_a_green_roof_runs_on_to_the_yard_below(
    ledger, make_stores, make_storms, run_ledger, make_zones
):
    """The green roof holds 10 of 30 mm and lets the rest go by its drains within hours, half of it onto the yard.

    Yard as before: 6 + 1.16 + 3.2 = 10.36 m3; the other half, 3.2 m3, goes to the sewer, which has room. Nothing of a
    paved store's own outlet follows its overflow.
    """
    roof = {"host_area_m2": 320.0, "base_area_m2": 0.0, "substrate_mm": 10.0, "outlet_mm_h": 3600.0}
    stores = make_stores({**roof, "void_mm": 100.0, "outlet_exponent": 1.0}, {"void_mm": 100.0})
    option_of = pd.Series({"K0": "green", "K1": "paving"})
    hosts = frame(("green", "roof", 0.8), ("paving", "yard", 1.0))
    placed = place_candidates(stores, option_of, hosts, frame(("paving", "roof", 0.5)), ledger)
    assert placed.outlet_passed_fraction.tolist() == [0.5, 0.0]
    rain = make_storms(step_min=5.0, S=np.r_[np.full(12, 2.5), np.zeros(36)])
    runs = run_ledger(ledger, rain, candidates=placed, zones=make_zones(Z1=1e9))
    assert runs.candidates["store_change_m3"].tolist() == pytest.approx([3.2, 10.36])
    assert runs.candidates["to_sewer_m3"].tolist() == pytest.approx([3.2, 0.0])
    assert runs.candidates["overflow_m3"].tolist() == pytest.approx([0.0, 0.0])
    assert runs.balance["residual_m3"].abs().max() < 1e-9 * 18.0


def test_alone_the_overflow_goes_the_hosts_way(ledger, make_stores) -> None:
    placed = place_candidates(
        make_stores({}),
        pd.Series({"K0": "green"}),
        frame(("green", "roof", 0.8)),
        frame(("paving", "roof", 0.5)),
        ledger,
    )
    assert placed.passes_to.tolist() == [-1]
    assert placed.run_on.empty


def test_ground_is_given_once(ledger, make_stores) -> None:
    option_of = pd.Series({"K0": "a", "K1": "b"})
    twice = frame(("a", "yard", 0.7), ("b", "yard", 0.7))
    with pytest.raises(ValueError, match="covered more than once"):
        place_candidates(make_stores({}, {}), option_of, twice, frame(), ledger)
    with pytest.raises(ValueError, match="taken more than once"):
        place_candidates(make_stores({}, {}), option_of, frame(("a", "yard", 0.7)), twice, ledger)

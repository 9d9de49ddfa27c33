"""Green-Ampt, the depression store, the crust, and which ground takes which loss."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy.optimize import brentq

from catchscreen.options import RunoffOptions, Texture
from catchscreen.progress import Run
from catchscreen.runoff import _loss_kernels as kernels
from catchscreen.runoff.losses import ANTECEDENT, GROUP_RATES_MM_H, SOILS, classify_losses, read_texture

BOTH = pytest.mark.parametrize("form", ["compiled", "python"])


def as_form(function, form: str):
    return function if form == "compiled" else function.py_func


@BOTH
def test_published_ponded_infiltration(form: str) -> None:
    """Chow, Maidment and Mays 1988, example 4.3.1 (from memory): silt loam, 30 % saturated, ponded for 1 h.

    K 6.5 mm/h, suction 166.8 mm, deficit 0.486 x 0.7 = 0.340: F = 31.7 mm, f = 18.1 mm/h.
    """
    conductivity, deficit = 6.5, 166.8 * 0.486 * 0.7
    total = as_form(kernels.ponded_infiltration, form)(0.0, conductivity, deficit, 1.0)
    assert total == pytest.approx(31.7, abs=0.1)
    assert conductivity * (1.0 + deficit / total) == pytest.approx(18.1, abs=0.1)


@BOTH
def test_published_ponding_time(form: str) -> None:
    """Chow, Maidment and Mays 1988, examples 5.4.1 and 5.4.2 (from memory): same soil under 50 mm/h.

    Ponding after 0.17 h with 8.5 mm taken; after 1 h 30.2 mm are in the ground.
    """
    conductivity, deficit = 6.5, 166.8 * 0.486 * 0.7
    ponding = conductivity * deficit / (50.0 - conductivity)
    assert ponding == pytest.approx(8.5, abs=0.1)
    assert ponding / 50.0 == pytest.approx(0.17, abs=0.005)
    infiltrate = as_form(kernels.infiltrate, form)
    assert infiltrate(0.0, 50.0, conductivity, deficit, 1.0) == pytest.approx(30.2, abs=0.1)
    steps = 0.0
    for _ in range(60):
        steps = infiltrate(steps, 50.0 / 60.0, conductivity, deficit, 1.0 / 60.0)
    assert steps == pytest.approx(infiltrate(0.0, 50.0, conductivity, deficit, 1.0), rel=1e-12)


@given(
    start=st.floats(0.0, 200.0),
    conductivity=st.floats(0.05, 200.0),
    deficit=st.floats(1e-3, 200.0),
    hours=st.floats(1e-3, 24.0),
)
def test_ponded_infiltration_solves_its_equation(start, conductivity, deficit, hours) -> None:
    """The root agrees with scipy's bracketing solver."""

    def miss(gain: float) -> float:
        return gain - deficit * np.log1p(gain / (start + deficit)) - conductivity * hours

    ours = kernels.ponded_infiltration(start, conductivity, deficit, hours) - start
    upper = 10.0 * (conductivity * hours + np.sqrt(conductivity * hours * (start + deficit))) + 1.0
    assert ours == pytest.approx(brentq(miss, 0.0, upper, xtol=1e-13, rtol=1e-14), rel=1e-6, abs=1e-9)


def parameters(**changes: float) -> np.ndarray:
    names = ("share", "store", "full", "model", "rate", "suction", "retention", "abstraction", "crust", "shed")
    values = dict.fromkeys(names, 0.0) | changes
    return np.array([values[name] for name in names])


def lose(rain, hours, params, evaporation=0.0, form="compiled"):
    runoff, sums = np.zeros(len(rain)), np.zeros(4)
    as_form(kernels.lose, form)(np.asarray(rain, float), hours, params, evaporation, runoff, sums)
    return runoff, sums


@BOTH
def test_depression_store_only(form: str) -> None:
    """2 mm of store under steps of 1.5 mm with 0.5 mm/h to the air in hourly steps: 1.0, then full, then 1.0 a step."""
    runoff, sums = lose([1.5, 1.5, 1.5, 0.0], 1.0, parameters(share=1.0, store=2.0), 0.5, form)
    assert runoff.tolist() == pytest.approx([0.0, 0.0, 1.0, 0.0])
    assert sums.tolist() == pytest.approx([1.0, 0.0, 2.0, 1.5])


@BOTH
def test_a_share_splits_the_piece_once(form: str) -> None:
    """A quarter impermeable without store, the rest taking 6 mm/h at once: 0.25 x 10 + 0.75 x 4 of 10 mm in 1 h."""
    runoff, sums = lose([10.0], 1.0, parameters(share=0.25, rate=6.0), 0.0, form)
    assert runoff.tolist() == pytest.approx([5.5])
    assert sums.tolist() == pytest.approx([5.5, 4.5, 0.0, 0.0])


@BOTH
def test_crust_sheds_the_first_burst(form: str) -> None:
    """A crust that sheds half of the first 10 mm on ground that takes all else: 5 mm run off, all early."""
    runoff, _ = lose([8.0, 8.0, 8.0], 1.0, parameters(rate=100.0, crust=10.0, shed=0.5), 0.0, form)
    assert runoff.tolist() == pytest.approx([4.0, 1.0, 0.0])


@BOTH
def test_curve_number_on_cumulative_rain(form: str) -> None:
    """Steps of the curve number add up to the whole storm's runoff: 50 mm on 80 give 13.802 mm (metric form)."""
    params = parameters(model=1.0, retention=63.5, abstraction=12.7)
    runoff, sums = lose(np.full(10, 5.0), 0.1, params, 0.0, form)
    assert runoff.sum() == pytest.approx(13.802, abs=0.001)
    assert sums[1] == pytest.approx(50.0 - runoff.sum())
    assert (np.diff(runoff[3:]) > 0.0).all()


def test_whole_kernel_compiled_and_plain() -> None:
    """All classes at once, compiled and as Python: the same numbers."""
    rain = np.random.default_rng(3).gamma(1.0, 3.0, 6)
    params = np.stack([parameters(share=0.4, store=1.0, rate=4.0, suction=20.0), parameters(model=1.0, retention=60.0)])
    results = []
    for form in ("compiled", "python"):
        runoff, sums = np.zeros((2, 6)), np.zeros((2, 4))
        as_form(kernels.run_losses, form)(rain, np.array([0.5, 0.1]), params, runoff, sums)
        results.append(np.hstack([runoff, sums]))
    np.testing.assert_allclose(results[0], results[1], rtol=1e-13)
    assert results[0][:, :6].sum(axis=1) == pytest.approx(results[0][:, 6])


def ledger(**columns) -> pd.DataFrame:
    base = {"cover_class": ["grass", "roof"], "impermeable_fraction": [0.0, 1.0], "soil_id": ["S1", "S1"]}
    return pd.DataFrame(base | columns)


def test_losses_follow_the_soil() -> None:
    """A named texture first, then the rate with the nearest suction, then the group's rate, then the default."""
    soils = pd.DataFrame(
        {
            "texture": ["Sandy loam", "made ground", "", ""],
            "hydrologic_group": ["", np.nan, "D", ""],
            "infiltration_m_s": [1e-9, 3.0e-5, np.nan, np.nan],
        },
        index=["S1", "S2", "S3", "S4"],
    )
    rows = pd.DataFrame({"cover_class": "woodland", "impermeable_fraction": 0.0, "soil_id": ["S1", "S2", "S3", "S4"]})
    run = Run()
    classes = classify_losses(rows, soils, RunoffOptions(), run)
    table = classes.table.iloc[classes.number]
    assert table["soil_texture"].tolist() == ["sandy_loam", "sand", "clay", "loam"]
    assert table["conductivity_mm_h"].tolist() == pytest.approx([50.0, 108.0, 0.8, 15.5])
    assert table["soil_group"].tolist() == ["A", "A", "D", "C"]
    assert [issue.code for issue in run.issues] == ["soil_unknown_for_losses"]


@pytest.mark.parametrize(
    ("text", "texture"),
    [
        ("Clay", "clay"),
        ("silty clay loam", "silty_clay_loam"),
        ("thin sandy loam, over fissured limestone", "sandy_loam"),
        ("silty loam over gravel", "silt_loam"),
        ("sandy gravel", "sand"),
        ("made ground, ash and rubble", ""),
        ("", ""),
    ],
)
def test_texture_is_read_from_a_description(text: str, texture: str) -> None:
    assert read_texture(text) == texture


def test_trodden_ground_takes_less() -> None:
    """Compaction halves the rate of grass, not of woodland; a local figure replaces the table's."""
    options = RunoffOptions(compaction_factor=0.5)
    rows = ledger(cover_class=["grass", "woodland"], impermeable_fraction=[0.0, 0.0])
    classes = classify_losses(rows, None, options)
    assert classes.table.iloc[classes.number]["conductivity_mm_h"].tolist() == pytest.approx([7.75, 15.5])
    local = classify_losses(rows, None, options.model_copy(update={"conductivity_mm_h": {"loam": 3.4}}))
    assert local.table.iloc[local.number]["conductivity_mm_h"].tolist() == pytest.approx([1.7, 3.4])


def test_compacted_table_meets_the_group_rates() -> None:
    """Half of the conductivity lies within a factor of 2.2 of the final rate of the group."""
    for texture in ("loam", "silt_loam", "clay_loam", "clay"):
        rate, group = SOILS[texture][0] * 0.5, SOILS[texture][3]
        group = "C" if texture == "clay_loam" else group
        assert 1.0 / 2.2 < rate / GROUP_RATES_MM_H[group] < 2.2


def test_classes_do_not_depend_on_the_order_of_rows() -> None:
    """The same piece gets the same class number wherever it stands; impermeable ground is one class on any soil."""
    rows = ledger(cover_class=["roof", "roof"], impermeable_fraction=[1.0, 1.0], soil_id=["S1", "S2"])
    soils = pd.DataFrame({"texture": ["sand", "clay"]}, index=["S1", "S2"])
    assert classify_losses(rows, soils, RunoffOptions()).number.tolist() == [0, 0]
    mixed = ledger()
    forwards = classify_losses(mixed, None, RunoffOptions()).number
    backwards = classify_losses(mixed.iloc[::-1], None, RunoffOptions()).number
    assert forwards.tolist() == backwards[::-1].tolist()


def test_known_soils_raise_no_note() -> None:
    run = Run()
    classify_losses(ledger(texture=["loam", "loam"]), None, RunoffOptions(), run)
    assert run.issues == []


def test_impermeable_case_takes_its_column() -> None:
    rows = ledger(impermeable_low_fraction=[0.0, 0.8], impermeable_high_fraction=[0.2, 1.0])
    shares = {
        case: sorted(classify_losses(rows, None, RunoffOptions(impermeable_case=case)).table["impermeable_fraction"])
        for case in ("low", "mid", "high")
    }
    assert shares == {"low": [0.0, 0.8], "mid": [0.0, 1.0], "high": [0.2, 1.0]}


def test_states_move_only_what_they_should() -> None:
    """Wet ground starts with full depressions and the least deficit; only baked ground has a crust."""
    by_state = dict(zip(ANTECEDENT, classify_losses(ledger(), None, RunoffOptions()).parameters, strict=True))
    assert (by_state["wet"][:, 2] == 1.0).all()
    assert (by_state["normal"][:, 2] == 0.0).all()
    assert (by_state["wet"][:, 5] < by_state["normal"][:, 5]).all()
    assert (by_state["baked"][:, 9] > 0.0).all()
    assert (by_state["dry"][:, 8:] == 0.0).all()


def test_tables_of_the_brief_may_be_given_in_part() -> None:
    """One row of a table changes that row only; a row that means nothing is refused."""
    options = RunoffOptions(depression_mm={"roof": 0.5})
    assert (options.depression_mm["roof"], options.depression_mm["gravel"]) == (0.5, 2.0)
    for wrong in (
        {"depression_mm": {"rooof": 1.0}},
        {"deficit_fraction": {"soggy": 0.1}},
        {"growth_factors": {"x": 1}},
    ):
        with pytest.raises(ValidationError):
            RunoffOptions(**wrong)


def test_brief_and_soil_table_name_the_same_textures() -> None:
    assert set(get_args(Texture)) == set(SOILS)


@pytest.mark.parametrize(
    "wrong",
    [
        {"sewer_capacity_mm_h": 1e9},
        {"sewer_capacity_low_mm_h": 20.0},
        {"sewer_capacity_high_mm_h": 6.0},
        {"compaction_factor": 1e-9},
        {"conductivity_mm_h": {"loam": 1e9}},
        {"depression_mm": {"roof": 1e9}},
        {"crust_mm": 1e9},
        {"storm_evaporation_mm_h": 1e9},
        {"overland_speed_m_s": 1e9},
        {"pipe_speed_m_s": 1e-9},
        {"routing_coefficient": 1e9},
        {"connection_scale": 1e9},
        {"capacity_scale": 1e-9},
        {"annual_rain_mm": 1e9},
        {"soil_index": 1e-9},
        {"growth_factors": {"30": 1e9}},
        {"growth_factors": {"1000000": 2.0}},
    ],
)
def test_absurd_options_are_refused(wrong: dict) -> None:
    with pytest.raises(ValidationError):
        RunoffOptions(**wrong)
    assert RunoffOptions(**{name: getattr(RunoffOptions(), name) for name in wrong}) == RunoffOptions()

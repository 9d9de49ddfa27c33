"""The curve number against its own handbook, and against what weighting numbers would do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from catchscreen.runoff import curve_number
from catchscreen.runoff._loss_kernels import curve_number_depth

REFERENCE = Path(__file__).parents[1] / "reference"
INCH = 25.4


def test_tr55_table_2_1() -> None:
    """All 143 cells of TR-55 table 2-1 within half of the last printed digit, by the formula and by the kernel."""
    table = pd.read_csv(REFERENCE / "tr55_table_2_1.csv", comment="#")
    assert len(table) == 143
    runoff = curve_number.runoff_mm(table["rain_in"] * INCH, table["curve_number"]) / INCH
    assert np.abs(runoff - table["runoff_in"]).max() <= 0.005 + 1e-9
    retention = curve_number.retention_mm(table["curve_number"])
    for function in (curve_number_depth, curve_number_depth.py_func):
        by_kernel = [function(p * INCH, s, 0.2 * s) / INCH for p, s in zip(table["rain_in"], retention, strict=True)]
        np.testing.assert_allclose(by_kernel, runoff, atol=1e-12)


@pytest.mark.parametrize(
    ("number", "abstraction_in"), [(40, 3.000), (55, 1.636), (70, 0.857), (80, 0.500), (90, 0.222), (98, 0.041)]
)
def test_initial_abstraction(number: float, abstraction_in: float) -> None:
    """TR-55 table 4-1."""
    assert 0.2 * curve_number.retention_mm(number) / INCH == pytest.approx(abstraction_in, abs=0.0005)


@pytest.mark.parametrize(
    ("areas", "numbers", "weighted", "runoff_in"),
    [
        ((75, 175), (61, 74), 70.1, 2.81),  # TR-55 example 2-1: inputs read, answer from memory
        ((75, 100, 75), (70, 80, 74), 75.2, 3.28),  # example 2-2
        ((75, 100, 75), (74, 82, 74), 77.2, 3.48),  # example 2-3: answer from memory
    ],
)
def test_tr55_examples(areas, numbers, weighted: float, runoff_in: float) -> None:
    """TR-55 examples 2-1 to 2-3 at 6 inches: weighted number, rounded, then runoff."""
    mean = np.average(numbers, weights=areas)
    assert mean == pytest.approx(weighted, abs=0.05)
    assert curve_number.runoff_mm(6 * INCH, round(mean)) / INCH == pytest.approx(runoff_in, abs=0.005)


def test_smaller_abstraction_ratio() -> None:
    """Curve number 75 at 6 in with the ratio 0.05: S 5.311 in, Ia 0.2655 in, Q 2.977 in (derived from the formula)."""
    retention = curve_number.retention_mm(75, 0.05) / INCH
    assert retention == pytest.approx(5.311, abs=0.001)
    assert 0.05 * retention == pytest.approx(0.2655, abs=0.0001)
    assert curve_number.runoff_mm(6 * INCH, 75, 0.05) / INCH == pytest.approx(2.977, abs=0.001)


@pytest.mark.parametrize(
    ("rain", "number", "runoff"),
    [(152.4, 75, 83.364), (50, 80, 13.802), (30, 98, 24.566), (25, 74, 0.531), (100, 61, 19.830)],
)
def test_metric_form(rain: float, number: float, runoff: float) -> None:
    """Derived from the metric formula."""
    assert curve_number.runoff_mm(rain, number) == pytest.approx(runoff, abs=0.001)


def test_tr55_table_2_2a_composites() -> None:
    """District rows of TR-55 table 2-2a from good open space 39/61/74/80 with the connected equation, rounded."""
    table = pd.read_csv(REFERENCE / "tr55_table_2_2a.csv", comment="#")
    for row in table.itertuples():
        for number, printed in zip((39, 61, 74, 80), (row.a, row.b, row.c, row.d), strict=True):
            composite = curve_number.composite_number(number, row.impermeable_percent / 100)
            assert composite == pytest.approx(printed, abs=0.51)


def test_unconnected_composite() -> None:
    """TR-55 figure 2-4: half of 20 % unconnected on 61 gives 61 + 0.2 x 37 x 0.75; from 30 % it counts as connected."""
    assert curve_number.composite_number(61, 0.2, 0.5) == pytest.approx(66.55)
    assert curve_number.composite_number(61, 0.3, 0.5) == curve_number.composite_number(61, 0.3)


def test_weighting_numbers_would_hide_small_storms() -> None:
    """Half 98, half 74 at 20 mm: 7.5 mm when runoff is weighted, 2.6 mm by the composite number (derived)."""
    weighted = curve_number.runoff_mm(20, np.array([98, 74])).mean()
    assert weighted == pytest.approx(7.5, abs=0.05)
    assert curve_number.runoff_mm(20, 86) == pytest.approx(2.6, abs=0.05)


def test_antecedent_numbers_keep_their_order() -> None:
    """Dry below normal below wet, and 100 stays 100 (Hawkins et al. 1985, from memory)."""
    numbers = np.arange(30.0, 100.0, 5.0)
    dry, wet = (curve_number.antecedent_number(numbers, state) for state in ("dry", "wet"))
    assert (dry < numbers).all()
    assert (wet > numbers).all()
    assert curve_number.antecedent_number(100.0, "wet") == pytest.approx(100.0)
    assert curve_number.antecedent_number(100.0, "dry") == pytest.approx(100.0)


def test_no_stage_imports_the_composite() -> None:
    """The composite number is a reference for checks only."""
    package = Path(curve_number.__file__).parents[1]
    users = [p.name for p in package.glob("**/*.py") if "composite_number" in p.read_text(encoding="utf-8")]
    assert users == ["curve_number.py"]


@pytest.mark.parametrize(
    ("cover", "numbers"),
    [
        ("garden", (49, 69, 79, 84)),  # open space, fair
        ("grass", (39, 61, 74, 80)),  # open space, good
        ("bare_soil", (77, 86, 91, 94)),  # newly graded
        ("gravel", (76, 85, 89, 91)),
    ],
)
def test_numbers_by_cover(cover: str, numbers: tuple[int, ...]) -> None:
    """TR-55, 1986, table 2-2a."""
    assert tuple(curve_number.pervious_number(cover, group) for group in "ABCD") == numbers


def test_unnamed_cover_is_fair_open_space() -> None:
    assert curve_number.pervious_number("block_paving", "B") == 69

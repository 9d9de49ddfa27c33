"""Storms from a table, from plain depths and from a record; what is refused, left out and said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from catchscreen.errors import InputsAtFault
from catchscreen.options import RainOptions
from catchscreen.progress import Run
from catchscreen.runoff import prepare_rain, storms

REFERENCE = Path(__file__).parents[1] / "reference"


@pytest.fixture
def table() -> pd.DataFrame:
    """Invented depths of the demonstration district."""
    return pd.DataFrame(
        {
            2.0: [7.5, 10.0, 13.0, 19.0, 25.0, 38.0],
            5.0: [11.0, 15.0, 19.0, 27.0, 34.0, 50.0],
            30.0: [17.0, 23.0, 30.0, 41.0, 50.0, 71.0],
            100.0: [22.0, 30.0, 38.0, 51.0, 62.0, 88.0],
        },
        index=pd.Index([15.0, 30.0, 60.0, 180.0, 360.0, 1440.0], name="duration_min"),
    )


def test_chow_alternating_block() -> None:
    """Chow, Maidment and Mays 1988, example 14.4.1: depths from the intensity formula, then the order of blocks."""
    blocks = pd.read_csv(REFERENCE / "chow_alternating_block.csv", comment="#")
    minutes = blocks["duration_min"].to_numpy(float)
    intensity = 96.6 / (minutes**0.97 + 13.90)
    np.testing.assert_allclose(intensity, blocks["intensity_in_h"], atol=0.001)
    depth = intensity * minutes / 60.0
    np.testing.assert_allclose(depth, blocks["cumulative_in"], atol=0.0006)
    made = storms.alternating_blocks(minutes, depth, 120.0, 10.0)
    np.testing.assert_allclose(made, blocks["block_in"], atol=0.0006)


def test_type_ii_mass_curve() -> None:
    """The published 24-hour curve, given as the user's mass curve: its ordinates come back."""
    curve = pd.read_csv(REFERENCE / "scs_type_ii.csv", comment="#")
    blocks = storms.curve_blocks(curve["hour"] / 24.0, curve["share"], 100.0, 96)
    at = np.cumsum(blocks)[[int(hour * 4) - 1 for hour in (6, 9.75, 11.75, 12, 14, 24)]]
    np.testing.assert_allclose(at, [8.0, 17.2, 35.7, 66.3, 82.0, 100.0], atol=0.05)
    assert blocks.argmax() == 47


@pytest.mark.parametrize(("period", "duration", "intensity"), [(10.0, 30.0, 102.50), (100.0, 60.0, 116.91)])
def test_intensity_formula(period: float, duration: float, intensity: float) -> None:
    """i = k T^n / (t + b)^m with k 1000, n 0.2, b 20, m 0.7 (form: Ponce, Engineering Hydrology; values derived)."""
    depth = storms.formula_depths_mm([duration], [period], (1000.0, 0.2, 20.0, 0.7))
    assert depth.iloc[0, 0] * 60.0 / duration == pytest.approx(intensity, abs=0.005)


@given(count=st.integers(1, 40), seed=st.integers(0, 99))
def test_alternating_order(count: int, seed: int) -> None:
    """Every middle run of blocks holds the greatest blocks: depths of all durations are kept."""
    increments = np.random.default_rng(seed).random(count)
    order = storms.alternate(increments)
    np.testing.assert_array_equal(np.sort(order), np.sort(increments))
    for size in range(1, count + 1):
        sums = np.convolve(order, np.ones(size), "valid")
        assert sums.max() == pytest.approx(np.sort(increments)[-size:].sum())


@pytest.mark.parametrize("season", ["summer", "winter"])
def test_symmetrical_profile(season: str) -> None:
    """Half has fallen by half time, the ends are 0 and 1, and it mirrors itself; summer is the more peaked."""
    at = np.linspace(0.0, 1.0, 21)
    curve = storms.symmetrical_curve(season, at)
    np.testing.assert_allclose(curve + curve[::-1], 1.0, atol=1e-12)
    assert curve[0] == pytest.approx(0.0, abs=1e-12)
    assert (np.diff(curve) > 0.0).all()
    assert np.diff(curve).argmax() in {9, 10}
    peak = {name: np.diff(storms.symmetrical_curve(name, at)).max() for name in ("summer", "winter")}
    assert peak["summer"] > peak["winter"]


def test_storms_of_a_table(table: pd.DataFrame) -> None:
    """4 periods x 6 durations, now and with both uplifts; 1-in-30 with the upper uplift sizes; depths are tabulated."""
    made = prepare_rain(table, None, RainOptions(), Run())
    frame = made.storms
    assert len(frame) == 72
    assert frame.index.is_monotonic_increasing
    sizing = frame[frame["is_sizing"]]
    assert sizing["return_period_years"].unique().tolist() == [30.0]
    assert sizing["uplift"].unique().tolist() == [1.4]
    assert sorted(sizing["duration_min"]) == [15.0, 30.0, 60.0, 180.0, 360.0, 1440.0]
    for storm, row in frame.iterrows():
        wanted = table.loc[row["duration_min"], row["return_period_years"]] * row["uplift"]
        assert row["depth_mm"] == pytest.approx(wanted)
        assert made.depths_mm[storm].sum() == pytest.approx(wanted)
        assert made.step_min[storm] <= 5.0
        assert made.depths_mm[storm].size * made.step_min[storm] == pytest.approx(row["duration_min"])


def test_no_block_is_shorter_than_the_table(table: pd.DataFrame) -> None:
    """The 24-h storm has 15-minute blocks: no step differs within them, and its greatest hour is the tabulated one."""
    made = prepare_rain(table, None, RainOptions(), Run())
    day = made.depths_mm["1in030-1440min-now"].reshape(96, 3)
    assert (day == day[:, :1]).all()
    hours = np.convolve(day.sum(axis=1), np.ones(4), "valid")
    assert hours.max() == pytest.approx(30.0)
    assert np.unique(made.depths_mm["1in030-0015min-now"]).size == 1


def test_both_seasons_are_run(table: pd.DataFrame) -> None:
    options = RainOptions(profile="symmetrical", return_periods_years=(30.0,), durations_min=(60.0,))
    frame = prepare_rain(table, None, options, Run()).storms
    assert sorted(frame["season"]) == ["summer"] * 3 + ["winter"] * 3


def test_areal_factor_and_mass_curve(table: pd.DataFrame) -> None:
    options = RainOptions(
        profile="mass_curve",
        mass_curve=((0.0, 0.0), (0.5, 0.8), (1.0, 1.0)),
        return_periods_years=(30.0,),
        durations_min=(60.0,),
        areal_factor=0.9,
    )
    depths = prepare_rain(table, None, options, Run()).depths_mm["1in030-0060min-now"]
    assert depths.sum() == pytest.approx(27.0)
    assert depths[:30].sum() == pytest.approx(0.8 * 27.0)


def test_between_the_table(table: pd.DataFrame) -> None:
    """A duration and a period within the table are interpolated between their neighbours; the sizing storm is kept."""
    options = RainOptions(return_periods_years=(10.0,), durations_min=(120.0,))
    frame = prepare_rain(table, None, options, Run()).storms
    now = frame[frame["climate"] == "now"].iloc[0]
    assert 19.0 < now["depth_mm"] < 41.0
    on_paper = np.exp(np.interp(np.log(120.0), np.log([60.0, 180.0]), np.log([30.0, 41.0]))) * 1.4
    assert frame.loc[frame["is_sizing"], "depth_mm"].tolist() == pytest.approx([on_paper])


def test_nothing_is_extrapolated(table: pd.DataFrame) -> None:
    """What lies outside the table is left out and named, the sizing period is replaced and named."""
    run = Run()
    options = RainOptions(return_periods_years=(2.0, 200.0), durations_min=(5.0, 60.0))
    frame = prepare_rain(table[[2.0, 5.0]], None, options, run).storms
    assert sorted(frame["return_period_years"].unique()) == [2.0, 5.0]
    assert frame["duration_min"].unique().tolist() == [60.0]
    assert frame.loc[frame["is_sizing"], "return_period_years"].tolist() == [5.0]
    text = " ".join(issue.message for issue in run.issues)
    assert "1-in-200" in text
    assert "5 min" in text
    assert "sized on 1-in-5" in text


def test_plain_depths_without_a_table() -> None:
    """No table: depths named as depths, no return period, uniform, the 30 mm one for sizing."""
    run = Run()
    made = prepare_rain(None, None, RainOptions(), run)
    frame = made.storms
    assert frame["depth_mm"].tolist() == [5.0, 15.0, 30.0, 50.0]
    assert frame["return_period_years"].isna().all()
    assert frame.loc[frame["is_sizing"], "label"].tolist() == ["30 mm in 1 h"]
    assert [issue.code for issue in run.issues] == ["no_rain_table"]
    np.testing.assert_allclose(made.depths_mm["030mm-0060min"], 0.5)
    other = prepare_rain(None, None, RainOptions(plain_depths_mm=(10.0,)), Run()).storms
    assert other["is_sizing"].tolist() == [False, True]


@pytest.mark.parametrize(
    ("change", "text"),
    [
        (lambda t: t.mask(t > 80.0), "missing, zero or negative"),
        (lambda t: t.assign(x=t[2.0]).rename(columns={"x": 200.0}), "return period"),
        (lambda t: t.iloc[::-1], "ascend"),
        (lambda t: t.set_axis([15.0, 30.0, 60.0, 60.0, 360.0, 1440.0]), "ascend"),
    ],
)
def test_unusable_tables_are_refused(table: pd.DataFrame, change, text: str) -> None:
    with pytest.raises(InputsAtFault, match=text):
        prepare_rain(change(table), None, RainOptions(), Run())


@pytest.mark.parametrize(
    "wrong",
    [
        {"profile": "mass_curve"},
        {"mass_curve": ((0.1, 0.0), (1.0, 1.0))},
        {"mass_curve": ((0.0, 0.0), (0.5, 0.8), (0.5, 0.9), (1.0, 1.0))},
        {"mass_curve": ((0.0, 0.0), (0.5, 0.8), (0.7, 0.7), (1.0, 1.0))},
        {"longest_step_min": 6.0},
        {"areal_factor": 1.1},
        {"areal_factor": 0.001},
        {"uplift": (1.2, 900.0)},
        {"uplift": (1.4, 1.2)},
        {"return_periods_years": ()},
        {"return_periods_years": (1e9,)},
        {"durations_min": (0.1,)},
        {"durations_min": (1e9,)},
        {"durations_min": tuple(range(1, 40))},
        {"plain_depths_mm": (1e9,)},
        {"sizing_depth_mm": 1e9},
        {"intensity_formula": (1e9, 0.2, 20.0, 0.7)},
        {"longest_step_min": 1e-9},
        {"confidence": 0.9999},
        {"seasons": ()},
    ],
)
def test_wrong_options_are_refused(wrong: dict) -> None:
    with pytest.raises(ValidationError):
        RainOptions(**wrong)


def test_storms_from_a_formula() -> None:
    """k 1000, n 0.2, b 20, m 0.7: 1-in-30 in 1 h is 1000 x 30^0.2 / 80^0.7 mm in the hour."""
    options = RainOptions(intensity_formula=(1000.0, 0.2, 20.0, 0.7), durations_min=(15.0, 60.0))
    frame = prepare_rain(None, None, options, Run()).storms
    depth = frame.loc["1in030-0060min-now", "depth_mm"]
    assert depth == pytest.approx(1000.0 * 30.0**0.2 / 80.0**0.7)


def test_a_formula_that_falls_is_refused() -> None:
    with pytest.raises(InputsAtFault, match="return period"):
        prepare_rain(None, None, RainOptions(intensity_formula=(1000.0, -0.2, 20.0, 0.7)), Run())

"""Variants of rain and what they must keep: profiles, steps of a record, conversions, confidence limits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import catchscreen
from catchscreen.options import RainOptions
from catchscreen.progress import Run
from catchscreen.runoff import depths, prepare_rain, statistics

MASS_CURVE = ((0.0, 0.0), (0.3, 0.1), (0.5, 0.7), (1.0, 1.0))


@pytest.fixture
def table() -> pd.DataFrame:
    """Durations from 15 min to a day; made up."""
    index = pd.Index([15.0, 30.0, 60.0, 180.0, 360.0, 1440.0], name="duration_min")
    return pd.DataFrame({2.0: [7.5, 10.0, 13.0, 19.0, 25.0, 38.0], 30.0: [17.0, 23.0, 30.0, 41.0, 50.0, 71.0]}, index)


def record(step_min: int, years: int = 6) -> pd.Series:
    index = pd.date_range("2001-01-01", f"{2000 + years}-12-31 23:59", freq=f"{step_min}min", tz="UTC")
    rng = np.random.default_rng(7)
    wet = rng.random(len(index)) < 0.05
    return pd.Series(rng.gamma(0.6, 2.0, len(index)) * wet * np.sqrt(step_min / 60.0), index)


@pytest.mark.parametrize("profile", ["alternating_block", "symmetrical", "mass_curve", "uniform"])
def test_every_profile_keeps_its_depth_and_its_blocks(table: pd.DataFrame, profile: str) -> None:
    """Each storm sums to its depth; steps are at most 5 min; rain does not change within the shortest duration."""
    made = prepare_rain(table, None, RainOptions(profile=profile, mass_curve=MASS_CURVE), Run())
    seasons = 2 if profile == "symmetrical" else 1
    assert len(made.storms) == 4 * 6 * 3 * seasons - 6 * 3 * seasons  # 1-in-100 is outside the table
    for storm, row in made.storms.iterrows():
        rain, step = made.depths_mm[storm], made.step_min[storm]
        assert rain.sum() == pytest.approx(row["depth_mm"])
        assert step <= 5.0
        assert (rain >= 0.0).all()
        blocks = rain.reshape(round(row["duration_min"] / 15.0), -1)
        assert (blocks == blocks[:, :1]).all()
        assert row["profile"] == profile


def test_one_rain_field_serves_now_and_future(table: pd.DataFrame) -> None:
    """The uplift is a named pair: the same storm step for step, times 1.2 and 1.4."""
    made = prepare_rain(table, None, RainOptions(uplift=(1.2, 1.4)), Run())
    now = made.depths_mm["1in030-0060min-now"]
    for factor in (1.2, 1.4):
        np.testing.assert_allclose(made.depths_mm[f"1in030-0060min-future-{factor:.2f}"], factor * now)
    labels = made.storms["label"]
    assert labels["1in030-0060min-future-1.40"] == "1-in-30, 1 h, future +40 %"
    assert labels.is_unique


@pytest.mark.parametrize(
    ("step", "kept", "refused"),
    [
        (5, [10.0, 15.0, 30.0, 60.0], [5.0]),
        (15, [30.0, 60.0], [5.0, 10.0, 15.0]),
        (60, [], [5.0, 10.0, 15.0, 30.0, 60.0]),
    ],
)
def test_steps_of_a_record_decide_its_shortest_duration(step: int, kept: list, refused: list) -> None:
    """Twice the step is the shortest: 10 min of 5-min data, 30 min of 15-min data, nothing under 2 h of hours."""
    options = RainOptions(durations_min=(5.0, 10.0, 15.0, 30.0, 60.0, 1440.0))
    estimate = depths.estimate_depths(record(step), options)
    assert estimate.table.index.tolist() == [*kept, 1440.0]
    rows = estimate.rows
    assert rows.loc[rows["kind"] == "refused", "duration_min"].tolist() == refused
    assert rows.loc[rows["kind"] == "refused", "depth_mm"].isna().all()


def test_frequent_storms_are_read_at_the_converted_period() -> None:
    """1-in-2 over all events is 1-in-2.5415 of annual maxima: 1 / (1 - exp(-1/2)); 1-in-5 stays."""
    series = record(60)
    options = RainOptions(durations_min=(360.0, 1440.0), return_periods_years=(2.0, 5.0), distribution="gumbel")
    found = depths.estimate_depths(series, options)
    fit = statistics.fit_gumbel(found.maxima[1440.0])
    assert found.table.loc[1440.0, 2.0] == pytest.approx(1.01 * fit.quantile(1.0 - 1.0 / 2.5415), rel=1e-4)
    assert found.table.loc[1440.0, 5.0] == pytest.approx(1.01 * fit.quantile(0.8))


def test_both_distributions_are_shown_and_one_is_used() -> None:
    series = record(60)
    for name in ("gev", "gumbel"):
        options = RainOptions(durations_min=(360.0, 1440.0), distribution=name)
        rows = depths.estimate_depths(series, options).rows
        assert set(rows["kind"]) == {"GEV", "Gumbel"}
        assert set(rows.loc[rows["is_used"].astype(bool), "kind"]) == {depths.DISTRIBUTIONS[name]}


def test_limits_are_as_wide_as_theory_says() -> None:
    """Phien 1987, Gumbel by L-moments (from memory): var = scale^2 / n (1.1128 + 0.4574 y + 0.8046 y^2).

    For 66 years and 1-in-30, y = 3.3843. The limits are from 400 draws: within 12 % of 2 x 1.645 standard deviations.
    """
    rng = np.random.default_rng(4)
    maxima = pd.DataFrame({1440.0: 40.0 - 10.0 * np.log(-np.log(rng.random(66)))})
    _, low, high = depths._fit_tables(maxima, ([30.0], [1.0]), "gumbel", 0.9)
    scale = statistics.fit_gumbel(maxima[1440.0]).scale
    y = -np.log(-np.log(1.0 - 1.0 / 30.0))
    deviation = scale * np.sqrt((1.1128 + 0.4574 * y + 0.8046 * y * y) / 66.0)
    width = float(high.loc[1440.0, 30.0] - low.loc[1440.0, 30.0])
    assert width == pytest.approx(2.0 * 1.645 * deviation, rel=0.12)


def test_a_table_at_odds_with_the_record_is_noted(table: pd.DataFrame) -> None:
    """Three times too much rain is named by its cells; a table made of the record itself is not."""
    series = record(60, years=10)
    periods = {"return_periods_years": (2.0, 5.0), "sizing_return_period_years": 5.0}
    options = RainOptions(durations_min=(180.0, 1440.0), **periods)
    own = depths.estimate_depths(series, options).table
    run, quiet = Run(), Run()
    prepare_rain(3.0 * own, series, options, run)
    prepare_rain(own, series, options, quiet)
    said = [issue.message for issue in run.issues if issue.code == "table_against_record"]
    assert len(said) == 1
    assert "1-in-2 180 min" in said[0]
    assert not [issue for issue in quiet.issues if issue.code == "table_against_record"]


def test_no_rain_of_anywhere_is_shipped() -> None:
    """No table of rain lies in the package: without one, depths are plain and carry no return period."""
    package = Path(catchscreen.__file__).parent
    data = [path.name for path in package.rglob("*") if path.suffix in {".csv", ".json", ".toml", ".txt"}]
    assert not [name for name in data if "rain" in name.lower() or "storm" in name.lower()]
    assert prepare_rain(None, None, RainOptions(), Run()).storms["return_period_years"].isna().all()


def test_a_faulty_table_names_the_cell(table: pd.DataFrame) -> None:
    """From a script, past the reader of files: the cell at fault is named by duration and return period."""
    wrong = table.copy()
    wrong.loc[60.0, 30.0] = 20.0
    with pytest.raises(catchscreen.InputsAtFault, match="20 mm at 60 min, 1-in-30 years"):
        prepare_rain(wrong, None, RainOptions(), Run())


@pytest.mark.parametrize("depth", [0.0, 0.1])
def test_a_record_without_differences_gives_no_table(depth: float) -> None:
    """Seven years alike have no spread to fit: each duration is refused, storms are plain, nothing fails."""
    run = Run()
    made = prepare_rain(None, record(60, 7) * 0.0 + depth, RainOptions(durations_min=(180.0, 360.0)), run)
    assert made.storms["return_period_years"].isna().all()
    assert made.depth_table["note"].tolist() == ["refused: without difference between the years"] * 2
    assert any("0 durations: no depth table" in issue.message for issue in run.issues)


def test_a_duration_broken_by_gaps_is_refused() -> None:
    """A missing hour every day leaves 6-hour windows and no 24-hour one."""
    series = record(60, 6)
    series.iloc[::24] = np.nan
    found = depths.estimate_depths(series, RainOptions(durations_min=(360.0, 1440.0)))
    assert found.table.index.tolist() == [360.0]
    refused = found.rows[found.rows["kind"] == "refused"]
    assert refused["note"].tolist() == ["refused: known in 0 years only, gaps lie in the others"]


@pytest.mark.parametrize("hours", [2, 10, 9000])
def test_a_short_or_empty_record_beside_a_table_harms_nothing(table: pd.DataFrame, hours: int) -> None:
    series = pd.Series(np.nan, pd.date_range("2001-01-01", periods=hours, freq="h", tz="UTC"))
    made = prepare_rain(table, series, RainOptions(), Run())
    assert len(made.storms) == 54
    assert made.maxima.empty

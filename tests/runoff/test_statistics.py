"""Annual maxima, L-moments and extreme values against published figures and two libraries."""

from __future__ import annotations

import lmoments3
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lmoments3 import distr
from scipy.stats import genextreme

from catchscreen.options import RainOptions
from catchscreen.progress import Run
from catchscreen.runoff import depths, prepare_rain, statistics

SAMPLE = [2.0, 3.0, 4.0, 2.4, 5.5, 1.2, 5.4, 2.2, 7.1, 1.3, 1.5]
"""Sample of the lmoments3 test suite, after Hosking's routines."""


def test_sample_l_moments() -> None:
    """l1 l2 t3 t4 t5 as printed in the lmoments3 test suite."""
    moments = statistics.l_moments(SAMPLE, 5)
    np.testing.assert_allclose(moments, [3.23636364, 1.14181818, 0.27388535, 0.02335456, -0.04246285], atol=1e-7)


def test_gev_parameters_and_quantiles() -> None:
    """lmoments3 test suite: location, scale, shape; quantiles; distribution function. Return levels are derived."""
    fit = statistics.fit_gev(SAMPLE)
    np.testing.assert_allclose((fit.location, fit.scale, fit.shape), (2.1792884, 1.3956404, -0.1555609), atol=1e-6)
    np.testing.assert_allclose(fit.quantile([0.2, 0.5, 0.8]), [1.539112, 2.705672, 4.537048], atol=1e-6)
    np.testing.assert_allclose(fit.probability([2.0, 5.0, 8.0]), [0.3202800, 0.8415637, 0.9606184], atol=1e-6)
    levels = fit.quantile(1.0 - 1.0 / np.array([10.0, 30.0, 100.0]))
    np.testing.assert_allclose(levels, [5.9399, 8.3961, 11.5585], atol=1e-4)


def test_gumbel_by_hand() -> None:
    """Scale l2 / ln 2 = 1.14181818 / 0.693147 = 1.647295, location 3.23636364 - 0.5772157 x 1.647295 = 2.285519."""
    fit = statistics.fit_gumbel(SAMPLE)
    assert fit.scale == pytest.approx(1.647295, abs=1e-6)
    assert fit.location == pytest.approx(2.285519, abs=1e-6)
    assert fit.shape == 0.0


def test_chow_gumbel_quantiles() -> None:
    """Chow, Maidment and Mays 1988, example 12.2.1 (from memory): alpha 0.138, u 0.569 in give 0.78, 0.88, 1.11 in."""
    scale = np.sqrt(6.0) * 0.177 / np.pi
    location = 0.649 - 0.5772 * scale
    assert scale == pytest.approx(0.138, abs=0.0005)
    assert location == pytest.approx(0.569, abs=0.0005)
    levels = statistics.ExtremeValue(location, scale, 0.0).quantile(1.0 - 1.0 / np.array([5.0, 10.0, 50.0]))
    np.testing.assert_allclose(levels, [0.78, 0.88, 1.11], atol=0.005)


@given(st.integers(0, 500), st.integers(8, 60), st.floats(-0.3, 0.3))
def test_agrees_with_lmoments3_and_scipy(seed: int, years: int, shape: float) -> None:
    """Two libraries give the same L-moments, parameters, quantiles and probabilities on random samples."""
    sample = genextreme.rvs(shape, loc=30.0, scale=8.0, size=years, random_state=seed)
    np.testing.assert_allclose(
        statistics.l_moments(sample), lmoments3.lmom_ratios(sample, nmom=4), rtol=1e-9, atol=1e-12
    )
    theirs = distr.gev.lmom_fit(sample)
    ours = statistics.fit_gev(sample)
    np.testing.assert_allclose(
        (ours.location, ours.scale, ours.shape), (theirs["loc"], theirs["scale"], theirs["c"]), rtol=2e-5, atol=2e-5
    )
    chance = np.array([0.1, 0.5, 0.9, 0.99])
    frozen = genextreme(ours.shape, ours.location, ours.scale)
    np.testing.assert_allclose(ours.quantile(chance), frozen.ppf(chance), rtol=1e-9)
    np.testing.assert_allclose(ours.probability(sample), frozen.cdf(sample), rtol=1e-7, atol=1e-12)


def record(years: int = 12, step_min: int = 60, seed: int = 5) -> pd.Series:
    """Hourly rain with heavy-tailed bursts."""
    index = pd.date_range("2001-01-01", f"{2000 + years}-12-31 23:59", freq=f"{step_min}min", tz="UTC")
    rng = np.random.default_rng(seed)
    values = rng.gamma(0.6, 2.5, len(index)) * (rng.random(len(index)) < 0.07)
    return pd.Series(values, index=index)


def test_annual_maxima_by_hand() -> None:
    """Two years, bursts placed by hand: 4 + 9 + 2 within three hours, one burst across New Year, one in a gap."""
    series = record(2) * 0.0
    series.iloc[100:103] = [4.0, 9.0, 2.0]
    boundary = series.index.get_loc(pd.Timestamp("2001-12-31 23:00", tz="UTC"))
    series.iloc[boundary : boundary + 2] = [5.0, 6.0]
    series.iloc[-20] = np.nan
    series.iloc[-19] = 50.0
    maxima = statistics.annual_maxima(series, [60.0, 120.0, 180.0])
    assert maxima.loc[2001].tolist() == [9.0, 13.0, 15.0]
    assert maxima.loc[2002].tolist() == [50.0, 50.0 * 1.0, 50.0]


def test_windows_with_a_gap_are_passed_over() -> None:
    series = record(1) * 0.0
    series.iloc[500:503] = [8.0, np.nan, 8.0]
    assert statistics.annual_maxima(series, [60.0, 120.0]).loc[2001].tolist() == [8.0, 8.0]
    assert statistics.annual_maxima(series, [180.0]).loc[2001].tolist() == [8.0]


def test_broken_years_give_no_maximum() -> None:
    series = record(3)
    series.loc["2002-03":"2002-06"] = np.nan
    assert statistics.annual_maxima(series, [60.0]).index.tolist() == [2001, 2003]


def test_record_summary_by_hand() -> None:
    series = record(2) * 0.0 + 0.1
    series.iloc[10:14] = np.nan
    series.iloc[100] = np.nan
    series.iloc[200] = -3.0
    series.iloc[201] = 400.0
    summary = statistics.summarise_record(series)
    assert (summary.missing, summary.gaps, summary.longest_gap_h, summary.doubtful) == (5, 2, 4.0, 2)
    assert summary.complete_years == 2
    clean = statistics.summarise_record(record(2) * 0.0 + 0.1)
    assert clean.annual_mm == pytest.approx(876.582)


@pytest.mark.parametrize(("period", "annual"), [(1.0, 1.582), (2.0, 2.5415), (5.0, 5.0), (30.0, 30.0)])
def test_annual_period(period: float, annual: float) -> None:
    """1 / (1 - exp(-1/T)) below 5 years: 1.582 at 1, 2.541 at 2 (derived); nothing changes from 5 on."""
    assert statistics.annual_period(period) == pytest.approx(annual, abs=0.0005)


def test_annual_period_never_falls() -> None:
    periods = [statistics.annual_period(t) for t in np.linspace(0.3, 8.0, 200)]
    assert (np.diff(periods) >= 0.0).all()


def test_window_factors() -> None:
    """1.13 for one step, falling to 1 for long windows (from memory)."""
    factors = [depths.window_factor(n) for n in (1, 2, 4, 8, 24, 100)]
    assert factors == [1.13, 1.04, 1.03, 1.02, 1.01, 1.0]


def test_depths_from_a_record() -> None:
    """Depths rise, limits lie around them, short durations are refused, periods beyond the record are named."""
    options = RainOptions(return_periods_years=(2.0, 30.0), durations_min=(30.0, 60.0, 120.0, 150.0, 360.0, 1440.0))
    estimate = depths.estimate_depths(record(), options)
    assert estimate.table is not None
    assert estimate.table.index.tolist() == [120.0, 360.0, 1440.0]
    assert (estimate.low < estimate.table).all(axis=None)
    assert (estimate.table < estimate.high).all(axis=None)
    assert (np.diff(estimate.table, axis=0) > 0.0).all()
    text = " ".join(estimate.warnings)
    assert "30 min is shorter than twice" in text
    assert "60 min is shorter than twice" in text
    assert "150 min is not a whole number" in text
    assert "1-in-30 lie beyond" in text
    assert "12 annual maxima" in text


def test_the_table_is_the_fit_times_the_factor() -> None:
    """One cell by hand: the fit to the 2-hour maxima at 1 - 1/30, times 1.04 for two steps, or without it."""
    options = RainOptions(durations_min=(120.0, 1440.0), distribution="gumbel")
    series = record()
    level = statistics.fit_gumbel(statistics.annual_maxima(series, [120.0])[120.0]).quantile(1.0 - 1.0 / 30.0)
    raised = depths.estimate_depths(series, options).table
    plain = depths.estimate_depths(series, options.model_copy(update={"correct_fixed_windows": False})).table
    assert raised.loc[120.0, 30.0] == pytest.approx(1.04 * level)
    assert plain.loc[120.0, 30.0] == pytest.approx(level)


def test_fits_that_cross_say_so() -> None:
    """Two hours have a heavy tail, six hours hardly differ: beyond the record the shorter fit overtakes the longer."""
    hours = pd.date_range("2001-01-01", "2012-12-31 23:00", freq="h", tz="UTC")
    series = pd.Series(0.0, index=hours)
    bursts = [10.0, 11.0, 12.0, 13.0, 14.0, 15.0, 16.0, 18.0, 20.0, 24.0, 30.0, 39.0]
    for year, burst in enumerate(bursts, start=2001):
        series[f"{year}-06-01 12:00+00:00"] = burst
        series[f"{year}-06-01 16:00+00:00"] = 39.5 - burst + 0.1 * (year - 2001)
    options = RainOptions(return_periods_years=(2.0, 100.0), durations_min=(120.0, 360.0))
    rows = depths.estimate_depths(series, options).rows
    gev = rows[rows["kind"] == "GEV"].set_index(["duration_min", "return_period_years"])
    assert gev.at[(360.0, 100.0), "depth_mm"] < gev.at[(120.0, 100.0), "depth_mm"]
    crossed = gev["note"].str.contains("less than in a shorter duration")
    assert crossed[crossed].index.tolist() == [(360.0, 100.0)]


def test_a_short_record_gives_plain_depths() -> None:
    run = Run()
    made = prepare_rain(None, record(3), RainOptions(durations_min=(120.0, 360.0)), run)
    assert made.storms["return_period_years"].isna().all()
    assert any("3 complete years" in issue.message for issue in run.issues)


def test_storms_from_a_record() -> None:
    """Storms of the fitted table from 3 h up; the gap in the record is counted and shown."""
    run = Run()
    series = record()
    series.iloc[50:60] = np.nan
    made = prepare_rain(None, series, RainOptions(), run)
    gaps = next(issue for issue in run.issues if issue.code == "rain_record_gaps")
    assert "10 of 105192 steps in 1 gaps, the longest 10 h" in gaps.message
    assert made.storms["duration_min"].min() == 180.0
    assert made.storms["is_sizing"].sum() == 3
    assert any(issue.code == "depths_from_series" for issue in run.issues)


def test_same_draws_every_time() -> None:
    """Confidence limits are drawn from a fixed seed."""
    first, second = (depths.estimate_depths(record(), RainOptions()).high for _ in range(2))
    pd.testing.assert_frame_equal(first, second, check_exact=True)


@pytest.fixture
def daily_record(trial_data) -> pd.Series:
    """67 years of daily rain (KNMI, Esbeek): tenths of a millimetre, one missing day, a last year of four months."""
    lines = (trial_data / "rain" / "esbeek_daily_1951_2017.txt").read_text(encoding="latin-1").splitlines()
    rows = [line.split(",") for line in lines if line.startswith("831,")]
    days = pd.DatetimeIndex(pd.to_datetime([row[1] for row in rows], format="%Y%m%d", utc=True))
    depths = pd.to_numeric(pd.Series([row[2].strip() or None for row in rows]), errors="coerce").to_numpy() / 10.0
    return pd.Series(depths, index=days).asfreq("D")


def test_real_record_counted_by_another_tool(daily_record: pd.Series) -> None:
    """Yearly counts, sums and maxima were taken from the file with awk: 24.0 mm in 1951, 39.3 in 1998, 55.5 in 2016."""
    summary = statistics.summarise_record(daily_record)
    assert (summary.missing, summary.gaps, summary.complete_years) == (1, 1, 66)
    maxima = statistics.annual_maxima(daily_record, [1440.0])[1440.0]
    assert maxima.loc[[1951, 1952, 1998, 2016]].tolist() == [24.0, 32.0, 39.3, 55.5]
    assert 2017 not in maxima.index
    by_year = daily_record.groupby(daily_record.index.year).sum()
    assert by_year.loc[[1951, 2000]].tolist() == pytest.approx([850.9, 920.0])


def test_real_record_against_lmoments3(daily_record: pd.Series) -> None:
    """The two-day depths of the table are lmoments3's GEV quantiles times the factor 1.04; one day is refused."""
    options = RainOptions(return_periods_years=(30.0, 100.0), durations_min=(1440.0, 2880.0, 5760.0))
    estimate = depths.estimate_depths(daily_record, options)
    assert estimate.table.index.tolist() == [2880.0, 5760.0]
    fitted = distr.gev.lmom_fit(estimate.maxima[2880.0])
    theirs = genextreme(fitted["c"], fitted["loc"], fitted["scale"]).ppf([1.0 - 1.0 / 30.0, 0.99])
    np.testing.assert_allclose(estimate.table.loc[2880.0], 1.04 * theirs, rtol=1e-4)
    assert any("1-in-100 lie beyond" in text for text in estimate.warnings)

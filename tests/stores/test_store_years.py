"""Continuous run of the generic store: hand values, invariants, and what it says when it cannot run."""

from __future__ import annotations

import math

import numba
import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError
from pyproj import CRS

from catchscreen.grid import Grid
from catchscreen.options import RunoffOptions
from catchscreen.runoff import _store_kernels as k
from catchscreen.runoff.store_years import YEAR_COLUMNS, run_stores
from catchscreen.runoff.stores import Lanes, Timeline, open_drains


def test_substrate_dries_as_its_closed_form(make_stores):
    """Moisture-limited drying of a full substrate of 20 mm, 3 mm/day, 5 days: 20 (1 - exp(-0.75)) = 10.55 mm.

    By hourly steps with the day's demand spread evenly.
    """
    stores = make_stores(substrate_mm=20.0, substrate_start_fraction=1.0)
    lanes = Lanes(np.array([0]), 1)
    lanes.set_fixed(stores)
    lanes.set_step(0, 1.0, stores.intake_mm_h, open_drains(stores, stores.soak_mean_mm_h))
    lanes.clear()
    steps = 120
    drivers = np.column_stack([np.zeros(steps), np.full(steps, 3.0 / 24.0), np.ones(steps)])
    lanes.run(np.zeros((1, 1)), Timeline(drivers, np.zeros((steps, 1)), np.zeros((steps, 2), dtype=np.int64)))
    assert lanes.get(k.AIR)[0] == pytest.approx(20.0 * (1.0 - math.exp(-0.75)), abs=1e-9)
    assert lanes.get(k.AIR)[0] == pytest.approx(10.55, abs=0.005)


def _daily_shower(years: int, depth_mm: float, hour: int = 0) -> pd.Series:
    """One shower of an hour every second day at the given hour."""
    times = pd.date_range("2001-01-01", f"{2000 + years}-12-31 23:00", freq="h", tz="UTC")
    day = (times - times[0]).days.to_numpy()
    return pd.Series(np.where((day % 2 == 0) & (times.hour.to_numpy() == hour), depth_mm, 0.0), index=times)


def test_annual_split_by_hand(make_stores, months, run):
    """A shower of 10 mm every second day at night, three years; evaporation empties wetting layers in between.

    A lined store of 6 mm without outlet is full before the account and sheds everything. With soak 1 mm/h and 9 mm of
    room nothing is shed: 1 mm goes during the hour of rain. A wetting layer of 0.4 mm, less than the lowest demand of
    two days, gives all it holds to the air after each shower.
    """
    rain = _daily_shower(3, 10.0)
    stores = make_stores(void_mm=[6.0, 9.0, 9.0], soak_mean_mm_h=[0.0, 1.0, 1.0], wetting_mm=[0.0, 0.0, 0.4])
    years = run_stores(stores, rain, months, run).years
    showers = (rain.iloc[8760:] > 0.0).sum() / 2.0
    inflow = showers * 10.0 * 0.1
    np.testing.assert_allclose(years["inflow_m3_yr"], inflow, rtol=1e-12)
    assert years["overflow_m3_yr"].iloc[0] == pytest.approx(inflow, rel=1e-9)
    assert years["retained_fraction"].iloc[0] == pytest.approx(0.0, abs=1e-9)
    assert years["to_ground_m3_yr"].iloc[1] == pytest.approx(inflow, rel=1e-9)
    assert years["overflow_m3_yr"].iloc[1] == 0.0
    assert years["to_air_m3_yr"].iloc[2] == pytest.approx(showers * 0.4 * 0.1, rel=1e-9)
    assert (years["slowed_fraction"] == 0.0).all()


def test_run_on_brings_what_hard_ground_sheds(make_stores, months, run):
    """Two square metres of hard ground per square metre of host lose what dried off their 1 mm since the last shower.

    The lowest demand is 0.4 mm/day, two days give 0.8 mm; from April to September the whole 1 mm is dry again.
    """
    stores = make_stores(run_on_area_m2=[0.0, 200.0], void_mm=200.0, soak_mean_mm_h=50.0)
    years = run_stores(stores, _daily_shower(3, 10.0), months, run).years
    extra = years["inflow_m3_yr"].iloc[1] - years["inflow_m3_yr"].iloc[0]
    rain = years["inflow_m3_yr"].iloc[0]
    assert 2.0 * rain * 0.9 < extra < 2.0 * rain * 0.95
    np.testing.assert_allclose(years["to_ground_m3_yr"], years["inflow_m3_yr"], rtol=1e-9)


def test_first_rain_is_judged_event_by_event(make_stores, months, run):
    """Showers of 10 mm: a store without room sheds from the first drop, one that keeps 6 mm passes, one of 4 mm fails.

    The stores have emptied before each shower (soak 1 mm/h). Half of 182.5 showers a year fall from May to October.
    """
    stores = make_stores(void_mm=[0.0, 6.0, 3.0], soak_mean_mm_h=[0.0, 1.0, 0.5])
    years = run_stores(stores, _daily_shower(3, 10.0), months, run).years
    np.testing.assert_array_equal(years["first_5mm_summer_fraction"], [0.0, 1.0, 0.0])
    np.testing.assert_array_equal(years["first_5mm_winter_fraction"], [0.0, 1.0, 0.0])


def test_the_half_years_follow_the_hemisphere(make_stores, months, run):
    """Showers from May to October only: summer events in the north, winter ones in the south, and none of the other."""
    rain = _daily_shower(3, 10.0).where(lambda values: values.index.month.isin(range(5, 11)), 0.0)
    for epsg, top, seen, unseen in ((32630, 5_650_000.0, "summer", "winter"), (32756, 6_250_000.0, "winter", "summer")):
        grid = Grid(10, 10, 500_000.0, top, 1.0, 1.0, CRS.from_epsg(epsg))
        years = run_stores(make_stores(void_mm=50.0, soak_mean_mm_h=5.0), rain, months, run, grid=grid).years
        assert years[f"first_5mm_{seen}_fraction"].iloc[0] == 1.0
        assert np.isnan(years[f"first_5mm_{unseen}_fraction"].iloc[0])


def test_hours_above_a_pass_forward_rate_by_hand(make_stores, months, run):
    """A lined store fills with 10 mm and lets out 1 mm/h at full head by a slow linear outlet (response 100 h).

    Steady showers keep it below 100 mm, so the rate stays below 1 mm/h = 2.78 l/s/ha: all hours of the account are
    above a rate of nearly nothing, none above the rate at full head. A step too long leaves the column empty.
    """
    stores = make_stores(void_mm=100.0, outlet_mm_h=1.0, outlet_exponent=1.0)
    rain = _daily_shower(3, 10.0)
    few = run_stores(stores, rain, months, run, pass_forward_l_s_ha=0.01).years["hours_above_pass_forward_yr"].iloc[0]
    assert few == pytest.approx(8760.0, abs=1.0)
    none = run_stores(stores, rain, months, run, pass_forward_l_s_ha=2.78).years["hours_above_pass_forward_yr"].iloc[0]
    assert none == 0.0
    quick = make_stores(void_mm=100.0, outlet_mm_h=100.0, outlet_exponent=1.0)
    years = run_stores(quick, rain, months, run, pass_forward_l_s_ha=0.01).years
    assert np.isnan(years["hours_above_pass_forward_yr"].iloc[0])
    assert "third of the response time" in years["peak_reason"].iloc[0]


def test_the_pass_forward_rate_is_given_once_in_either_unit():
    """1 mm/h is 10,000 m2 x 1 mm / 3,600 s = 2.78 l/s from a hectare; two rates, or an absurd one, are refused."""
    assert RunoffOptions().pass_forward_rate_l_s_ha is None
    assert RunoffOptions(pass_forward_mm_h=1.0).pass_forward_rate_l_s_ha == pytest.approx(2.7778, abs=1e-4)
    assert RunoffOptions(pass_forward_l_s_ha=5.0).pass_forward_rate_l_s_ha == 5.0
    with pytest.raises(ValidationError, match="not both"):
        RunoffOptions(pass_forward_l_s_ha=5.0, pass_forward_mm_h=1.0)
    with pytest.raises(ValidationError):
        RunoffOptions(pass_forward_l_s_ha=5000.0)


def test_no_rain_leaves_only_drying(random_stores, months, run):
    """After the last rain nothing comes in or overflows, and what the substrate loses goes to the air alone."""
    times = pd.date_range("2001-01-01", "2003-12-31 23:00", freq="h", tz="UTC")
    stores = random_stores(60)
    years = run_stores(stores, pd.Series(0.0, index=times), months, run).years
    assert (years["inflow_m3_yr"] == 0.0).all()
    assert (years[["to_ground_m3_yr", "outlet_m3_yr", "overflow_m3_yr"]] == 0.0).all(axis=None)
    np.testing.assert_allclose(years["to_air_m3_yr"], -years["store_change_m3_yr"], atol=1e-12)
    assert (years["to_air_m3_yr"] > 0.0).any()


def test_rains_with_outflow_are_counted(make_stores, months, run):
    """Showers of 10 mm every second day: 9 mm that soak 1 mm/h pass none on, 4 mm with 0.5 mm/h some of every one."""
    stores = make_stores(void_mm=[9.0, 4.0], soak_mean_mm_h=[1.0, 0.5])
    years = run_stores(stores, _daily_shower(3, 10.0), months, run).years
    showers = (_daily_shower(3, 10.0).iloc[8760:] > 0.0).sum() / 2.0
    np.testing.assert_array_equal(years["events_yr"], showers)
    np.testing.assert_array_equal(years["events_with_outflow_yr"], [0.0, showers])


def test_small_events_are_judged_when_they_are_over(make_stores, months, run):
    """Showers of 3 mm never reach 5 mm: a store of 2 mm fails, one of 4 mm passes; showers of 0.5 mm are not judged."""
    stores = make_stores(void_mm=[2.0, 4.0], soak_mean_mm_h=0.2)
    years = run_stores(stores, _daily_shower(3, 3.0), months, run).years
    np.testing.assert_array_equal(years["first_5mm_summer_fraction"], [0.0, 1.0])
    tiny = run_stores(stores, _daily_shower(3, 0.5), months, run).years
    assert tiny["first_5mm_summer_fraction"].isna().all()


def test_dry_days_are_those_of_a_substrate_without_rain(make_stores, months, run):
    """Rain for the first year only: the substrate is dry all the time after, a paving store has no such days."""
    rain = _daily_shower(3, 10.0)
    rain.iloc[8760 - 24 * 200 :] = 0.0
    stores = make_stores(substrate_mm=[20.0, 0.0], substrate_start_fraction=0.5)
    years = run_stores(stores, rain, months, run).years
    assert years["dry_stress_days_yr"].iloc[0] == 365.0
    assert np.isnan(years["dry_stress_days_yr"].iloc[1])
    assert years["inflow_m3_yr"].iloc[0] == 0.0
    assert years["to_air_m3_yr"].iloc[0] == pytest.approx(-years["store_change_m3_yr"].iloc[0], abs=1e-9)
    assert years["to_air_m3_yr"].iloc[0] > 0.0


def test_intake_clogs_year_by_year(make_stores, months, run):
    """Intake 10 mm/h halved after each account year: of 10 mm showers 10, then 5 mm enter, so 7.5 on the mean."""
    stores = make_stores(intake_mm_h=10.0, intake_kept_per_year=0.5, soak_mean_mm_h=20.0)
    years = run_stores(stores, _daily_shower(3, 10.0), months, run).years
    assert years["to_ground_m3_yr"].iloc[0] / years["inflow_m3_yr"].iloc[0] == pytest.approx(0.75, abs=2e-3)


def test_balance_closes_on_random_stores(random_stores, rain_years, months, run):
    """Every term is summed on its own; the residual is under 1e-9 of the inflow, and no share is negative."""
    years = run_stores(random_stores(200), rain_years(4), months, run, pass_forward_l_s_ha=5.0).years
    assert list(years.columns[: len(YEAR_COLUMNS)]) == list(YEAR_COLUMNS)
    assert (years["residual_m3_yr"].abs() < 1e-9 * years["inflow_m3_yr"]).all()
    volumes = ["to_ground_m3_yr", "to_air_m3_yr", "outlet_m3_yr", "overflow_m3_yr"]
    assert (years[volumes] >= 0.0).all(axis=None)
    assert (years["years"] == 3).all()
    assert years["free_store_fraction"].between(0.0, 1.0).all()
    ranked = years[[f"peak_{rank}_l_s" for rank in range(1, 6)]].dropna()
    assert len(ranked) > 20
    assert (np.diff(ranked.to_numpy(), axis=1) <= 0.0).all()


def test_bytes_depend_on_no_neighbour_and_no_thread(random_stores, rain_years, months, run):
    """The same store gives the same bytes alone, among others, and on one thread."""
    stores, rain = random_stores(130), rain_years(3)
    columns = list(YEAR_COLUMNS)
    numba.set_num_threads(1)
    one = run_stores(stores, rain, months, run).years[columns]
    numba.set_num_threads(numba.config.NUMBA_NUM_THREADS)
    many = run_stores(stores, rain, months, run).years[columns]
    assert one.to_numpy().tobytes() == many.to_numpy().tobytes()
    chosen = [77]
    fields = {
        name: (tuple(values[place] for place in chosen) if isinstance(values, tuple) else values[chosen])
        for name in stores.__slots__
        if (values := getattr(stores, name)) is not None and len(values) == 130
    }
    alone = run_stores(type(stores)(**fields), rain, months, run).years[columns]
    assert alone.to_numpy().tobytes() == one.iloc[chosen].to_numpy().tobytes()


def test_more_store_less_overflow_more_run_on_more_inflow(random_stores, rain_years, months, run):
    """A larger store with the same law of outflow never overflows more; twice the run-on never lowers the inflow."""
    stores, rain = random_stores(150), rain_years(3)
    fields = {name: getattr(stores, name) for name in stores.__slots__}
    head = stores.void_mm - stores.sill_mm
    larger = {
        "void_mm": stores.void_mm + 20.0,
        "outlet_mm_h": stores.outlet_mm_h * ((head + 20.0) / head) ** stores.outlet_exponent,
    }
    base = run_stores(stores, rain, months, run).years
    grown = run_stores(type(stores)(**fields | larger), rain, months, run).years
    assert (grown["overflow_m3_yr"] <= base["overflow_m3_yr"] + 1e-9).all()
    assert grown["overflow_m3_yr"].sum() < base["overflow_m3_yr"].sum()
    doubled = run_stores(
        type(stores)(**fields | {"run_on_area_m2": 2.0 * stores.run_on_area_m2}), rain, months, run
    ).years
    assert (doubled["inflow_m3_yr"] >= base["inflow_m3_yr"]).all()


def test_peaks_only_where_the_step_is_fine_enough(make_stores, rain_years, months, run):
    """Linear outlets with response times of 10 h and 1 h: hourly rain gives peaks for the first only, and says why."""
    stores = make_stores(void_mm=100.0, outlet_mm_h=[10.0, 100.0, 0.0], outlet_exponent=1.0)
    years = run_stores(stores, rain_years(3), months, run).years
    assert years["peak_1_l_s"].notna().tolist() == [True, False, False]
    assert years["peak_reason"].iloc[0] == ""
    assert "third of the response time" in years["peak_reason"].iloc[1]
    assert "no outlet" in years["peak_reason"].iloc[2]
    assert 0.0 < years["peak_1_l_s"].iloc[0] < 10.0 * 100.0 / 3600.0


def _as_daily(series: pd.Series) -> pd.Series:
    return series.resample("D").sum()


def _with_gaps(series: pd.Series) -> pd.Series:
    broken = series.copy()
    broken.iloc[::5] = np.nan
    return broken


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda series: None, "no rain series is given"),
        (_as_daily, "steps of 24 h"),
        (_with_gaps, "20% of the rain series is unknown"),
        (lambda series: series.iloc[: 8760 + 5000], "shorter than two years"),
    ],
)
def test_a_series_that_cannot_be_used_gives_its_reason(make_stores, rain_years, months, run, change, words):
    """The frame is empty with all its columns, and the reason is said."""
    result = run_stores(make_stores(), change(rain_years(3)), months, run)
    assert words in result.reason
    assert len(result.years) == 0
    assert set(YEAR_COLUMNS) < set(result.years.columns)
    assert result.years.index.name == "store_id"


def test_few_gaps_and_few_years_are_noted(make_stores, rain_years, run):
    """What was wanting is left as notes: gaps counted as dry, few years, evaporation assumed."""
    rain = rain_years(3)
    rain.iloc[100:200] = np.nan
    result = run_stores(make_stores(), rain, None, run)
    assert result.reason == ""
    assert {issue.code for issue in run.issues} == {"rain_gaps_dry", "rain_series_short", "evaporation_assumed"}


def test_a_finer_series_gives_nearly_the_same_year(random_stores, rain_years, months, run):
    """The same rain by quarter hours: annual terms move by less than 0.5 % of the inflow."""
    stores, rain = random_stores(60), rain_years(2)
    times = pd.date_range(rain.index[0], periods=4 * rain.size, freq="15min")
    fine = pd.Series(np.repeat(rain.to_numpy() / 4.0, 4), index=times)
    coarse_years = run_stores(stores, rain, months, run).years
    fine_years = run_stores(stores, fine, months, run).years
    for term in ("to_ground_m3_yr", "to_air_m3_yr", "outlet_m3_yr", "overflow_m3_yr"):
        moved = (coarse_years[term] - fine_years[term]).abs() / coarse_years["inflow_m3_yr"]
        assert moved.max() < 0.005, term


def test_no_stores_no_rows(make_stores, rain_years, months, run):
    """Without stores there are no rows, no reason, and all columns."""
    result = run_stores(make_stores(void_mm=np.zeros(0)), rain_years(3), months, run)
    assert result.reason == ""
    assert len(result.years) == 0
    assert set(YEAR_COLUMNS) < set(result.years.columns)

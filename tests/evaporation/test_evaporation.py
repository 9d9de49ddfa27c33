"""FAO-56 functions against the worked examples of the paper, and the spreading of a day's evaporation over its steps.

Source of the examples: Allen, Pereira, Raes and Smith (1998), FAO Irrigation and Drainage Paper 56. Unrounded values
are derived from its formulas. Tolerance is half of the last printed digit unless a line says otherwise.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pyproj import CRS

from catchscreen.grid import Grid
from catchscreen.progress import Run
from catchscreen.runoff import evaporation as ev


def test_example_8_radiation_above_the_atmosphere():
    """Ex. 8: 20 degrees south, 3 September (J = 246): Ra 32.2 MJ m-2 d-1."""
    assert ev.extraterrestrial_radiation(-20.0, 246.0) == pytest.approx(32.2, abs=0.05)
    _, declination, sunset = ev._sun_angles(-20.0, 246.0)
    assert declination == pytest.approx(0.120, abs=0.0005)
    assert sunset == pytest.approx(1.527, abs=0.0005)


def test_example_9_daylight():
    """Ex. 9: the same day has 11.7 h of daylight."""
    assert ev.daylight_hours(-20.0, 246.0) == pytest.approx(11.7, abs=0.05)


def test_example_2_pressure_and_gamma():
    """Ex. 2: 1,800 m: 81.8 kPa, gamma 0.054 kPa/C."""
    pressure = ev.air_pressure(1800.0)
    assert pressure == pytest.approx(81.8, abs=0.05)
    assert ev.psychrometric_constant(pressure) == pytest.approx(0.054, abs=0.0005)


def test_example_3_mean_saturation_pressure():
    """Ex. 3: 24.5 and 15 C: es 2.39 kPa."""
    assert ev.mean_saturation_pressure(24.5, 15.0) == pytest.approx(2.39, abs=0.005)


def test_example_5_vapour_pressure_from_humidity():
    """Ex. 5: 18 and 25 C (2.064 and 3.168 kPa), humidity 82 and 54 %: ea 1.70 kPa."""
    assert ev.saturation_pressure(18.0) == pytest.approx(2.064, abs=0.0005)
    assert ev.saturation_pressure(25.0) == pytest.approx(3.168, abs=0.0005)
    assert ev.vapour_pressure_from_humidity(25.0, 18.0, 82.0, 54.0) == pytest.approx(1.70, abs=0.005)


def test_example_4_vapour_pressure_from_psychrometer():
    """Ex. 4: 19.5 C wet (2.267 kPa), 25.6 C dry, 87.9 kPa: ea 1.91 kPa."""
    assert ev.saturation_pressure(19.5) == pytest.approx(2.267, abs=0.0005)
    assert ev.vapour_pressure_from_psychrometer(19.5, 25.6, 87.9) == pytest.approx(1.91, abs=0.005)


def test_example_14_wind():
    """Ex. 14: 3.2 m/s at 10 m is 2.4 m/s at 2 m."""
    assert ev.wind_at_2_m(3.2, 10.0) == pytest.approx(2.4, abs=0.05)


def test_example_15_solar_radiation_from_temperature():
    """Ex. 15: Ra 40.6, 26.6 and 14.8 C: Rs 22.3 MJ m-2 d-1."""
    assert ev.solar_radiation_from_temperature(40.6, 26.6, 14.8) == pytest.approx(22.3, abs=0.05)


def test_example_18_penman_monteith():
    """Ex. 18: 50 deg 48 N, 100 m, 6 July (J = 187): values as printed, ETo 3.9 mm/day (3.880142 unrounded)."""
    above = ev.extraterrestrial_radiation(50.8, 187.0)
    vapour = ev.vapour_pressure_from_humidity(21.5, 12.3, 84.0, 63.0)
    wind = ev.wind_at_2_m(2.78, 10.0)
    weather = ev.Weather(21.5, 12.3, 22.07, wind, vapour)
    net, longwave = ev.net_radiation(weather, above, 100.0)
    assert wind == pytest.approx(2.079, abs=0.0015)
    assert ev.psychrometric_constant(ev.air_pressure(100.0)) == pytest.approx(0.0666, abs=0.0001)
    assert ev.saturation_slope(16.9) == pytest.approx(0.122, abs=0.0005)
    assert vapour == pytest.approx(1.409, abs=0.0005)
    assert ev.mean_saturation_pressure(21.5, 12.3) - vapour == pytest.approx(0.589, abs=0.0015)
    assert above == pytest.approx(41.09, abs=0.01)
    assert ev.clear_sky_radiation(above, 100.0) == pytest.approx(30.90, abs=0.01)
    assert longwave == pytest.approx(3.71, abs=0.01)
    assert net == pytest.approx(13.28, abs=0.01)
    daily = ev.reference_evapotranspiration(weather, above, 100.0)
    assert daily == pytest.approx(3.9, abs=0.05)
    # 3.880142 is an unrounded value from elsewhere. What is open in the paper moves it by more than 1e-4: 273 or 273.16
    # for the kelvin by 6e-4, the wind as printed (2.078) or by equation 47 (2.0793) by 2e-4. As printed it is met.
    assert daily == pytest.approx(3.880142, abs=2e-4)
    printed = ev.Weather(21.5, 12.3, 22.07, 2.078, vapour)
    assert ev.reference_evapotranspiration(printed, above, 100.0) == pytest.approx(3.880142, abs=1e-4)


def test_equation_52_from_temperature_alone():
    """Eq. 52 with the inputs of ex. 15: 0.0023 * (20.7 + 17.8) * sqrt(11.8) * 40.6 * 0.408 = 5.04 mm/day (derived)."""
    assert ev.evapotranspiration_from_temperature(26.6, 14.8, 40.6) == pytest.approx(5.04, abs=0.01)


def test_daily_from_temperature_is_the_same_equation():
    """The frame of days gives what the equation gives, and NaN where a temperature is unknown."""
    days = pd.date_range("2021-07-06", periods=2, freq="D")
    frame = pd.DataFrame({"tmax_c": [26.6, np.nan], "tmin_c": [14.8, 10.0]}, index=days)
    series = ev.daily_from_temperature(frame, 45.7)
    above = ev.extraterrestrial_radiation(45.7, 187.0)
    assert series.iloc[0] == pytest.approx(float(ev.evapotranspiration_from_temperature(26.6, 14.8, above)), rel=1e-12)
    assert np.isnan(series.iloc[1])


@pytest.mark.parametrize("step_min", [60, 15, 5])
def test_a_day_is_spread_over_its_steps(step_min):
    """Steps of a day sum to its depth; none falls at night; the highest is at noon."""
    times = pd.date_range("2020-01-01", periods=31 * 1440 // step_min, freq=f"{step_min}min", tz="UTC")
    months = pd.Series(np.arange(1.0, 13.0), index=range(1, 13))
    depth = ev.potential_of_steps(months, times, step_min / 60.0, Run())
    assert depth.sum() == pytest.approx(31.0, rel=1e-12)
    hours = times.hour.to_numpy()
    assert depth[(hours < 6) | (hours >= 18)].max() == 0.0
    assert hours[np.argmax(depth)] in (11, 12)


def test_the_sine_is_a_named_assumption():
    """Without evaporation a year has the assumed depth, and the run says so."""
    run = Run()
    times = pd.date_range("2020-01-01", "2023-12-31 23:00", freq="h", tz="UTC")
    depth = ev.potential_of_steps(None, times, 1.0, run)
    assert depth.sum() / 4.0 == pytest.approx(ev.ASSUMED_ANNUAL_MM, rel=0.005)
    assert [issue.code for issue in run.issues] == ["evaporation_assumed"]
    assert np.argmax(ev.assumed_months()) in (5, 6)
    assert np.argmax(ev.assumed_months(is_northern=False)) in (0, 11)


def test_the_sine_follows_the_hemisphere_of_the_grid():
    """South of the equator the same sine is turned by half a year, and the assumption says so."""
    times = pd.date_range("2021-01-01", "2021-12-31 23:00", freq="h", tz="UTC")
    run = Run()
    south = ev.potential_of_steps(None, times, 1.0, run, -33.0)
    north = ev.potential_of_steps(None, times, 1.0, Run(), 51.0)
    by_month = [pd.Series(depth).groupby(times.month.to_numpy()).sum() for depth in (south, north)]
    assert by_month[0].idxmax() in (12, 1)
    assert by_month[1].idxmax() in (6, 7)
    assert "southern hemisphere" in run.issues[0].message


@pytest.mark.parametrize(("epsg", "low", "high"), [(32630, 49.0, 53.0), (32756, -36.0, -31.0)])
def test_latitude_of_a_grid(epsg, low, high):
    """A grid in zone 30 north near 51 degrees, and one in zone 56 south near 34 degrees."""
    top = 5_650_000.0 if epsg == 32630 else 6_250_000.0
    grid = Grid(10, 10, 500_000.0, top, 1.0, 1.0, CRS.from_epsg(epsg))
    assert low < ev.latitude_of(grid) < high


def test_evaporation_from_temperature_is_noted():
    """A frame of temperatures gives equation 52 day by day, says so, and needs a latitude."""
    days = pd.date_range("2021-07-01", periods=3, freq="D", tz="UTC")
    frame = pd.DataFrame({"tmax_c": [26.6, 20.0, 30.0], "tmin_c": [14.8, 12.0, 15.0]}, index=days)
    times = pd.date_range("2021-07-01", periods=72, freq="h", tz="UTC")
    run = Run()
    depth = ev.potential_of_steps(frame, times, 1.0, run, 45.7).reshape(3, 24).sum(axis=1)
    np.testing.assert_allclose(depth, ev.daily_from_temperature(frame, 45.7).to_numpy(), rtol=1e-12)
    assert [issue.code for issue in run.issues] == ["evaporation_from_temperature"]
    with pytest.raises(ValueError, match="latitude"):
        ev.potential_of_steps(frame, times, 1.0, run)


def test_days_not_given_take_their_month():
    """Days are looked up by date; a day that is missing takes the mean of its month, and that is noted."""
    run = Run()
    given = pd.Series([2.0, 4.0], index=pd.to_datetime(["2020-06-01", "2020-06-02"], utc=True))
    times = pd.date_range("2020-06-01", periods=72, freq="h", tz="UTC")
    by_day = ev.potential_of_steps(given, times, 1.0, run).reshape(3, 24).sum(axis=1)
    np.testing.assert_allclose(by_day, [2.0, 4.0, 3.0], rtol=1e-12)
    assert [issue.code for issue in run.issues] == ["evaporation_days_missing"]


def test_agrees_with_an_independent_library():
    """40 random days against values computed with another open-source implementation; its name stands in the file.

    Hargreaves is rounded to 0.01 mm there. Penman-Monteith: 0.5 % for constants that differ in their last digits.
    """
    file = Path(__file__).parent.parent / "reference" / "fao56_independent.csv"
    days = {name: values.to_numpy(dtype=float) for name, values in pd.read_csv(file, comment="#").items()}
    above = ev.extraterrestrial_radiation(days["latitude_deg"], days["day_of_year"])
    np.testing.assert_allclose(above, days["radiation_above_mj_m2"], rtol=1e-3)
    found = ev.evapotranspiration_from_temperature(days["tmax_c"], days["tmin_c"], above)
    np.testing.assert_allclose(found, days["hargreaves_mm"], atol=0.0101)
    vapour = ev.vapour_pressure_from_humidity(
        days["tmax_c"], days["tmin_c"], days["rh_max_percent"], days["rh_min_percent"]
    )
    wind = ev.wind_at_2_m(days["wind_10_m_s"], 10.0)
    weather = ev.Weather(days["tmax_c"], days["tmin_c"], days["solar_mj_m2"], wind, vapour)
    net, _ = ev.net_radiation(weather, above, days["elevation_m"])
    np.testing.assert_allclose(net, days["net_radiation_mj_m2"], atol=0.03)
    daily = ev.reference_evapotranspiration(weather, above, days["elevation_m"])
    np.testing.assert_allclose(daily, days["penman_mm"], rtol=5e-3, atol=0.01)

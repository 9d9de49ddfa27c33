"""Reference evapotranspiration against the package refet, an independent implementation of the same equation.

It follows ASCE-EWRI (2005), whose daily grass equation is that of FAO 56; its constants are written a little otherwise
(net longwave from 2.042e-10 an hour, latent heat 2.45, cloudiness not under 0.05), hence the tolerance.
"""

from __future__ import annotations

import numpy as np
import pytest
from refet import Daily, calcs

from catchscreen.runoff import evaporation


@pytest.fixture
def days():
    """500 days over the year, from 55 south to 60 north, dry and humid, calm and windy."""
    rng = np.random.default_rng(20)
    count = 500
    tmin = rng.uniform(-2.0, 22.0, count)
    tmax = tmin + rng.uniform(3.0, 16.0, count)
    latitude, day = rng.uniform(-55.0, 60.0, count), rng.integers(1, 366, count).astype(np.float64)
    above = evaporation.extraterrestrial_radiation(latitude, day)
    solar = above * rng.uniform(0.35, 0.72, count)
    vapour = evaporation.saturation_pressure(tmin) * rng.uniform(0.5, 1.0, count)
    return {
        "latitude": latitude,
        "day": day,
        "elevation": rng.uniform(0.0, 800.0, count),
        "weather": evaporation.Weather(tmax, tmin, solar, rng.uniform(0.5, 6.0, count), vapour),
    }


def test_a_day_s_evapotranspiration_equals_the_library_s(days):
    weather, elevation = days["weather"], days["elevation"]
    above = evaporation.extraterrestrial_radiation(days["latitude"], days["day"])
    ours = evaporation.reference_evapotranspiration(weather, above, elevation)
    theirs = Daily(
        tmin=weather.tmin_c,
        tmax=weather.tmax_c,
        rs=weather.solar_mj_m2,
        uz=weather.wind_2_m_s,
        zw=2.0,
        elev=elevation,
        lat=days["latitude"],
        doy=days["day"],
        ea=weather.vapour_kpa,
        method="asce",
    ).eto()
    assert ours.max() > 5.0
    np.testing.assert_allclose(ours, theirs, atol=0.02, rtol=0.005)


def test_radiation_above_the_air_equals_the_library_s(days):
    ours = evaporation.extraterrestrial_radiation(days["latitude"], days["day"])
    theirs = calcs.ra_daily(np.deg2rad(days["latitude"]), days["day"], "asce")
    np.testing.assert_allclose(ours, theirs, rtol=2e-3)

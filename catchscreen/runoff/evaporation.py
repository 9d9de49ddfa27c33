"""Potential evaporation: FAO-56 reference evapotranspiration, and its share in each step of a rain series.

References
----------
Allen, R. G., Pereira, L. S., Raes, D. and Smith, M. (1998): Crop evapotranspiration. FAO Irrigation and Drainage Paper
56. Equation numbers below are those of that paper.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import Transformer

from catchscreen.grid import Grid
from catchscreen.progress import DataIssue, Run

Floats = NDArray[np.float64]

SOLAR_CONSTANT_MJ_M2_MIN: Final = 0.0820
STEFAN_BOLTZMANN_MJ_K4_M2_D: Final = 4.903e-9
MM_PER_MJ_M2: Final = 0.408
ALBEDO: Final = 0.23
KELVIN: Final = 273.16

ASSUMED_ANNUAL_MM: Final = 560.0
"""Potential evaporation of a year where none is given: temperate lowland, common practice; the user replaces it."""
ASSUMED_SWING: Final = 0.8
"""Half-range of the assumed monthly sine as a share of its mean, highest at midsummer; common practice."""

SUNRISE_H, SUNSET_H = 6.0, 18.0
"""Hours between which a day's evaporation is spread as half a sine."""


def _sun_angles(latitude_deg: Floats | float, day_of_year: Floats | float) -> tuple[Floats, Floats, Floats]:
    """Latitude, declination and sunset hour angle in radians (eq. 22, 24, 25); day or night may be without end."""
    latitude = np.deg2rad(np.asarray(latitude_deg, dtype=np.float64))
    declination = 0.409 * np.sin(2.0 * np.pi * np.asarray(day_of_year) / 365.0 - 1.39)
    cosine = np.clip(-np.tan(latitude) * np.tan(declination), -1.0, 1.0)
    return latitude, declination, np.arccos(cosine)


def extraterrestrial_radiation(latitude_deg: Floats | float, day_of_year: Floats | float) -> Floats:
    """Return the radiation above the atmosphere on a day [MJ m-2 d-1] (eq. 21, 23)."""
    latitude, declination, sunset = _sun_angles(latitude_deg, day_of_year)
    distance = 1.0 + 0.033 * np.cos(2.0 * np.pi * np.asarray(day_of_year) / 365.0)
    height = sunset * np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.sin(sunset)
    return np.asarray(24.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * distance * height)


def daylight_hours(latitude_deg: Floats | float, day_of_year: Floats | float) -> Floats:
    """Return the longest possible sunshine of a day [h] (eq. 34)."""
    return np.asarray(24.0 / np.pi * _sun_angles(latitude_deg, day_of_year)[2])


def air_pressure(elevation_m: Floats | float) -> Floats:
    """Return the mean air pressure at an elevation [kPa] (eq. 7)."""
    return np.asarray(101.3 * ((293.0 - 0.0065 * np.asarray(elevation_m)) / 293.0) ** 5.26)


def psychrometric_constant(pressure_kpa: Floats | float) -> Floats:
    """Return gamma [kPa/C] (eq. 8)."""
    return np.asarray(0.665e-3 * np.asarray(pressure_kpa))


def saturation_pressure(temperature_c: Floats | float) -> Floats:
    """Return the saturation vapour pressure at a temperature [kPa] (eq. 11)."""
    celsius = np.asarray(temperature_c, dtype=np.float64)
    return np.asarray(0.6108 * np.exp(17.27 * celsius / (celsius + 237.3)))


def mean_saturation_pressure(tmax_c: Floats | float, tmin_c: Floats | float) -> Floats:
    """Return the mean of the saturation pressures at the day's extremes [kPa] (eq. 12)."""
    return 0.5 * (saturation_pressure(tmax_c) + saturation_pressure(tmin_c))


def saturation_slope(temperature_c: Floats | float) -> Floats:
    """Return the slope of the saturation pressure curve [kPa/C] (eq. 13)."""
    celsius = np.asarray(temperature_c, dtype=np.float64)
    return 4098.0 * saturation_pressure(celsius) / (celsius + 237.3) ** 2


def vapour_pressure_from_humidity(
    tmax_c: Floats | float, tmin_c: Floats | float, rh_max_percent: Floats | float, rh_min_percent: Floats | float
) -> Floats:
    """Return the actual vapour pressure from the extremes of relative humidity [kPa] (eq. 17)."""
    low = saturation_pressure(tmin_c) * np.asarray(rh_max_percent)
    high = saturation_pressure(tmax_c) * np.asarray(rh_min_percent)
    return np.asarray((low + high) / 200.0)


def vapour_pressure_from_psychrometer(
    wet_c: Floats | float, dry_c: Floats | float, pressure_kpa: Floats | float, coefficient: float = 0.000662
) -> Floats:
    """Return the actual vapour pressure from wet and dry bulbs [kPa] (eq. 15, 16; ventilated by default)."""
    return saturation_pressure(wet_c) - coefficient * np.asarray(pressure_kpa) * (np.asarray(dry_c) - np.asarray(wet_c))


def wind_at_2_m(speed_m_s: Floats | float, height_m: float) -> Floats:
    """Return the wind speed at 2 m from one measured higher up [m/s] (eq. 47)."""
    return np.asarray(np.asarray(speed_m_s) * 4.87 / np.log(67.8 * height_m - 5.42))


def solar_radiation_from_temperature(
    radiation_above: Floats | float, tmax_c: Floats | float, tmin_c: Floats | float, coefficient: float = 0.16
) -> Floats:
    """Return solar radiation from the day's temperatures [MJ m-2 d-1] (eq. 50; inland by default, coast 0.19)."""
    return np.asarray(coefficient * np.sqrt(np.asarray(tmax_c) - np.asarray(tmin_c)) * np.asarray(radiation_above))


def clear_sky_radiation(radiation_above: Floats | float, elevation_m: Floats | float) -> Floats:
    """Return solar radiation under a clear sky [MJ m-2 d-1] (eq. 37)."""
    return np.asarray((0.75 + 2e-5 * np.asarray(elevation_m)) * np.asarray(radiation_above))


@dataclass(frozen=True, slots=True)
class Weather:
    """Daily weather at a place; values or arrays of one shape.

    Temperatures in C, solar radiation in MJ m-2 d-1, wind at 2 m in m/s, actual vapour pressure in kPa.
    """

    tmax_c: Floats | float
    tmin_c: Floats | float
    solar_mj_m2: Floats | float
    wind_2_m_s: Floats | float
    vapour_kpa: Floats | float


def net_radiation(
    weather: Weather, radiation_above: Floats | float, elevation_m: Floats | float
) -> tuple[Floats, Floats]:
    """Return net radiation and net longwave radiation of the reference crop [MJ m-2 d-1] (eq. 38 to 40)."""
    clear = clear_sky_radiation(radiation_above, elevation_m)
    fourth = 0.5 * ((np.asarray(weather.tmax_c) + KELVIN) ** 4 + (np.asarray(weather.tmin_c) + KELVIN) ** 4)
    relative = np.minimum(np.asarray(weather.solar_mj_m2) / clear, 1.0)
    humid = 0.34 - 0.14 * np.sqrt(np.asarray(weather.vapour_kpa))
    longwave = STEFAN_BOLTZMANN_MJ_K4_M2_D * fourth * humid * (1.35 * relative - 0.35)
    return np.asarray((1.0 - ALBEDO) * np.asarray(weather.solar_mj_m2) - longwave), np.asarray(longwave)


def reference_evapotranspiration(
    weather: Weather, radiation_above: Floats | float, elevation_m: Floats | float
) -> Floats:
    """Return ETo of a day by the FAO Penman-Monteith equation [mm/day] (eq. 6; no heat flux into the soil)."""
    mean = 0.5 * (np.asarray(weather.tmax_c) + np.asarray(weather.tmin_c))
    slope = saturation_slope(mean)
    gamma = psychrometric_constant(air_pressure(elevation_m))
    deficit = mean_saturation_pressure(weather.tmax_c, weather.tmin_c) - np.asarray(weather.vapour_kpa)
    net, _ = net_radiation(weather, radiation_above, elevation_m)
    wind = np.asarray(weather.wind_2_m_s)
    energy = MM_PER_MJ_M2 * slope * net
    return np.asarray(
        (energy + gamma * 900.0 / (mean + 273.0) * wind * deficit) / (slope + gamma * (1.0 + 0.34 * wind))
    )


def evapotranspiration_from_temperature(
    tmax_c: Floats | float, tmin_c: Floats | float, radiation_above: Floats | float
) -> Floats:
    """Return ETo of a day from its extremes of temperature [mm/day] (eq. 52, Hargreaves)."""
    highest, lowest = np.asarray(tmax_c), np.asarray(tmin_c)
    spread = np.sqrt(np.maximum(highest - lowest, 0.0))
    water = MM_PER_MJ_M2 * np.asarray(radiation_above)
    return np.maximum(0.0023 * (0.5 * (highest + lowest) + 17.8) * spread * water, 0.0)


def daily_from_temperature(temperature: pd.DataFrame, latitude_deg: float) -> pd.Series:
    """Return potential evaporation of each day from its extremes of temperature.

    Parameters
    ----------
    temperature : DataFrame
        Index of days, columns ``tmax_c`` and ``tmin_c``.
    latitude_deg : float
        North positive.

    Returns
    -------
    Series [mm/day]
        As ``Inputs.evaporation``; NaN where a temperature is unknown.
    """
    days = pd.DatetimeIndex(temperature.index).day_of_year.to_numpy(dtype=np.float64)
    above = extraterrestrial_radiation(latitude_deg, days)
    highest, lowest = (temperature[name].to_numpy(dtype=np.float64) for name in ("tmax_c", "tmin_c"))
    return pd.Series(evapotranspiration_from_temperature(highest, lowest, above), index=temperature.index)


def latitude_of(grid: Grid) -> float:
    """Return the latitude of a grid's middle [degrees, north positive]."""
    left, bottom, right, top = grid.bounds
    to_degrees = Transformer.from_crs(grid.crs, 4326, always_xy=True)
    return float(to_degrees.transform(0.5 * (left + right), 0.5 * (bottom + top))[1])


def assumed_months(*, is_northern: bool = True) -> Floats:
    """Return the assumed potential evaporation of each month [mm/day]: a sine with its top at the end of June.

    It is an assumption for want of data, and is named as such wherever it is used.
    """
    month = np.arange(12) + 0.5
    phase = 3.0 if is_northern else 9.0
    return ASSUMED_ANNUAL_MM / 365.25 * (1.0 + ASSUMED_SWING * np.sin(2.0 * np.pi * (month - phase) / 12.0))


def potential_of_steps(
    evaporation: pd.Series | pd.DataFrame | None,
    times: pd.DatetimeIndex,
    step_h: float,
    run: Run,
    latitude_deg: float | None = None,
) -> Floats:
    """Return the potential evaporation of each step of a rain series.

    Parameters
    ----------
    evaporation : Series [mm/day], DataFrame [C] or None
        As ``Inputs.evaporation``: twelve months, or days, or the extremes of temperature of days. None: the monthly
        sine, noted as an assumption.
    times : DatetimeIndex
        Start of each step.
    step_h : float [h]
        Length of the steps.
    run : Run
        Takes the note.
    latitude_deg : float, optional
        North positive. Where it is unknown the northern hemisphere is assumed, and said.

    Returns
    -------
    (steps,) float64 [mm]
        A day's depth is spread over its hours as half a sine between sunrise and sunset, hours 6 and 18.

    Raises
    ------
    ValueError
        When temperatures are given without a latitude.
    """
    months = assumed_months(is_northern=latitude_deg is None or latitude_deg >= 0.0)
    if isinstance(evaporation, pd.DataFrame):
        if latitude_deg is None:
            raise ValueError("evaporation from temperature needs a latitude")
        run.note(_from_temperature())
        evaporation = daily_from_temperature(evaporation, latitude_deg)
    if evaporation is None:
        run.note(_assumption(latitude_deg))
        daily = months[times.month.to_numpy() - 1]
    elif isinstance(evaporation.index, pd.DatetimeIndex):
        daily = _from_days(evaporation, times, months, run)
    else:
        daily = evaporation.reindex(range(1, 13)).to_numpy(dtype=np.float64)[times.month.to_numpy() - 1]
    return np.maximum(daily, 0.0) * _share_of_day(times, step_h)


def _share_of_day(times: pd.DatetimeIndex, step_h: float) -> Floats:
    """Share of the day's evaporation that falls into each step; the shares of a day sum to 1."""
    hour = (times - times.normalize()).total_seconds().to_numpy() / 3600.0
    begin = np.clip(hour, SUNRISE_H, SUNSET_H)
    end = np.clip(hour + step_h, SUNRISE_H, SUNSET_H)
    turn = np.pi / (SUNSET_H - SUNRISE_H)
    return np.asarray(0.5 * (np.cos((begin - SUNRISE_H) * turn) - np.cos((end - SUNRISE_H) * turn)))


def _from_days(evaporation: pd.Series, times: pd.DatetimeIndex, assumed: Floats, run: Run) -> Floats:
    """Look each step's day up; days not given take the mean of their month in the days that are."""
    index = pd.DatetimeIndex(evaporation.index)
    by_day = pd.Series(evaporation.to_numpy(dtype=np.float64)).groupby(_day_number(index)).mean()
    found = by_day.reindex(_day_number(times)).to_numpy(dtype=np.float64)
    missing = np.isnan(found)
    if missing.any():
        months = pd.Series(evaporation.to_numpy(dtype=np.float64)).groupby(index.month.to_numpy()).mean()
        filled = months.reindex(range(1, 13)).to_numpy(dtype=np.float64)
        filled = np.where(np.isnan(filled), assumed, filled)
        found = np.where(missing, filled[times.month.to_numpy() - 1], found)
        run.note(
            DataIssue(
                severity="repair",
                code="evaporation_days_missing",
                role="evaporation",
                message=f"potential evaporation is not given for {missing.mean():.1%} of the rain series; "
                "the mean of the month is used there",
                cure="Give potential evaporation for the same days as the rain, or one value for each month.",
            )
        )
    return found


def _day_number(index: pd.DatetimeIndex) -> NDArray[np.int64]:
    """Days since 1970 of each time, whatever its time zone."""
    naive = index.tz_localize(None) if index.tz is not None else index
    return naive.to_numpy().astype("datetime64[D]").astype(np.int64)


def _from_temperature() -> DataIssue:
    """Say that potential evaporation is worked out from temperature."""
    return DataIssue(
        severity="note",
        code="evaporation_from_temperature",
        role="evaporation",
        message="potential evaporation is worked out from the days' extremes of temperature (FAO-56, eq. 52)",
        cure="Give potential evaporation in mm/day where it is known.",
    )


def _assumption(latitude_deg: float | None) -> DataIssue:
    """Say that potential evaporation is assumed."""
    half = "southern" if latitude_deg is not None and latitude_deg < 0.0 else "northern"
    return DataIssue(
        severity="unknown",
        code="evaporation_assumed",
        role="evaporation",
        message=f"no potential evaporation is given: a monthly sine of {ASSUMED_ANNUAL_MM:g} mm a year is assumed "
        f"(temperate lowland, {half} hemisphere)",
        cure="Give monthly or daily potential evaporation in mm/day.",
    )

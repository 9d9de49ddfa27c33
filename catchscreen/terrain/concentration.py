"""Time of concentration of a sub-catchment by published methods.

References
----------
Kirpich, Z. P. (1940). Time of concentration of small agricultural watersheds. Civil Engineering 10 (6), 362.
NRCS (1986). Urban hydrology for small watersheds, TR-55, chapter 3.
NRCS (2010). National Engineering Handbook, part 630, chapter 15.
Bransby Williams, G. (1922). Flood discharge and the dimensions of spillways in India. The Engineer 134, 321-322 (the
metric form used here is from memory of later handbooks).
FHWA (2009). Urban drainage design manual, HEC-22, equation 3-3.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.units import MM_PER_INCH

Floats = NDArray[np.float64]

METHODS: Final = ("kirpich", "velocity", "nrcs_lag", "bransby_williams")

FLATTEST: Final = 0.0005
"""Slopes below this count as this: the formulas were fitted to ground that falls."""

FOOT_M: Final = 0.3048
MINUTES: Final = 60.0
SHEET_LONGEST_M: Final = 30.0
PAVED_FT_S: Final = 20.3282
UNPAVED_FT_S: Final = 16.1345


def kirpich_min(length_m: Floats, slope: Floats) -> Floats:
    """Return 0.0195 L^0.77 S^-0.385 [min], L in m and S in m/m (Kirpich 1940, metric form as in NEH 630.15)."""
    return 0.0195 * length_m**0.77 * np.maximum(slope, FLATTEST) ** -0.385


def nrcs_lag_min(length_m: Floats, slope: Floats, curve_number: float) -> Floats:
    """Return the time of concentration [min] from the watershed lag (NEH 630 ch. 15 eq. 15-4), Tc = lag / 0.6."""
    length_ft = length_m / FOOT_M
    storage_in = 1000.0 / curve_number - 10.0
    slope_percent = 100.0 * np.maximum(slope, FLATTEST)
    lag_h = length_ft**0.8 * (storage_in + 1.0) ** 0.7 / (1900.0 * slope_percent**0.5)
    return lag_h / 0.6 * MINUTES


def sheet_flow_min(length_m: Floats, slope: Floats, roughness: float, two_year_day_mm: float) -> Floats:
    """Return the travel time [min] of sheet flow, 0.007 (nL)^0.8 / (P2^0.5 s^0.4), feet, inches (TR-55 eq. 3-3)."""
    length_ft = length_m / FOOT_M
    rain_in = two_year_day_mm / MM_PER_INCH
    hours = 0.007 * (roughness * length_ft) ** 0.8 / (rain_in**0.5 * np.maximum(slope, FLATTEST) ** 0.4)
    return hours * MINUTES


def kinematic_sheet_min(length_m: Floats, slope: Floats, roughness: float, rain_mm_h: float) -> Floats:
    """Return 6.92 (nL)^0.6 / (i^0.4 S^0.3) [min], m and mm/h (HEC-22 eq. 3-3)."""
    return 6.92 * (roughness * length_m) ** 0.6 / (rain_mm_h**0.4 * np.maximum(slope, FLATTEST) ** 0.3)


def shallow_velocity_m_s(slope: Floats, feet_per_second: float = PAVED_FT_S) -> Floats:
    """Return the velocity of shallow concentrated flow, k s^0.5 with k in ft/s (TR-55 appendix F)."""
    return feet_per_second * FOOT_M * np.sqrt(np.maximum(slope, FLATTEST))


def channel_velocity_m_s(hydraulic_radius_m: Floats, slope: Floats, roughness: float) -> Floats:
    """Return the velocity of flow in a channel after Manning, r^(2/3) s^(1/2) / n (TR-55 eq. 3-4), metres."""
    return hydraulic_radius_m ** (2.0 / 3.0) * np.sqrt(np.maximum(slope, FLATTEST)) / roughness


def velocity_min(length_m: Floats, slope: Floats, roughness: float, two_year_day_mm: float) -> Floats:
    """Return the travel time [min]: sheet flow over the first 30 m, then shallow flow on paved ground (TR-55)."""
    sheet_m = np.minimum(length_m, SHEET_LONGEST_M)
    rest_min = (length_m - sheet_m) / shallow_velocity_m_s(slope) / MINUTES
    return sheet_flow_min(sheet_m, slope, roughness, two_year_day_mm) + rest_min


def bransby_williams_min(length_m: Floats, slope: Floats, area_m2: Floats) -> Floats:
    """Return 58.5 L / (A^0.1 S^0.2) [min], L in km, A in km2, S in m/km (from memory of handbooks)."""
    slope_m_km = 1000.0 * np.maximum(slope, FLATTEST)
    return 58.5 * (length_m / 1000.0) / (np.maximum(area_m2 / 1e6, 1e-9) ** 0.1 * slope_m_km**0.2)

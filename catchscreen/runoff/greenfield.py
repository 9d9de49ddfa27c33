"""Greenfield runoff rate by published regression, only where the user confirms that it holds.

References
----------
Institute of Hydrology, Flood estimation for small catchments, Report 124, 1994. Areas below 50 ha are taken at 50 ha
and scaled by area (Interim code of practice for sustainable drainage, 2004, as quoted in flood risk assessments).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from catchscreen.options import RunoffOptions

SMALLEST_HA: Final = 50.0


@dataclass(frozen=True, slots=True)
class GreenfieldRate:
    """Mean annual flood of undeveloped ground, or the reason why it is unknown.

    rate_l_s_ha : NaN where unknown. growth : return period in years -> rate [l/s/ha], for the factors that the user
    gave.
    """

    rate_l_s_ha: float
    growth: dict[float, float] = field(default_factory=dict)
    reason: str = ""


def mean_annual_flood_l_s(area_ha: float, annual_rain_mm: float, soil_index: float) -> float:
    """Mean annual flood [l/s]: 0.00108 A^0.89 SAAR^1.17 SOIL^2.17 (m3/s, km2, mm), with the 50 ha rule."""
    area_km2 = max(area_ha, SMALLEST_HA) / 100.0
    flood = 1080.0 * area_km2**0.89 * annual_rain_mm**1.17 * soil_index**2.17 / 1000.0
    return flood * min(area_ha / SMALLEST_HA, 1.0)


def greenfield_rate(area_ha: float, options: RunoffOptions) -> GreenfieldRate:
    """Return the rate for an area, or unknown with the reason.

    Parameters
    ----------
    area_ha : above zero. options : annual_rain_mm, soil_index, growth_factors and the user's word that the formula
    applies.
    """
    unknown = float("nan")
    if not options.greenfield_formula_applies:
        return GreenfieldRate(unknown, reason="not confirmed that the regression applies here")
    if options.annual_rain_mm is None or options.soil_index is None:
        return GreenfieldRate(unknown, reason="annual_rain_mm and soil_index are needed")
    rate = mean_annual_flood_l_s(area_ha, options.annual_rain_mm, options.soil_index) / area_ha
    growth = {float(period): rate * factor for period, factor in options.growth_factors.items()}
    return GreenfieldRate(rate, dict(sorted(growth.items())))

"""Greenfield runoff rate by published regression, only where the user confirms that it holds.

References
----------
Institute of Hydrology, Flood estimation for small catchments, Report 124, 1994. Areas below 50 ha are taken at 50 ha
and scaled by area (Interim code of practice for sustainable drainage, 2004, as quoted in flood risk assessments).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import pandas as pd

from catchscreen.options import RunoffOptions

SMALLEST_HA: Final = 50.0
SMALL_UNITS: Final = f"each up to {SMALLEST_HA:g} ha"
"""Below 50 ha the rate over the area is the same for all: one row serves every parcel."""


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


def tabulate_rates(areas_ha: pd.DataFrame, options: RunoffOptions) -> pd.DataFrame:
    """Make the table of rates: for parcels up to 50 ha together, and for each larger unit given.

    Parameters
    ----------
    areas_ha : level, unit_id, area_ha.

    Returns
    -------
    One row for the mean annual flood (return period NaN) and one for each growth factor; where the rate is unknown, one
    row for each unit with the reason.
    """
    units = [("parcel", SMALL_UNITS, SMALLEST_HA)]
    columns = (areas_ha[name].tolist() for name in ("level", "unit_id", "area_ha"))
    units += [(level, unit, area) for level, unit, area in zip(*columns, strict=True) if area > 0.0]
    rows: list[tuple[str, str, float, float, float, float, str]] = []
    for level, unit, area in units:
        found = greenfield_rate(area, options)
        total = float("nan") if unit == SMALL_UNITS else area
        periods = {float("nan"): found.rate_l_s_ha, **found.growth}
        rows += [(level, unit, total, period, rate, rate * total, found.reason) for period, rate in periods.items()]
    names = ["level", "unit_id", "area_ha", "return_period_years", "rate_l_s_ha", "rate_l_s", "reason"]
    return pd.DataFrame(rows, columns=names)

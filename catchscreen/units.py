"""Conversions between the units of the trade, each named for both ends.

Depths in mm, areas in m2, volumes in m3, rates in mm/h or m/s, flows in l/s. One millimetre on one square metre is one
litre.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeVar

if TYPE_CHECKING:  # options read a factor here, and must be quick to import
    import numpy as np
    from numpy.typing import NDArray

FloatLike = TypeVar("FloatLike", float, "NDArray[np.float64]")

TICKS_PER_M: Final = 10_000
"""Ground levels are held in whole ticks of 0.1 mm: comparisons, ties and volumes are then exact."""

MM_PER_M: Final = 1000.0
MM_PER_INCH: Final = 25.4
SECONDS_PER_HOUR: Final = 3600.0
MM_H_PER_M_S: Final = MM_PER_M * SECONDS_PER_HOUR
L_S_HA_PER_MM_H: Final = 10_000.0 / SECONDS_PER_HOUR
"""1 mm/h is 2.78 l/s from a hectare."""
M2_PER_HA: Final = 10_000.0
L_PER_M3: Final = 1000.0


def mm_h_from_m_s(rate_m_s: FloatLike) -> FloatLike:
    """Turn an infiltration rate in m/s into mm/h (a factor of 3.6 million)."""
    return rate_m_s * MM_H_PER_M_S


def m_s_from_mm_h(rate_mm_h: FloatLike) -> FloatLike:
    """Turn a rate in mm/h into m/s."""
    return rate_mm_h / MM_H_PER_M_S


def m3_from_mm_over_m2(depth_mm: FloatLike, area_m2: FloatLike) -> FloatLike:
    """Turn a depth in mm over an area in m2 into a volume in m3."""
    return depth_mm * area_m2 / MM_PER_M


def l_s_from_m3_per_hours(volume_m3: FloatLike, duration_h: float) -> FloatLike:
    """Turn a volume in m3 that passes within some hours into a mean flow in l/s."""
    return volume_m3 * L_PER_M3 / (duration_h * SECONDS_PER_HOUR)

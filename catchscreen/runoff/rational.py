"""Peaks by the rational formula: a check beside the routed peaks, never a result of their own.

References
----------
Q = C i A / 360 (m3/s, mm/h, ha). Modified rational method of the Wallingford procedure, 1981: Q (l/s) = 2.78 Cv Cr i A.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LARGEST_HA: Final = 80.0
"""Above this the formula is refused: rain and travel are no longer uniform enough."""


def rational_peak_m3_s(coefficient: float, intensity_mm_h: float, area_ha: float) -> float:
    """Peak by the rational formula.

    Raises
    ------
    ValueError
        Above 80 ha.
    """
    if area_ha > LARGEST_HA:
        raise ValueError(f"the rational formula is not used above {LARGEST_HA:g} ha (asked for {area_ha:g} ha)")
    return coefficient * intensity_mm_h * area_ha / 360.0


def modified_rational_peak_l_s(
    runoff_coefficient: float, routing_coefficient: float, intensity_mm_h: float, area_ha: float
) -> float:
    """Peak by the modified rational formula, over the impermeable area.

    Raises
    ------
    ValueError
        Above 80 ha.
    """
    return rational_peak_m3_s(runoff_coefficient * routing_coefficient, intensity_mm_h, area_ha) * 1000.0


def weighted_coefficient(coefficients: Floats, areas: Floats) -> float:
    """Area-weighted runoff coefficient."""
    return float((coefficients * areas).sum() / areas.sum())


def greatest_intensity_mm_h(depths_mm: Floats, step_min: float, window_min: float) -> float:
    """Greatest mean intensity over a window anywhere in a storm; a window longer than the storm counts its dry time."""
    steps = max(window_min / step_min, 1.0)
    cumulative = np.concatenate([[0.0], np.cumsum(depths_mm)])
    at = np.arange(cumulative.size, dtype=np.float64)
    later = np.interp(at + steps, at, cumulative)
    earlier = np.interp(at - steps, at, cumulative)
    greatest = max(float((later - cumulative).max()), float((cumulative - earlier).max()))
    return greatest / (steps * step_min / 60.0)

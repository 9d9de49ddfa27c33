"""The curve-number method: retention, runoff, antecedent states, and curve numbers by cover and hydrologic group.

References
----------
Natural Resources Conservation Service, Urban Hydrology for Small Watersheds, TR-55, 1986, chapter 2.
Hawkins, Hjelmfelt and Zevenbergen, Runoff probability, storm depth and curve numbers, 1985 (antecedent states; from
memory). Hawkins et al., Curve Number Hydrology, 2009 (conversion to the 0.05 abstraction ratio).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from catchscreen.units import MM_PER_INCH

Floats = NDArray[np.float64]

GROUPS: Final = ("A", "B", "C", "D")

PERVIOUS: Final[dict[str, tuple[float, float, float, float]]] = {
    "garden": (49.0, 69.0, 79.0, 84.0),
    "grass": (39.0, 61.0, 74.0, 80.0),
    "woodland": (36.0, 60.0, 73.0, 79.0),
    "bare_soil": (77.0, 86.0, 91.0, 94.0),
    "gravel": (76.0, 85.0, 89.0, 91.0),
}
"""TR-55 tables 2-2a and (woodland, from memory) 2-2c: open space fair and good, woods fair, newly graded, gravel."""

OPEN_SPACE_FAIR: Final = PERVIOUS["garden"]
IMPERMEABLE: Final = 98.0


def retention_mm(curve_number: ArrayLike, abstraction_ratio: float = 0.2) -> Floats:
    """Potential retention S [mm] of a curve number (0 to 100).

    For a ratio of 0.05 the retention is converted: S0.05 = 1.33 S0.20^1.15, in inches.
    """
    number = np.asarray(curve_number, np.float64)
    retention = 25_400.0 / number - 254.0
    if abstraction_ratio == 0.05:
        retention = 1.33 * (retention / MM_PER_INCH) ** 1.15 * MM_PER_INCH
    return np.asarray(retention, np.float64)


def runoff_mm(rain_mm: ArrayLike, curve_number: ArrayLike, abstraction_ratio: float = 0.2) -> Floats:
    """Runoff depth [mm] of a whole storm: (P - Ia)^2 / (P - Ia + S) for P above Ia = ratio times S."""
    retention = retention_mm(curve_number, abstraction_ratio)
    over = np.maximum(np.asarray(rain_mm, np.float64) - abstraction_ratio * retention, 0.0)
    below = over + retention
    return np.divide(over * over, below, out=np.zeros(np.broadcast(over, below).shape), where=below > 0.0)


def antecedent_number(curve_number: ArrayLike, antecedent: str) -> Floats:
    """Curve number for a dry or baked (condition I), normal (II) or wet (III) state before the storm."""
    number = np.asarray(curve_number, np.float64)
    if antecedent in ("dry", "baked"):
        return np.asarray(number / (2.281 - 0.01281 * number), np.float64)
    if antecedent == "wet":
        return np.asarray(number / (0.427 + 0.00573 * number), np.float64)
    return number


def pervious_number(cover_class: str, group: str) -> float:
    """Curve number of the pervious part of a cover class; open space in fair condition where the class says nothing."""
    return PERVIOUS.get(cover_class, OPEN_SPACE_FAIR)[GROUPS.index(group)]


def composite_number(pervious: float, impermeable_fraction: float, unconnected_fraction: float = 0.0) -> float:
    """Composite curve number by TR-55 figures 2-3 and 2-4. A reference for checks: no stage uses it.

    Weighting numbers understates small storms, so the stages weight runoff instead. ``unconnected_fraction`` is the
    share of the impermeable area that does not drain directly; from 30 % impermeable it no longer matters.
    """
    relief = 1.0 - 0.5 * unconnected_fraction if impermeable_fraction < 0.3 else 1.0
    return pervious + impermeable_fraction * (IMPERMEABLE - pervious) * relief

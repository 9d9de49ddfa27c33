"""What the soil's rate and the wetness before a storm leave open: each store at its low and its high end.

The ends of the infiltration rate are those of the soil map or the test. The wetness of a substrate before a storm is a
low end of none of its water free (a wet winter's day) and a high end of what summer days leave free.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.records import Stores
from catchscreen.runoff.stores import take_stores

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bound = Literal["low", "high"]
BOUNDS: Final[tuple[Bound, ...]] = ("low", "high")

SUMMER_FREE_MM: Final = 12.0
"""Water free in a substrate before a summer storm: 8 to 15 mm on the median for 80 mm of substrate (from memory)."""
RANGE_YEARS: Final = 2
"""Account years that low and high rates are run through; the shift against the store's own rate is what counts."""


def soil_factor(stores: Stores, bound: Bound) -> Floats:
    """Return the rate at one end of the soil's range over the store's own, 1 where none is known: (n,)."""
    end = stores.soak_low_mm_h if bound == "low" else stores.soak_high_mm_h
    own = stores.soak_design_mm_h
    if end is None:
        return np.ones(own.size)
    factor = np.divide(end, own, out=np.ones(own.size), where=own > 0.0)
    return np.asarray(np.where(np.isfinite(factor), factor, 1.0))


def open_to_soil(stores: Stores) -> Ints:
    """Return the stores whose rate has a range: (m,)."""
    return np.flatnonzero((soil_factor(stores, "low") != 1.0) | (soil_factor(stores, "high") != 1.0))


def open_to_storm(stores: Stores) -> Ints:
    """Return the stores whose storms have a range, by their rate or by a substrate: (m,)."""
    by_rate = np.zeros(len(stores.store_id), dtype=bool)
    by_rate[open_to_soil(stores)] = True
    return np.flatnonzero(by_rate | (stores.substrate_mm > 0.0))


def at_bound(stores: Stores, rows: Ints, bound: Bound) -> Stores:
    """Return chosen stores at one end of their soil's rate and of the wetness before a storm."""
    chosen = take_stores(stores, rows)
    factor = soil_factor(stores, bound)[rows]
    free = 0.0 if bound == "low" else SUMMER_FREE_MM
    room = np.divide(free, chosen.substrate_mm, out=np.zeros(rows.size), where=chosen.substrate_mm > 0.0)
    start = np.maximum(1.0 - room, 0.0)
    start = np.maximum(start, chosen.substrate_start_fraction) if bound == "low" else start
    start = np.minimum(start, chosen.substrate_start_fraction) if bound == "high" else start
    return replace(
        chosen,
        soak_design_mm_h=chosen.soak_design_mm_h * factor,
        soak_mean_mm_h=chosen.soak_mean_mm_h * factor,
        substrate_start_fraction=start,
    )


def last_years(rain_series: pd.Series) -> pd.Series:
    """Return the end of a rain series: a warm-up year and ``RANGE_YEARS`` more, or all of a shorter one."""
    end = rain_series.index[-1]
    return rain_series[rain_series.index > end - pd.DateOffset(years=RANGE_YEARS + 1, days=1)]

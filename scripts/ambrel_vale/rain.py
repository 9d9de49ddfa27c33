"""Rain and evaporation: the invented table, twelve years of hours, and what the series must hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ambrel_vale.frame import Array, require, stream

RETURN_PERIODS = (2, 5, 30, 100)
TABLE = {
    15: (7.5, 11.0, 17.0, 22.0),
    30: (10.0, 15.0, 23.0, 30.0),
    60: (13.0, 19.0, 30.0, 38.0),
    180: (19.0, 27.0, 41.0, 51.0),
    360: (25.0, 34.0, 50.0, 62.0),
    1440: (38.0, 50.0, 71.0, 88.0),
}
"""Depth [mm] by duration [min] for 1-in-2, 5, 30 and 100 years."""

ANNUAL_MM = 905.0
FIRST, LAST = "2012-01-01", "2023-12-31T23:00"
EVAPORATION_MM = (12.0, 18.0, 36.0, 56.0, 80.0, 92.0, 96.0, 78.0, 48.0, 24.0, 12.0, 8.0)
"""Potential evaporation by month [mm]; 560 in the year."""

FLOODS = {"2014-07-19T16": ((6, 11, 175, 45, 12), 1.30), "2021-06-28T18": ((14, 158, 96, 25, 8), 1.24)}
"""The two storms of the record: shape by hour in tenths of a millimetre, and their size against the 1-in-5 depth."""


@dataclass(frozen=True)
class Event:
    """A storm of the series: when, and its greatest share of the 1-in-5 and of the 1-in-30 depth over any duration."""

    start: pd.Timestamp
    share_of_5: float
    share_of_30: float


def hours() -> pd.DatetimeIndex:
    """Return the hours of the series."""
    return pd.date_range(FIRST, LAST, freq="h", tz="UTC")


def shares(tenths: NDArray[np.int64], column: int) -> Array:
    """Return for each hour the greatest share that any duration ending there has of the table's depth."""
    total = np.concatenate([[0], np.cumsum(tenths)]) / 10.0
    best = np.zeros(len(tenths))
    for minutes in (60, 180, 360, 1440):
        n = minutes // 60
        depth = np.zeros(len(tenths))
        depth[n - 1 :] = total[n:] - total[:-n]
        best = np.maximum(best, depth / TABLE[minutes][column])
    return best


def events_above_five(tenths: NDArray[np.int64]) -> list[Event]:
    """Return the storms that reach the 1-in-5 depth over some duration; hours within two days belong together."""
    five, thirty = shares(tenths, 1), shares(tenths, 2)
    over = np.flatnonzero(five >= 1.0)
    groups = np.split(over, np.flatnonzero(np.diff(over) > 48) + 1) if len(over) else []
    when = hours()
    return [Event(when[g[0]], float(five[g].max()), float(thirty[g].max())) for g in groups]


def showers(rng: np.random.Generator) -> NDArray[np.int64]:
    """Return ordinary weather [0.1 mm an hour]: clusters of showers, heavier in summer, longer in winter."""
    when = hours()
    depth = np.zeros(len(when))
    at = 0
    while at < len(when):
        summer = 0.5 - 0.5 * np.cos(2 * np.pi * (when[at].day_of_year - 15) / 365.25)
        at += 1 + int(rng.exponential(58.0 - 8.0 * (1 - summer)))
        length = 2 + int(rng.exponential(11.0 - 6.0 * summer))
        rate = rng.gamma(0.9, 0.85 + 0.75 * summer)
        for k in range(length):
            if at + k < len(when) and rng.random() < 0.66:
                depth[at + k] += rate * rng.gamma(0.8, 1.0) * np.sin(np.pi * (k + 0.7) / (length + 0.4))
        at += length
    return np.round(depth * 10).astype(np.int64)


def series() -> NDArray[np.int64]:
    """Return hourly rain of twelve years in tenths of a millimetre."""
    rng = stream("rain")
    tenths = showers(rng)
    when = hours()
    quiet = np.ones(len(when), dtype=bool)
    for stamp in FLOODS:
        start = when.get_loc(pd.Timestamp(stamp, tz="UTC"))
        tenths[start - 30 : start + 40] = 0
        quiet[start - 60 : start + 70] = False
    target = round(ANNUAL_MM * 12 * 10)
    flood_total = _plant_floods(tenths, when)
    for _ in range(12):
        free = quiet & (tenths > 0)
        factor = (target - flood_total) / tenths[free].sum()
        tenths[free] = np.maximum(1, np.round(tenths[free] * factor)).astype(np.int64)
        _calm(tenths, quiet)
    spare = target - int(tenths.sum())
    places = np.flatnonzero(quiet & (tenths >= 3) & (tenths < 30))
    chosen = rng.choice(places, abs(spare), replace=abs(spare) > len(places))
    np.add.at(tenths, chosen, int(np.sign(spare)))
    return tenths


def _plant_floods(tenths: NDArray[np.int64], when: pd.DatetimeIndex) -> int:
    total = 0
    for stamp, (shape, size) in FLOODS.items():
        start = when.get_loc(pd.Timestamp(stamp, tz="UTC"))
        plain = np.array(shape, dtype=np.int64)
        lone = np.zeros(80, dtype=np.int64)
        lone[30 : 30 + len(plain)] = plain
        scaled = np.round(plain * size / shares(lone, 1).max()).astype(np.int64)
        tenths[start : start + len(plain)] = scaled
        total += int(scaled.sum())
    return total


def _calm(tenths: NDArray[np.int64], quiet: NDArray[np.bool_]) -> None:
    """Ease, outside the two floods, every storm that comes within a tenth of the 1-in-5 depth."""
    for _ in range(30):
        share = shares(tenths, 1)
        high = np.flatnonzero((share > 0.88) & quiet)
        if not len(high):
            return
        worst = high[np.argmax(share[high])]
        span = slice(max(0, worst - 23), worst + 1)
        tenths[span] = np.floor(tenths[span] * 0.84 / share[worst]).astype(np.int64)


def assert_rain(tenths: NDArray[np.int64]) -> list[Event]:
    """Assert the series against the figures of the invented record and return its two storms."""
    require("hours of the series", len(tenths), len(hours()), len(hours()))
    require("least rain of an hour [0.1 mm]", int(tenths.min()), 0, 0)
    require("rain in a year [mm]", float(tenths.sum()) / 120.0, ANNUAL_MM - 0.5, ANNUAL_MM + 0.5)
    found = events_above_five(tenths)
    require("storms that reach 1-in-5", len(found), 2, 2)
    for event in found:
        require(f"share of the 1-in-30 depth on {event.start:%Y-%m-%d}", event.share_of_30, 0.0, 0.999)
    require("potential evaporation in a year [mm]", sum(EVAPORATION_MM), 559.999, 560.001)
    return found

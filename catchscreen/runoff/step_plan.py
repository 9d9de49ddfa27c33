"""From a rain series to the steps that the continuous run executes, with the events and days marked on them.

Wet steps and those within 2 h after rain are cut to about 10 minutes, dry ones stay whole. Events are parted by 6 h
without rain. Marks say where the account starts, where an event starts, where its first rain has fallen, where a day or
a year ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.runoff import _store_kernels as k

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LONG, SHORT = 0, 1
"""Numbers of the parameter sets for whole and for cut steps."""
TAIL_H: Final = 2.0
"""Hours after rain that are still cut: outlets run hardest then."""
SHORT_STEP_H: Final = 1.0 / 6.0
"""Length that wet steps are cut to, where the series is not finer."""
DRY_GAP_H: Final = 6.0
"""Hours without rain that part two events."""
FIRST_RAIN_MM: Final = 5.0
"""The rain of each event that should leave no runoff."""
LEAST_EVENT_MM: Final = 1.0
"""Events of less rain are not judged: they would pass anywhere (our choice)."""
SUMMER_MONTHS: Final = (5, 6, 7, 8, 9, 10)
"""Months of the northern summer half-year; the others are the southern one."""


@dataclass(frozen=True, slots=True)
class StepPlan:
    """The steps to execute.

    rain_mm, potential_mm, length_h : (steps,) float64. source : (steps,) int64 row of the parameter set. mark :
    (steps,) int64. long_h, short_h : the two step lengths. start : first step of the account. years : whole years of
    the account. events, summer_events, winter_events : events of the account, and those whose first rain is judged.
    """

    rain_mm: Floats
    potential_mm: Floats
    length_h: Floats
    source: Ints
    mark: Ints
    long_h: float
    short_h: float
    start: int
    years: int
    events: int
    summer_events: int
    winter_events: int

    def drivers(self, scale: float = 1.0) -> Floats:
        """Return rain (times a factor), potential evaporation and length of each step: (steps, 3)."""
        return np.column_stack([self.rain_mm * scale, self.potential_mm, self.length_h])

    def plan(self) -> Ints:
        """Return parameter set and mark of each step: (steps, 2)."""
        return np.column_stack([self.source, self.mark])


def whole_years(times: pd.DatetimeIndex, step_h: float) -> tuple[int, int, list[int]]:
    """Return the number of whole years after the first, the step where they start, and where each of them ends.

    The first year warms the stores up and is left out. A year ends where the same date comes again.
    """
    end = times[-1] + pd.Timedelta(hours=step_h)
    begin = times[0] + pd.DateOffset(years=1)
    ends: list[int] = []
    while begin + pd.DateOffset(years=len(ends) + 1) <= end:
        ends.append(int(times.searchsorted(begin + pd.DateOffset(years=len(ends) + 1))))
    return len(ends), int(times.searchsorted(begin)), ends


def short_steps(rain_mm: Floats, step_h: float) -> tuple[NDArray[np.bool_], int]:
    """Return which steps are cut, those with rain and within 2 h after it, and into how many pieces."""
    return _since_rain(rain_mm) * step_h <= TAIL_H, max(1, round(step_h / SHORT_STEP_H))


def plan_steps(
    times: pd.DatetimeIndex, rain_mm: Floats, potential_mm: Floats, step_h: float, *, is_northern: bool = True
) -> StepPlan:
    """Cut a series of even steps into those to execute, and mark them.

    Parameters
    ----------
    times : DatetimeIndex
        Start of each step.
    rain_mm, potential_mm : (steps,) float64 [mm]
        Without gaps.
    step_h : float [h]
        Length of the steps.
    is_northern : bool
        Whether May to October are summer.

    Returns
    -------
    StepPlan

    Raises
    ------
    ValueError
        When the series has no whole year after the first.
    """
    years, start, ends = whole_years(times, step_h)
    if years == 0:
        raise ValueError("the rain series has no whole year after its first, which warms the stores up")
    count = ends[-1]
    rain, potential = rain_mm[:count], potential_mm[:count]
    is_short, pieces = short_steps(rain, step_h)
    cut = np.where(is_short, pieces, 1)
    first = np.concatenate([[0], np.cumsum(cut)])
    parent = np.repeat(np.arange(count), cut)
    mark = np.zeros(parent.size, dtype=np.int64)
    mark[first[start]] |= k.MARK_START
    days = times[:count].normalize()
    day_ends = np.flatnonzero(np.append(days[1:] != days[:-1], True))
    mark[first[day_ends + 1] - 1] |= k.MARK_DAY
    mark[first[np.array(ends)] - 1] |= k.MARK_YEAR
    is_summer = np.isin(times[:count].month.to_numpy(), SUMMER_MONTHS) == is_northern
    counts = _mark_events(mark, first, rain, is_summer, (start, step_h))
    return StepPlan(
        rain_mm=rain[parent] / cut[parent],
        potential_mm=potential[parent] / cut[parent],
        length_h=step_h / cut[parent],
        source=np.where(is_short[parent], SHORT, LONG),
        mark=mark,
        long_h=step_h,
        short_h=step_h / pieces,
        start=int(first[start]),
        years=years,
        events=counts[0],
        summer_events=counts[1],
        winter_events=counts[2],
    )


def _since_rain(rain: Floats) -> Ints:
    """Count the steps since the last wet step, 0 in it; before the first rain as if long dry."""
    place = np.arange(rain.size)
    last = np.maximum.accumulate(np.where(rain > 0.0, place, -rain.size))
    return np.asarray(place - last, dtype=np.int64)


def _mark_events(
    mark: Ints, first: Ints, rain: Floats, is_summer: NDArray[np.bool_], account: tuple[int, float]
) -> tuple[int, int, int]:
    """Mark where events of the account start and where their first rain has fallen; count all, summer and winter.

    An event of less than 5 mm is judged when it is over, 6 h after its last rain or when the next begins.
    """
    start, step_h = account
    wet = np.flatnonzero(rain > 0.0)
    if wet.size == 0:
        return 0, 0, 0
    gap = max(1, int(np.ceil(DRY_GAP_H / step_h)))
    breaks = np.flatnonzero(np.diff(wet) > gap)
    begins = wet[np.concatenate([[0], breaks + 1])]
    lasts = wet[np.concatenate([breaks, [wet.size - 1]])]
    total = np.concatenate([[0.0], np.cumsum(rain)])
    summer = winter = 0
    kept = np.flatnonzero(begins >= start)
    for event in kept:
        begin, last = int(begins[event]), int(lasts[event])
        mark[first[begin]] |= k.MARK_EVENT
        depth = total[last + 1] - total[begin]
        if depth < LEAST_EVENT_MM:
            continue
        until = _end_of_first_rain(total, first, (begin, last), min(last + gap, rain.size - 1))
        mark[until] |= k.MARK_SUMMER if is_summer[begin] else k.MARK_WINTER
        summer += bool(is_summer[begin])
        winter += not is_summer[begin]
    return int(kept.size), summer, winter


def _end_of_first_rain(total: Floats, first: Ints, event: tuple[int, int], over: int) -> int:
    """Return the executed step in which the event's rain reaches 5 mm, or the last one before the event is over."""
    begin, last = event
    target = total[begin] + FIRST_RAIN_MM
    if total[last + 1] < target:
        return int(first[over + 1]) - 1
    step = int(np.searchsorted(total[begin + 1 : last + 2], target)) + begin
    share = (target - total[step]) / (total[step + 1] - total[step])
    pieces = int(first[step + 1] - first[step])
    return int(first[step]) + min(pieces - 1, max(0, int(np.ceil(share * pieces)) - 1))

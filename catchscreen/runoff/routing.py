"""From the runoff of a sub-catchment, step by step, to the flow at its outlet, and on down the tree.

References
----------
Natural Resources Conservation Service, National Engineering Handbook, part 630, chapter 16, Hydrographs, 2007: table
16-1 (dimensionless unit hydrograph; ordinates at 1.7, 1.9, 2.2, 2.6, 2.8, 3.2 to 3.8 and 4.5 from memory), time to
peak D/2 + 0.6 Tc.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.runoff.candidates import order_upstream_first

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_TABLE: Final = """
0 0  .1 .03  .2 .1  .3 .19  .4 .31  .5 .47  .6 .66  .7 .82  .8 .93  .9 .99  1 1  1.1 .99  1.2 .93  1.3 .86  1.4 .78
1.5 .68  1.6 .56  1.7 .46  1.8 .39  1.9 .33  2 .28  2.2 .207  2.4 .147  2.6 .107  2.8 .077  3 .055  3.2 .04  3.4 .029
3.6 .021  3.8 .015  4 .011  4.5 .005  5 0
"""
UNIT_TIMES: Final = np.array(_TABLE.split()[::2], np.float64)
UNIT_FLOWS: Final = np.array(_TABLE.split()[1::2], np.float64)
LAG_SHARE: Final = 0.6
"""Lag over time of concentration."""


def unit_area() -> float:
    """Area under the dimensionless unit hydrograph, in times to peak (table 16-1 by trapezia)."""
    return float(np.trapezoid(UNIT_FLOWS, UNIT_TIMES))


def time_to_peak_min(concentration_min: float, step_min: float) -> float:
    """Time from the start of a burst of one step to the peak: D/2 + 0.6 Tc."""
    return step_min / 2.0 + LAG_SHARE * concentration_min


def peak_flow_m3_s(area_km2: float, runoff_mm: float, peak_h: float, peak_rate_factor: float = 484.0) -> float:
    """Peak of a single burst: 0.2083 A Q / Tp for the factor 484 (m3/s, km2, mm, h)."""
    feet = 0.3048
    square_mile_m2 = (5280.0 * feet) ** 2
    to_metric = feet**3 * 1e6 / (square_mile_m2 * 25.4)
    return peak_rate_factor * to_metric * area_km2 * runoff_mm / peak_h


def gamma_flow(share_of_peak_time: Floats | float, shape: float) -> Floats:
    """Dimensionless unit hydrograph of the gamma form: (x e^(1 - x))^m."""
    x = np.asarray(share_of_peak_time, np.float64)
    return np.asarray((x * np.exp(1.0 - x)) ** shape, np.float64)


def unit_hydrograph(concentration_min: float, step_min: float) -> Floats:
    """Share of one step's runoff that passes the outlet in each later step; sums to 1."""
    peak = time_to_peak_min(concentration_min, step_min)
    areas = np.diff(UNIT_TIMES) * (UNIT_FLOWS[1:] + UNIT_FLOWS[:-1]) / 2.0
    passed = np.concatenate([[0.0], np.cumsum(areas)]) / areas.sum()
    steps = int(np.ceil(UNIT_TIMES[-1] * peak / step_min))
    at = np.arange(steps + 1) * step_min / peak
    return np.diff(np.interp(at, UNIT_TIMES, passed))


def linear_reservoir(lag_min: float, step_min: float) -> Floats:
    """Share of one step's even inflow that leaves a linear reservoir in each later step; the last takes the rest."""
    if lag_min <= 0.0:
        return np.ones(1)
    ratio = step_min / lag_min
    steps = max(int(np.ceil(12.0 / ratio)), 1)
    leaves = -np.expm1(-ratio)
    shares = np.empty(steps + 1)
    shares[0] = 1.0 - leaves / ratio
    shares[1:] = leaves * leaves / ratio * np.exp(-ratio * np.arange(steps))
    shares[-1] += 1.0 - shares.sum()
    return shares


def pipe_travel(travel_min: float, step_min: float) -> Floats:
    """Share of one step's inflow, spread evenly along a pipe system, that passes its outfall in each later step.

    Linear time-area: the farthest water takes ``travel_min``, the nearest none.
    """
    if travel_min <= 0.0:
        return np.ones(1)
    steps = int(np.ceil(travel_min / step_min)) + 1
    at = np.arange(steps + 1) * step_min
    # Inflow is even over the step too: integrate the ramp min(t / travel, 1) once more.
    ramp = np.where(at <= travel_min, at * at / (2.0 * travel_min), at - travel_min / 2.0)
    passed = np.diff(ramp) / step_min
    return np.diff(np.concatenate([[0.0], np.minimum(passed, 1.0)]))


def delay(flow: Floats, steps: float) -> Floats:
    """Move a hydrograph later by a number of steps that need not be whole; its volume stays."""
    whole = int(np.floor(steps))
    part = steps - whole
    out = np.zeros(flow.size + whole + 1)
    out[whole : whole + flow.size] += flow * (1.0 - part)
    out[whole + 1 :] += flow * part
    return out


def add_flows(left: Floats, right: Floats) -> Floats:
    """Add two hydrographs that start together."""
    longer, shorter = (left, right) if left.size >= right.size else (right, left)
    out = longer.copy()
    out[: shorter.size] += shorter
    return out


def route_down(flows: Floats, responses: list[Floats], receiver: Ints, delay_steps: Floats) -> list[Floats]:
    """Flow at each outlet: own runoff through its response, and what arrives from above after its travel.

    Parameters
    ----------
    flows : (units, steps) [m3 per step]. responses : one share per step for each unit. receiver : (units,) unit below
    or -1. delay_steps : (units,) travel through a unit, from its upper end to its outlet, in steps.
    """
    arriving: list[Floats] = [np.zeros(0)] * receiver.size
    out: list[Floats] = [np.zeros(0)] * receiver.size
    done = np.zeros(receiver.size, bool)
    for unit in order_upstream_first(receiver):
        own = np.convolve(flows[unit], responses[unit])
        out[unit] = add_flows(own, arriving[unit])
        done[unit] = True
        below = receiver[unit]
        if below >= 0 and not done[below]:
            arriving[below] = add_flows(arriving[below], delay(out[unit], float(delay_steps[below])))
    return out

"""Rain to runoff by loss class and step: a depression store on impermeable ground, Green-Ampt or curve number else.

Columns of ``parameters`` (classes, 10): 0 impermeable fraction, 1 depression store [mm], 2 its share full at the start,
3 model of the pervious part (0 Green-Ampt, 1 curve number), 4 conductivity [mm/h], 5 suction times moisture deficit
[mm], 6 potential retention S [mm], 7 initial abstraction [mm], 8 rain that meets a crust [mm], 9 share of it that the
crust sheds.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel

Floats = NDArray[np.float64]


@kernel
def ponded_infiltration(infiltrated: float, conductivity: float, suction_deficit: float, hours: float) -> float:
    """Cumulative Green-Ampt infiltration [mm] after some hours under ponded water.

    Solves F1 - F0 - N ln((F1 + N)/(F0 + N)) = K t with N the suction times deficit. Newton from above: the left side is
    convex and rising in F1 > F0, and the start is an upper bound, so the iterates fall to the root.
    """
    if suction_deficit <= 0.0 or conductivity <= 0.0:
        return infiltrated + conductivity * hours
    target = conductivity * hours
    base = infiltrated + suction_deficit
    # An upper bound: u - ln(1 + u) >= u^2 / (2 (1 + u)) with u the gain over the base, and N is at most the base.
    gain = target + np.sqrt(target * (target + 2.0 * base))
    for _ in range(60):
        value = gain - suction_deficit * np.log1p(gain / base) - target
        slope = 1.0 - suction_deficit / (base + gain)
        change = value / slope
        gain = max(gain - change, 0.0)
        if abs(change) <= 1e-13 * (1.0 + gain):
            break
    return infiltrated + gain


@kernel
def infiltrate(infiltrated: float, rain: float, conductivity: float, suction_deficit: float, hours: float) -> float:
    """Cumulative Green-Ampt infiltration [mm] after a step of steady rain, with the moment of ponding found exactly."""
    if rain <= 0.0:
        return infiltrated
    intensity = rain / hours
    if intensity <= conductivity:
        return infiltrated + rain
    ponding = conductivity * suction_deficit / (intensity - conductivity)
    if infiltrated + rain <= ponding:
        return infiltrated + rain
    before = max(ponding - infiltrated, 0.0)
    start = infiltrated + before
    end = ponded_infiltration(start, conductivity, suction_deficit, hours - before / intensity)
    return min(end, infiltrated + rain)


@kernel
def curve_number_depth(rain: float, retention: float, abstraction: float) -> float:
    """Runoff [mm] from cumulative rain [mm] by the curve number: (P - Ia)^2 / (P - Ia + S)."""
    over = rain - abstraction
    if over <= 0.0:
        return 0.0
    if over + retention <= 0.0:
        return over
    return over * over / (over + retention)


@kernel
def lose(rain: Floats, hours: float, parameters: Floats, evaporation: float, runoff: Floats, sums: Floats) -> None:
    """Fill ``runoff`` (steps,) [mm] of one class and ``sums``: runoff, infiltration, evaporation, change in store."""
    impermeable = parameters[0]
    pervious = 1.0 - impermeable
    depression = parameters[1]
    start = depression * parameters[2]
    held = start
    fallen = 0.0
    entered = 0.0
    infiltrated = 0.0
    shed_off = 0.0
    for step in range(rain.size):
        fall = rain[step]
        wet = held + fall
        air = min(evaporation * hours, wet)
        held = min(depression, wet - air)
        hard = wet - air - held
        crust = parameters[9] * (min(fallen + fall, parameters[8]) - min(fallen, parameters[8]))
        offered = fall - crust
        fallen += fall
        if parameters[3] > 0.5:
            shed = curve_number_depth(entered + offered, parameters[6], parameters[7])
            soft = shed - shed_off
            shed_off = shed
            taken = offered - soft
        else:
            after = infiltrate(infiltrated, offered, parameters[4], parameters[5], hours)
            taken = after - infiltrated
            infiltrated = after
            soft = max(offered - taken, 0.0)  # the sum rounds: nothing negative may run off
        entered += offered
        runoff[step] = impermeable * hard + pervious * (soft + crust)
        sums[0] += runoff[step]
        sums[1] += pervious * taken
        sums[2] += impermeable * air
    sums[3] = impermeable * (held - start)


@kernel
def run_losses(rain: Floats, step: Floats, parameters: Floats, runoff: Floats, sums: Floats) -> None:
    """Run every class through one storm: rain (steps,) [mm], step [h], [mm/h to air], parameters (classes, 10).

    Fills runoff (classes, steps) [mm] and sums (classes, 4), both zero before.
    """
    for number in range(parameters.shape[0]):
        lose(rain, step[0], parameters[number], step[1], runoff[number], sums[number])

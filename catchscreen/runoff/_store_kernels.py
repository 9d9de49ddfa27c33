"""Kernels of the generic store: many stores in lockstep, one step at a time.

Stores are packed in blocks of ``LANES``. A block is one flat float64 array of ``ROWS`` rows (parameters, state, sums)
of ``LANES`` values: one base pointer with constant offsets, so that the compiler vectorises the loop over lanes without
alias checks. Inside that loop there is no branch, only min, max and select, and nothing crosses lanes: a store's bytes
depend neither on its neighbours nor on the number of threads. Depths are mm over the host area.

Order inside a step: evaporation from the wetting layer at the potential rate, run-on and rain through the intake limit
into the substrate, whose surplus goes down and which then evaporates as its moisture allows, then the void store: the
ground takes first, half of what is left of the inflow enters before the outlet and half after it, and what stands above
the brim overflows. Each step closes exactly. The substrate evaporates after its surplus is known, so that the two long
computations of a step, its exponential and the outlet's root, do not wait for each other.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel, parallel_kernel, prange

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LANES = 64

# Rows: parameters that hold for every step.
WETTING, FACTOR, DRYING, SUBSTRATE, SILL, VOID, LIMIT, TOLERANCE, INTAKE_KEPT = range(9)
# Parameters per step length: in use, then the set for long and the set for short steps.
INTAKE, SOAK, ROOT, KEEP = range(9, 13)
LONG, SHORT = 13, 17
# State [mm].
WET, HELD, STORED = 21, 22, 23
# Run-on [mm] and outflow [mm/h] of this step.
RUN_ON, RATE = 24, 40
# Sums [mm].
AIR, GROUND, OUTLET, OVERFLOW, EXCESS = range(25, 30)
# Largest stored depth [mm] and outflow [mm/h]; hours with more outflow than LIMIT.
GREATEST, PEAK, HOURS_ABOVE = 30, 31, 32
# What the events of a long run leave: outflow that is not to be counted, passes, free room, peaks by rank.
BEFORE, PASSES_SUMMER, PASSES_WINTER, FREE_SUM, EVENT_PEAK, DRY_DAYS, START_STORE = range(33, 40)
TOP, TOP_COUNT = 41, 5
ROWS = TOP + TOP_COUNT

STEP_ROWS = 4
"""Rows in one set of parameters that depend on the step's length."""

# What a step is marked with: the first two act before it, the others after it.
MARK_START, MARK_EVENT, MARK_SUMMER, MARK_WINTER, MARK_DAY, MARK_YEAR = 1, 2, 4, 8, 16, 32
MARKS_BEFORE = MARK_START | MARK_EVENT

DRY_SHARE = 0.1
"""Substrate below this share of its water counts as a day of dry stress."""

LEAST_HEAD_MM = 1e-9
"""A head below this leaves at once: a linear outlet would bring it down to numbers too small for full speed."""

TWELFTH = 1.0 / 12.0
PADE_TURN = math.sqrt(12.0)
"""Where the rational form of exp(-x) has its minimum: larger x are taken as this."""


@kernel
def advance(x: Floats, rain: float, potential: float, step_h: float) -> None:
    """Move the lanes of one block by one step.

    Parameters
    ----------
    x : (ROWS * LANES,) float64
        The block; state and sums are changed in place, RUN_ON holds the step's run-on [mm].
    rain, potential : float [mm]
        Rain and potential evaporation of the step.
    step_h : float [h]
        Length of the step, for rates only.
    """
    per_hour = 1.0 / step_h
    for i in range(LANES):
        wet = x[WET * LANES + i]
        held = x[HELD * LANES + i]
        stored = x[STORED * LANES + i]
        demand = potential * x[FACTOR * LANES + i]
        arriving = rain + x[RUN_ON * LANES + i]
        caught = min(arriving, x[WETTING * LANES + i] - wet)
        wet += caught
        from_wet = min(wet, demand)
        wet -= from_wet
        offered = arriving - caught
        taken = min(offered, x[INTAKE * LANES + i])
        excess = offered - taken
        held += taken
        down = max(held - x[SUBSTRATE * LANES + i], 0.0)
        held -= down
        # Substrate: d(held)/dt = -demand * held / capacity, exact but for 1e-12: exp(-z) in rational form.
        z = min((demand - from_wet) * x[DRYING * LANES + i], PADE_TURN)
        square = z * z * TWELFTH
        kept = held * ((1.0 - z * 0.5 + square) / (1.0 + z * 0.5 + square))
        to_air = from_wet + (held - kept)
        # Void store: ground first, half of the net inflow before the outlet, half after.
        soaked = min(stored + down, x[SOAK * LANES + i])
        net = down - soaked
        first = net * 0.5 if net > 0.0 else net
        stored += first
        head = max(stored - x[SILL * LANES + i], 0.0)
        root = max(math.sqrt(head) - x[ROOT * LANES + i], 0.0)
        left = max(min(root * root, head), head * x[KEEP * LANES + i])
        drained = head - (left if left > LEAST_HEAD_MM else 0.0)
        stored = (max(stored, 0.0) - drained) + (net - first)
        over = max(stored - x[VOID * LANES + i], 0.0)
        stored -= over
        x[WET * LANES + i] = wet
        x[HELD * LANES + i] = kept
        x[STORED * LANES + i] = stored
        x[AIR * LANES + i] += to_air
        x[GROUND * LANES + i] += soaked
        x[OUTLET * LANES + i] += drained
        x[OVERFLOW * LANES + i] += over
        x[EXCESS * LANES + i] += excess
        rate = (drained + over + excess) * per_hour
        x[RATE * LANES + i] = rate
        x[EVENT_PEAK * LANES + i] = max(x[EVENT_PEAK * LANES + i], rate)
        x[GREATEST * LANES + i] = max(x[GREATEST * LANES + i], stored)


@kernel
def advance_dry(x: Floats, potential: float, step_h: float) -> None:
    """Do what ``advance`` does in a step without rain and run-on, to the byte, leaving out what is then nil.

    Nothing is caught, taken or spilled, and the void store only falls: its greatest depth and its overflow stay.
    """
    per_hour = 1.0 / step_h
    for i in range(LANES):
        wet = x[WET * LANES + i]
        held = x[HELD * LANES + i]
        stored = x[STORED * LANES + i]
        demand = potential * x[FACTOR * LANES + i]
        from_wet = min(wet, demand)
        z = min((demand - from_wet) * x[DRYING * LANES + i], PADE_TURN)
        square = z * z * TWELFTH
        kept = held * ((1.0 - z * 0.5 + square) / (1.0 + z * 0.5 + square))
        soaked = min(stored, x[SOAK * LANES + i])
        stored -= soaked
        head = max(stored - x[SILL * LANES + i], 0.0)
        root = max(math.sqrt(head) - x[ROOT * LANES + i], 0.0)
        left = max(min(root * root, head), head * x[KEEP * LANES + i])
        drained = head - (left if left > LEAST_HEAD_MM else 0.0)
        x[WET * LANES + i] = wet - from_wet
        x[HELD * LANES + i] = kept
        x[STORED * LANES + i] = max(stored, 0.0) - drained
        x[AIR * LANES + i] += from_wet + (held - kept)
        x[GROUND * LANES + i] += soaked
        x[OUTLET * LANES + i] += drained
        rate = drained * per_hour
        x[RATE * LANES + i] = rate
        x[EVENT_PEAK * LANES + i] = max(x[EVENT_PEAK * LANES + i], rate)


@kernel
def count_hours(x: Floats, step_h: float) -> None:
    """Add the step to the hours of those lanes whose outflow was above their limit."""
    for i in range(LANES):
        x[HOURS_ABOVE * LANES + i] += step_h if x[RATE * LANES + i] > x[LIMIT * LANES + i] else 0.0


@kernel
def use_step(x: Floats, source: int) -> None:
    """Copy the parameters of one step length (LONG or SHORT) into the rows in use."""
    for i in range(STEP_ROWS * LANES):
        x[INTAKE * LANES + i] = x[source * LANES + i]


@kernel
def rank_peak(x: Floats, i: int) -> None:
    """Put lane i's peak of the event just over among its largest, descending, and forget it."""
    peak = x[EVENT_PEAK * LANES + i]
    x[PEAK * LANES + i] = max(x[PEAK * LANES + i], peak)
    for place in range(TOP, TOP + TOP_COUNT):
        other = x[place * LANES + i]
        x[place * LANES + i] = max(other, peak)
        peak = min(other, peak)
    x[EVENT_PEAK * LANES + i] = 0.0


@kernel
def mark_before(x: Floats, mark: int) -> None:
    """Act before a marked step: start the account after the warm-up, open an event."""
    for i in range(LANES):
        rank_peak(x, i)
        if mark & MARK_START:
            for row in range(AIR, ROWS):
                x[row * LANES + i] = 0.0
            x[START_STORE * LANES + i] = x[WET * LANES + i] + x[HELD * LANES + i] + x[STORED * LANES + i]
        if mark & MARK_EVENT:
            outflow = x[OUTLET * LANES + i] + x[OVERFLOW * LANES + i] + x[EXCESS * LANES + i]
            x[BEFORE * LANES + i] = outflow + max(x[STORED * LANES + i] - x[SILL * LANES + i], 0.0)
            x[FREE_SUM * LANES + i] += (x[SUBSTRATE * LANES + i] - x[HELD * LANES + i]) + (
                x[VOID * LANES + i] - x[STORED * LANES + i]
            )


@kernel
def mark_after(x: Floats, mark: int) -> None:
    """Act after a marked step: judge an event's first rain, count a dry day, let the intake clog by a year."""
    for i in range(LANES):
        if mark & (MARK_SUMMER | MARK_WINTER):
            outflow = x[OUTLET * LANES + i] + x[OVERFLOW * LANES + i] + x[EXCESS * LANES + i]
            passes = 1.0 if outflow - x[BEFORE * LANES + i] <= x[TOLERANCE * LANES + i] else 0.0
            row = PASSES_SUMMER if mark & MARK_SUMMER else PASSES_WINTER
            x[row * LANES + i] += passes
        if mark & MARK_DAY and x[HELD * LANES + i] < DRY_SHARE * x[SUBSTRATE * LANES + i]:
            x[DRY_DAYS * LANES + i] += 1.0
        if mark & MARK_YEAR:
            for row in (INTAKE, LONG, SHORT):
                x[row * LANES + i] *= x[INTAKE_KEPT * LANES + i]


@kernel
def shed(rain: Floats, potential: Floats, wetting: float) -> Floats:
    """Return what a hard surface with one depression store sheds in each step; evaporation empties the store [mm]."""
    runoff = np.empty(rain.size)
    wet = 0.0
    for t in range(rain.size):
        caught = min(rain[t], wetting - wet)
        runoff[t] = rain[t] - caught
        wet += caught
        wet -= min(wet, potential[t])
    return runoff


@kernel
def gather_run_on(x: Floats, weight: Floats, used: NDArray[np.bool_], depth: Floats) -> bool:
    """Sum the run-on of one step over the classes that some lane uses; return whether there is none at all.

    A class of no weight adds an exact zero.
    """
    for i in range(LANES):
        x[RUN_ON * LANES + i] = 0.0
    is_nil = True
    for c in range(weight.shape[0]):
        if used[c] and depth[c] > 0.0:
            is_nil = False
            for i in range(LANES):
                x[RUN_ON * LANES + i] += weight[c, i] * depth[c]
    return is_nil


@kernel
def simulate_block(x: Floats, weight: Floats, drivers: Floats, run_on: Floats, plan: Ints) -> None:
    """Run one block through all steps.

    Parameters
    ----------
    x : (ROWS * LANES,) float64
        The block, changed in place.
    weight : (classes, LANES) float64
        Square metres of each run-on class per square metre of host.
    drivers : (steps, 3) float64
        Rain [mm], potential evaporation [mm] and length [h] of each step.
    run_on : (steps, classes) float64 [mm]
        Depth that each class sheds in each step.
    plan : (steps, 2) int64
        Row of the step's parameter set (LONG or SHORT) and the step's marks.
    """
    used = np.zeros(weight.shape[0], dtype=np.bool_)
    for c in range(weight.shape[0]):
        for i in range(LANES):
            used[c] |= weight[c, i] != 0.0
    has_limit = False
    for i in range(LANES):
        has_limit |= x[LIMIT * LANES + i] > 0.0
    source = -1
    for t in range(drivers.shape[0]):
        if plan[t, 0] != source:
            source = plan[t, 0]
            use_step(x, source)
        mark = plan[t, 1]
        if mark & MARKS_BEFORE:
            mark_before(x, mark)
        if gather_run_on(x, weight, used, run_on[t]) and drivers[t, 0] == 0.0:
            advance_dry(x, drivers[t, 1], drivers[t, 2])
        else:
            advance(x, drivers[t, 0], drivers[t, 1], drivers[t, 2])
        if has_limit:
            count_hours(x, drivers[t, 2])
        if mark & ~MARKS_BEFORE:
            mark_after(x, mark)
    for i in range(LANES):
        rank_peak(x, i)


@parallel_kernel
def simulate(blocks: Floats, weights: Floats, drivers: Floats, run_on: Floats, plan: Ints) -> None:
    """Run all blocks through all steps; see ``simulate_block``. Blocks share nothing, so threads change no byte.

    Parameters
    ----------
    blocks : (blocks, ROWS * LANES) float64
    weights : (blocks, classes, LANES) float64
    """
    for b in prange(blocks.shape[0]):
        simulate_block(blocks[b], weights[b], drivers, run_on, plan)

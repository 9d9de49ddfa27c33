"""Kernels of the generic store: many stores in lockstep, one step at a time.

Stores are packed in blocks of ``LANES``. A block is one flat float64 array of ``ROWS`` rows (parameters, state, sums)
of ``LANES`` values: one base pointer with constant offsets, so that the compiler vectorises the loop over lanes without
alias checks. Inside that loop there is no branch, only min, max and select, and nothing crosses lanes: a store's bytes
depend neither on its neighbours nor on the number of threads. Depths are mm over the host area.

Order inside a step: rain and run-on meet the wetting layer while it evaporates at the potential rate, what it sheds
passes the intake limit into the substrate, whose surplus goes down and which then evaporates as its moisture allows,
then the void store. There the ground takes first: half of the step's inflow and half of what the ground can take act
before the outlet and half after it, and what then stands above the brim overflows. Each step closes exactly.

What no store of a block has, a substrate (a division) or an orifice (a root), is left out of its loop, and so is what
is nil in a step without rain, to the byte. Once all void stores of a block rest, dry steps pass them by.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LANES = 64

# Rows: parameters that hold for every step. FACTOR_WET is FACTOR where there is a wetting layer, else nil.
WETTING, FACTOR, FACTOR_WET, DRYING, SUBSTRATE, SILL, VOID, LIMIT, TOLERANCE, INTAKE_KEPT, HELD_START = range(11)
# Parameters of the step length in use; SOAK is what the ground can take in half a step.
INTAKE, SOAK, ROOT, KEEP = range(11, 15)
STEP_ROWS = 4
# Within a step: run-on [mm], outflow [mm/h].
RUN_ON, RATE = 15, 16
# State [mm].
WET, HELD, STORED = 17, 18, 19
# Sums [mm], largest stored depth [mm] and, since the last event began, largest outflow [mm/h].
AIR, GROUND, OUTLET, OVERFLOW, EXCESS, GREATEST, EVENT_PEAK = range(20, 27)
# What the events of a long run leave: outflow that is not to be counted, passes, free room, dry days, peaks by rank.
BEFORE, PASSES_SUMMER, PASSES_WINTER, FREE_SUM, DRY_DAYS, START_STORE, HOURS_ABOVE, OUTFLOW_EVENTS = range(27, 35)
TOP, TOP_COUNT = 35, 5
ROWS = TOP + TOP_COUNT

SAVED_ROWS = BEFORE - WET
"""Rows from WET on that a step with MARK_SAVE writes out: state, sums, greatest depth and peak."""

# What a step is marked with: the first two act before it, the others after it.
MARK_START, MARK_EVENT, MARK_SUMMER, MARK_WINTER, MARK_DAY, MARK_YEAR = 1, 2, 4, 8, 16, 32
MARK_SAVE, MARK_CLEAR, MARK_EMPTY = 64, 128, 256
MARKS_BEFORE = MARK_START | MARK_EVENT

SUBSTRATES, ORIFICES, LIMITS = 1, 2, 4
"""What some lane of a block has: a substrate, an orifice, a limit above which hours are counted."""

DRY_SHARE = 0.1
"""Substrate below this share of its water counts as a day of dry stress."""

LEAST_HEAD_MM = 1e-9
"""A head below this leaves at once: a linear outlet would bring it down to numbers too small for full speed."""

REST_ASKED = 4
"""Dry steps between two questions whether all void stores of a block have come to rest."""

TWELFTH = 1.0 / 12.0
PADE_TURN = math.sqrt(12.0)
"""Where the rational form of exp(-x) has its minimum: larger x are taken as this."""


@kernel
def advance(x: Floats, rain: float, potential: float, step_h: float, kind: int) -> None:
    """Move the lanes of one block by one step.

    Parameters
    ----------
    x : (ROWS * LANES,) float64
        The block; state and sums are changed in place, RUN_ON holds the step's run-on [mm].
    rain, potential : float [mm]
        Rain and potential evaporation of the step.
    step_h : float [h]
        Length of the step, for rates only.
    kind : int
        SUBSTRATES and ORIFICES where any lane has one: tested inside the loop, the compiler makes a loop for each.
    """
    per_hour = 1.0 / step_h
    for i in range(LANES):
        # Wetting layer: exact for even rates within the step.
        water = x[WET * LANES + i] + (rain + x[RUN_ON * LANES + i])
        to_air = min(water, potential * x[FACTOR_WET * LANES + i])
        rest = water - to_air
        wet = min(rest, x[WETTING * LANES + i])
        offered = rest - wet
        down = min(offered, x[INTAKE * LANES + i])
        excess = offered - down
        x[WET * LANES + i] = wet
        x[EXCESS * LANES + i] += excess
        if kind & SUBSTRATES:
            # d(held)/dt = -demand * held / capacity, exact but for 1e-12: exp(-z) in rational form.
            held = x[HELD * LANES + i] + down
            down = max(held - x[SUBSTRATE * LANES + i], 0.0)
            held -= down
            z = min((potential * x[FACTOR * LANES + i] - to_air) * x[DRYING * LANES + i], PADE_TURN)
            square = z * z * TWELFTH
            kept = held * ((1.0 - z * 0.5 + square) / (1.0 + z * 0.5 + square))
            x[HELD * LANES + i] = kept
            to_air += held - kept
        x[AIR * LANES + i] += to_air
        half = down * 0.5
        stored = x[STORED * LANES + i] + half
        first = min(stored, x[SOAK * LANES + i])
        stored -= first
        head = max(stored - x[SILL * LANES + i], 0.0)
        left = head * x[KEEP * LANES + i]
        if kind & ORIFICES:
            root = max(math.sqrt(head) - x[ROOT * LANES + i], 0.0)
            left = max(min(root * root, head), left)
        drained = head - (left if left > LEAST_HEAD_MM else 0.0)
        stored = (stored - drained) + half
        second = min(stored, (x[SOAK * LANES + i] - first) + x[SOAK * LANES + i])
        stored -= second
        over = max(stored - x[VOID * LANES + i], 0.0)
        stored -= over
        rate = (drained + over + excess) * per_hour
        x[STORED * LANES + i] = stored
        x[GROUND * LANES + i] += first + second
        x[OUTLET * LANES + i] += drained
        x[OVERFLOW * LANES + i] += over
        x[RATE * LANES + i] = rate
        x[EVENT_PEAK * LANES + i] = max(x[EVENT_PEAK * LANES + i], rate)
        x[GREATEST * LANES + i] = max(x[GREATEST * LANES + i], stored)


@kernel
def advance_dry(x: Floats, potential: float, step_h: float, kind: int) -> None:
    """Do what ``advance`` does in a step without rain and run-on, to the byte, leaving out what is then nil.

    Nothing is caught, taken or spilled, and the void store only falls: its greatest depth and its overflow stay.
    """
    per_hour = 1.0 / step_h
    for i in range(LANES):
        wet = x[WET * LANES + i]
        to_air = min(wet, potential * x[FACTOR_WET * LANES + i])
        x[WET * LANES + i] = wet - to_air
        if kind & SUBSTRATES:
            held = x[HELD * LANES + i]
            z = min((potential * x[FACTOR * LANES + i] - to_air) * x[DRYING * LANES + i], PADE_TURN)
            square = z * z * TWELFTH
            kept = held * ((1.0 - z * 0.5 + square) / (1.0 + z * 0.5 + square))
            x[HELD * LANES + i] = kept
            to_air += held - kept
        x[AIR * LANES + i] += to_air
        stored = x[STORED * LANES + i]
        first = min(stored, x[SOAK * LANES + i])
        stored -= first
        head = max(stored - x[SILL * LANES + i], 0.0)
        left = head * x[KEEP * LANES + i]
        if kind & ORIFICES:
            root = max(math.sqrt(head) - x[ROOT * LANES + i], 0.0)
            left = max(min(root * root, head), left)
        drained = head - (left if left > LEAST_HEAD_MM else 0.0)
        stored -= drained
        second = min(stored, (x[SOAK * LANES + i] - first) + x[SOAK * LANES + i])
        rate = drained * per_hour
        x[STORED * LANES + i] = stored - second
        x[GROUND * LANES + i] += first + second
        x[OUTLET * LANES + i] += drained
        x[RATE * LANES + i] = rate
        x[EVENT_PEAK * LANES + i] = max(x[EVENT_PEAK * LANES + i], rate)


@kernel
def dry_out(x: Floats, potential: float, kind: int) -> None:
    """Do what ``advance_dry`` does where all void stores rest, to the byte: wetting layer and substrate evaporate."""
    for i in range(LANES):
        wet = x[WET * LANES + i]
        to_air = min(wet, potential * x[FACTOR_WET * LANES + i])
        x[WET * LANES + i] = wet - to_air
        if kind & SUBSTRATES:
            held = x[HELD * LANES + i]
            z = min((potential * x[FACTOR * LANES + i] - to_air) * x[DRYING * LANES + i], PADE_TURN)
            square = z * z * TWELFTH
            kept = held * ((1.0 - z * 0.5 + square) / (1.0 + z * 0.5 + square))
            x[HELD * LANES + i] = kept
            to_air += held - kept
        x[AIR * LANES + i] += to_air


@kernel
def is_at_rest(x: Floats) -> bool:
    """Tell whether nothing left any void store in the step just done and, without inflow, nothing will."""
    moving = 0
    for i in range(LANES):
        stored, soak = x[STORED * LANES + i], x[SOAK * LANES + i]
        moving += (stored > x[SILL * LANES + i]) | ((stored > 0.0) & (soak > 0.0)) | (x[RATE * LANES + i] > 0.0)
    return moving == 0


@kernel
def count_hours(x: Floats, step_h: float) -> None:
    """Add the step to the hours of those lanes whose outflow was above their limit."""
    for i in range(LANES):
        x[HOURS_ABOVE * LANES + i] += step_h if x[RATE * LANES + i] > x[LIMIT * LANES + i] else 0.0


@kernel
def rank_peaks(x: Floats) -> None:
    """Put every lane's peak of the event just over among its largest, descending, and forget it."""
    for i in range(LANES):
        peak = x[EVENT_PEAK * LANES + i]
        for place in range(TOP, TOP + TOP_COUNT):
            other = x[place * LANES + i]
            x[place * LANES + i] = max(other, peak)
            peak = min(other, peak)
        x[EVENT_PEAK * LANES + i] = 0.0


@kernel
def close_event(x: Floats) -> None:
    """Count the event just over in those lanes where more than a trace of its own water flowed out."""
    for i in range(LANES):
        outflow = x[OUTLET * LANES + i] + x[OVERFLOW * LANES + i] + x[EXCESS * LANES + i]
        x[OUTFLOW_EVENTS * LANES + i] += 1.0 if outflow - x[BEFORE * LANES + i] > x[TOLERANCE * LANES + i] else 0.0


@kernel
def mark_before(x: Floats, mark: int) -> None:
    """Act before a marked step: start the account after the warm-up, open an event."""
    rank_peaks(x)
    if mark & MARK_START:
        for i in range(AIR * LANES, ROWS * LANES):
            x[i] = 0.0
        for i in range(LANES):
            x[START_STORE * LANES + i] = x[WET * LANES + i] + x[HELD * LANES + i] + x[STORED * LANES + i]
    if mark & MARK_EVENT:
        close_event(x)
        for i in range(LANES):
            outflow = x[OUTLET * LANES + i] + x[OVERFLOW * LANES + i] + x[EXCESS * LANES + i]
            x[BEFORE * LANES + i] = outflow + max(x[STORED * LANES + i] - x[SILL * LANES + i], 0.0)
            x[FREE_SUM * LANES + i] += (x[SUBSTRATE * LANES + i] - x[HELD * LANES + i]) + (
                x[VOID * LANES + i] - x[STORED * LANES + i]
            )


@kernel
def mark_after(x: Floats, mark: int, sets: Floats) -> None:
    """Act after a marked step.

    Judge an event's first rain, count a dry day, let the intake clog by a year in all step lengths, forget the sums,
    or begin anew: stores empty but for a substrate that is filled to HELD_START.
    """
    if mark & (MARK_SUMMER | MARK_WINTER):
        row = PASSES_SUMMER if mark & MARK_SUMMER else PASSES_WINTER
        for i in range(LANES):
            outflow = x[OUTLET * LANES + i] + x[OVERFLOW * LANES + i] + x[EXCESS * LANES + i]
            x[row * LANES + i] += 1.0 if outflow - x[BEFORE * LANES + i] <= x[TOLERANCE * LANES + i] else 0.0
    if mark & MARK_DAY:
        for i in range(LANES):
            is_dry = x[HELD * LANES + i] < DRY_SHARE * x[SUBSTRATE * LANES + i]
            x[DRY_DAYS * LANES + i] += 1.0 if is_dry else 0.0
    if mark & MARK_YEAR:
        for i in range(LANES):
            x[INTAKE * LANES + i] *= x[INTAKE_KEPT * LANES + i]
            for number in range(sets.shape[0]):
                sets[number, i] *= x[INTAKE_KEPT * LANES + i]
    if mark & (MARK_CLEAR | MARK_EMPTY):
        for i in range(AIR * LANES, ROWS * LANES):
            x[i] = 0.0
    if mark & MARK_EMPTY:
        for i in range(LANES):
            x[WET * LANES + i] = 0.0
            x[STORED * LANES + i] = 0.0
            x[HELD * LANES + i] = x[HELD_START * LANES + i]


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
def sheds_nothing(used: Ints, run_on: Floats, t: int) -> bool:
    """Tell whether no class that some lane uses sheds anything in step t; for the arguments see ``simulate_block``."""
    is_nil = True
    for place in range(1, used.size):
        is_nil &= used[place] < 0 or run_on[t, used[place]] <= 0.0
    return is_nil


@kernel
def gather_run_on(x: Floats, weight: Floats, used: Ints, run_on: Floats, t: int) -> None:
    """Sum the run-on of step t over the classes that some lane uses; a class of no weight adds an exact zero."""
    for i in range(LANES):
        x[RUN_ON * LANES + i] = 0.0
    for place in range(weight.shape[0]):
        depth = run_on[t, used[1 + place]] if used[1 + place] >= 0 else 0.0
        for i in range(LANES):
            x[RUN_ON * LANES + i] += weight[place, i] * depth


@kernel
def simulate_block(
    x: Floats, sets: Floats, weight: Floats, used: Ints, steps: tuple[Floats, Floats, Ints], out: Floats
) -> None:
    """Run one block through all steps.

    Parameters
    ----------
    x : (ROWS * LANES,) float64
        The block, changed in place.
    sets : (step lengths, STEP_ROWS * LANES) float64
        Parameters that depend on the step's length: intake [mm], half of the soak [mm], root [mm^0.5], share kept.
    weight : (classes, LANES) float64
        Square metres of each run-on class that some lane uses per square metre of host.
    used : (1 + classes,) int64
        What some lane has (SUBSTRATES, ORIFICES, LIMITS), then the columns of those classes, -1 where there are fewer.
    steps : drivers, run_on, plan
        (steps, 3) rain [mm], potential evaporation [mm] and length [h]; (steps, all classes) depth shed [mm]; (steps,
        2) int64 number of the parameter set, and marks.
    out : (saves, SAVED_ROWS * LANES) float64
        Filled by the steps with MARK_SAVE, one after the other.
    """
    drivers, run_on, plan = steps
    kind, number, saved, rests = used[0], -1, 0, False
    for t in range(drivers.shape[0]):
        if plan[t, 0] != number:
            number = plan[t, 0]
            for i in range(STEP_ROWS * LANES):
                x[INTAKE * LANES + i] = sets[number, i]
        mark = plan[t, 1]
        if mark & MARKS_BEFORE:
            mark_before(x, mark)
        if drivers[t, 0] > 0.0 or not sheds_nothing(used, run_on, t):
            gather_run_on(x, weight, used, run_on, t)
            advance(x, drivers[t, 0], drivers[t, 1], drivers[t, 2], kind)
            rests = False
        elif not rests:
            advance_dry(x, drivers[t, 1], drivers[t, 2], kind)
            rests = t % REST_ASKED == 0 and is_at_rest(x)
        elif drivers[t, 1] > 0.0:
            dry_out(x, drivers[t, 1], kind)
        if kind & LIMITS:
            count_hours(x, drivers[t, 2])
        if mark & MARK_SAVE:
            for i in range(SAVED_ROWS * LANES):
                out[saved, i] = x[WET * LANES + i]
            saved += 1
        if mark & ~MARKS_BEFORE:
            mark_after(x, mark, sets)
    if out.shape[0] == 0:
        rank_peaks(x)
        close_event(x)


@kernel
def simulate(
    blocks: Floats, sets: Floats, weights: Floats, used: Ints, steps: tuple[Floats, Floats, Ints], out: Floats
) -> None:
    """Run blocks through all steps; see ``simulate_block``. Blocks share nothing, so threads change no byte.

    Parameters
    ----------
    blocks : (blocks, ROWS * LANES) float64
    sets : (blocks, step lengths, STEP_ROWS * LANES) float64
    weights : (blocks, classes, LANES) float64
    used : (blocks, 1 + classes) int64
    out : (blocks, saves, SAVED_ROWS * LANES) float64
    """
    for b in range(blocks.shape[0]):
        simulate_block(blocks[b], sets[b], weights[b], used[b], steps, out[b])

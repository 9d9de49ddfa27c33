"""The generic store: its parameters made ready for the kernels, and what can be said of it without stepping.

A store has, from the top: a wetting layer, an intake limit, a substrate that holds water for plants, a void store that
soaks into the ground and drains through an outlet by head, and a brim. A part is switched off by zero. Depths are mm
over the host's plan area.
"""

from __future__ import annotations

import itertools
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import thread_count
from catchscreen.records import Stores
from catchscreen.runoff import _store_kernels as k

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PARTS_PER_THREAD: Final = 4
"""Parts that the blocks are handed to threads in: enough that no thread waits long for another."""
ORIFICE_BELOW: Final = 0.75
"""Outlets with a smaller exponent are orifices (0.5), the others linear (1)."""
NEVER: Final = math.inf
"""Half-emptying time of a store whose water cannot leave."""


@dataclass(frozen=True, slots=True)
class Drains:
    """How the void stores of n lanes lose water, arrays of shape (n,), per mm over the host.

    soak_mm_h : rate into the ground. root_coefficient : a in dh/dt = -a sqrt(h) [mm^0.5/h].
    decay_per_h : k in dh/dt = -k h. At most one of the last two is above zero; h is the head above ``sill_mm``.
    """

    soak_mm_h: Floats
    root_coefficient: Floats
    decay_per_h: Floats
    sill_mm: Floats

    def along(self, storms: int) -> Drains:
        """Return the drains as columns that hold for several storms side by side: (n, storms)."""
        each = (self.soak_mm_h, self.root_coefficient, self.decay_per_h, self.sill_mm)
        return Drains(*(np.broadcast_to(values[:, None], (values.size, storms)) for values in each))

    def take(self, chosen: NDArray[np.int64]) -> Drains:
        """Return the drains of the chosen lanes."""
        return Drains(
            self.soak_mm_h[chosen], self.root_coefficient[chosen], self.decay_per_h[chosen], self.sill_mm[chosen]
        )


def take_stores(stores: Stores, rows: Ints) -> Stores:
    """Return chosen stores, in the order asked for."""
    picked: dict[str, Any] = {}
    count = len(stores.store_id)
    for part in fields(stores):
        values = getattr(stores, part.name)
        if isinstance(values, tuple):
            picked[part.name] = tuple(map(values.__getitem__, rows.tolist()))
        elif values is not None and values.size == count:
            picked[part.name] = values[rows]
    return replace(stores, **picked)


def open_drains(stores: Stores, soak_mm_h: Floats) -> Drains:
    """Turn outflow at full head into the coefficients of the two laws, over the host area.

    Parameters
    ----------
    stores : Stores
        n stores.
    soak_mm_h : (n,) float64 [mm/h]
        Rate into the ground over the base area: the design rate for storms, the mean rate for years.

    Returns
    -------
    Drains
    """
    head = stores.void_mm - stores.sill_mm
    runs = (stores.outlet_mm_h > 0.0) & (head > 0.0)
    is_orifice = stores.outlet_exponent < ORIFICE_BELOW
    safe = np.where(runs, head, 1.0)
    root = np.where(runs & is_orifice, stores.outlet_mm_h / np.sqrt(safe), 0.0)
    decay = np.where(runs & ~is_orifice, stores.outlet_mm_h / safe, 0.0)
    share = np.divide(stores.base_area_m2, stores.host_area_m2)
    return Drains(soak_mm_h * share, root, decay, stores.sill_mm)


def emptying_hours(drains: Drains, start_mm: Floats, end_mm: Floats) -> Floats:
    """Return how long the void stores take to fall from one depth to another without inflow.

    Parameters
    ----------
    drains : Drains
        n lanes.
    start_mm, end_mm : (n,) float64 [mm]
        Stored depths; ``end_mm`` is not above ``start_mm``.

    Returns
    -------
    (n,) float64 [h]
        inf where the depth is never reached.

    Notes
    -----
    Above the sill dh/dt = -(g + a sqrt(h)) or -(g + k h). With y = sqrt(h) the first integrates to
    (2/a) (y - (g/a) ln(1 + a y / g)), the second to ln(g + k h)/k. Below the sill only the ground takes, at the rate g.
    """
    upper = np.maximum(start_mm - drains.sill_mm, 0.0)
    lower = np.maximum(end_mm - drains.sill_mm, 0.0)
    below = np.minimum(start_mm, drains.sill_mm) - np.minimum(end_mm, drains.sill_mm)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        above_h = np.where(upper > lower, _hours_above_sill(drains, upper) - _hours_above_sill(drains, lower), 0.0)
        linear = drains.decay_per_h > 0.0
        ratio = (drains.soak_mm_h + drains.decay_per_h * upper) / (drains.soak_mm_h + drains.decay_per_h * lower)
        above_h = np.where(linear & (upper > lower), np.log(ratio) / drains.decay_per_h, above_h)
        below_h = np.where(below > 0.0, below / drains.soak_mm_h, 0.0)
    return above_h + below_h


def _hours_above_sill(drains: Drains, head_mm: Floats) -> Floats:
    """Hours from a head down to the sill by ground and orifice together (the linear outlet is not looked at)."""
    soak, root = drains.soak_mm_h, drains.root_coefficient
    y = np.sqrt(head_mm)
    z = root * y / soak
    # z - ln(1 + z) loses its digits where the outlet is weak beside the ground: use its series there.
    curve = np.where(z < 1e-3, z * z * (0.5 - z / 3.0 + z * z / 4.0), z - np.log1p(z))
    both = np.where(z < 1e-9, head_mm / soak, 2.0 * soak / (root * root) * curve)
    return np.where(root <= 0.0, head_mm / soak, np.where(soak <= 0.0, 2.0 * y / root, both))


def half_emptying_hours(drains: Drains, greatest_mm: Floats) -> Floats:
    """Return the time from the greatest stored depth to half of the part that can leave.

    Everything can leave where the ground takes water; else only what stands above the sill, if the outlet runs.

    Returns
    -------
    (n,) float64 [h]
        0 where nothing is stored, inf where water is stored and none of it can leave.
    """
    runs = (drains.root_coefficient > 0.0) | (drains.decay_per_h > 0.0)
    above = np.maximum(greatest_mm - drains.sill_mm, 0.0)
    can_leave = np.where(drains.soak_mm_h > 0.0, greatest_mm, np.where(runs, above, 0.0))
    hours = emptying_hours(drains, greatest_mm, greatest_mm - 0.5 * can_leave)
    hours = np.where((greatest_mm > 0.0) & (can_leave <= 0.0), NEVER, hours)
    return np.where(greatest_mm > 0.0, hours, 0.0)


def slowed_after(drains: Drains, stored_mm: Floats) -> Floats:
    """Return how much of a stored depth will yet pass through the outlet when no more water comes [mm].

    The rest of it soaks into the ground or stays below the sill.
    """
    runs = (drains.root_coefficient > 0.0) | (drains.decay_per_h > 0.0)
    head = np.maximum(stored_mm - drains.sill_mm, 0.0)
    hours = emptying_hours(drains, drains.sill_mm + head, drains.sill_mm)
    soaked = np.multiply(drains.soak_mm_h, hours, out=np.zeros_like(head), where=drains.soak_mm_h > 0.0)
    return np.where(runs, np.clip(head - soaked, 0.0, head), 0.0)


@dataclass(frozen=True, slots=True)
class Timeline:
    """Steps that stores are run through.

    drivers : (steps, 3) rain [mm], potential evaporation [mm], length [h]. run_on : (steps, classes) [mm]. plan :
    (steps, 2) int64 parameter set and marks. saves : how many steps are marked to be written out.
    """

    drivers: Floats
    run_on: Floats
    plan: Ints
    saves: int = 0


class Lanes:
    """Stores packed in blocks for the kernel, with rows set and read by name.

    Stores that are alike share a lane, and lanes of one kind stand together, so that their blocks leave out what none
    of them has. ``blocks`` is (blocks, ROWS, LANES) float64, ``sets`` (blocks, step lengths, STEP_ROWS, LANES); lanes
    that no store has are zero and never read.
    """

    def __init__(self, place: Ints, step_lengths: int) -> None:
        """Take the lane of each store, as ``find_lanes`` gives it."""
        self.place = place
        self.count = int(place.max(initial=-1)) + 1
        blocks = max(1, -(-self.count // k.LANES))
        self.blocks = np.zeros((blocks, k.ROWS, k.LANES))
        self.sets = np.zeros((blocks, step_lengths, k.STEP_ROWS, k.LANES))
        self.sets[:, :, k.ROOT - k.INTAKE] = np.inf
        self._lane = np.zeros(blocks * k.LANES)

    def _spread(self, values: Floats | float) -> Floats:
        """Lay a value per store out by block and lane."""
        self._lane[self.place] = values
        return self._lane.reshape(-1, k.LANES)

    def set(self, row: int, values: Floats | float) -> None:
        """Fill one row from a value per store."""
        self.blocks[:, row, :] = self._spread(values)

    def get(self, row: int) -> Floats:
        """Return one row, a value per store."""
        return np.asarray(self.blocks[:, row, :].reshape(-1)[self.place])

    def set_fixed(self, stores: Stores) -> None:
        """Set the parameters that do not depend on the step."""
        substrate, factor = stores.substrate_mm, stores.evaporation_factor
        self.set(k.WETTING, stores.wetting_mm)
        self.set(k.FACTOR, factor)
        self.set(k.FACTOR_WET, np.where(stores.wetting_mm > 0.0, factor, 0.0))
        self.set(k.SUBSTRATE, substrate)
        self.set(k.DRYING, np.divide(1.0, substrate, out=np.zeros_like(substrate), where=substrate > 0.0))
        self.set(k.SILL, stores.sill_mm)
        self.set(k.VOID, stores.void_mm)
        self.set(k.HELD_START, stores.substrate_start_fraction * substrate)

    def set_step(self, number: int, step_h: float, intake_mm_h: Floats, drains: Drains) -> None:
        """Set the parameters for steps of one length.

        The outlet over a step is exact for the head alone: an orifice lowers sqrt(h) by a dt / 2, a linear outlet
        leaves the share exp(-k dt). A store without outlet keeps all: the larger of the two remainders is taken by the
        kernel.
        """
        orifice = drains.root_coefficient > 0.0
        rates, which = np.unique(drains.decay_per_h, return_inverse=True)
        keep = np.array([math.exp(-rate * step_h) for rate in rates.tolist()])[which]
        rows = (
            intake_mm_h * step_h,
            drains.soak_mm_h * step_h * 0.5,
            np.where(orifice, drains.root_coefficient * step_h * 0.5, np.inf),
            np.where(orifice, 0.0, keep),
        )
        for row, values in enumerate(rows):
            self.set_of(number, row, values)

    def set_of(self, number: int, row: int, values: Floats | float) -> None:
        """Fill one row of a parameter set from a value per store."""
        self.sets[:, number, row, :] = self._spread(values)

    def clear(self) -> None:
        """Empty the stores, their substrate filled to its start, and forget all sums."""
        self.blocks[:, k.WET :, :] = 0.0
        self.blocks[:, k.HELD, :] = self.blocks[:, k.HELD_START, :]

    def run(self, weight: Floats, timeline: Timeline) -> Floats:
        """Run all lanes through the steps, on as many threads as the user allows; no byte depends on their number.

        Parameters
        ----------
        weight : (stores, classes) float64
            Square metres of each run-on class per square metre of host.
        timeline : Timeline

        Returns
        -------
        (blocks, saves, SAVED_ROWS, LANES) float64
            What the marked steps wrote out; see ``written``.
        """
        blocks = self.blocks.shape[0]
        weights, used = self._feed(weight)
        used[:, 0] = self._kinds()
        out = np.zeros((blocks, timeline.saves, k.SAVED_ROWS * k.LANES))
        flat, sets = self.blocks.reshape(blocks, -1), self.sets.reshape(blocks, self.sets.shape[1], -1)
        steps = (timeline.drivers, timeline.run_on, timeline.plan)

        def run_some(part: slice) -> None:
            k.simulate(flat[part], sets[part], weights[part], used[part], steps, out[part])

        threads = min(thread_count(), blocks)
        ends = np.linspace(0, blocks, min(blocks, PARTS_PER_THREAD * threads) + 1).astype(np.int64)
        parts = [slice(int(first), int(last)) for first, last in itertools.pairwise(ends)]
        if threads == 1:
            for part in parts:
                run_some(part)
        else:
            with ThreadPoolExecutor(threads) as pool:
                list(pool.map(run_some, parts))
        return out.reshape(blocks, timeline.saves, k.SAVED_ROWS, k.LANES)

    def _feed(self, weight: Floats) -> tuple[Floats, Ints]:
        """Return the weights of the classes that some lane of a block uses, and their columns after a free one."""
        blocks = self.blocks.shape[0]
        padded = np.zeros((blocks * k.LANES, weight.shape[1]))
        padded[self.place] = weight
        wide = padded.reshape(blocks, k.LANES, -1).transpose(0, 2, 1)
        has = wide.any(axis=2)
        most = int(has.sum(axis=1).max(initial=0))
        columns = np.argsort(~has, axis=1, kind="stable")[:, :most]
        used = np.full((blocks, 1 + most), -1, dtype=np.int64)
        used[:, 1:] = np.where(np.take_along_axis(has, columns, axis=1), columns, -1)
        return np.ascontiguousarray(np.take_along_axis(wide, columns[:, :, None], axis=1)), used

    def _kinds(self) -> Ints:
        """Return what some lane of each block has."""
        substrate = (self.blocks[:, k.SUBSTRATE] > 0.0).any(axis=1)
        orifice = np.isfinite(self.sets[:, 0, k.ROOT - k.INTAKE]).any(axis=1)
        limit = (self.blocks[:, k.LIMIT] > 0.0).any(axis=1)
        return np.asarray(k.SUBSTRATES * substrate + k.ORIFICES * orifice + k.LIMITS * limit, dtype=np.int64)

    def written(self, out: Floats, row: int, saves: slice) -> Floats:
        """Return one row of what ``run`` wrote out at some of its saves: (lanes, saves)."""
        return out[:, saves, row - k.WET, :].transpose(0, 2, 1).reshape(-1, len(range(*saves.indices(out.shape[1]))))

    def one_store_of_each(self) -> Ints:
        """Return a store of each lane: (lanes,), lanes that no store has at the end left out."""
        store = np.empty(self.count, dtype=np.int64)
        store[self.place[::-1]] = np.arange(self.place.size)[::-1]
        return store


def _hours_to_rest(drains: Drains, void_mm: Floats) -> Floats:
    """Return how long full void stores take to come to rest, at the sill where the ground takes nothing: (n,) [h]."""
    hours = emptying_hours(drains, void_mm, np.where(drains.soak_mm_h > 0.0, 0.0, np.minimum(drains.sill_mm, void_mm)))
    return np.where(np.isnan(hours), NEVER, hours)


def find_lanes(stores: Stores, soak_mm_h: Floats, weight: Floats) -> Ints:
    """Give each store its lane: the same to stores that are alike, neighbouring ones to those of one kind.

    Within a kind they go by how soon they come to rest, because a block is passed by once all of it rests.

    Parameters
    ----------
    stores : Stores
        n stores.
    soak_mm_h : (n,) float64
        As in ``open_drains``.
    weight : (n, classes) float64
        Run-on. Stores with any of several classes share their lane with no other.

    Returns
    -------
    (n,) int64
    """
    alone = np.zeros(len(stores.store_id))
    if weight.shape[1] == 1:
        alone = weight[:, 0]
    else:
        fed = np.flatnonzero(weight.any(axis=1))
        alone[fed] = 1.0 + np.arange(fed.size)
    kept = stores.intake_kept_per_year
    drains = open_drains(stores, soak_mm_h)
    rows = [
        drains.root_coefficient > 0.0,
        stores.substrate_mm > 0.0,
        _hours_to_rest(drains, stores.void_mm),
        alone,
        stores.void_mm,
        stores.sill_mm,
        stores.outlet_mm_h,
        stores.outlet_exponent,
        soak_mm_h * np.divide(stores.base_area_m2, stores.host_area_m2),
        stores.wetting_mm,
        stores.intake_mm_h,
        stores.substrate_mm,
        stores.substrate_start_fraction,
        stores.evaporation_factor,
        np.ones(alone.size) if kept is None else kept,
    ]
    order = np.lexsort(rows[::-1])
    table = np.stack(rows)[:, order]
    place = np.empty(order.size, dtype=np.int64)
    if order.size:
        place[order] = np.append(0, np.cumsum((table[:, 1:] != table[:, :-1]).any(axis=0)))
    return place

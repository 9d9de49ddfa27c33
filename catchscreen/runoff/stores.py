"""The generic store: its parameters made ready for the kernels, and what can be said of it without stepping.

A store has, from the top: a wetting layer, an intake limit, a substrate that holds water for plants, a void store that
soaks into the ground and drains through an outlet by head, and a brim. A part is switched off by zero. Depths are mm
over the host's plan area.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.records import Stores
from catchscreen.runoff import _store_kernels as k

Floats = NDArray[np.float64]

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

    def take(self, chosen: NDArray[np.int64]) -> Drains:
        """Return the drains of the chosen lanes."""
        return Drains(
            self.soak_mm_h[chosen], self.root_coefficient[chosen], self.decay_per_h[chosen], self.sill_mm[chosen]
        )


def open_drains(stores: Stores, soak_mm_h: Floats, *, shut: NDArray[np.bool_] | None = None) -> Drains:
    """Turn outflow at full head into the coefficients of the two laws, over the host area.

    Parameters
    ----------
    stores : Stores
        n stores.
    soak_mm_h : (n,) float64 [mm/h]
        Rate into the ground over the base area: the design rate for storms, the mean rate for years.
    shut : (n,) bool, optional
        Stores whose outfall is shut: nothing leaves by the outlet.

    Returns
    -------
    Drains
    """
    head = stores.void_mm - stores.sill_mm
    runs = (stores.outlet_mm_h > 0.0) & (head > 0.0)
    if shut is not None:
        runs &= ~shut
    is_orifice = stores.outlet_exponent < 0.75
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


class Lanes:
    """Stores packed in blocks for the kernel, with rows set and read by name.

    ``blocks`` is (blocks, ROWS, LANES) float64; lanes beyond the n stores are zero and never read.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self.blocks = np.zeros((max(1, -(-count // k.LANES)), k.ROWS, k.LANES))

    def set(self, row: int, values: Floats | float) -> None:
        """Fill one row from a value per store."""
        flat = np.zeros((self.blocks.shape[0], k.LANES))
        flat.reshape(-1)[: self.count] = values
        self.blocks[:, row, :] = flat

    def get(self, row: int) -> Floats:
        """Return one row, a value per store."""
        return np.ascontiguousarray(self.blocks[:, row, :]).reshape(-1)[: self.count]

    def set_fixed(self, stores: Stores, lanes: NDArray[np.int64]) -> None:
        """Set the parameters that do not depend on the step; ``lanes`` gives the store of each lane."""
        substrate = stores.substrate_mm[lanes]
        self.set(k.WETTING, stores.wetting_mm[lanes])
        self.set(k.FACTOR, stores.evaporation_factor[lanes])
        self.set(k.SUBSTRATE, substrate)
        self.set(k.DRYING, np.divide(1.0, substrate, out=np.zeros_like(substrate), where=substrate > 0.0))
        self.set(k.SILL, stores.sill_mm[lanes])
        self.set(k.VOID, stores.void_mm[lanes])

    def set_step(self, source: int, step_h: float, intake_mm_h: Floats, drains: Drains) -> None:
        """Set one of the two parameter sets (LONG or SHORT) for steps of the given length.

        The outlet over a step is exact for the head alone: an orifice lowers sqrt(h) by a dt / 2, a linear outlet
        leaves the share exp(-k dt). A store without outlet keeps all: the larger of the two remainders is taken by the
        kernel.
        """
        orifice = drains.root_coefficient > 0.0
        keep = np.array([math.exp(-rate * step_h) for rate in drains.decay_per_h])
        self.set(source, intake_mm_h * step_h)
        self.set(source + 1, drains.soak_mm_h * step_h)
        self.set(source + 2, np.where(orifice, drains.root_coefficient * step_h * 0.5, np.inf))
        self.set(source + 3, np.where(orifice, 0.0, keep))

    def clear(self, held_mm: Floats) -> None:
        """Empty the stores, their substrate filled to ``held_mm``, and forget all sums."""
        self.blocks[:, k.WET :, :] = 0.0
        self.set(k.HELD, held_mm)

    def clear_sums(self) -> None:
        """Forget the sums, keep what is stored."""
        self.blocks[:, k.AIR :, :] = 0.0

    def weights(self, class_weight: Floats) -> Floats:
        """Lay run-on weights (stores, classes) out by block: (blocks, classes, LANES)."""
        padded = np.zeros((self.blocks.shape[0] * k.LANES, class_weight.shape[1]))
        padded[: self.count] = class_weight
        return np.ascontiguousarray(padded.reshape(self.blocks.shape[0], k.LANES, -1).transpose(0, 2, 1))

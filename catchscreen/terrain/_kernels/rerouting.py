"""Water out of closed basins: along the way from the pass down to the pit, turned round."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import (
    FORWARD,
    OPPOSITE,
    OUTLET,
    OVER_EDGE,
    PIT,
)


@kernel
def reroute(
    code: NDArray[np.uint8],
    step: NDArray[np.int64],
    label: NDArray[np.int32],
    first_label: int,
    place: NDArray[np.int64],
    pit: NDArray[np.int64],
    part: tuple[int, int],
    total: NDArray[np.int32] | NDArray[np.int64],
    pass_cell: NDArray[np.int64],
) -> None:
    """Turn round the way from each basin's pass down to its pit, and lead it over the pass.

    A cell on the way then has above it what was beside the way from there on: the basin but for what came from the
    cell that is now below it.

    Parameters
    ----------
    code : flat framed uint8, changed in place. step : (9,) int64. label : flat framed int32. first_label : label of
    the first closed basin.
    place : (basins,) int64, exit pass of each closed basin (cell * 8 + forward direction), -1 where there is none.
    pit : (basins,) int64. part : first of the basins to do, and the one after the last.
    total : flat framed, cells upstream within each basin, changed in place.
    pass_cell : (basins,) int64, written: the basin's own cell beside its pass.
    """
    for basin in range(part[0], part[1]):
        if place[basin] < 0:
            pass_cell[basin] = -1
            continue
        i = place[basin] >> 3
        k = place[basin] & 7
        way = np.uint8(OUTLET) if k == OVER_EDGE else FORWARD[k]
        if label[i] != basin + first_label:
            i += step[way]
            way = OPPOSITE[way]
        pass_cell[basin] = i
        rest = total[pit[basin]]
        size = rest
        while True:
            old = code[i]
            code[i] = way
            above = total[i]
            total[i] = rest
            rest = size - above
            if old == PIT:
                break
            way = OPPOSITE[old]
            i += step[old]


@kernel
def fill_and_name(
    level: NDArray[np.int32],
    label: NDArray[np.int32],
    of_label: NDArray[np.int32],
    basin: NDArray[np.int32],
    filled: NDArray[np.int32],
) -> None:
    """Write the filled surface and the final basin of some cells.

    Parameters
    ----------
    level, label, basin, filled : (n,) int32; ``basin`` and ``filled`` are written, and ``basin`` may be ``label``
    itself. of_label : (2 x labels,) int32, spill level and final basin of each label, in turn.
    """
    for i in range(level.size):
        own = label[i]
        filled[i] = max(level[i], of_label[2 * own]) if own >= 0 else level[i]
        basin[i] = of_label[2 * own + 1] if own >= 0 else own


@kernel
def fill_to(
    level: NDArray[np.int32], label: NDArray[np.int32], spill: NDArray[np.int32], filled: NDArray[np.int32]
) -> None:
    """Write the filled surface of some cells.

    Parameters
    ----------
    level, label, filled : (n,) int32, ``filled`` is written. spill : (labels,) int32, level at which each spills.
    """
    for i in range(level.size):
        filled[i] = max(level[i], spill[label[i]]) if label[i] >= 0 else level[i]

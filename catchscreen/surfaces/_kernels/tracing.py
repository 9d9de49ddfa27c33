"""Which patch the water of each cell reaches first."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel


@kernel
def reach_patch(
    receiver: NDArray[np.int64],
    surface: NDArray[np.int32],
    parcel: NDArray[np.int64],
    patch: NDArray[np.int32],
    gap_cells: int,
) -> NDArray[np.int32]:
    """Follow the flow from each cell of a surface to the first patch of its parcel.

    The flow may run on over its own surface as far as that reaches, then over ``gap_cells`` cells of other ground, and
    must not leave the parcel. All arrays are flat, one value a cell: number of the receiver, of the surface and of the
    patch (-1 none), parcel number of the cell (-1 outside).

    Returns
    -------
    numpy.ndarray
        (cells,) int32 number of the patch, -1 where none is reached or the cell lies in a patch itself.
    """
    reached = np.full(receiver.size, -1, np.int32)
    for start in range(receiver.size):
        own = surface[start]
        if own < 0 or patch[start] >= 0:
            continue
        home = parcel[start]
        cell = receiver[start]
        gap = 0
        steps = 0
        while cell >= 0 and parcel[cell] == home and steps < receiver.size:
            if patch[cell] >= 0:
                reached[start] = patch[cell]
                break
            if surface[cell] != own:
                gap += 1
                if gap > gap_cells:
                    break
            cell = receiver[cell]
            steps += 1
    return reached

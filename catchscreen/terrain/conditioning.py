"""The ground made ready for the kernels: framed, with what lies off the data and what is a hole told apart."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels.directions import VOID, WALL

HIGHEST_TICKS: Final = 95_000_000
"""Levels stay within 9.5 km, so that the squares of drops are whole numbers in a float64."""

EIGHT: Final = np.ones((3, 3), dtype=np.int8)
"""Neighbours at sides and corners."""


def frame_levels(
    ground_ticks: NDArray[np.int32], valid: NDArray[np.bool_], holes: Literal["outlet", "wall"] = "outlet"
) -> NDArray[np.int32]:
    """Return the ground with a frame of one cell, VOID or WALL where there is no level.

    The rule of the data edge: a cell with a neighbour (of eight) off the grid or without level is an edge cell. An
    edge cell with a lower neighbour drains there; one without drains off the data; and a depression can spill over any
    edge cell. With ``holes="wall"`` patches without level that ground surrounds are no edge: no water
    enters them.

    Parameters
    ----------
    ground_ticks : (rows, cols) int32 [ticks of 0.1 mm]. valid : (rows, cols) bool.

    Returns
    -------
    (rows + 2, cols + 2) int32.

    Raises
    ------
    ValueError
        When a level lies beyond 9.5 km: then it is no level in metres.
    """
    rows, cols = ground_ticks.shape
    level = np.full((rows + 2, cols + 2), VOID, dtype=np.int32)
    inner = level[1:-1, 1:-1]
    np.copyto(inner, ground_ticks, where=valid)
    check_levels(ground_ticks[valid])
    if holes == "wall":
        _wall_off_holes(level)
    return level


def check_levels(on_ground: NDArray[np.int32]) -> None:
    """Refuse levels [ticks] beyond 9.5 km: they are no levels in metres."""
    if on_ground.size and max(int(on_ground.max()), -int(on_ground.min())) > HIGHEST_TICKS:
        raise ValueError(
            "a ground level lies beyond 9.5 km: give the levels in metres, or the vertical_unit they are in"
        )


def _wall_off_holes(level: NDArray[np.int32]) -> None:
    """Turn enclosed patches without level into walls, but for those that an island inside needs to drain into."""
    # Loaded here: it takes a tenth of the start, and most runs let holes drain.
    from scipy.ndimage import binary_dilation, label  # noqa: PLC0415

    ground = level != VOID
    patches, _ = label(~ground, structure=EIGHT)
    level[(patches != patches[0, 0]) & ~ground] = WALL
    islands, count = label(ground, structure=EIGHT)
    beside_void = binary_dilation(level == VOID, structure=EIGHT) & ground
    reached = np.zeros(count + 1, dtype=bool)
    reached[islands[beside_void]] = True
    cut_off = ground & ~reached[islands]
    if cut_off.any():
        holes = np.unique(patches[binary_dilation(cut_off, structure=EIGHT) & ~ground])
        level[np.isin(patches, holes[holes > 0]) & ~ground] = VOID


def unframe(framed: NDArray[np.int32]) -> NDArray[np.int32]:
    """Return a contiguous copy without the frame."""
    return np.ascontiguousarray(framed[1:-1, 1:-1])

"""Which neighbour takes a cell's water: steepest drop, compared exactly, ties by a fixed order of directions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel
from catchscreen.terrain._kernels.directions import (
    NO_GROUND,
    OUTLET,
    PIT,
    UNDECIDED,
    VOID,
    WALL,
)

SEVENS, EIGHTS = np.uint64(0x0707070707070707), np.uint64(0x0808080808080808)


@kernel
def steepest(
    level: NDArray[np.int32],
    first: int,
    last: int,
    weights: tuple[float, float, float],
    code: NDArray[np.uint8],
) -> None:
    """Write the flow codes of some rows: without a lower neighbour outlet, or undecided on a plateau, or else pit.

    A drop d counts d * d * weight of its direction. For square cells the weights are 2, 2 and 1: the squares of drops
    up to 9 km are whole numbers that a float64 holds exactly, so the comparison is one of integers.

    Parameters
    ----------
    level : (rows + 2, cols + 2) int32 [ticks], framed. first, last : rows, the frame's left out.
    weights : of east-west, north-south, diagonal. code : (rows + 2, cols + 2) uint8, written.
    """
    height, width = level.shape
    inner = width - 2
    weight_ew, weight_ns, weight_diagonal = weights
    for row in range(max(first, 1), min(last, height - 1)):
        here = level[row, 1 : width - 1]
        east = level[row, 2:width]
        west = level[row, 0:inner]
        north = level[row - 1, 1 : width - 1]
        south = level[row + 1, 1 : width - 1]
        north_east = level[row - 1, 2:width]
        north_west = level[row - 1, 0:inner]
        south_east = level[row + 1, 2:width]
        south_west = level[row + 1, 0:inner]
        out = code[row, 1 : width - 1]
        for col in range(inner):
            own = here[col]
            low_ew = min(east[col], west[col])
            low_ns = min(south[col], north[col])
            low_se_sw = min(south_east[col], south_west[col])
            low_nw_ne = min(north_west[col], north_east[col])
            low_diagonal = min(low_se_sw, low_nw_ne)
            high = max(east[col], west[col], south[col], north[col])
            high = max(high, south_east[col], south_west[col], north_west[col], north_east[col])
            drop_ew = max(float(own) - float(low_ew), 0.0)
            drop_ns = max(float(own) - float(low_ns), 0.0)
            drop_diagonal = max(float(own) - float(low_diagonal), 0.0)
            key_ew = drop_ew * drop_ew * weight_ew
            key_ns = drop_ns * drop_ns * weight_ns
            key_diagonal = drop_diagonal * drop_diagonal * weight_diagonal
            way_ew = np.int32(1) if east[col] == low_ew else np.int32(3)
            way_ns = np.int32(2) if south[col] == low_ns else np.int32(4)
            way_se_sw = np.int32(5) if south_east[col] == low_diagonal else np.int32(6)
            way_nw_ne = np.int32(7) if north_west[col] == low_diagonal else np.int32(8)
            way_diagonal = way_se_sw if low_se_sw == low_diagonal else way_nw_ne
            way = way_ns if (key_ns > key_ew) | ((key_ns == key_ew) & (way_ns < way_ew)) else way_ew
            key = max(key_ns, key_ew)
            way = way_diagonal if key_diagonal > key else way
            key = max(key_diagonal, key)
            equal = min(low_ew, low_ns, low_diagonal) == own
            rest = np.int32(UNDECIDED) if equal else np.int32(PIT)
            rest = np.int32(OUTLET) if high == VOID else rest
            way = way if key > 0.0 else rest
            out[col] = np.uint8(way if own < WALL else np.int32(NO_GROUND))


@kernel
def count_odd_words(words: NDArray[np.uint64]) -> int:
    """Count the words of eight codes with one that is no direction."""
    found = 0
    for i in range(words.size):
        found += int(((words[i] + SEVENS) & EIGHTS) != EIGHTS)
    return found


@kernel
def list_without_way(
    code: NDArray[np.uint8], words: NDArray[np.uint64], bounds: tuple[int, int], cells: NDArray[np.int64]
) -> int:
    """List the ground cells among some that go to no neighbour: outlets, pits, undecided ones; return how many.

    Directions are 1 to 8: with seven more they have the fourth bit set, and no other code has.

    Parameters
    ----------
    code : (n,) uint8, and the same as words of eight. bounds : first word and the word after the last; with the last of
    all go the codes that fill no word. cells : int64, written, with room for eight of each odd word and for the rest.
    """
    found = 0
    for word in range(bounds[0], bounds[1]):
        if ((words[word] + SEVENS) & EIGHTS) != EIGHTS:
            for i in range(8 * word, 8 * word + 8):
                if code[i] == UNDECIDED or code[i] == OUTLET or code[i] == PIT:
                    cells[found] = i
                    found += 1
    if bounds[1] == words.size:
        for i in range(8 * words.size, code.size):
            if code[i] == UNDECIDED or code[i] == OUTLET or code[i] == PIT:
                cells[found] = i
                found += 1
    return found

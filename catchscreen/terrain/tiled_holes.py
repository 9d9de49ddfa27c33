"""Holes in tiled ground as walls: patches without level that ground surrounds, whatever tiles they cross."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from catchscreen.terrain._kernels.directions import VOID, WALL
from catchscreen.terrain.conditioning import EIGHT, check_levels
from catchscreen.tiles import Room, Seams, Source, Store, Tile, Tiling, each_tile, framed_window, outer_lines

Ints = NDArray[np.int64]


class ReadyGround:
    """Levels by window as the kernels want them: WALL where a hole is a wall, and no level that is none in metres."""

    def __init__(self, source: Source, walls: Store | None) -> None:
        self.source = source
        self.walls = walls
        self.shape = source.shape

    def __getitem__(self, window: tuple[slice, slice]) -> NDArray[np.int32]:
        """Return the levels in a window."""
        level = np.array(self.source[window], dtype=np.int32)
        check_levels(level[level != VOID])
        if self.walls is not None:
            level[(level == VOID) & (self.walls[window] != 0)] = WALL
        return level


@dataclass(frozen=True, slots=True)
class _Patches:
    """The patches of one tile and its frame: which patch each cell is in, and what touches what.

    number : framed, from 0 each with its own number, ground and not. is_ground : (patches,) bool. meets : pairs of a
    ground patch and one without level that touch. outside : patches that lie off the grid.
    """

    number: NDArray[np.int32]
    is_ground: NDArray[np.bool_]
    meets: tuple[Ints, Ints]
    outside: Ints


def wall_off_holes(ground: Source, size: int, room: Room) -> Store:
    """Mark the holes that are walls, (rows, cols) uint8: those of ``conditioning.frame_levels`` with ``holes="wall"``.

    Parameters
    ----------
    ground : (rows, cols) int32 [ticks], VOID where there is none. size : cells along a tile's side.
    """
    rows, cols = ground.shape
    tiling = Tiling(rows, cols, size)
    seams = Seams(tiling, -1)
    found: list[tuple[Ints, NDArray[np.bool_], tuple[Ints, Ints], Ints]] = []
    first = [0]
    for tile, patches in each_tile(lambda tile: _patches(ground, tile), tiling):
        seams.put_lines(tile, [line + np.int64(first[-1]) for line in outer_lines(patches.number[1:-1, 1:-1])])
        frame = np.ones(patches.number.shape, dtype=np.bool_)
        frame[1:-1, 1:-1] = False
        found.append((patches.number[frame].astype(np.int64), patches.is_ground, patches.meets, patches.outside))
        first.append(first[-1] + patches.is_ground.size)
    is_wall = _walls(tiling, seams, found, first)
    store = room.make("walls", tiling, np.uint8)

    def write(tile: Tile) -> None:
        own = slice(first[tiling.place_of(tile)], first[tiling.place_of(tile) + 1])
        store.write(tile, is_wall[own][_patches(ground, tile).number[1:-1, 1:-1]].astype(np.uint8))

    for _ in each_tile(write, tiling):
        pass
    return store


def _patches(ground: Source, tile: Tile) -> _Patches:
    """Tell apart the patches of a tile with one row and column of its neighbours."""
    level = framed_window(ground, tile, VOID)
    known = level != VOID
    of_ground, count = label(known, structure=EIGHT)
    of_rest, others = label(~known, structure=EIGHT)
    number = np.where(known, of_ground - 1, of_rest - 1 + count).astype(np.int32)
    is_ground = np.arange(count + others) < count
    pairs = [np.empty(0, dtype=np.int64)]
    rows, cols = number.shape
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        one = number[: rows - down, max(-right, 0) : cols - max(right, 0)].ravel().astype(np.int64)
        two = number[down:, max(right, 0) : cols - max(-right, 0)].ravel().astype(np.int64)
        apart = is_ground[one] != is_ground[two]
        low, high = np.minimum(one[apart], two[apart]), np.maximum(one[apart], two[apart])
        pairs.append(np.unique(low * is_ground.size + high))
    meets = np.divmod(np.unique(np.concatenate(pairs)), max(is_ground.size, 1))
    return _Patches(number, is_ground, meets, np.unique(number[_off_the_grid(ground, tile)]).astype(np.int64))


def _off_the_grid(ground: Source, tile: Tile) -> NDArray[np.bool_]:
    """Tell which cells of a framed tile lie off the grid."""
    row = np.arange(tile.first_row - 1, tile.last_row + 1)
    col = np.arange(tile.first_col - 1, tile.last_col + 1)
    off_row, off_col = (row < 0) | (row >= ground.shape[0]), (col < 0) | (col >= ground.shape[1])
    off: NDArray[np.bool_] = off_row[:, None] | off_col[None, :]
    return off


def _walls(
    tiling: Tiling,
    seams: Seams,
    found: list[tuple[Ints, NDArray[np.bool_], tuple[Ints, Ints], Ints]],
    first: list[int],
) -> NDArray[np.bool_]:
    """Return which patches of all tiles, one tile's after the other's, are walls."""
    ones, twos = [], []
    for tile, (frame, _, _, _), start in zip(tiling, found, first, strict=False):
        others = np.full((tile.shape[0] + 2, tile.shape[1] + 2), -1, dtype=np.int64)
        seams.frame(tile, others)
        edge = np.ones(others.shape, dtype=np.bool_)
        edge[1:-1, 1:-1] = False
        beyond = others[edge]
        ones.append((frame + start)[beyond >= 0])
        twos.append(beyond[beyond >= 0])
    one, two = np.concatenate(ones), np.concatenate(twos)
    links = coo_array((np.ones(one.size, dtype=np.int8), (one, two)), shape=(first[-1], first[-1]))
    count, joined = connected_components(links, directed=False)
    is_ground = np.zeros(count, dtype=np.bool_)
    is_ground[joined] = np.concatenate([part[1] for part in found])
    outer = np.zeros(count, dtype=np.bool_)
    for (_, _, _, outside), start in zip(found, first, strict=False):
        outer[joined[outside + start]] = True
    ground = np.concatenate([joined[part[2][0] + start] for part, start in zip(found, first, strict=False)])
    rest = np.concatenate([joined[part[2][1] + start] for part, start in zip(found, first, strict=False)])
    reached = np.zeros(count, dtype=np.bool_)
    reached[ground[outer[rest]]] = True
    needed = np.zeros(count, dtype=np.bool_)
    needed[rest[~reached[ground]]] = True
    walls: NDArray[np.bool_] = (~is_ground & ~outer & ~needed)[joined]
    return walls

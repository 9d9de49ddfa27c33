"""Closed depressions: their tree, what they hold, where they spill, which are kept.

References
----------
Barnes, R., Callaghan, K. L., Wickert, A. D. (2020). Computing water flow through complex landscapes, part 2: finding
hierarchies in depressions and morphological segmentations. Earth Surface Dynamics 8, 431-445.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import HollowTree
from catchscreen.terrain._kernels import merging
from catchscreen.terrain._kernels.directions import COL_STEP, FORWARD, LOWEST, ROW_STEP
from catchscreen.terrain.routing import Routing
from catchscreen.units import TICKS_PER_M

Ints = NDArray[np.int64]
Histogram = tuple[Ints, Ints]
"""Distinct levels, ascending, and how many cells have each."""

CURVE_LEVELS: Final = 256
"""Levels listed for one hollow at most: with fewer distinct ground levels all of them, else evenly spaced ones."""

OUTSIDE: Final = -1


@dataclass(frozen=True, slots=True)
class Merging:
    """Every hollow of a ground, however small, in the order of merging (children before parents).

    parent, spill, exit_pass, target : see ``_kernels.merging.merge_hollows``. floor, floor_cell : lowest level and
    first cell at it. cells, level_sum : cells below the spill level and the sum of their levels.
    """

    basins: int
    parent: Ints
    spill: Ints
    exit_pass: Ints
    target: Ints
    floor: Ints
    floor_cell: Ints
    cells: Ints
    level_sum: Ints

    @property
    def volume(self) -> Ints:
        """Return what each hollow holds up to its spill level, in ticks x cells."""
        return self.spill * self.cells - self.level_sum


@dataclass(frozen=True, slots=True)
class Hollows:
    """The kept hollows of a ground.

    merging : all hollows. kept : (n,) numbers in ``merging``, ascending. tree : the same as records. outer_of_basin,
    home_of_basin : (closed basins,) number among the kept ones of the outermost / the smallest hollow in which the
    basin's water first gathers, or -1. outer : (n,) bool, outermost. holds_basin : (basins,) the kept outermost hollow
    that the basin is part of, as a number in ``merging``, or -1.
    """

    merging: Merging
    kept: Ints
    outer: NDArray[np.bool_]
    tree: HollowTree
    outer_of_basin: Ints
    home_of_basin: Ints
    holds_basin: Ints


def merge(routing: Routing) -> Merging:
    """Build the tree of all hollows of a routed ground and measure each."""
    graph = routing.graph
    parent, spill, exit_pass, target = merging.merge_hollows(graph.node_a, graph.node_b, graph.pass_ticks, graph.closed)
    cells, level_sum = merging.count_wet_cells(routing.level, graph.label, graph.outlets, parent, spill)
    floor_cell = np.full(parent.size, -1, dtype=np.int64)
    floor_cell[: graph.closed] = graph.seed_cell[graph.outlets :]
    flat = routing.level.ravel()
    floor = np.full(parent.size, np.iinfo(np.int64).max, dtype=np.int64)
    floor[: graph.closed] = flat[floor_cell[: graph.closed]]
    for child in np.flatnonzero(parent >= 0):
        above = parent[child]
        floor[above], floor_cell[above] = min((floor[above], floor_cell[above]), (floor[child], floor_cell[child]))
    return Merging(graph.closed, parent, spill, exit_pass, target, floor, floor_cell, cells, level_sum)


def find_hollows(routing: Routing, grid: Grid, options: TerrainOptions) -> Hollows:
    """Find the hollows that are worth an account of their own, and where the rest of the ground drains to.

    A hollow is kept when it is as deep, as large and as roomy as the options say and is either outermost or merges
    with another such hollow. A small pit inside a kept hollow is part of its floor and holds water with it. A small
    pit elsewhere is filled and holds nothing: its ground belongs to the hollow that it spills to.
    """
    every = merge(routing)
    worthy = _is_worthy(every, grid, options)
    kept_mark = _is_kept(every, worthy)
    kept = np.flatnonzero(kept_mark)
    number = np.full(every.parent.size, OUTSIDE, dtype=np.int64)
    number[kept] = np.arange(kept.size)
    outer_of = _outermost(every)
    home = _homes(every, kept_mark)
    home_number = np.where(home >= 0, number[home], OUTSIDE)
    outer_number = np.where(home >= 0, number[outer_of[np.maximum(home, 0)]], OUTSIDE)
    holds = np.where(kept_mark[outer_of[: every.basins]], outer_of[: every.basins], OUTSIDE)
    tree = _records(every, kept, number, home_number, routing, holds)
    return Hollows(every, kept, every.parent[kept] < 0, tree, outer_number, home_number, holds)


def note_filtered(found: Hollows, grid: Grid, options: TerrainOptions, run: Run) -> None:
    """State the filters, and how many outermost depressions they fill, which then hold nothing."""
    every = found.merging
    closed = (every.parent < 0) & (every.cells > 0) & (every.exit_pass >= 0)
    closed[found.kept] = False
    volume_m3 = float(every.volume[closed].sum() * (grid.cell_area_m2 / TICKS_PER_M))
    run.note(
        DataIssue(
            severity="note",
            code="hollow_filters",
            role="elevation",
            message=(
                f"hollows count from {options.hollow_min_depth_m:g} m deep, {options.hollow_min_area_m2:g} m2 wide and"
                f" {options.hollow_min_volume_m3:g} m3; {int(closed.sum()):,} smaller depressions outside of them, of"
                f" {volume_m3:,.0f} m3 in all, are filled and hold nothing"
            ),
            cure="change terrain.hollow_min_depth_m, hollow_min_area_m2 or hollow_min_volume_m3 to keep more or fewer",
        )
    )


def _is_worthy(every: Merging, grid: Grid, options: TerrainOptions) -> NDArray[np.bool_]:
    """Tell which hollows pass the filters of depth, area and volume, and have a way out."""
    deep = every.spill - every.floor >= round(options.hollow_min_depth_m * TICKS_PER_M)
    wide = every.cells * grid.cell_area_m2 >= options.hollow_min_area_m2
    roomy = every.volume * (grid.cell_area_m2 / TICKS_PER_M) >= options.hollow_min_volume_m3
    return deep & wide & roomy & (every.exit_pass >= 0)


def _is_kept(every: Merging, worthy: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell which worthy hollows are outermost or merge with another worthy one."""
    worthy_children = np.bincount(every.parent[worthy & (every.parent >= 0)], minlength=every.parent.size)
    above = np.maximum(every.parent, 0)
    return worthy & ((every.parent < 0) | (worthy_children[above] == 2))


def _outermost(every: Merging) -> Ints:
    """Return the outermost hollow that each hollow is part of."""
    outer = np.arange(every.parent.size)
    for hollow in range(every.parent.size - 1, -1, -1):
        if every.parent[hollow] >= 0:
            outer[hollow] = outer[every.parent[hollow]]
    return outer


def _homes(every: Merging, kept: NDArray[np.bool_]) -> Ints:
    """Return the kept hollow without kept hollows inside, in which each basin's water first gathers, or OUTSIDE.

    From a basin upwards: the first kept hollow is its home if none is kept inside. Else the part that the basin
    belongs to is full at once (it is too small to count) and spills to the part beside it; from an outermost hollow
    that is not kept, to the basin beyond its pass.
    """
    has_kept_inside = np.zeros(every.parent.size, dtype=bool)
    for hollow in range(every.parent.size):
        above = every.parent[hollow]
        if above >= 0 and (kept[hollow] or has_kept_inside[hollow]):
            has_kept_inside[above] = True
    home = np.full(every.basins, OUTSIDE, dtype=np.int64)
    done = np.zeros(every.basins, dtype=bool)
    for basin in range(every.basins):
        way = []
        at = basin
        found = OUTSIDE
        while at >= 0:
            if done[at]:
                found = int(home[at])
                break
            way.append(at)
            hollow = at
            while not kept[hollow] and every.parent[hollow] >= 0 and not has_kept_inside[every.parent[hollow]]:
                hollow = every.parent[hollow]
            if kept[hollow]:
                found = hollow
                break
            at = int(every.target[hollow])
        home[way] = found
        done[way] = True
    return home


def _records(every: Merging, kept: Ints, number: Ints, home_number: Ints, routing: Routing, holds: Ints) -> HollowTree:
    """Return the kept hollows as flat arrays, with their curves."""
    above = _next_kept_above(every, number)
    target = every.target[kept]
    into = np.where(target >= 0, home_number[np.maximum(target, 0)], OUTSIDE) if kept.size else kept
    pass_cell = _pass_cells(every, kept, routing)
    start, ticks, cells, volume = _curves(every, kept, above[kept], number, routing, holds)
    cols = routing.level.shape[1] - 2
    return HollowTree(
        parent=np.where(above[kept] >= 0, above[kept], OUTSIDE),
        spills_into=into,
        spill_ticks=every.spill[kept],
        floor_ticks=every.floor[kept],
        pass_cell=unframed_cells(pass_cell, cols),
        floor_cell=unframed_cells(every.floor_cell[kept], cols),
        curve_start=start,
        curve_ticks=ticks,
        curve_cells=cells,
        curve_volume_ticks=volume,
    )


def unframed_cells(cell: Ints, cols: int) -> Ints:
    """Turn framed cell numbers into those of the grid."""
    row, col = np.divmod(cell, cols + 2)
    return (row - 1) * cols + col - 1


def _next_kept_above(every: Merging, number: Ints) -> Ints:
    """Return the number of the nearest kept hollow that each hollow is part of, itself not counted; or -1."""
    above = np.full(every.parent.size, OUTSIDE, dtype=np.int64)
    for hollow in range(every.parent.size - 1, -1, -1):
        over = every.parent[hollow]
        if over >= 0:
            above[hollow] = number[over] if number[over] >= 0 else above[over]
    return above


def _pass_cells(every: Merging, kept: Ints, routing: Routing) -> Ints:
    """Return the framed cell of each kept hollow's exit pass that is the higher of the two: there water goes over."""
    place = routing.graph.place[every.exit_pass[kept]]
    lower_number, way = place >> 3, place & 7
    step = np.append((ROW_STEP * routing.level.shape[1] + COL_STEP)[FORWARD.astype(np.int64)], 0)
    other = lower_number + step[way]
    flat = routing.level.ravel()
    return np.where(flat[other] > flat[lower_number], other, lower_number)


def _curves(
    every: Merging, kept: Ints, above: Ints, number: Ints, routing: Routing, holds: Ints
) -> tuple[Ints, Ints, Ints, Ints]:
    """Return where each kept hollow's curve starts, and the levels, cells and volumes of all, one after the other."""
    graph = routing.graph
    room = int(every.cells[np.unique(holds[holds >= 0])].sum()) if every.basins else 0
    wet = merging.list_wet_cells(routing.level, graph.label, graph.outlets, holds, every.spill, room)
    first_kept = _next_kept_above(every, number)[: every.basins]
    first_kept = np.where(number[: every.basins] >= 0, number[: every.basins], first_kept)
    owner = first_kept[graph.label.ravel()[wet] - graph.outlets]
    own, ticks, counts = count_levels(owner, routing.level.ravel()[wet].astype(np.int64))
    bounds = np.searchsorted(own, np.arange(kept.size + 1))
    gathered: dict[int, list[Histogram]] = {}
    curves: list[tuple[Ints, Ints, Ints]] = []
    for hollow in range(kept.size):
        part = slice(int(bounds[hollow]), int(bounds[hollow + 1]))
        every_level = join_counts([*gathered.pop(hollow, []), (ticks[part], counts[part])])
        if above[hollow] >= 0:
            gathered.setdefault(int(above[hollow]), []).append(every_level)
        curves.append(curve_of(*every_level, int(every.spill[kept[hollow]])))
    start = np.zeros(kept.size + 1, dtype=np.int64)
    np.cumsum([curve[0].size for curve in curves], out=start[1:])
    joined = [np.concatenate([curve[part] for curve in curves] or [np.empty(0, dtype=np.int64)]) for part in range(3)]
    return start, joined[0], joined[1], joined[2]


def count_levels(owner: Ints, level: Ints) -> tuple[Ints, Ints, Ints]:
    """Return the distinct levels of each owner and how many cells have each: owner, level, cells, in this order.

    Parameters
    ----------
    owner : (n,) below 2^31. level : (n,) [ticks] within an int32.
    """
    key = (owner << 32) + (level - LOWEST)
    key.sort()
    start = np.flatnonzero(np.diff(key, prepend=key[:1] - 1))
    distinct = key[start]
    return distinct >> 32, (distinct & 0xFFFF_FFFF) + LOWEST, np.diff(start, append=key.size)


def join_counts(parts: list[Histogram]) -> Histogram:
    """Return the distinct levels of several lists of them, ascending, and how many cells have each."""
    if len(parts) == 1:
        return parts[0]
    ticks, counts = (np.concatenate([part[k] for part in parts]) for k in range(2))
    order = np.argsort(ticks, kind="stable")
    ticks, counts = ticks[order], counts[order]
    start = np.flatnonzero(np.diff(ticks, prepend=ticks[:1] - 1))
    return ticks[start], np.add.reduceat(counts, start) if start.size else counts


def level_curve(sorted_ticks: Ints, spill: int) -> tuple[Ints, Ints, Ints]:
    """Return the curve of ground levels, one for each cell, ascending: see ``curve_of``."""
    _, ticks, counts = count_levels(np.zeros(sorted_ticks.size, dtype=np.int64), sorted_ticks)
    return curve_of(ticks, counts, spill)


def curve_of(ticks: Ints, counts: Ints, spill: int) -> tuple[Ints, Ints, Ints]:
    """Return levels from floor to spill with the cells at or below each (and below the spill) and the volume under it.

    Between two listed levels the volume is exact where every distinct ground level is listed: it grows with the cells
    of the lower one.

    Parameters
    ----------
    ticks, counts : (n,) the distinct ground levels of the hollow's ground, ascending, and how many cells have each;
    those at or above ``spill`` do not count.
    """
    below = int(np.searchsorted(ticks, spill))
    ticks, counts = ticks[:below], counts[:below]
    levels = np.append(ticks, spill)
    if levels.size > CURVE_LEVELS:
        levels = spread_levels(int(levels[0]), spill)
    at = np.searchsorted(ticks, levels, side="right")
    cells, sums = (np.append(0, np.cumsum(values))[at] for values in (counts, counts * ticks))
    return levels, cells, levels * cells - sums


def spread_levels(floor: int, spill: int) -> Ints:
    """Return evenly spaced whole levels from floor to spill, both included, as many as are listed at most."""
    spread = np.linspace(0.0, float(spill - floor), CURVE_LEVELS)
    return np.unique(floor + np.rint(spread).astype(np.int64))

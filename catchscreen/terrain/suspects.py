"""Banks that dam a valley where no way through is known: suspected missing culverts, proposed and never made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.terrain._kernels.directions import WALL
from catchscreen.terrain.conditioning import unframe
from catchscreen.terrain.hollows import Hollows
from catchscreen.terrain.routing import Routing
from catchscreen.units import TICKS_PER_M

Ints = NDArray[np.int64]

BEARINGS: Final = 32
STARTS: Final = 256
DRAINED_SHARE: Final = 0.25
"""Water beyond the bank stands in the lowest quarter of the hollow's depth, or the way would drain little."""

LOWEST_SHARE: Final = 0.1
"""A culvert's upper end lies in the lowest tenth of the depth of what it drains."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """A line through a bank: cells at its ends, its length, the highest ground on it [ticks], the hollow behind it."""

    hollow: int
    upper: int
    lower: int
    length_m: float
    crest: int


def find_suspects(
    hollows: gpd.GeoDataFrame,
    found: Hollows,
    routing: Routing,
    natural: NDArray[np.int32],
    grid: Grid,
    options: TerrainOptions,
) -> gpd.GeoDataFrame:
    """Propose a line through the bank below each large hollow, where lower ground lies close behind it.

    The line is the shortest from the lowest part of the hollow to ground beyond the bank where water stands low, with
    natural ground (not a raised building) above the spill level between.

    Parameters
    ----------
    hollows : frame of the outermost hollows. natural : (rows + 2, cols + 2) int32, the framed ground before edits.

    Returns
    -------
    Index suspect_id, lines from the upper to the lower end; hollow_id, volume_behind_m3 (what the hollow holds above
    the upper end), bank_height_m (above the upper end), length_m, and what the culverts input asks for: kind,
    upstream_level_m, downstream_level_m (the ground at the ends).
    """
    filled, ground = unframe(routing.filled).ravel(), unframe(natural).ravel()
    level = unframe(routing.level).ravel()
    holds = _hollow_of_cells(found, routing, hollows["tree_number"].to_numpy())
    least_bank = round(options.suspect_min_bank_m * TICKS_PER_M)
    suspects = []
    for row in np.flatnonzero(hollows["volume_m3"].to_numpy() >= options.suspect_min_volume_m3):
        wet = np.flatnonzero((holds == row) & (filled > level))
        suspect = _through_the_bank(int(row), wet, (level, filled, ground), grid, options.suspect_longest_m)
        if suspect is not None and suspect.crest - int(level[suspect.upper]) >= least_bank:
            suspects.append(suspect)
    return _frame(suspects, hollows, found, (level, filled), grid)


def _hollow_of_cells(found: Hollows, routing: Routing, numbers: Ints) -> Ints:
    """Return, for each cell of the grid, the frame row of the outermost hollow that its basin is part of, or -1."""
    row_of = np.full(found.merging.parent.size + 1, -1, dtype=np.int64)
    row_of[found.kept[numbers]] = np.arange(numbers.size)
    graph = routing.graph
    lookup = np.concatenate([np.full(graph.outlets, -1), row_of[found.holds_basin], [-1, -1]])
    return lookup[unframe(graph.label).ravel()]


def _through_the_bank(
    row: int,
    wet: Ints,
    surfaces: tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]],
    grid: Grid,
    longest_m: float,
) -> Suspect | None:
    """Return the shortest way out of a hollow through its bank, None where there is none within the longest length."""
    level, filled, ground = surfaces
    spill = int(filled[wet[0]])
    floor = int(level[wet].min())
    low = wet[level[wet] <= floor + LOWEST_SHARE * (spill - floor)]
    drained = floor + DRAINED_SHARE * (spill - floor)
    start = low[:: max(1, low.size // STARTS)]
    step_m = min(grid.cell_width_m, grid.cell_height_m)
    start_row, start_col = np.divmod(start, grid.cols)
    crest = np.full((start.size, BEARINGS), floor, dtype=np.int64)
    bearing = np.arange(BEARINGS) * (2.0 * np.pi / BEARINGS)
    for number in range(1, int(longest_m / step_m) + 1):
        reach = number * step_m
        row_at = start_row[:, None] + np.rint(-np.cos(bearing) * reach / grid.cell_height_m).astype(np.int64)
        col_at = start_col[:, None] + np.rint(np.sin(bearing) * reach / grid.cell_width_m).astype(np.int64)
        inside = (row_at >= 0) & (row_at < grid.rows) & (col_at >= 0) & (col_at < grid.cols)
        cell = np.where(inside, row_at * grid.cols + col_at, 0)
        out = inside & (level[cell] < WALL) & (filled[cell] <= drained) & (crest > spill)
        if out.any():
            first, way = np.nonzero(out)
            best = np.lexsort((cell[out], start[first], crest[out], filled[cell[out]]))[0]
            lower = int(cell[first[best], way[best]])
            return Suspect(row, int(start[first[best]]), lower, reach, int(crest[first[best], way[best]]))
        known = inside & (ground[cell] < WALL)
        crest = np.maximum(crest, np.where(known, ground[cell], floor))
    return None


def _frame(
    suspects: list[Suspect],
    hollows: gpd.GeoDataFrame,
    found: Hollows,
    surfaces: tuple[NDArray[np.int32], NDArray[np.int32]],
    grid: Grid,
) -> gpd.GeoDataFrame:
    """Return the suspects as lines."""
    level, filled = surfaces
    upper = np.array([suspect.upper for suspect in suspects], dtype=np.int64)
    lower = np.array([suspect.lower for suspect in suspects], dtype=np.int64)
    rows = np.array([suspect.hollow for suspect in suspects], dtype=np.int64)
    crest = np.array([suspect.crest for suspect in suspects], dtype=np.int64)
    ends = np.stack([np.column_stack(grid.xy_of_cells(upper)), np.column_stack(grid.xy_of_cells(lower))], axis=1)
    held = np.maximum(level[upper], filled[lower])
    numbers = hollows["tree_number"].to_numpy()[rows]
    behind = [volume_above(found, int(number), int(tick)) for number, tick in zip(numbers, held, strict=True)]
    columns = {
        "hollow_id": hollows.index.to_numpy()[rows].astype(str),
        "volume_behind_m3": np.array(behind, dtype=np.float64) * (grid.cell_area_m2 / TICKS_PER_M),
        "bank_height_m": (crest - level[upper]) / TICKS_PER_M,
        "length_m": np.array([suspect.length_m for suspect in suspects], dtype=np.float64),
        "kind": np.full(len(suspects), "culvert", dtype=object),
        "upstream_level_m": level[upper] / TICKS_PER_M,
        "downstream_level_m": level[lower] / TICKS_PER_M,
    }
    index = [f"suspect-{number:03d}" for number in range(1, len(suspects) + 1)]
    frame = gpd.GeoDataFrame(columns, index=index, geometry=shapely.linestrings(ends), crs=grid.crs)
    frame.index.name = "suspect_id"
    return frame


def volume_above(found: Hollows, number: int, tick: int) -> int:
    """Return what a kept hollow holds above a level up to its spill level, in ticks x cells, from its curve."""
    tree = found.tree
    part = slice(int(tree.curve_start[number]), int(tree.curve_start[number + 1]))
    levels, volume = tree.curve_ticks[part], tree.curve_volume_ticks[part]
    below = int(np.interp(tick, levels, volume.astype(np.float64)))
    return int(volume[-1]) - below


def note_suspects(suspects: gpd.GeoDataFrame, run: Run) -> None:
    """Tell the user of each suspect: it is proposed, nothing was changed."""
    for name, row in suspects.iterrows():
        run.note(
            DataIssue(
                severity="unknown",
                code="suspected_missing_culvert",
                role="culverts",
                message=(
                    f"a bank of {row['bank_height_m']:.1f} m dams {row['volume_behind_m3']:.0f} m3"
                    f" in {row['hollow_id']}, with lower ground {row['length_m']:.0f} m away: is there a way through?"
                ),
                cure=(
                    "look on site. If there is a way through, copy its row from suspected_culverts into the layer"
                    " that [culverts] names (its columns are those of that input), correct its ends and levels, and run"
                    " again. Nothing was changed."
                ),
                feature=str(name),
                geometry=row.geometry,
            )
        )

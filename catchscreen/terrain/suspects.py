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
from catchscreen.terrain._kernels import banks
from catchscreen.terrain.hollows import Hollows
from catchscreen.tiles import Source
from catchscreen.units import TICKS_PER_M

Ints = NDArray[np.int64]

BEARINGS: Final = 32
STARTS: Final = 256
DRAINED_SHARE: Final = 0.25
"""Water beyond the bank stands in the lowest quarter of the hollow's depth, or the way would drain little."""

LOWEST_SHARE: Final = 0.1
"""A culvert's upper end lies in the lowest tenth of the depth of what it drains."""


@dataclass(frozen=True, slots=True)
class Surfaces:
    """Surfaces over a grid, (rows, cols) int32 each, of which windows are read.

    level, filled : the routed ground and its filled surface [ticks]. natural : the ground before edits [ticks]. wet :
    the frame row of the hollow that wets each cell at its spill level, -1 where it is dry.
    """

    level: Source
    filled: Source
    natural: Source
    wet: Source


@dataclass(frozen=True, slots=True)
class Suspect:
    """A line through a bank: cells at its ends, its length, the highest ground on it [ticks], the hollow behind it.

    upper_level, lower_level : the ground at its ends [ticks]. lower_filled : where water stands at the lower one.
    """

    hollow: int
    upper: int
    lower: int
    length_m: float
    crest: int
    upper_level: int
    lower_level: int
    lower_filled: int


@dataclass(frozen=True, slots=True)
class _Window:
    """The ground around a hollow, (rows, cols) each: level, filled surface, natural ground [ticks]; the hollow's row.

    corner : row and column of its first cell in the grid. wet : the cells of the window that the hollow wets.
    """

    row: int
    corner: tuple[int, int]
    level: NDArray[np.int32]
    filled: NDArray[np.int32]
    ground: NDArray[np.int32]
    wet: Ints


def find_suspects(
    hollows: gpd.GeoDataFrame, found: Hollows, surfaces: Surfaces, grid: Grid, options: TerrainOptions
) -> gpd.GeoDataFrame:
    """Propose a line through the bank below each large hollow, where lower ground lies close behind it.

    The line is the shortest from the lowest part of the hollow to ground beyond the bank where water stands low, with
    natural ground (not a raised building) above the spill level between. It is looked for in the window around the
    hollow alone.

    Parameters
    ----------
    hollows : frame of the outermost hollows.

    Returns
    -------
    Index suspect_id, lines from the upper to the lower end; hollow_id, volume_behind_m3 (what the hollow holds above
    the upper end), bank_height_m (above the upper end), length_m, and what the culverts input asks for: kind,
    upstream_level_m, downstream_level_m (the ground at the ends).
    """
    least_bank = round(options.suspect_min_bank_m * TICKS_PER_M)
    suspects = []
    large = np.flatnonzero(hollows["volume_m3"].to_numpy() >= options.suspect_min_volume_m3)
    for row, bounds in zip(large, shapely.bounds(hollows.geometry.to_numpy()[large]).reshape(-1, 4), strict=True):
        around = _window(int(row), bounds, surfaces, grid, options.suspect_longest_m)
        suspect = _through_the_bank(around, grid, options.suspect_longest_m)
        if suspect is not None and suspect.crest - suspect.upper_level >= least_bank:
            suspects.append(suspect)
    return _frame(suspects, hollows, found, grid)


def _window(row: int, bounds: NDArray[np.float64], surfaces: Surfaces, grid: Grid, longest_m: float) -> _Window:
    """Cut out the ground around a hollow as far as a line through its bank may reach."""
    left, bottom, right, top = bounds
    far_cols, far_rows = int(longest_m / grid.cell_width_m) + 2, int(longest_m / grid.cell_height_m) + 2
    first_col = max(round((left - grid.left) / grid.cell_width_m) - far_cols, 0)
    last_col = min(round((right - grid.left) / grid.cell_width_m) + far_cols, grid.cols)
    first_row = max(round((grid.top - top) / grid.cell_height_m) - far_rows, 0)
    last_row = min(round((grid.top - bottom) / grid.cell_height_m) + far_rows, grid.rows)
    cut = slice(first_row, last_row), slice(first_col, last_col)
    level, filled, ground = (
        np.ascontiguousarray(side[cut]) for side in (surfaces.level, surfaces.filled, surfaces.natural)
    )
    return _Window(row, (first_row, first_col), level, filled, ground, np.flatnonzero(surfaces.wet[cut] == row))


def _through_the_bank(around: _Window, grid: Grid, longest_m: float) -> Suspect | None:
    """Return the shortest way out of a hollow through its bank, None where there is none within the longest length."""
    wet, level = around.wet, around.level.ravel()
    spill = int(around.filled.ravel()[wet[0]])
    floor = int(level[wet].min())
    low = wet[level[wet] <= floor + LOWEST_SHARE * (spill - floor)]
    start = low[:: max(1, low.size // STARTS)]
    step_m = min(grid.cell_width_m, grid.cell_height_m)
    reach_m = np.arange(1, int(longest_m / step_m) + 1)[:, None] * step_m
    bearing = np.arange(BEARINGS) * (2.0 * np.pi / BEARINGS)
    down = np.rint(-np.cos(bearing) * reach_m / grid.cell_height_m).astype(np.int64)
    across = np.rint(np.sin(bearing) * reach_m / grid.cell_width_m).astype(np.int64)
    drained = floor + DRAINED_SHARE * (spill - floor)
    surfaces = around.level, around.filled, around.ground
    step, upper, lower, crest = banks.first_low_ground(surfaces, start, (down, across), spill, drained)
    if step < 0:
        return None
    return _suspect(around, np.array([upper, lower]), float(reach_m[step, 0]), crest, grid)


def _suspect(around: _Window, ends: Ints, length_m: float, crest: int, grid: Grid) -> Suspect:
    """Return a line between two cells of a window as a suspect of the whole grid."""
    row, col = np.divmod(ends, around.level.shape[1])
    upper, lower = ((row + around.corner[0]) * grid.cols + col + around.corner[1]).tolist()
    upper_level, lower_level = around.level.ravel()[ends].tolist()
    lower_filled = int(around.filled.ravel()[ends[1]])
    return Suspect(around.row, upper, lower, length_m, crest, upper_level, lower_level, lower_filled)


def _frame(suspects: list[Suspect], hollows: gpd.GeoDataFrame, found: Hollows, grid: Grid) -> gpd.GeoDataFrame:
    """Return the suspects as lines."""
    upper, lower, rows, crest, upper_level, lower_level, lower_filled = (
        np.array([getattr(suspect, name) for suspect in suspects], dtype=np.int64)
        for name in ("upper", "lower", "hollow", "crest", "upper_level", "lower_level", "lower_filled")
    )
    ends = np.stack([np.column_stack(grid.xy_of_cells(upper)), np.column_stack(grid.xy_of_cells(lower))], axis=1)
    held = np.maximum(upper_level, lower_filled)
    numbers = hollows["tree_number"].to_numpy()[rows]
    behind = [volume_above(found, int(number), int(tick)) for number, tick in zip(numbers, held, strict=True)]
    columns = {
        "hollow_id": hollows.index.to_numpy()[rows].astype(str),
        "volume_behind_m3": np.array(behind, dtype=np.float64) * (grid.cell_area_m2 / TICKS_PER_M),
        "bank_height_m": (crest - upper_level) / TICKS_PER_M,
        "length_m": np.array([suspect.length_m for suspect in suspects], dtype=np.float64),
        "kind": np.full(len(suspects), "culvert", dtype=object),
        "upstream_level_m": upper_level / TICKS_PER_M,
        "downstream_level_m": lower_level / TICKS_PER_M,
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

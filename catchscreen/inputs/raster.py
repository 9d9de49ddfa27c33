"""Rasters brought in: the ground in whole ticks, the surface model, and rasters of classes or depths.

Elevation is never resampled: only cut to the district, or averaged over whole blocks of cells for ``terrain.cell_m``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import rasterio.features
from numpy.typing import NDArray
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from catchscreen.brief_sources import RasterSource, Source
from catchscreen.grid import Grid
from catchscreen.inputs.desk import Bounds, Desk, refuse
from catchscreen.inputs.level_units import METRES, metres_per_unit
from catchscreen.inputs.machine import memory_bytes, too_many_cells
from catchscreen.inputs.reference import crs_name, horizontal, require_metric, same_system, source_crs
from catchscreen.inputs.tilesets import TileSet, open_tiles, read_block
from catchscreen.records import Raster
from catchscreen.units import TICKS_PER_M

LOWEST_M, HIGHEST_M = -500.0, 9000.0
STEEPEST_STEP_M: Final = 15.0
MOST_NODATA: Final = 0.05
HOLLOWS_RELIABLE_UP_TO_M: Final = 2.0
STRIP_CELLS: Final = 4_000_000
CHECK_CELLS: Final = 25_000_000
"""``check`` reads the levels of grids up to this size."""
BELOW_GROUND_M: Final = 0.3
STEP_OVER_SPREAD_MAX: Final = 0.4
FEWEST_TO_JUDGE: Final = 1000
"""A raster of fewer cells is not judged by its look."""


@dataclass(frozen=True, slots=True)
class GroundTiles:
    """The ground model before reading: its tiles, its horizontal CRS and the name of its vertical datum."""

    source: RasterSource
    tiles: TileSet
    crs: CRS
    datum: str


@dataclass(frozen=True, slots=True)
class Ground:
    """The ground read: (rows, cols) int32 ticks of 0.1 mm, bool mask, and their grid."""

    grid: Grid
    ticks: NDArray[np.int32]
    valid: NDArray[np.bool_]


def find_ground(desk: Desk) -> GroundTiles:
    """Find the elevation's tiles and settle the result's CRS.

    Raises
    ------
    InputsAtFault
        When tiles do not fit together or their CRS cannot carry areas.
    """
    source = desk.brief.elevation
    if not isinstance(source, RasterSource):
        raise refuse("wrong-type", source, "Elevation is no raster.", "Give a ground model as a raster.")
    tiles = open_tiles(source)
    crs, datum = horizontal(source_crs(tiles.crs, source))
    require_metric(crs, tiles.bounds, source)
    desk.crs = crs
    return GroundTiles(source, tiles, crs, source.vertical_datum or datum)


@dataclass(frozen=True, slots=True)
class _Cut:
    """A window of the tiles, in cells of the file, and how many of them make one cell of the result."""

    row: int
    col: int
    rows: int
    cols: int
    factor: int


def read_ground(found: GroundTiles, district: BaseGeometry, desk: Desk) -> Ground:
    """Read the ground inside the district.

    Raises
    ------
    InputsAtFault
        When the raster does not reach the district, would not fit into memory, or holds no plausible level.
    """
    tiles, source = found.tiles, found.source
    factor = _block_factor(tiles, desk, source)
    cut = _cut(tiles, _bounds_of(district), factor, source)
    grid = Grid(
        cut.rows // factor,
        cut.cols // factor,
        tiles.left + cut.col * tiles.cell_width,
        tiles.top - cut.row * tiles.cell_height,
        tiles.cell_width * factor,
        tiles.cell_height * factor,
        found.crs,
    )
    too_many = too_many_cells(grid.cell_count, grid.cell_width_m, memory_bytes())
    if too_many is not None:
        raise refuse("too-large", source, *too_many)
    inside = _inside(district, grid)
    if not desk.whole and cut.rows * cut.cols > CHECK_CELLS:
        desk.note("note", "levels-not-read", source, f"{cut.rows * cut.cols:,} cells: levels are read by screen only.")
        return Ground(grid, np.zeros(grid.shape, dtype=np.int32), inside)
    ticks, valid, hidden = _read_ticks(found, cut, grid, desk)
    valid &= inside
    ticks[~valid] = 0
    ground = Ground(grid, ticks, valid)
    _check_ground(ground, inside, source, desk)
    _note_cell(grid, factor, hidden, source, desk)
    return ground


def _bounds_of(shape: BaseGeometry) -> Bounds:
    left, bottom, right, top = shape.bounds
    return float(left), float(bottom), float(right), float(top)


def _block_factor(tiles: TileSet, desk: Desk, source: Source) -> int:
    """Return how many cells on a side make one cell of the result."""
    wanted = desk.brief.terrain.cell_m
    if wanted is None:
        return 1
    factor = round(wanted / tiles.cell_width)
    whole = factor >= 1 and math.isclose(factor * tiles.cell_width, wanted, rel_tol=1e-6)
    if not whole:
        low = max(math.floor(wanted / tiles.cell_width), 1)
        options = " or ".join(f"{number * tiles.cell_width:g}" for number in (low, low + 1))
        message = (
            f"terrain.cell_m = {wanted:g} is no whole multiple of the ground model's cell of {tiles.cell_width:g} m."
        )
        raise refuse("cell-size", source, message, f"Use {options}: elevation is averaged, never resampled.")
    return factor


def _cut(tiles: TileSet, bounds: Bounds, factor: int, source: Source) -> _Cut:
    """Return the window of whole blocks that covers the bounds, counted from the tiles' own corner."""
    left, bottom, right, top = bounds
    block_x, block_y = tiles.cell_width * factor, tiles.cell_height * factor
    row0 = max(math.floor((tiles.top - top) / block_y), 0)
    col0 = max(math.floor((left - tiles.left) / block_x), 0)
    row1 = min(math.ceil((tiles.top - bottom) / block_y), math.ceil(tiles.rows / factor))
    col1 = min(math.ceil((right - tiles.left) / block_x), math.ceil(tiles.cols / factor))
    if row0 >= row1 or col0 >= col1:
        message = (
            f"The ground model covers {_said(tiles.bounds)}, the district lies at {_said(bounds)}: they do not meet."
        )
        cure = "Name the ground model of this place, or correct the crs of the one that is wrong."
        raise refuse("no-overlap", source, message, cure)
    return _Cut(row0 * factor, col0 * factor, (row1 - row0) * factor, (col1 - col0) * factor, factor)


def _said(bounds: Bounds) -> str:
    left, bottom, right, top = bounds
    return f"x {left:.0f} to {right:.0f}, y {bottom:.0f} to {top:.0f}"


def _inside(district: BaseGeometry, grid: Grid) -> NDArray[np.bool_]:
    """Mark the cells whose centre lies in the district."""
    marked = rasterio.features.rasterize(
        [(district, 1)], out_shape=grid.shape, transform=grid.transform, fill=0, dtype="uint8"
    )
    return np.asarray(marked, dtype=np.bool_)


def _read_ticks(found: GroundTiles, cut: _Cut, grid: Grid, desk: Desk) -> tuple[Any, Any, tuple[float, float]]:
    """Read the window strip by strip into ticks; also the largest and the RMS height that averaging hides."""
    factor, metres = cut.factor, metres_per_unit(found.source, found.tiles, desk)
    ticks = np.zeros(grid.shape, dtype=np.int32)
    valid = np.zeros(grid.shape, dtype=np.bool_)
    strip = max(STRIP_CELLS // cut.cols // factor, 1)
    largest, squares, count, refused = 0.0, 0.0, 0, 0
    for row in range(0, grid.rows, strip):
        desk.run.check_stop()
        rows = min(strip, grid.rows - row)
        block, good = read_block(found.tiles, found.source, cut.row + row * factor, cut.col, (rows * factor, cut.cols))
        block *= metres
        implausible = good & ((block < LOWEST_M) | (block > HIGHEST_M))
        refused += int(implausible.sum())
        good &= ~implausible
        if factor > 1:
            block, good, spread = _average(block, good, factor)
            largest, squares, count = max(largest, spread[0]), squares + spread[1], count + int(good.sum())
        place = np.s_[row : row + rows]
        ticks[place] = np.rint(np.where(good, block, 0.0) * TICKS_PER_M).astype(np.int32)
        valid[place] = good
    _judge_refused(refused, int(valid.sum()), found.source, desk)
    return ticks, valid, (largest, math.sqrt(squares / count) if count else 0.0)


def _average(block: Any, good: Any, factor: int) -> tuple[Any, Any, tuple[float, float]]:
    """Average whole blocks of cells; a block needs data on at least half of its cells.

    Returns the means, their mask, and how far cells lie from their mean: the most, and the sum of mean squares.
    """
    shape = (block.shape[0] // factor, factor, block.shape[1] // factor, factor)
    cells, has = block.reshape(shape), good.reshape(shape)
    count = has.sum(axis=(1, 3))
    mean = np.where(has, cells, 0.0).sum(axis=(1, 3)) / np.maximum(count, 1)
    kept = count * 2 >= factor * factor
    off = np.where(has & kept[:, None, :, None], cells - mean[:, None, :, None], 0.0)
    squares = (off * off).sum(axis=(1, 3)) / np.maximum(count, 1)
    return mean, kept, (float(np.abs(off).max(initial=0.0)), float(squares.sum()))


def _judge_refused(refused: int, kept: int, source: RasterSource, desk: Desk) -> None:
    """Say that implausible levels were taken for holes, or refuse a raster made of them."""
    if refused > kept:
        message = f"{refused:,} cells are below {LOWEST_M:g} m or above {HIGHEST_M:g} m."
        cure = f"Set vertical_unit ({', '.join(METRES)}) or nodata, or check that the band holds levels."
        raise refuse("implausible-levels", source, message, cure)
    if refused:
        message = f"{refused:,} cells below {LOWEST_M:g} m or above {HIGHEST_M:g} m were taken for holes."
        desk.note("repair", "implausible-levels", source, message, cure="Set nodata if that is what they mean.")


def _check_ground(ground: Ground, inside: NDArray[np.bool_], source: Source, desk: Desk) -> None:
    """Refuse ground without data; note holes and steps."""
    if not ground.valid.any():
        cure = "Name the ground model of this place, or correct nodata or crs."
        raise refuse("no-overlap", source, "No cell of the ground model inside the district has a level.", cure)
    area = float(inside.sum()) or 1.0
    missing = 1.0 - float(ground.valid.sum()) / area
    if missing > MOST_NODATA:
        message = f"{missing:.0%} of the district's cells have no level (usual: under {MOST_NODATA:.0%})."
        desk.note("note", "many-holes", source, message, cure="Ask for a ground model without holes.")
    limit = int(STEEPEST_STEP_M * TICKS_PER_M)
    steps, total, count = 0, 0, 0
    for axis in (0, 1):
        both = _but_first(ground.valid, axis) & _but_last(ground.valid, axis)
        step = np.abs(np.diff(ground.ticks, axis=axis))[both]
        steps += int((step > limit).sum())
        total, count = total + int(step.sum(dtype=np.int64)), count + step.size
    _check_likeness(ground, total / max(count, 1), source, desk)
    if steps:
        message = f"{steps:,} steps between neighbouring cells exceed {STEEPEST_STEP_M:g} m."
        desk.note("note", "steep-steps", source, message, cure="Look for buildings, bridges or spikes left in it.")


def _check_likeness(ground: Ground, mean_step_ticks: float, source: Source, desk: Desk) -> None:
    """Note a raster that does not look like ground: all of one level, or without likeness between neighbours.

    On ground the mean step between neighbouring cells is a small part of the spread of all levels; on a raster of
    slopes, classes or an image it is not.
    """
    levels = ground.ticks[ground.valid]
    spread = float(levels.std())
    if spread == 0.0:
        message = "Every cell has the same level: water has nowhere to go."
        desk.note("note", "one-level", source, message, cure="Make sure that this is the ground model.")
    elif levels.size >= FEWEST_TO_JUDGE and mean_step_ticks > STEP_OVER_SPREAD_MAX * spread:
        message = (
            f"It does not look like ground levels: neighbouring cells differ by {mean_step_ticks / TICKS_PER_M:.2f} m "
            f"in the mean, while all cells spread over {spread / TICKS_PER_M:.2f} m (standard deviation)."
        )
        desk.note("note", "unlike-ground", source, message, cure="Make sure that it holds levels, not slopes or codes.")


def _but_first(values: NDArray[np.bool_], axis: int) -> NDArray[np.bool_]:
    return values[1:] if axis == 0 else values[:, 1:]


def _but_last(values: NDArray[np.bool_], axis: int) -> NDArray[np.bool_]:
    return values[:-1] if axis == 0 else values[:, :-1]


def _note_cell(grid: Grid, factor: int, hidden: tuple[float, float], source: Source, desk: Desk) -> None:
    """Note what the cell size hides."""
    if factor > 1:
        message = (
            f"Levels are means over {grid.cell_width_m:g} m: heights within a cell differ from them by "
            f"{hidden[1]:.2f} m (root mean square), at most {hidden[0]:.2f} m. Kerbs, walls and hollows narrower than "
            f"about {2 * grid.cell_width_m:g} m are not seen."
        )
        desk.note("note", "coarser-cells", source, message, cure="Leave out terrain.cell_m for the full detail.")
    if max(grid.cell_width_m, grid.cell_height_m) > HOLLOWS_RELIABLE_UP_TO_M:
        message = f"Cells of {grid.cell_width_m:g} m: hollows are unreliable (2 m or finer is needed)."
        desk.note("note", "coarse-ground", source, message, cure="Ask for a ground model of 0.5 to 2 m.")


def read_levels(source: Source, ground: GroundTiles, grid: Grid, desk: Desk) -> Raster:
    """Read a raster of levels or depths [m], on the ground's grid where cells agree, else on its own."""
    tiles = open_tiles(source)
    raster, datum = _read_values(source, tiles, grid)
    if isinstance(source, RasterSource):
        _check_datum(source, ground, datum)
    levels = np.asarray(raster.values * metres_per_unit(source, tiles, desk), dtype=np.float64)
    return Raster(raster.grid, levels, raster.valid)


def read_codes(source: Source, grid: Grid) -> Raster:
    """Read a raster of class codes as int64."""
    raster, _ = _read_values(source, open_tiles(source), grid)
    codes = np.where(raster.valid, raster.values, 0)
    if not np.array_equal(codes, np.rint(codes)):
        raise refuse("wrong-type", source, "The raster holds fractions, not class codes.", "Name the class raster.")
    return Raster(raster.grid, codes.astype(np.int64), raster.valid)


def _read_values(source: Source, tiles: TileSet, grid: Grid) -> tuple[Raster, str]:
    """Read a second raster's values within the area; also the name of its vertical datum."""
    crs, datum = horizontal(source_crs(tiles.crs, source))
    if not same_system(crs, grid.crs):
        message = f"Its coordinate system is {crs_name(crs)}, the elevation's is {crs_name(grid.crs)}."
        raise refuse("other-crs", source, message, f"Save it in {crs_name(grid.crs)}: rasters are not resampled here.")
    row = (tiles.top - grid.top) / tiles.cell_height
    col = (grid.left - tiles.left) / tiles.cell_width
    same = math.isclose(tiles.cell_width, grid.cell_width_m, rel_tol=1e-6) and math.isclose(
        tiles.cell_height, grid.cell_height_m, rel_tol=1e-6
    )
    if same and max(abs(row - round(row)), abs(col - round(col))) < 0.01:
        own, row0, col0 = grid, round(row), round(col)
    else:
        cut = _cut(tiles, grid.bounds, 1, source)
        own = _own_grid(tiles, cut, crs)
        row0, col0 = cut.row, cut.col
    values, valid = read_block(tiles, source, row0, col0, own.shape)
    if not valid.any():
        raise refuse("no-overlap", source, "No cell inside the district has a value.", "Name the raster of this place.")
    return Raster(own, values, valid), datum


def _own_grid(tiles: TileSet, cut: _Cut, crs: CRS) -> Grid:
    """Return the grid of a window of the tiles."""
    left = tiles.left + cut.col * tiles.cell_width
    top = tiles.top - cut.row * tiles.cell_height
    return Grid(cut.rows, cut.cols, left, top, tiles.cell_width, tiles.cell_height, crs)


def _check_datum(source: RasterSource, ground: GroundTiles, stored: str) -> None:
    """Refuse to mix levels above different datums.

    Raises
    ------
    InputsAtFault
        When both datums are known and differ.
    """
    own = source.vertical_datum or stored
    if own and ground.datum and own.casefold() != ground.datum.casefold():
        message = f"Its levels are above {own}, the ground model's above {ground.datum}."
        cure = "Give both above one datum; roof heights would be wrong by their difference."
        raise refuse("mixed-datums", source, message, cure)


def drop_below_ground(surface: Raster, ground: Ground, desk: Desk) -> Raster:
    """Take surface cells that lie under the ground for holes; only where both lie on one grid."""
    source = desk.brief.sources_of("surface_model")[0]
    if surface.grid.shape != ground.grid.shape or surface.grid.bounds != ground.grid.bounds:
        desk.note(
            "note",
            "own-grid",
            source,
            "It lies on a grid of its own and is not compared with the ground.",
        )
        return surface
    level = ground.ticks / TICKS_PER_M
    low = surface.valid & ground.valid & (surface.values < level - BELOW_GROUND_M)
    if not low.any():
        return surface
    message = f"{int(low.sum()):,} cells lie more than {BELOW_GROUND_M:g} m under the ground and were taken for holes."
    desk.note("repair", "below-ground", source, message, cure="Ask for a surface model without spikes.")
    return Raster(surface.grid, surface.values, surface.valid & ~low)

"""Whether footprints lie where the surface model, or a land-cover raster, has its buildings."""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely

from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs, Raster
from catchscreen.surfaces._kernels.coverage import burn_labels
from catchscreen.surfaces.coverage import pack_in_cells
from catchscreen.surfaces.derived import height_above_ground
from catchscreen.surfaces.overlay import Floats, Ints, Shapes
from catchscreen.surfaces.sources import local_shapes

REACH_M: Final = 6.0
"""Shifts up to this are looked for."""
LEAST_M: Final = 1.0
"""Smaller shifts are within what footprints and rasters leave open; neither is one below three quarters of a cell."""
LEAST_GAIN: Final = 0.03
"""The shifted footprints must hold this much more building than the others."""
TALL_M: Final = 2.2
"""What stands this far above the ground counts as building or tree."""
MOST_CELLS: Final = 100_000


def note_shifts(data: Inputs, origin: tuple[float, float], run: Run) -> None:
    """Report when footprints are shifted against the surface model or against the roofs of a land-cover raster."""
    if data.buildings is None or data.buildings.empty:
        return
    shapes = local_shapes(data.buildings, origin)
    shapes = shapes[~shapely.is_empty(shapes)]
    if data.surface_model is not None:
        found = measure_shift(shapes, _tall(data, data.surface_model), data.surface_model, origin)
        _note(found, data.surface_model, "surface_model", run)
    if isinstance(data.land_cover, Raster) and "roof" in data.cover_classes.values():
        codes = [code for code, name in data.cover_classes.items() if name == "roof"]
        roof = np.isin(data.land_cover.values, codes) & data.land_cover.valid
        found = measure_shift(shapes, roof.astype(np.float64), data.land_cover, origin)
        _note(found, data.land_cover, "land_cover", run)


def _note(found: tuple[float, float, float], raster: Raster, role: str, run: Run) -> None:
    """Report a shift that is large enough to be one."""
    east, north, gain = found
    distance = float(np.hypot(east, north))
    cell = max(raster.grid.cell_width_m, raster.grid.cell_height_m)
    if distance < max(LEAST_M, 0.75 * cell) or gain < LEAST_GAIN:
        return
    across = f"{abs(east):.1f} m {'east' if east >= 0 else 'west'}"
    along = f"{abs(north):.1f} m {'north' if north >= 0 else 'south'}"
    run.note(
        DataIssue(
            severity="note",
            code="footprints_shifted",
            role="buildings",
            message=f"the {role.replace('_', ' ')} has the buildings {across} and {along} of their footprints; "
            "nothing was moved",
            cure="Check the two layers' coordinate systems and transformations.",
        )
    )


def _tall(data: Inputs, model: Raster) -> Floats:
    """Return 1 where the surface model stands well above the ground, 0 elsewhere and where either is unknown."""
    with np.errstate(invalid="ignore"):
        return (height_above_ground(data, model) > TALL_M).astype(np.float64)


def measure_shift(
    shapes: Shapes, building: Floats, raster: Raster, origin: tuple[float, float]
) -> tuple[float, float, float]:
    """Find where the footprints would have to lie to hold most building cells.

    Parameters
    ----------
    shapes : footprints relative to ``origin`` [m]
    building : (rows, cols) 1 where the raster has a building

    Returns
    -------
    east_m, north_m : shift of the raster's buildings against the footprints, to a part of a cell
    gain : how much more building the footprints would hold there, as a share
    """
    row, col = _cells_of_footprints(shapes, raster, origin)
    if row.size == 0:
        return 0.0, 0.0, 0.0
    width, height = raster.grid.cell_width_m, raster.grid.cell_height_m
    rows, cols = max(1, round(REACH_M / height)), max(1, round(REACH_M / width))
    padded = np.pad(building, ((rows, rows), (cols, cols)))
    held = np.empty((2 * rows + 1, 2 * cols + 1))
    for down in range(2 * rows + 1):
        for right in range(2 * cols + 1):
            held[down, right] = padded[row + down, col + right].sum()
    best = np.unravel_index(int(np.argmax(held)), held.shape)
    down, right = int(best[0]), int(best[1])
    base = held[rows, cols]
    gain = float((held[down, right] - base) / base) if base > 0.0 else 0.0
    part_down, part_right = _vertex(held[:, right], down), _vertex(held[down], right)
    return (right + part_right - cols) * width, -(down + part_down - rows) * height, gain


def _cells_of_footprints(shapes: Shapes, raster: Raster, origin: tuple[float, float]) -> tuple[Ints, Ints]:
    """Return row and col of the cells that lie at least half in a footprint, evenly thinned where there are many."""
    packed = pack_in_cells(shapes, raster.grid, origin)
    rows, cols = raster.grid.shape
    label = burn_labels(packed.xy, packed.ring_start, packed.polygon_start, packed.bounds, rows, cols)
    cell = np.flatnonzero(label.ravel() >= 0)
    cell = cell[:: cell.size // MOST_CELLS + 1]
    return cell // cols, cell % cols


def _vertex(values: Floats, place: int) -> float:
    """Return where, between its neighbours, the parabola through the highest of three values has its top."""
    if place in (0, values.size - 1):
        return 0.0
    before, top, after = values[place - 1], values[place], values[place + 1]
    bend = before - 2.0 * top + after
    return float(0.5 * (before - after) / bend) if bend < 0.0 else 0.0

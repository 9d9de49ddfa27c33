"""Links: which ground drains onto which patch by gravity, and which roof could be led there."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from catchscreen.options import SurfaceOptions
from catchscreen.records import Inputs, Terrain
from catchscreen.surfaces._kernels.coverage import burn_labels
from catchscreen.surfaces._kernels.tracing import reach_patch
from catchscreen.surfaces.coverage import pack_in_cells
from catchscreen.surfaces.overlay import Ints, Shapes, chunks_in_threads
from catchscreen.surfaces.patches import ground_levels, mean_of

COLUMNS = ["patch_id", "surface_id", "area_m2", "way"]


def link_surfaces(
    surfaces: pd.DataFrame,
    patches: pd.DataFrame,
    scene: tuple[Inputs, Terrain],
    options: SurfaceOptions,
    origin: tuple[float, float],
) -> tuple[pd.DataFrame, pd.Series]:
    """Find what drains onto each paved patch from its own parcel.

    Gravity: the flow over the ground, followed from each cell of a paved surface, reaches the patch after at most
    ``run_on_distance_m`` of other ground, without leaving the parcel and without crossing a kerb line or wall that is
    given. Those that are not given can stop it, to be seen on site. Roof pipe: the roof lies within
    ``roof_pipe_distance_m`` and the ground under it is no lower.

    Returns
    -------
    links : patch_id, surface_id, area_m2 [m2], way ("gravity", "roof_pipe")
    planted_m2 : index patch_id, planted or bare ground that drains onto the patch (its silt clogs paving) [m2]
    """
    data, land = scene
    inside = surfaces[(surfaces["parcel_id"] != "") & surfaces["kind"].isin(["paved", "road", "planted"])]
    paved = patches[patches["ground"] == "paved"]
    share, cells = _flow_shares(inside, paved, (data, land), options, origin)
    pairs = pd.DataFrame(
        {"surface_id": inside.index.to_numpy(object)[cells[0]], "patch_id": paved.index.to_numpy(object)[cells[1]]}
    )
    pairs["area_m2"] = share * inside["area_m2"].to_numpy(float)[cells[0]]
    kind = inside["kind"].reindex(pairs["surface_id"]).to_numpy()
    planted = pairs[kind == "planted"].groupby("patch_id")["area_m2"].sum().reindex(patches.index).fillna(0.0)
    gravity = pairs[kind != "planted"].assign(way="gravity")
    roofs = surfaces[(surfaces["parcel_id"] != "") & (surfaces["kind"] == "roof")]
    piped = _roof_pipes(roofs, paved, (data, land), options, origin)
    links = pd.concat([gravity[COLUMNS], piped[COLUMNS]], ignore_index=True)
    return links.sort_values(["patch_id", "surface_id", "way"], kind="stable", ignore_index=True), planted


def _flow_shares(
    surfaces: pd.DataFrame,
    patches: pd.DataFrame,
    scene: tuple[Inputs, Terrain],
    options: SurfaceOptions,
    origin: tuple[float, float],
) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], tuple[Ints, Ints]]:
    """Return the share of each surface's cells whose flow reaches each patch, with the numbers (surface, patch)."""
    if surfaces.empty or patches.empty:
        return np.empty(0), (np.empty(0, np.int64), np.empty(0, np.int64))
    land = scene[1]
    shapes = surfaces["shape"].to_numpy(object), patches["shape"].to_numpy(object)
    surface, patch = chunks_in_threads(lambda part: _labels(shapes[part.start], land, origin), 2, 1)
    numbers = pd.Series(range(surfaces["parcel_id"].nunique()), index=np.unique(surfaces["parcel_id"].to_numpy(str)))
    parcel_of_surface = np.r_[numbers.reindex(surfaces["parcel_id"]).to_numpy(np.int64), -1]
    parcel_of_patch = np.r_[numbers.reindex(patches["parcel_id"]).to_numpy(np.int64), -1]
    parcel = np.where(patch >= 0, parcel_of_patch[patch], parcel_of_surface[surface])
    # At least one cell of other ground: a gap narrower than a cell cannot be seen in the flow.
    gap = max(1, round(options.run_on_distance_m / max(land.grid.cell_width_m, land.grid.cell_height_m)))
    reached = reach_patch(stopped_flow(*scene), surface, parcel, patch, gap)
    hit = np.flatnonzero(reached >= 0)
    codes, count = np.unique(surface[hit].astype(np.int64) * len(patches) + reached[hit], return_counts=True)
    number, target = np.divmod(codes, len(patches))
    total = np.bincount(surface[surface >= 0], minlength=len(surfaces))
    return count / total[number], (number, target)


def stopped_flow(data: Inputs, land: Terrain) -> Ints:
    """Return each cell's receiver, flat; -1 where the way to it crosses a kerb line or a wall.

    The way is the straight line between the middles of the two cells.
    """
    receiver = np.ascontiguousarray(land.receiver).ravel()
    layers = [layer.geometry.to_numpy() for layer in (data.kerbs, data.walls) if layer is not None and not layer.empty]
    lines = np.concatenate([np.empty(0, object), *layers])
    if lines.size == 0:
        return receiver
    # Only the cells beside a line are asked: points along the lines, no further apart than half a cell, find them.
    step = 0.5 * min(land.grid.cell_width_m, land.grid.cell_height_m)
    points = shapely.get_coordinates(shapely.segmentize(lines, step))
    shift = np.array([-1.0, 0.0, 1.0])
    x = points[:, 0, None, None] + shift[:, None] * land.grid.cell_width_m + 0.0 * shift
    y = points[:, 1, None, None] + shift * land.grid.cell_height_m + 0.0 * shift[:, None]
    cell = np.unique(land.grid.cells_of_xy(x.ravel(), y.ravel()))
    cell = cell[(cell >= 0) & (receiver[cell] >= 0)]
    ends = np.stack([np.column_stack(land.grid.xy_of_cells(end)) for end in (cell, receiver[cell])], axis=1)
    ways = shapely.linestrings(ends)
    crossing, _ = shapely.STRtree(lines).query(ways, predicate="intersects")
    stopped = receiver.copy()
    stopped[cell[crossing]] = -1
    return stopped


def _labels(shapes: Shapes, land: Terrain, origin: tuple[float, float]) -> np.ndarray[tuple[int], np.dtype[np.int32]]:
    """Return, flat, the number of the shape that holds at least half of each cell, or -1."""
    packed = pack_in_cells(shapes, land.grid, origin)
    rows, cols = land.grid.shape
    return burn_labels(packed.xy, packed.ring_start, packed.polygon_start, packed.bounds, rows, cols).ravel()


def _roof_pipes(
    roofs: pd.DataFrame,
    patches: pd.DataFrame,
    scene: tuple[Inputs, Terrain],
    options: SurfaceOptions,
    origin: tuple[float, float],
) -> pd.DataFrame:
    """Return the roofs that a downpipe and a channel could lead to a patch."""
    roof_shapes, patch_shapes = roofs["shape"].to_numpy(object), patches["shape"].to_numpy(object)
    if len(roof_shapes) == 0 or len(patch_shapes) == 0:
        return pd.DataFrame(columns=COLUMNS)
    distance = options.roof_pipe_distance_m
    roof, patch = _pairs_of_parcel(roofs["parcel_id"], patches["parcel_id"])
    level = mean_of(roof_shapes, ground_levels(scene[0]), scene[1], origin)
    lower = patches["ground_level_m"].to_numpy(float)[patch] <= level[roof] + 0.05
    roof, patch = roof[lower], patch[lower]
    shapely.prepare(patch_shapes)
    near = shapely.dwithin(patch_shapes[patch], roof_shapes[roof], distance)
    roof, patch = roof[near], patch[near]
    return pd.DataFrame(
        {
            "patch_id": patches.index.to_numpy(object)[patch],
            "surface_id": roofs.index.to_numpy(object)[roof],
            "area_m2": roofs["area_m2"].to_numpy(float)[roof],
            "way": "roof_pipe",
        }
    )


def _pairs_of_parcel(first: pd.Series, second: pd.Series) -> tuple[Ints, Ints]:
    """Return the pairs of rows of two columns that name one parcel, sorted by both."""
    names, code = np.unique(np.r_[first.to_numpy(str), second.to_numpy(str)], return_inverse=True)
    own, other = code[: len(first)], code[len(first) :]
    order = np.argsort(other, kind="stable")
    start = np.searchsorted(other[order], np.arange(names.size + 1))
    count = start[own + 1] - start[own]
    row = np.repeat(start[own] - np.r_[0, np.cumsum(count)[:-1]], count) + np.arange(count.sum())
    return np.repeat(np.arange(own.size), count), order[row]

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
from catchscreen.surfaces.overlay import Ints, Shapes
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
    ``run_on_distance_m`` of other ground and without leaving the parcel. Kerbs and walls are not in the data: they can
    stop it, to be seen on site. Roof pipe: the roof lies within ``roof_pipe_distance_m`` and the ground
    under it is no lower.

    Returns
    -------
    links : patch_id, surface_id, area_m2 [m2], way ("gravity", "roof_pipe")
    planted_m2 : index patch_id, planted or bare ground that drains onto the patch (its silt clogs paving) [m2]
    """
    data, land = scene
    inside = surfaces[(surfaces["parcel_id"] != "") & surfaces["kind"].isin(["paved", "road", "planted"])]
    paved = patches[patches["ground"] == "paved"]
    share, cells = _flow_shares(inside, paved, land, options, origin)
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
    surfaces: pd.DataFrame, patches: pd.DataFrame, land: Terrain, options: SurfaceOptions, origin: tuple[float, float]
) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], tuple[Ints, Ints]]:
    """Return the share of each surface's cells whose flow reaches each patch, with the numbers (surface, patch)."""
    if surfaces.empty or patches.empty:
        return np.empty(0), (np.empty(0, np.int64), np.empty(0, np.int64))
    surface = _labels(surfaces["shape"].to_numpy(object), land, origin)
    patch = _labels(patches["shape"].to_numpy(object), land, origin)
    numbers = pd.Series(range(surfaces["parcel_id"].nunique()), index=np.unique(surfaces["parcel_id"].to_numpy(str)))
    parcel_of_surface = np.r_[numbers.reindex(surfaces["parcel_id"]).to_numpy(np.int64), -1]
    parcel_of_patch = np.r_[numbers.reindex(patches["parcel_id"]).to_numpy(np.int64), -1]
    parcel = np.where(patch >= 0, parcel_of_patch[patch], parcel_of_surface[surface])
    # At least one cell of other ground: a gap narrower than a cell cannot be seen in the flow.
    gap = max(1, round(options.run_on_distance_m / max(land.grid.cell_width_m, land.grid.cell_height_m)))
    reached = reach_patch(np.ascontiguousarray(land.receiver).ravel(), surface, parcel, patch, gap)
    hit = np.flatnonzero(reached >= 0)
    codes, count = np.unique(surface[hit].astype(np.int64) * len(patches) + reached[hit], return_counts=True)
    number, target = np.divmod(codes, len(patches))
    total = np.bincount(surface[surface >= 0], minlength=len(surfaces))
    return count / total[number], (number, target)


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
    roof, patch = shapely.STRtree(patch_shapes).query(roof_shapes, predicate="dwithin", distance=distance)
    level = mean_of(roof_shapes, ground_levels(scene[0]), scene[1], origin)
    own = roofs["parcel_id"].to_numpy(str)[roof] == patches["parcel_id"].to_numpy(str)[patch]
    lower = patches["ground_level_m"].to_numpy(float)[patch] <= level[roof] + 0.05
    roof, patch = roof[own & lower], patch[own & lower]
    return pd.DataFrame(
        {
            "patch_id": patches.index.to_numpy(object)[patch],
            "surface_id": roofs.index.to_numpy(object)[roof],
            "area_m2": roofs["area_m2"].to_numpy(float)[roof],
            "way": "roof_pipe",
        }
    )

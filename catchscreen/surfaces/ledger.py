"""The ledger: one row for each distinct surface, sub-catchment, hollow, soil and sewer zone, with its square metres."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.records import Inputs, Terrain
from catchscreen.surfaces.coverage import label_cells, pack_in_cells
from catchscreen.surfaces.overlay import Floats, Ints, Shapes, runs_of
from catchscreen.surfaces.partition import cut, split_large, subtract_earlier
from catchscreen.surfaces.sources import local_shapes

OFF_GRID_M2 = 1e-6
"""Less than this beyond the grid is rounding."""

KEYS = ["surface_id", "subcatchment_id", "hollow_id", "soil_id", "zone_id"]


def divide_surfaces(surfaces: pd.DataFrame, data: Inputs, land: Terrain, origin: tuple[float, float]) -> pd.DataFrame:
    """Divide each surface by soil and sewer zone (exact overlay) and by sub-catchment and hollow (exact cell coverage).

    Parameters
    ----------
    surfaces : index surface_id; shape relative to ``origin``, area_m2 [m2]

    Returns
    -------
    pandas.DataFrame
        surface_id, subcatchment_id, hollow_id, soil_id, zone_id, area_m2; the areas of a surface add up to its own.
    """
    number, shapes = np.arange(len(surfaces)), surfaces["shape"].to_numpy(object)
    block = pd.factorize(surfaces["parcel_id"])[0].astype(np.int64)
    number, soil, shapes = _cut_by_layer(number, shapes, data.soils, origin, block)
    order, zone, shapes = _cut_by_layer(np.arange(number.size), shapes, data.sewer_zones, origin, block[number])
    # Part by part: a surface of scattered slivers would have half the parcel's cells read for it.
    part, shapes = split_large(shapes)
    number, soil, zone = number[order][part], soil[order][part], zone[part]
    piece, label, share = _shares_of_labels(shapes, land, origin)
    sub_number, hollow_number = label
    rows = _summed(
        (
            surfaces.index.to_numpy(object)[number[piece]],
            _names(land.subcatchments.index, sub_number),
            _names(land.hollows.index, hollow_number),
            soil[piece],
            zone[piece],
        ),
        share * shapely.area(shapes)[piece],
    )
    rows = rows[(rows["area_m2"] > 1e-9) | (rows["area_m2"] == rows.groupby("surface_id")["area_m2"].transform("max"))]
    # Rounding of the cuts is taken out: a surface's rows add up to the surface.
    total = rows.groupby("surface_id")["area_m2"].transform("sum")
    own = surfaces["area_m2"].reindex(rows["surface_id"]).to_numpy()
    return rows.assign(area_m2=rows["area_m2"] * own / total).reset_index(drop=True)


def _summed(keys: tuple[np.ndarray[tuple[int], np.dtype[np.object_]], ...], area: Floats) -> pd.DataFrame:
    """Add up the area of rows with equal keys, sorted by these."""
    code = np.zeros(area.size, np.int64)
    for names in keys:
        number, found = pd.factorize(names, sort=True)
        # Numbers of the pairs of all before and this one, in their order: they never outgrow the rows.
        code = np.unique(code * len(found) + number, return_inverse=True)[1]
    _, first = np.unique(code, return_index=True)
    table = pd.DataFrame({name: names[first] for name, names in zip(KEYS, keys, strict=True)})
    return table.assign(area_m2=np.bincount(code, weights=area))


def _names(index: pd.Index, number: Ints) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    """Return the id of each row number, "" for -1."""
    names = np.r_[index.to_numpy(str).astype(object), np.array([""], dtype=object)]
    return names[number]


def _cut_by_layer(
    number: Ints, shapes: Shapes, layer: gpd.GeoDataFrame | None, origin: tuple[float, float], block: Ints
) -> tuple[Ints, np.ndarray[tuple[int], np.dtype[np.object_]], Shapes]:
    """Cut pieces by a layer's polygons; where two of these overlap the first by id counts."""
    if layer is None or layer.empty:
        return number, np.full(number.size, "", dtype=object), shapes
    layer = layer.sort_index(kind="stable")
    own, _, _, _ = subtract_earlier(local_shapes(layer, origin))
    kept = ~shapely.is_empty(own)
    part_of, parts = split_large(own[kept])
    owner = _covering_owner(shapes, parts, block[number])
    across = np.flatnonzero(owner < 0)
    split, pieces = split_large(shapes[across])
    cuts = cut(pieces, parts)
    place = np.r_[np.flatnonzero(owner >= 0), across[split[cuts.feature]]]
    owner = np.r_[owner[owner >= 0], cuts.owner]
    shapes = np.concatenate([shapes[place[: place.size - cuts.owner.size]], cuts.shapes])
    names = np.r_[_names(layer.index[kept], part_of), np.array([""], dtype=object)]
    order = np.argsort(place, kind="stable")
    return number[place[order]], names[owner[order]], shapes[order]


def _covering_owner(shapes: Shapes, owners: Shapes, block: Ints) -> Ints:
    """Return the number of the polygon that holds all of each shape, -1 where none does: most need no overlay.

    Where it holds the box around a whole ``block`` of shapes, these are not asked one by one.
    """
    if shapes.size == 0:
        return np.empty(0, np.int64)
    order = np.argsort(block, kind="stable")
    starts, _ = runs_of(block[order])
    bounds = shapely.bounds(shapes)[order]
    low, high = np.minimum.reduceat(bounds[:, :2], starts), np.maximum.reduceat(bounds[:, 2:], starts)
    around = np.repeat(_owner_around(shapely.box(*low.T, *high.T), owners), np.diff(np.append(starts, order.size)))
    found = np.empty(shapes.size, np.int64)
    found[order] = around
    alone = np.flatnonzero(found < 0)
    found[alone] = _owner_around(shapes[alone], owners)
    return found


def _owner_around(shapes: Shapes, owners: Shapes) -> Ints:
    """Return the number of the polygon with each shape inside, off its outline; -1 where there is none."""
    found = np.full(shapes.size, -1, np.int64)
    owner, number = shapely.STRtree(shapes).query(owners, predicate="contains_properly")
    found[number] = owner
    return found


def _shares_of_labels(
    shapes: Shapes, land: Terrain, origin: tuple[float, float]
) -> tuple[Ints, tuple[Ints, Ints], Floats]:
    """Return for each piece (its number) the labels under it (sub-catchment, hollow; -1 none) and their shares."""
    grid = land.grid
    hollow_count = len(land.hollows) + 1
    code = (land.subcatchment_label.astype(np.int64) + 1) * hollow_count + land.hollow_label + 1
    # Number the pairs of labels that occur, without sorting the cells.
    occurs = np.zeros((len(land.subcatchments) + 1) * hollow_count, dtype=bool)
    occurs[code] = True
    codes = np.flatnonzero(occurs)
    labels = (np.cumsum(occurs) - 1)[code]
    piece, label, cells = label_cells(pack_in_cells(shapes, grid, origin), labels, codes.size)
    share = cells * grid.cell_area_m2 / shapely.area(shapes)[piece]
    kept = share > 1e-9
    piece, label, share = piece[kept], label[kept], share[kept]
    piece, found, share = _with_ground_off_grid(piece, codes[label], share, shapely.area(shapes))
    return piece, (found // hollow_count - 1, found % hollow_count - 1), share


def _with_ground_off_grid(piece: Ints, code: Ints, share: Floats, area: Floats) -> tuple[Ints, Ints, Floats]:
    """Give what lies off the grid the code 0 (no sub-catchment, no hollow) and make each piece's shares sum to one."""
    count = area.size
    total = np.bincount(piece, weights=share, minlength=count)
    off = np.flatnonzero(((1.0 - total) * area > OFF_GRID_M2) | (total == 0.0))
    piece = np.r_[piece, off]
    code = np.r_[code, np.zeros(off.size, np.int64)]
    share = np.r_[share, 1.0 - total[off]]
    order = np.lexsort((code, piece))
    piece, code, share = piece[order], code[order], share[order]
    return piece, code, share / np.bincount(piece, weights=share, minlength=count)[piece]


def largest_share(rows: pd.DataFrame, key: str, by: str) -> pd.Series:
    """Return for each ``key`` the value of ``by`` with most ground; of equals the first by name."""
    keys, names = (np.unique(rows[name].to_numpy(str), return_inverse=True) for name in (key, by))
    code, place = np.unique(keys[1] * names[0].size + names[1], return_inverse=True)
    sums = np.bincount(place, weights=rows["area_m2"].to_numpy(float))
    number = code // names[0].size
    order = np.lexsort((code, -sums, number))
    first = order[np.searchsorted(number[order], np.arange(keys[0].size))]
    return pd.Series(names[0].astype(object)[code[first] % names[0].size], index=pd.Index(keys[0].astype(object)))

"""Disjoint ground from overlapping polygons: the earlier wins, and every square metre is counted once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from catchscreen.surfaces.clipping import clipped, subtracted
from catchscreen.surfaces.overlay import (
    NOTHING_M2,
    Floats,
    Ints,
    Packed,
    Shapes,
    in_threads,
    overlapping_pairs,
    overlaps_of_earlier,
    pack,
    polygonal,
    runs_of,
    shared_area_of_pairs,
    unions_of_runs,
    without_dust,
)

ROUNDS = 2
"""Up to this many blockers are subtracted one after the other, more are joined first."""

REST_M2 = 20.0 * NOTHING_M2
"""Ground missing below this is rounding of several areas."""

VERTEX_LIMIT = 400
"""Polygons with more vertices are cut into quarters first: an overlay costs as much as both its polygons have."""


@dataclass(frozen=True, slots=True)
class Pieces:
    """Parts of features: ``feature`` and ``owner`` numbers (-1: no owner) and the parts' shapes."""

    feature: Ints
    owner: Ints
    shapes: Shapes


def split_large(shapes: Shapes, limit: int = VERTEX_LIMIT) -> tuple[Ints, Shapes]:
    """Cut multipolygons into parts and polygons of more than ``limit`` vertices into halves until each has fewer.

    Returns
    -------
    number : (parts,) the shape that each part belongs to, ascending
    parts : (parts,) polygons, none empty
    """
    parts, number = shapely.get_parts(shapes, return_index=True)
    done: list[tuple[Ints, Shapes]] = []
    number = number.astype(np.int64)
    for _ in range(24):
        large = shapely.get_num_coordinates(parts) > limit
        done.append((number[~large], parts[~large]))
        if not large.any():
            break
        parts, number = _halve(parts[large], number[large])
    else:
        done.append((number, parts))
    numbers = np.concatenate([part[0] for part in done])
    order = np.argsort(numbers, kind="stable")
    all_parts = np.concatenate([part[1] for part in done])[order]
    kept = shapely.area(all_parts) > 0.0
    return numbers[order][kept], all_parts[kept]


def _halve(parts: Shapes, number: Ints) -> tuple[Shapes, Ints]:
    """Cut each polygon across its longer side."""
    bounds = shapely.bounds(parts)
    middle = 0.5 * (bounds[:, :2] + bounds[:, 2:])
    wide = bounds[:, 2] - bounds[:, 0] >= bounds[:, 3] - bounds[:, 1]
    first_right = np.where(wide, middle[:, 0], bounds[:, 2] + 1.0)
    first_top = np.where(wide, bounds[:, 3] + 1.0, middle[:, 1])
    second_left = np.where(wide, middle[:, 0], bounds[:, 0] - 1.0)
    second_bottom = np.where(wide, bounds[:, 1] - 1.0, middle[:, 1])
    first = shapely.box(bounds[:, 0] - 1.0, bounds[:, 1] - 1.0, first_right, first_top)
    second = shapely.box(second_left, second_bottom, bounds[:, 2] + 1.0, bounds[:, 3] + 1.0)
    halves = np.concatenate([shapely.intersection(parts, first), shapely.intersection(parts, second)])
    pieces, index = shapely.get_parts(polygonal(halves), return_index=True)
    return pieces, np.concatenate([number, number])[index]


def subtract_earlier(shapes: Shapes) -> tuple[Shapes, Ints, Ints, Floats]:
    """Take from each polygon the ground of those before it.

    Returns
    -------
    shapes : (n,) disjoint polygons, some empty
    later, earlier, area_m2 : the pairs that overlapped, and by how much
    """
    later, earlier, area = overlaps_of_earlier(shapes)
    rest = shapes.copy()
    gone = later[area >= shapely.area(shapes)[later] - NOTHING_M2]
    rest[gone] = shapely.Polygon()
    left = ~np.isin(later, gone)
    take_away(rest, later[left], shapes, earlier[left])
    return rest, later, earlier, area


def take_away(
    rest: Shapes, number: Ints, blockers: Shapes, blocker: Ints, outlines: tuple[Packed, Ints] | None = None
) -> None:
    """Subtract from ``rest[number]`` each ``blockers[blocker]``, in place; ``number`` is ascending.

    ``outlines``: polygons, and the number for each row, that block as much of ``rest`` as the blockers do: those may be
    pieces of them that are cut to fit.
    """
    if number.size == 0:
        return
    if outlines is None:
        involved, place = np.unique(blocker, return_inverse=True)
        outlines = pack(blockers[involved]), place
    starts, ends = runs_of(number)
    own = number[starts]
    left, undone = subtracted(
        (pack(rest[own]), outlines[0]), np.arange(own.size), (np.r_[starts, ends[-1]], outlines[1])
    )
    done = np.ones(own.size, dtype=bool)
    done[undone] = False
    rest[own[done]] = left[done]
    rows = np.repeat(~done, ends - starts)
    if undone.size:
        _overlay_away(rest, number[rows], blockers, blocker[rows])


def _overlay_away(rest: Shapes, number: Ints, blockers: Shapes, blocker: Ints) -> None:
    """Do what `take_away` does by overlays."""
    starts, ends = runs_of(number)
    many = ends - starts > ROUNDS
    if many.any():
        own = number[starts[many]]
        joined = unions_of_runs(blockers[blocker], starts[many], ends[many])
        rest[own] = polygonal(in_threads(shapely.difference, rest[own], joined))
    for step in range(ROUNDS):
        # One blocker after the other, all shapes at once.
        rows = starts[~many & (ends - starts > step)] + step
        if rows.size == 0:
            break
        own = number[rows]
        rest[own] = polygonal(in_threads(shapely.difference, rest[own], blockers[blocker[rows]]))


def fill_cells(cells: Shapes, features: Shapes, overlaps: tuple[Ints, Ints]) -> Pieces:
    """Divide disjoint cells among features of which the first wins; what no feature covers comes with feature -1.

    The features are cut by the cells first: a difference costs as much as the polygon from which is taken.

    Parameters
    ----------
    cells : (n,) disjoint polygons, the pieces' owners [m]
    features : (m,) polygons, first in precedence first; what lies in no cell is left out [m]
    overlaps : later, earlier numbers of the features that share ground, sorted
    """
    outlines = pack(features), pack(cells)
    cell, feature, area = overlapping_pairs(cells, features, outlines[::-1])
    shapes = _pieces_of(features, cells, (feature, cell, area), outlines)
    piece, blocker = _blockers_in_cells(feature, cell, overlaps, features.size)
    involved, number = np.unique(np.r_[piece, blocker], return_inverse=True)
    packed = pack(shapes[involved])
    shared = shared_area_of_pairs(packed, packed, number[: piece.size], number[piece.size :])
    own, whole = shapes.copy(), shapely.area(shapes)
    gone = np.zeros(shapes.size, dtype=bool)
    gone[piece[shared >= whole[piece] - NOTHING_M2]] = True
    own[gone] = shapely.Polygon()
    kept = (shared > NOTHING_M2) & ~gone[piece]
    take_away(own, piece[kept], shapes, blocker[kept], (outlines[0], feature[blocker[kept]]))
    own = without_dust(own)
    # A piece that lies in a later one of its cell adds nothing to what both cover.
    covers = ~gone
    covers[blocker[kept & (shared >= whole[blocker] - NOTHING_M2)]] = False
    area = shapely.area(own)
    covered = np.bincount(cell, weights=area, minlength=cells.size)
    empty = np.flatnonzero(shapely.area(cells) - covered > REST_M2).astype(np.int64)
    rest = without_dust(_without(cells, empty, shapes[covers], cell[covers], (outlines[0], feature[covers])))
    kept, left = area > NOTHING_M2, shapely.area(rest) > NOTHING_M2
    return Pieces(
        np.r_[feature[kept], np.full(int(left.sum()), -1, np.int64)],
        np.r_[cell[kept], empty[left]],
        np.concatenate([own[kept], rest[left]]),
    )


def _blockers_in_cells(feature: Ints, cell: Ints, overlaps: tuple[Ints, Ints], count: int) -> tuple[Ints, Ints]:
    """Return the pairs (later, earlier) of pieces in one cell whose features (of ``count``) share ground somewhere."""
    later, earlier = overlaps
    begin = np.searchsorted(later, feature, side="left")
    length = np.searchsorted(later, feature, side="right") - begin
    piece = np.repeat(np.arange(feature.size), length)
    row = np.repeat(begin - np.r_[0, np.cumsum(length)[:-1]], length) + np.arange(piece.size)
    code = cell * count + feature
    wanted = cell[piece] * count + earlier[row]
    spot = np.minimum(np.searchsorted(code, wanted), max(code.size - 1, 0))
    found = code[spot] == wanted if code.size else np.zeros(0, dtype=bool)
    return piece[found], spot[found]


def cut(features: Shapes, owners: Shapes) -> Pieces:
    """Cut disjoint features by disjoint owners; what lies in no owner comes with owner -1.

    The parts of a feature add up to it: whole features and whole owners are taken as they are, only features that cross
    a border are overlaid.
    """
    outlines = pack(features), pack(owners)
    pairs = overlapping_pairs(features, owners, outlines)
    outside, rest = _rest_of(features, owners, pairs, outlines[1])
    return Pieces(
        np.r_[pairs[0], outside],
        np.r_[pairs[1], np.full(outside.size, -1, np.int64)],
        np.concatenate([_pieces_of(features, owners, pairs, outlines), rest]),
    )


def _pieces_of(
    features: Shapes, owners: Shapes, pairs: tuple[Ints, Ints, Floats], outlines: tuple[Packed, Packed]
) -> Shapes:
    """Return the ground that each pair of feature and owner shares, where its area is known already."""
    feature, owner, area = pairs
    if feature.size == 0:
        return np.empty(0, object)
    whole = area >= shapely.area(features)[feature] - NOTHING_M2
    owned = ~whole & (area >= shapely.area(owners)[owner] - NOTHING_M2)
    pieces = np.where(whole, features[feature], owners[owner])
    crossing = np.flatnonzero(~whole & ~owned)
    pieces[crossing], undone = clipped(outlines, (feature[crossing], owner[crossing]), area[crossing])
    rows = crossing[undone]
    shared = in_threads(shapely.intersection, features[feature[rows]], owners[owner[rows]])
    pieces[rows] = without_dust(polygonal(shared))
    return pieces


def uncovered(features: Shapes, owners: Shapes) -> tuple[Ints, Shapes]:
    """Return the features (their numbers) with ground in no owner, and that ground."""
    outlines = pack(features), pack(owners)
    return _rest_of(features, owners, overlapping_pairs(features, owners, outlines), outlines[1])


def _rest_of(
    features: Shapes, owners: Shapes, pairs: tuple[Ints, Ints, Floats], outlines: Packed
) -> tuple[Ints, Shapes]:
    """Return what is left of features whose pairs with owners (numbers and shared area) are known."""
    feature, owner, area = pairs
    covered = np.bincount(feature, weights=area, minlength=features.size)
    outside = np.flatnonzero(shapely.area(features) - covered > REST_M2).astype(np.int64)
    rest = _without(features, outside, owners[owner], feature, (outlines, owner))
    kept = shapely.area(rest) > NOTHING_M2
    return outside[kept], rest[kept]


def _without(shapes: Shapes, chosen: Ints, blockers: Shapes, number: Ints, outlines: tuple[Packed, Ints]) -> Shapes:
    """Return ``shapes[chosen]`` without the ``blockers`` of each, whose ``number`` (of their shape) is ascending."""
    start = np.searchsorted(number, chosen, side="left")
    count = np.searchsorted(number, chosen, side="right") - start
    rows = np.repeat(start - np.r_[0, np.cumsum(count)[:-1]], count) + np.arange(count.sum())
    rest = shapes[chosen]
    place = np.repeat(np.arange(chosen.size), count)
    take_away(rest, place, blockers, rows, (outlines[0], outlines[1][rows]))
    return rest


def tiles_of(shape: shapely.Geometry, side_m: float) -> Shapes:
    """Cut one large polygon into square tiles (corner at the origin), none empty."""
    if shape.is_empty:
        return np.empty(0, object)
    left, bottom, right, top = (np.floor(value / side_m) for value in shape.bounds)
    cols, rows = np.meshgrid(np.arange(left, right + 1), np.arange(bottom, top + 1))
    x, y = cols.ravel() * side_m, rows.ravel() * side_m
    boxes = shapely.box(x, y, x + side_m, y + side_m)
    shapely.prepare(shape)
    inside = shapely.contains_properly(shape, boxes)
    tiles = boxes.copy()
    tiles[~inside] = polygonal(shapely.intersection(shape, boxes[~inside]))
    return tiles[shapely.area(tiles) > NOTHING_M2]

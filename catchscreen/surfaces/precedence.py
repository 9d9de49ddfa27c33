"""Areas by precedence without geometry: how much of each polygon each owner has once the earlier polygons took theirs.

For totals over many owners; where the ground itself is wanted, `partition` makes it.
"""

from __future__ import annotations

import numpy as np
import shapely

from catchscreen.surfaces._kernels.triples import shared_areas_of_three
from catchscreen.surfaces.overlay import (
    NOTHING_M2,
    Floats,
    Ints,
    Packed,
    Shapes,
    in_chunks,
    pack,
    runs_of,
    shared_area_of_pairs,
    sorted_pairs,
)
from catchscreen.surfaces.partition import take_away


def areas_by_precedence(features: Shapes, owners: Shapes) -> tuple[Ints, Ints, Floats]:
    """Return (feature number, owner number, area [m2]) of the ground of each feature, without earlier features.

    A feature loses to each earlier one what they share. Where the earlier ones do not overlap each other these losses
    are areas that three polygons share, and add up; only the other features are overlaid.

    Parameters
    ----------
    features : (n,) polygons, first in precedence first [m]
    owners : (m,) polygons, each counted on its own [m]
    """
    packed, packed_owners = pack(features), pack(owners)
    tree = shapely.STRtree(features)
    later, earlier = tree.query(features)
    kept = earlier < later
    later, earlier = sorted_pairs(later[kept], earlier[kept])
    shared = shared_area_of_pairs(packed, packed, later, earlier)
    kept = shared > NOTHING_M2
    later, earlier, shared = later[kept], earlier[kept], shared[kept]
    owner, feature = tree.query(owners)
    feature, owner = sorted_pairs(feature, owner)
    area = shared_area_of_pairs(packed, packed_owners, feature, owner)
    tangled = _tangled(later, earlier, features.size)
    plain = ~np.isin(later, tangled)
    whole = shapely.area(features)
    loss = _losses(
        (packed, packed_owners), whole, (feature, owner, area), (later[plain], earlier[plain], shared[plain])
    )
    area = np.maximum(area - loss, 0.0)
    _overlay_tangled((features, packed_owners), (feature, owner, area), tangled, (later[~plain], earlier[~plain]))
    kept = area > NOTHING_M2
    return feature[kept], owner[kept], area[kept]


def _tangled(later: Ints, earlier: Ints, count: int) -> Ints:
    """Return the features of whose earlier ones some overlap each other."""
    starts, ends = runs_of(later)
    length = np.repeat(ends - starts, ends - starts)
    place = np.arange(later.size) - np.repeat(starts, ends - starts)
    codes = later * count + earlier
    found = [np.empty(0, np.int64)]
    for step in range(1, int(length.max(initial=1))):
        rows = np.flatnonzero(place + step < length)
        pair = earlier[rows + step] * count + earlier[rows]
        spot = np.minimum(np.searchsorted(codes, pair), codes.size - 1)
        found.append(later[rows[codes[spot] == pair]])
    return np.unique(np.concatenate(found))


def _losses(
    packed: tuple[Packed, Packed],
    whole: Floats,
    pairs: tuple[Ints, Ints, Floats],
    overlaps: tuple[Ints, Ints, Floats],
) -> Floats:
    """Return what each pair of feature (of area ``whole``) and owner loses to earlier features."""
    feature, owner, area = pairs
    later, earlier, shared = overlaps
    lost = np.bincount(later, weights=shared, minlength=whole.size)
    inside = area >= whole[feature] - NOTHING_M2
    loss = np.where(inside, lost[feature], 0.0)
    begin = np.searchsorted(later, feature, side="left")
    blockers = np.where(inside | (area <= NOTHING_M2), 0, np.searchsorted(later, feature, side="right") - begin)
    row = np.repeat(np.arange(feature.size), blockers)
    spot = np.repeat(begin - np.r_[0, np.cumsum(blockers)[:-1]], blockers) + np.arange(row.size)
    triple = np.column_stack([owner[row], feature[row], earlier[spot]])
    own, others = packed[1], packed[0]
    first = (own.xy, own.ring_start, own.polygon_start, own.bounds)
    second = (others.xy, others.ring_start, others.polygon_start, others.bounds)
    taken = in_chunks(lambda part: shared_areas_of_three(triple[part], *first, *second), len(triple), 4096)
    return loss + np.bincount(row, weights=taken, minlength=feature.size)


def _overlay_tangled(
    shapes: tuple[Shapes, Packed], pairs: tuple[Ints, Ints, Floats], tangled: Ints, overlaps: tuple[Ints, Ints]
) -> None:
    """Write the areas of the features that had to be overlaid, in place."""
    features, owners = shapes
    feature, owner, area = pairs
    rest = features[tangled]
    take_away(rest, np.searchsorted(tangled, overlaps[0]), features, overlaps[1])
    rows = np.flatnonzero(np.isin(feature, tangled))
    number = np.searchsorted(tangled, feature[rows])
    left = ~shapely.is_empty(rest)
    area[rows[~left[number]]] = 0.0
    rows, number = rows[left[number]], number[left[number]]
    spot = np.cumsum(left) - 1
    area[rows] = shared_area_of_pairs(pack(rest[left]), owners, spot[number], owner[rows])

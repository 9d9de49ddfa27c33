"""Blocks between the streets, and the plots that fill them: every plot has a front on a street."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from ambrel_vale import plan
from ambrel_vale.frame import Array, polygons_of, stream
from ambrel_vale.places import PLACES, Place
from ambrel_vale.streets import Quarter, Street, meadows

STEP_M = 1.8
FOOTWAY_EXTRA_M = 0.37
ROWS_WITHIN_M = 118.0


@dataclass(frozen=True)
class Manner:
    """How a style divides a block: greatest plot depth [m], frontage in steps (least, most), homes on a plot."""

    depth_m: float
    steps: tuple[int, int]
    homes: int


MANNERS = {
    "core": Manner(46.0, (10, 15), 1),
    "terrace": Manner(40.0, (24, 24), 8),
    "passage": Manner(40.0, (24, 24), 8),
    "semi": Manner(46.0, (13, 17), 2),
    "detached": Manner(62.0, (15, 21), 1),
    "industry": Manner(150.0, (24, 36), 0),
}


@dataclass(frozen=True)
class Plot:
    """A plot: its polygon, the two ends of its front, the style of its block."""

    polygon: Polygon
    front: Array
    style: str
    homes: int
    street: str


@dataclass(frozen=True)
class Ground:
    """An open piece: field, wood, common, meadow, back land, railway."""

    polygon: Polygon
    kind: str


def corridor(streets: list[Street]) -> tuple[BaseGeometry, BaseGeometry]:
    """Return the carriageways and the whole of the street corridors, kerbs rounded at the corners."""
    road = shapely.union_all([s.line.buffer(s.kerb_m, quad_segs=3) for s in streets])
    whole = shapely.union_all([s.line.buffer(s.kerb_m + s.footway_m + FOOTWAY_EXTRA_M, quad_segs=3) for s in streets])
    road = road.buffer(4.5, quad_segs=2).buffer(-4.5, quad_segs=2).simplify(0.3)
    whole = whole.union(road.buffer(1.5)).buffer(2.5, quad_segs=2).buffer(-2.5, quad_segs=2).simplify(0.3)
    return road.intersection(plan.DISTRICT), whole.intersection(plan.DISTRICT)


def site_outlines(taken: BaseGeometry) -> dict[str, Polygon]:
    """Return the outline of each named place, without streets and water and without its neighbours."""
    outlines: dict[str, Polygon] = {}
    used: list[Polygon] = []
    for place in PLACES:
        free = place.outline.difference(shapely.union_all([taken, *used]))
        parts = polygons_of(free)
        outline = max(parts, key=lambda p: p.area)
        outlines[place.name] = outline
        used.append(outline)
    return outlines


def _frontage(block: Polygon, whole: BaseGeometry) -> list[LineString]:
    """Return the parts of the block's ring that lie on a street, as whole lines."""
    ring = block.exterior.segmentize(6.0)
    on = ring.intersection(shapely.clip_by_rect(whole, *block.buffer(2.0).bounds))
    merged = shapely.line_merge(on) if on.geom_type != "LineString" else on
    lines = [g for g in shapely.get_parts(merged) if g.geom_type == "LineString" and g.length > 3 * STEP_M]
    if len(lines) == 1 and lines[0].is_ring:
        return [_from_corner(lines[0])]
    return lines


def _from_corner(ring: LineString) -> LineString:
    """Let a closed front begin at its sharpest corner."""
    line = ring.simplify(1.0)
    xy = np.asarray(line.coords)[:-1]
    before, after = xy - np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0) - xy
    turn = np.abs(
        np.angle(np.exp(1j * (np.arctan2(after[:, 1], after[:, 0]) - np.arctan2(before[:, 1], before[:, 0]))))
    )
    start = int(np.argmax(turn))
    full = np.asarray(ring.coords)[:-1]
    nearest = int(np.argmin(np.hypot(*(full - xy[start]).T)))
    rolled = np.roll(full, -nearest, axis=0)
    return LineString(np.vstack([rolled, rolled[:1]]))


def _corners(line: LineString, least_deg: float = 40.0) -> list[float]:
    """Return the distances along the line where it turns sharply."""
    plain = line.simplify(1.2)
    xy = np.asarray(plain.coords)
    if len(xy) < 3:
        return []
    step = np.diff(xy, axis=0)
    heading = np.arctan2(step[:, 1], step[:, 0])
    turn = np.abs(np.angle(np.exp(1j * np.diff(heading))))
    return [line.project(shapely.Point(p)) for p in xy[1:-1][turn > np.deg2rad(least_deg)]]


def _steps(spot: shapely.Point, style: str, rng: np.random.Generator) -> int:
    """Return a plot's frontage in steps: single houses about the passage, rows elsewhere."""
    if style == "passage" and spot.distance(shapely.Point(plan.passage_point(38.0))) < ROWS_WITHIN_M:
        return 5 if rng.random() < 0.17 else 3
    least, most = MANNERS[style].steps
    return int(rng.integers(least, most + 1))


def _fronts(line: LineString, style: str, rng: np.random.Generator) -> tuple[Array, list[tuple[float, float]]]:
    """Return sample distances along a front with the plot number of each, and each plot's stretch."""
    cuts = [0.0, *sorted(_corners(line)), line.length]
    stretches: list[tuple[float, float]] = []
    for a, b in pairwise(cuts):
        if b - a < 3 * STEP_M:
            if stretches:
                stretches[-1] = (stretches[-1][0], b)
            continue
        start = stretches[-1][1] if stretches and stretches[-1][1] < a else a
        count = int((b - start) // STEP_M)
        sizes: list[int] = []
        while sum(sizes) < count:
            sizes.append(_steps(line.interpolate(start + sum(sizes) * STEP_M), style, rng))
        spare = sum(sizes) - count
        if len(sizes) > 1 and sizes[-1] - spare < 0.6 * sizes[-1]:
            last = sizes.pop() - spare
            sizes[-1] += last
        else:
            sizes[-1] -= spare
        edges = start + np.cumsum([0, *sizes]) * (b - start) / sum(sizes)
        stretches += list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))
    samples = [
        (at, n)
        for n, (a, b) in enumerate(stretches)
        for at in a + (np.arange(max(2, round((b - a) / STEP_M))) + 0.5) * (b - a) / max(2, round((b - a) / STEP_M))
    ]
    return np.array(samples).reshape(-1, 2), stretches


def plots_of(
    block: Polygon, style: str, whole: BaseGeometry, name_of: shapely.STRtree, names: list[str]
) -> tuple[list[Plot], list[Ground]]:
    """Divide a block into plots along its fronts; ground too far back becomes back land."""
    manner = MANNERS[style]
    rng = stream(f"plots {block.centroid.x:.0f} {block.centroid.y:.0f}")
    lines = _frontage(block, whole)
    if not lines:
        return [], [Ground(block, "back")]
    back = (
        block.difference(shapely.union_all(lines).buffer(manner.depth_m))
        .buffer(-7.0)
        .buffer(7.0, join_style="mitre")
        .simplify(1.0)
    )
    backs = polygons_of(back.intersection(block), 1500.0)
    near = shapely.union_all(polygons_of(block.difference(shapely.union_all(backs)), 1.0)) if backs else block
    points, owner, fronts = [], [], []
    for line in lines:
        samples, stretches = _fronts(line, style, rng)
        for at, number in samples:
            points.append(line.interpolate(at))
            owner.append(len(fronts) + int(number))
        fronts += [np.array([line.interpolate(a).coords[0], line.interpolate(b).coords[0]]) for a, b in stretches]
    if len(points) < 4:
        return [], [Ground(block, "back")]
    plots = _cells(near, points, np.array(owner), len(fronts))
    made = []
    homes = manner.homes
    for polygon, front in zip(plots, fronts, strict=True):
        if polygon is None:
            continue
        width = float(np.hypot(*(front[1] - front[0])))
        count = max(1, int(width / 5.2)) if style in ("terrace", "passage") else homes
        street = names[int(name_of.nearest(shapely.Point(front.mean(axis=0))))]
        is_row = style == "passage" and width < 10.0
        made.append(Plot(polygon, front, "row" if is_row else style, 1 if is_row else count, street))
    return made, [Ground(p, "back") for p in backs]


def _cells(near: BaseGeometry, points: list[shapely.Point], owner: np.ndarray, count: int) -> list[Polygon | None]:
    """Return each plot's share of the ground: all that is nearer to its own front than to any other."""
    shapely.prepare(near)
    cells = shapely.get_parts(shapely.voronoi_polygons(shapely.MultiPoint(points), extend_to=near))
    cell, point = shapely.STRtree(points).query(cells, predicate="contains")
    share = np.full(len(cells), -1)
    share[cell] = owner[point]
    joined = [shapely.MultiPolygon(polygons_of(shapely.coverage_union_all(cells[share == n]))) for n in range(count)]
    raw = [shapely.intersection(j, near, grid_size=0.001) for j in joined]
    whole: list[Polygon | None] = []
    for piece in raw:
        parts = polygons_of(piece)
        whole.append(max(parts, key=lambda p: p.area) if parts and max(p.area for p in parts) > 22.0 else None)
    real = [i for i, p in enumerate(whole) if p is not None]
    smooth = shapely.coverage_simplify([whole[i] for i in real], 1.3, simplify_boundary=False)
    for i, piece in zip(real, smooth, strict=True):
        parts = polygons_of(shapely.make_valid(piece))
        whole[i] = max(parts, key=lambda p: p.area) if parts else None
    return whole


def divide(
    streets: list[Street], parts: list[Quarter], whole: BaseGeometry, waters: BaseGeometry
) -> tuple[list[Plot], list[Ground], dict[str, Polygon]]:
    """Return all plots, open pieces and the outlines of the named places."""
    sites = site_outlines(shapely.union_all([whole, waters]))
    rail = plan.RAILWAY.buffer(16.0, quad_segs=2).intersection(plan.DISTRICT)
    line_side = rail.difference(shapely.union_all([whole, waters, *sites.values()]))
    free = plan.DISTRICT.difference(shapely.union_all([whole, waters, rail, *sites.values()]))
    low = meadows().difference(shapely.union_all([p.buffer(6) for p in sites.values()]))
    grounds = [Ground(p, "railway") for p in polygons_of(line_side, 300.0)]
    grounds += [Ground(p, "meadow") for p in polygons_of(free.intersection(low), 300.0)]
    dry = free.difference(low)
    kerbs = whole.buffer(0.35, quad_segs=2)
    names, tree = [s.name for s in streets], shapely.STRtree([s.line for s in streets])
    plots: list[Plot] = []
    for quarter in parts:
        for block in polygons_of(dry.intersection(quarter.polygon), 160.0):
            if quarter.style == "open":
                grounds.append(Ground(block, "open"))
                continue
            found, back = plots_of(block, quarter.style, kerbs, tree, names)
            plots += found
            grounds += back
    return plots, grounds, sites


def place_named(name: str) -> Place:
    """Return the named place."""
    return next(p for p in PLACES if p.name == name)

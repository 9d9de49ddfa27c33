"""Land cover: every piece of ground named once, before buildings and streets are laid over it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from ambrel_vale import plan
from ambrel_vale.blocks import Ground, Plot
from ambrel_vale.frame import polygons_of, stream
from ambrel_vale.places import PLACES
from ambrel_vale.streets import Street

PAVED = ("asphalt", "concrete", "block_paving", "gravel", "mixed_hard")


@dataclass(frozen=True)
class Piece:
    """A piece of land cover: class, use of the ground, and the line of the cover table that it counts in."""

    polygon: BaseGeometry
    cover_class: str
    ground_use: str
    line: str


@dataclass(frozen=True)
class Field:
    """An open parcel: fields, woods, commons, meadows, back land, railway, kerbside bays."""

    polygon: BaseGeometry
    name: str
    land_use: str
    owner_class: str
    cover_class: str
    line: str


def bays_of(streets: list[Street], road: BaseGeometry) -> list[tuple[Polygon, str]]:
    """Return kerbside bays as strips along both kerbs of the terraced streets, clear of the junctions."""
    made: list[tuple[Polygon, str]] = []
    with_bays = [s for s in streets if s.bay_m > 0.0]
    for street in with_bays:
        others = [
            s.line.buffer(s.kerb_m + 7.0) for s in streets if s is not street and s.line.distance(street.line) < 30.0
        ]
        ends = [shapely.Point(street.line.coords[i]).buffer(11.0) for i in (0, -1)]
        blocked = shapely.union_all([*others, *ends])
        for side in (1.0, -1.0):
            line: LineString = street.line.offset_curve(side * (street.kerb_m - street.bay_m / 2.0))
            strip = (
                line.buffer(street.bay_m / 2.0, cap_style="flat").intersection(road.buffer(-0.02)).difference(blocked)
            )
            made += [(p, street.name) for p in polygons_of(strip, 60.0)]
    clean: list[tuple[Polygon, str]] = []
    for polygon, name in made:
        free = polygons_of(polygon.difference(shapely.union_all([c for c, _ in clean])), 60.0)
        clean += [(p, name) for p in free]
    return clean


def split_open(grounds: list[Ground], cut_y: float) -> list[Field]:
    """Divide the open ground above the town into fields and woods, and the rest into commons, meadows and back land."""
    xs = np.linspace(-10.0, 2410.0, 121)
    wavy = np.column_stack([xs, cut_y + 38.0 * np.sin(xs / 190.0) + 16.0 * np.sin(xs / 71.0 + 1.0)])
    upper = Polygon([*wavy.tolist(), (2410.0, 2600.0), (-10.0, 2600.0)])
    made: list[Field] = []
    for ground in grounds:
        made += _fields_of(ground, upper)
    return made


def _fields_of(ground: Ground, upper: Polygon) -> list[Field]:
    shape, spot = ground.polygon, ground.polygon.representative_point()
    if ground.kind == "railway":
        return [Field(shape, "", "railway", "public_body", "grass", "gardens and parks")]
    if ground.kind == "meadow":
        return [
            Field(p, "Orle Meadows" if p.area > 20_000 else "", "open", "council", "grass", "gardens and parks")
            for p in [shape]
        ]
    if ground.kind == "back":
        return [
            Field(shape, "", "open", "council" if spot.x > 1100 else "private_single", "grass", "gardens and parks")
        ]
    if spot.y > 2050.0:
        high = [f for p in polygons_of(shape.intersection(upper), 200.0) for f in _farm(p)]
        low = [
            Field(p, "Ambrel Common" if p.area > 5_000 else "", "park", "council", "grass", "gardens and parks")
            for p in polygons_of(shape.difference(upper), 0.5)
        ]
        return high + low
    if spot.x > 1600.0 and spot.y < 800.0:
        return _farm(shape)
    return [Field(shape, "", "park", "council", "grass", "gardens and parks")]


def _farm(shape: Polygon) -> list[Field]:
    """Divide open land into fields of some hectares, a wood among them."""
    rng = stream(f"farm {shape.centroid.x:.0f} {shape.centroid.y:.0f}")
    west, south, east, north = shape.bounds
    xs = np.arange(west + 90.0, east + 90.0, 205.0)
    ys = np.arange(south + 80.0, north + 80.0, 190.0)
    points = [shapely.Point(x + rng.uniform(-60, 60), y + rng.uniform(-55, 55)) for x in xs for y in ys]
    cells = (
        shapely.get_parts(shapely.voronoi_polygons(shapely.MultiPoint(points), extend_to=shape))
        if len(points) > 1
        else [shape.envelope]
    )
    made: list[Field] = []
    for cell in sorted(cells, key=lambda c: (round(c.centroid.x, 1), round(c.centroid.y, 1))):
        for part in polygons_of(shape.intersection(cell), 0.5):
            wood = rng.random() < 0.24
            made.append(Field(part, "", "open", "private_single", "woodland" if wood else "grass", "fields and wood"))
    return made


def plot_pieces(plots: list[Plot], hard: dict[int, BaseGeometry]) -> list[Piece]:
    """Return the hard ground of all plots, a piece for each street block and kind, and the gardens around it."""
    numbers = np.array(sorted(hard))
    shapes = np.array([hard[n] for n in numbers], dtype=object)
    kinds = np.array([_hard_kind(plots[n]) for n in numbers], dtype=object)
    tree = shapely.STRtree(shapes)
    pieces: list[Piece] = []
    for block in street_blocks(plots):
        here = np.sort(tree.query(block, predicate="intersects"))
        planted: BaseGeometry = block
        for kind in sorted({tuple(k) for k in kinds[here]}):
            mine = shapely.union_all([shapes[i] for i in here if tuple(kinds[i]) == kind], grid_size=0.001)
            parts = polygons_of(mine.intersection(block), 4.0)
            pieces += [Piece(shapely.MultiPolygon(parts), *kind)] if parts else []
            planted = planted.difference(shapely.union_all(parts))
        pieces += [Piece(p, "garden", "", "gardens and parks") for p in polygons_of(planted, 2.0)]
    return pieces


def _hard_kind(plot: Plot) -> tuple[str, str, str]:
    """Return class, use and line of the cover table of a plot's hard ground."""
    if plot.style == "industry":
        use = "goods_yard" if plot.polygon.area > 2500 else "yard"
        return "concrete", use, "car parks, yards, playgrounds"
    if plot.style == "core":
        return "asphalt", "yard", "car parks, yards, playgrounds"
    return "mixed_hard", "driveway", "domestic hard ground"


def street_blocks(plots: list[Plot]) -> list[Polygon]:
    """Return the outlines of all plots that lie together."""
    return polygons_of(shapely.coverage_union_all([p.polygon for p in plots]).buffer(0.0).simplify(0.03))


def site_pieces(sites: dict[str, Polygon], green: float) -> list[Piece]:
    """Return the paved and planted ground of the named places; ``green`` narrows all yards by a planted edge [m]."""
    pieces: list[Piece] = []
    for place in PLACES:
        outline = sites[place.name]
        used: list[BaseGeometry] = []
        for box, cover, use in place.paved:
            edge = green if box[2] > 0.9 and outline.area > 4000.0 else 0.0
            room = outline.buffer(-edge, join_style="mitre")
            shape = place.part(box).intersection(room).difference(shapely.union_all(used))
            used.append(shape)
            pieces += [Piece(p, cover, use, "car parks, yards, playgrounds") for p in polygons_of(shape, 5.0)]
        rest = outline.difference(shapely.union_all(used))
        pieces += [Piece(p, place.planted, place.planted_use, "gardens and parks") for p in polygons_of(rest, 1.0)]
    return pieces


def track() -> BaseGeometry:
    """Return the ballast of the two tracks."""
    return plan.RAILWAY.buffer(4.2, cap_style="flat", quad_segs=2).intersection(plan.DISTRICT)


def field_pieces(fields: list[Field]) -> list[Piece]:
    """Return the land cover of open parcels; the railway's ballast lies on its own strip."""
    pieces: list[Piece] = []
    ballast = track()
    for field in fields:
        shape = field.polygon
        if field.land_use == "railway":
            pieces += [
                Piece(p, "gravel", "", "car parks, yards, playgrounds")
                for p in polygons_of(shape.intersection(ballast), 1.0)
            ]
            shape = shape.difference(ballast)
        pieces += [Piece(p, field.cover_class, "", field.line) for p in polygons_of(shape, 1.0)]
    return pieces


def verge_pieces(owned: list[BaseGeometry], whole: BaseGeometry, waters: BaseGeometry) -> list[Piece]:
    """Return what no parcel, street or water covers: verges and slivers along the streets."""
    known = shapely.union_all(owned, grid_size=0.001)
    rest = plan.DISTRICT.difference(shapely.union_all([known, whole, waters], grid_size=0.001))
    return [Piece(p, "grass", "", "gardens and parks") for p in polygons_of(rest, 4.0)]


def water_pieces(waters: BaseGeometry) -> list[Piece]:
    """Return river, brook and lakes."""
    return [Piece(p, "water", "", "water") for p in polygons_of(waters)]

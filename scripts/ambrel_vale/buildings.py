"""Buildings and the hard ground of each plot, every one within its own plot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from ambrel_vale.blocks import Plot
from ambrel_vale.frame import Array, polygons_of, stream
from ambrel_vale.places import PLACES, Place


@dataclass(frozen=True)
class Building:
    """A building: footprint, height to the eaves [m], roof form, direction of its ridge, and what is known of it."""

    polygon: Polygon
    height_m: float
    roof: str
    ridge: tuple[float, float]
    year: int
    use: str
    plot: int
    deck: str = "unknown"
    ballast: str = "unknown"
    is_listed: bool = False


@dataclass(frozen=True)
class Door:
    """An address: a point at the front door, just outside the building."""

    x: float
    y: float
    use: str


@dataclass(frozen=True)
class Frame:
    """Axes of a plot: the middle of its front, the direction along it, the direction inwards, its width [m]."""

    middle: Array
    along: Array
    inward: Array
    width_m: float

    def box(self, left: float, right: float, near: float, far: float) -> Polygon:
        """Return a rectangle in the plot's axes [m]."""
        corners = [(left, near), (right, near), (right, far), (left, far)]
        return Polygon([self.middle + a * self.along + b * self.inward for a, b in corners])

    def at(self, along: float, inward: float) -> Array:
        """Return a point in the plot's axes."""
        return self.middle + along * self.along + inward * self.inward


def frame_of(plot: Plot) -> Frame:
    """Return the axes of a plot."""
    a, b = plot.front
    width = float(np.hypot(*(b - a)))
    along = (b - a) / width
    inward = np.array([-along[1], along[0]])
    middle = (a + b) / 2.0
    inner = np.asarray(plot.polygon.representative_point().coords[0]) - middle
    if inner @ inward < 0:
        inward = -inward
    return Frame(middle, along, inward, width)


HOUSE = {"semi": 1900, "detached": 1900, "terrace": 1890, "row": 1878, "passage": 1884, "core": 1820, "industry": 1970}
"""First year in which each style was built."""


@dataclass(frozen=True)
class Built:
    """What stands on one plot."""

    shapes: tuple[tuple[Polygon, float, str, str], ...]
    hard: BaseGeometry | None
    doors: tuple[Array, ...]


def _terrace(f: Frame, plot: Plot, r: np.random.Generator, hard: float) -> Built:
    half = f.width_m / 2.0
    depth = 7.9 + (0.0 if plot.style == "row" else float(r.uniform(-0.4, 0.8)))
    start, end = (-half, -half + min(f.width_m, 5.6)) if plot.style == "row" else (-half + 1.6, half - 1.6)
    if end - start < 3.0:
        start, end = -half, half
    house = f.box(start, end, 2.2, 2.2 + depth)
    pieces = [house]
    n = max(1, plot.homes)
    unit = (end - start) / n
    for k in range(0, n - n % 2, 2) if n > 1 else ():
        a = start + (k + 1) * unit
        pieces.append(f.box(a - 2.4, a + 2.4, 2.2 + depth - 0.5, 2.2 + depth + 4.6))
    yard = f.box(
        -half, half, 2.2 + depth, 2.2 + depth + (9.6 if plot.style in ("row", "passage") else 2.0 + 10.0 * hard)
    )
    front = f.box(-half, half, 0.0, 2.2)
    doors = tuple(f.at(start + (k + 0.5) * unit, 0.35) for k in range(n))
    return Built(
        ((shapely.union_all(pieces), 5.6 + float(r.uniform(-0.2, 0.4)), "gable", "homes"),),
        shapely.union_all([yard, front]),
        doors,
    )


def _semi(f: Frame, plot: Plot, r: np.random.Generator, hard: float) -> Built:
    half = f.width_m / 2.0
    set_back = 6.0 + float(r.uniform(-0.8, 1.6))
    width = min(half - 3.1, 8.3)
    depth = 9.35 + float(r.uniform(-0.5, 1.0))
    if width < 4.0:
        return _detached(f, plot, r, hard)
    house = f.box(-width, width, set_back, set_back + depth)
    if r.random() < 0.5:
        a = float(r.choice([-0.5, 0.5])) * width
        house = house.union(f.box(a - 2.4, a + 2.4, set_back + depth - 0.5, set_back + depth + 3.6))
    shapes = [(house, 5.2 + float(r.uniform(-0.3, 0.5)), "gable", "homes")]
    hards = []
    for side in (-1.0, 1.0):
        inner, outer = side * max(width + 0.15, half - 2.9), side * half
        hards.append(f.box(min(inner, outer), max(inner, outer), 0.0, set_back + depth * 4.0 * hard))
        if r.random() < 0.08:
            garage = f.box(min(inner, outer) + 0.1, max(inner, outer), set_back + depth + 0.8, set_back + depth + 6.8)
            shapes.append((garage, 2.4, "flat", "garage"))
    doors = tuple(f.at(side * width * 0.5, set_back - 1.6) for side in (-1.0, 1.0))
    return Built(tuple(shapes), shapely.union_all(hards), doors)


def _detached(f: Frame, _plot: Plot, r: np.random.Generator, hard: float) -> Built:
    half = f.width_m / 2.0
    set_back = 7.5 + float(r.uniform(-1.0, 5.0))
    width = min(half - 1.2, 6.6 + float(r.uniform(-0.8, 1.2)))
    depth = 9.6 + float(r.uniform(-0.6, 1.4))
    if width < 2.0:
        return Built((), None, ())
    shift = float(r.uniform(-0.7, 0.7)) * max(0.0, half - width - 1.2)
    house = f.box(shift - width, shift + width, set_back, set_back + depth)
    if r.random() < 0.6:
        a = shift + float(r.choice([-1.0, 1.0])) * (width - 2.8)
        house = house.union(f.box(a - 2.8, a + 2.8, set_back - 2.6, set_back + 1.0))
    side = 1.0 if shift < 0 else -1.0
    shapes = [(house, 5.0 + float(r.uniform(-0.5, 0.8)), "gable" if r.random() < 0.7 else "hip", "homes")]
    edge = side * (half - 0.6)
    drive_in = shift + side * (width + 0.3)
    far = side * min(abs(edge), abs(drive_in + side * 3.4))
    drive = f.box(min(drive_in, far), max(drive_in, far), 0.0, set_back + 5.0)
    if abs(edge - drive_in) > 3.4:
        garage = f.box(
            min(edge, edge - side * 5.6), max(edge, edge - side * 5.6), set_back + depth - 5.0, set_back + depth + 0.8
        )
        shapes.append((garage.difference(house.buffer(0.5)), 2.5, "flat" if r.random() < 0.5 else "mono", "garage"))
    court = f.box(shift - width, shift + width, set_back * (1.0 - 0.75 * hard), set_back)
    return Built(tuple(shapes), shapely.union_all([drive, court]), (f.at(shift, set_back - 4.4),))


def _core(f: Frame, _plot: Plot, r: np.random.Generator, _hard: float) -> Built:
    half = f.width_m / 2.0
    depth = 9.5 + float(r.uniform(0.0, 4.0))
    passage = 3.4 if r.random() < 0.4 and f.width_m > 11.0 else 0.0
    house = f.box(-half, half - passage, 0.4, depth)
    wing = f.box(
        -half, -half + f.width_m * float(r.uniform(0.3, 0.55)), depth - 0.5, depth + float(r.uniform(4.0, 12.0))
    )
    use = "shop" if r.random() < 0.6 else "homes"
    flat = r.random() < 0.25
    shapes = ((house.union(wing), 7.4 + float(r.uniform(-1.2, 2.6)), "flat" if flat else "gable", use),)
    rear = f.box(-half, half, depth, depth + 6.0 + 18.0 * float(r.uniform(0.2, 1.0)))
    return Built(shapes, rear, (f.at(0.0, 0.1),))


def _industry(f: Frame, plot: Plot, r: np.random.Generator, _hard: float) -> Built:
    inner = plot.polygon.buffer(-6.0, join_style="mitre")
    if inner.is_empty:
        return Built((), None, ())
    far = float(
        max(
            (
                np.asarray(inner.exterior.coords if inner.geom_type == "Polygon" else inner.envelope.exterior.coords)
                - f.middle
            )
            @ f.inward
        )
    )
    half = f.width_m / 2.0 - 7.0
    deep = min(14.0 + float(r.uniform(0.41, 0.56)) * far, far - 6.0)
    if half < 7.0 or deep < 26.0:
        return Built((), plot.polygon.buffer(-1.5, join_style="mitre"), ())
    shed = f.box(-half, half, 14.0, deep)
    annex = f.box(-half * 0.5, half * 0.3, 9.0, 15.0)
    shapes = ((shed.union(annex), 7.2 + float(r.uniform(-1.0, 3.0)), "low_gable", "industry"),)
    return Built(shapes, plot.polygon.buffer(-1.6, join_style="mitre"), (f.at(0.0, 7.0),))


MAKERS = {
    "terrace": _terrace,
    "row": _terrace,
    "passage": _terrace,
    "semi": _semi,
    "detached": _detached,
    "core": _core,
    "industry": _industry,
}


def build_plots(plots: list[Plot], hard: float) -> tuple[list[Building], dict[int, BaseGeometry], list[Door]]:
    """Return the buildings, the hard ground by plot number, and the doors, of all plots."""
    houses: list[Building] = []
    paved: dict[int, BaseGeometry] = {}
    doors: list[Door] = []
    for number, plot in enumerate(plots):
        f = frame_of(plot)
        r = stream(f"house {plot.front[0][0]:.1f} {plot.front[0][1]:.1f}")
        built = MAKERS[plot.style](f, plot, r, hard)
        year = HOUSE[plot.style] + int(r.integers(0, 26 if plot.style in ("terrace", "row", "passage") else 90))
        ridge = (float(f.along[0]), float(f.along[1]))
        mine: list[BaseGeometry] = []
        for shape, height, roof, use in built.shapes:
            inside = polygons_of(shape.intersection(plot.polygon).difference(shapely.union_all(mine)), 14.0)
            for part in inside[:1] if len(inside) < 2 else [max(inside, key=lambda p: p.area)]:
                mine.append(part)
                houses.append(Building(part, height, roof, ridge, year, use, number, *_roof_known(roof, use, r)))
        if built.hard is not None:
            inside_hard = built.hard.intersection(plot.polygon)
            if not inside_hard.is_empty:
                paved[number] = inside_hard
        if mine:
            use = "home" if built.shapes[0][3] == "homes" else built.shapes[0][3]
            doors += [Door(float(d[0]), float(d[1]), use) for d in built.doors]
    return houses, paved, doors


def _roof_known(roof: str, use: str, r: np.random.Generator) -> tuple[str, str]:
    """Return what is known of a roof's deck and ballast."""
    deck, ballast = "unknown", "unknown"
    if use == "industry":
        deck, ballast = "steel", "none"
    elif use in ("homes", "shop") and roof != "flat":
        deck, ballast = "timber", "none"
    elif use == "garage":
        deck = "timber" if r.random() < 0.5 else "unknown"
    return deck, ballast


def build_places(sites: dict[str, Polygon]) -> tuple[list[Building], list[Door]]:
    """Return the buildings of the named places and one door for each that is in use."""
    houses: list[Building] = []
    doors: list[Door] = []
    for place in PLACES:
        outline = sites[place.name]
        done: list[Polygon] = []
        for block in place.buildings:
            part = place.part(block.box).intersection(outline).difference(shapely.union_all(done))
            parts = polygons_of(part, 20.0)
            if not parts:
                continue
            shape = max(parts, key=lambda p: p.area)
            done.append(shape)
            ridge = _long_side(shape)
            houses.append(
                Building(
                    shape,
                    block.height_m,
                    block.roof,
                    ridge,
                    block.year,
                    block.use,
                    -1,
                    block.deck,
                    block.ballast,
                    block.is_listed,
                )
            )
        if done:
            doors.append(_site_door(place, done[0]))
    return houses, doors


def _site_door(place: Place, shape: Polygon) -> Door:
    near = shape.exterior.interpolate(0.4, normalized=True)
    out = np.asarray(near.coords[0]) - np.asarray(shape.centroid.coords[0])
    spot = np.asarray(near.coords[0]) + 1.6 * out / np.hypot(*out)
    return Door(float(spot[0]), float(spot[1]), place.buildings[0].use)


def _long_side(shape: Polygon) -> tuple[float, float]:
    ring = np.asarray(shape.minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(ring, axis=0)[:2]
    longest = sides[np.argmax(np.hypot(*sides.T))]
    longest = longest / np.hypot(*longest)
    return float(longest[0]), float(longest[1])

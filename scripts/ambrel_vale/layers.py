"""Layers of the town itself: parcels, buildings, streets, land cover, addresses, with their attributes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ambrel_vale import plan
from ambrel_vale.blocks import place_named
from ambrel_vale.buildings import Door
from ambrel_vale.covers import Piece
from ambrel_vale.frame import CRS, polygons_of, stream, to_map
from ambrel_vale.streets import Street
from ambrel_vale.town import Town

Row = dict[str, object]


@dataclass(frozen=True)
class Parcel:
    """A parcel before it has an id."""

    polygon: BaseGeometry
    name: str
    land_use: str
    owner_class: str
    renewal_year: int | None


def frame_from(rows: list[Row], shapes: list[BaseGeometry]) -> gpd.GeoDataFrame:
    """Return a frame in the map's CRS from rows and local shapes."""
    return gpd.GeoDataFrame(rows, geometry=to_map(np.array(shapes, dtype=object)), crs=CRS)


def order_of(shape: BaseGeometry) -> tuple[float, float]:
    """Return the sort key of a shape: bands of 100 m from north to south, then from west to east."""
    p = shape.representative_point()
    return (-np.floor(p.y / 100.0), round(p.x, 2))


PARCEL_USE = {
    "terrace": "homes",
    "row": "homes",
    "passage": "homes",
    "semi": "homes",
    "detached": "homes",
    "core": "retail",
    "industry": "industry",
}


def _owner(style: str, spot: shapely.Point) -> str:
    r = stream(f"owner {spot.x:.0f} {spot.y:.0f}").random()
    if style in ("terrace", "passage"):
        return "housing_association" if r < 0.42 else "private_many"
    if style == "semi":
        if spot.x > 1700 and spot.y > 1800:
            return "council" if r < 0.55 else "private_many"
        return "council" if r < 0.05 else "private_many"
    if style in ("core", "industry"):
        return "private_many" if r < 0.35 else "private_single"
    return "private_single"


def parcels_of(town: Town) -> list[Parcel]:
    """Return every parcel in the order of the ids."""
    made: list[Parcel] = []
    for plot in town.plots:
        spot = plot.polygon.representative_point()
        use = PARCEL_USE[plot.style]
        if plot.style == "core" and stream(f"use {spot.x:.0f} {spot.y:.0f}").random() < 0.3:
            use = "offices"
        made.append(Parcel(plot.polygon, "", use, _owner(plot.style, spot), None))
    for name, outline in town.sites.items():
        place = place_named(name)
        made.append(Parcel(outline, name, place.land_use, place.owner_class, place.renewal_year))
    numbers: dict[str, int] = {}
    for strip, street in town.bays:
        numbers[street] = numbers.get(street, 0) + 1
        year = 2027 + int(stream(f"bay {street}").integers(0, 9))
        made.append(Parcel(strip, f"{street} Bays {numbers[street]}", "highway", "council", year))
    for field in town.fields:
        made += (
            [Parcel(field.polygon, field.name, field.land_use, field.owner_class, None)]
            if field.polygon.area > 60.0
            else []
        )
    return sorted(made, key=lambda p: order_of(p.polygon))


def parcel_frame(parcels: list[Parcel]) -> gpd.GeoDataFrame:
    """Return the parcels layer."""
    rows: list[Row] = [
        {
            "parcel_id": f"AV{i:05d}", "name": p.name or None, "land_use": p.land_use, "owner_class": p.owner_class,
            "renewal_year": p.renewal_year,
        }
        for i, p in enumerate(parcels, start=1)
    ]  # fmt: skip
    frame = frame_from(rows, [p.polygon for p in parcels])
    frame["renewal_year"] = frame["renewal_year"].astype("Int32")
    return frame


def building_frame(town: Town) -> gpd.GeoDataFrame:
    """Return the buildings layer; spare load is known for hardly any."""
    houses = sorted(town.houses, key=lambda h: order_of(h.polygon))
    rows: list[Row] = []
    for i, house in enumerate(houses, start=1):
        r = stream(f"roof {house.polygon.centroid.x:.1f} {house.polygon.centroid.y:.1f}")
        big_flat = house.roof == "flat" and house.polygon.area > 150.0
        rows.append(
            {
                "building_id": f"B{i:05d}",
                "height_m": round(house.height_m, 1),
                "year_built": house.year,
                "use": house.use,
                "deck": house.deck,
                "ballast": None if house.ballast == "unknown" else house.ballast,
                "spare_load_kn_m2": 1.6 if big_flat and house.year == 1968 else None,
                "reroof_year": (2026 + int(r.integers(0, 14))) if big_flat and r.random() < 0.5 else None,
                "is_listed": bool(house.is_listed),
            }
        )
    frame = frame_from(rows, [h.polygon for h in houses])
    for column in ("year_built", "reroof_year"):
        frame[column] = frame[column].astype("Int32")
    frame["spare_load_kn_m2"] = frame["spare_load_kn_m2"].astype("float64")
    return frame


def road_frame(town: Town) -> gpd.GeoDataFrame:
    """Return carriageways and footways as polygons, one feature for each street, none over another."""
    rows: list[Row] = []
    shapes: list[BaseGeometry] = []
    left = {"carriageway": town.road, "footway": town.corridor.difference(town.road)}
    for road_class, whole in left.items():
        for street, part in _shared_out(town, whole, beyond_m=2.5 if road_class == "carriageway" else 6.5):
            name = street.name if street else "Junctions"
            rows.append(_road_row(name, road_class, is_main=bool(street and street.is_main)))
            shapes.append(part)
    for i, row in enumerate(rows, start=1):
        row["road_id"] = f"R{i:04d}"
    frame = frame_from(rows, shapes)
    return frame[["road_id", "name", "road_class", "is_adopted", "utility_density", "geometry"]]


def _shared_out(town: Town, whole: BaseGeometry, beyond_m: float) -> Iterator[tuple[Street | None, BaseGeometry]]:
    """Give each street the ground along it that no street before it has; what is left belongs to no street."""
    reaches = [s.line.buffer(s.kerb_m + beyond_m, cap_style="flat") for s in town.streets]
    tree = shapely.STRtree(reaches)
    for number, street in enumerate(town.streets):
        before = np.sort(tree.query(reaches[number], predicate="intersects"))
        taken = shapely.union_all([reaches[i] for i in before if i < number])
        near = shapely.clip_by_rect(whole, *reaches[number].bounds)
        parts = polygons_of(near.intersection(reaches[number].difference(taken)), 0.5)
        if sum(p.area for p in parts) >= 8.0:
            yield street, shapely.MultiPolygon(parts)
        else:
            reaches[number] = shapely.Polygon()  # too little to name: it goes with the junctions
    rest = polygons_of(whole.difference(shapely.union_all(reaches)), 0.5)
    if rest:
        yield None, shapely.MultiPolygon(rest)


def _road_row(name: str, road_class: str, *, is_main: bool = False) -> Row:
    density = (11.0 if is_main else 7.0) if road_class == "carriageway" else (18.0 if is_main else 12.0)
    return {
        "name": name,
        "road_class": road_class,
        "is_adopted": not name.endswith(("Yard", "Way")),
        "utility_density": density,
    }


def cover_frame(pieces: list[Piece]) -> gpd.GeoDataFrame:
    """Return the land cover layer."""
    ordered = sorted(pieces, key=lambda p: order_of(p.polygon))
    rows: list[Row] = [
        {"cover_id": f"C{i:05d}", "cover_class": p.cover_class, "ground_use": p.ground_use or None}
        for i, p in enumerate(ordered, start=1)
    ]
    return frame_from(rows, [p.polygon for p in ordered])


def address_frame(town: Town) -> gpd.GeoDataFrame:
    """Return the addresses, each at its front door; the corner by the passage is a pharmacy."""
    doors = sorted(town.doors, key=lambda d: (-np.floor(d.y / 100.0), round(d.x, 2), round(d.y, 2)))
    chemist = pharmacy_door(town)
    rows: list[Row] = []
    for i, door in enumerate(doors, start=1):
        rows.append({"property_id": f"P{i:05d}", "use": "pharmacy" if door is chemist else door.use})
    return frame_from(rows, [shapely.Point(d.x, d.y) for d in doors])


def pharmacy_door(town: Town) -> Door:
    """Return the door at the corner of Station Road and Embankment Street that is a pharmacy."""
    corner = shapely.Point(plan.passage_point(48.0, 8.0))
    return min(town.doors, key=lambda d: (round(corner.distance(shapely.Point(d.x, d.y)), 3), d.x))

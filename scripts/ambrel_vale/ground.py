"""The ground: valley, terrace, slopes, limestone rib, railway, streets let in, and the hollow at Station Passage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.ndimage import distance_transform_edt, gaussian_filter
from shapely import LineString
from shapely.affinity import rotate, scale, translate
from shapely.geometry.base import BaseGeometry

from ambrel_vale import plan
from ambrel_vale.frame import CELL_M, COLS, ROWS, Array, cell_centres, curve, smoothstep, stream, window_mask
from ambrel_vale.places import PLACES

SPILL_LEVEL_M = 46.60
DEPTH_M = 0.90
HILL_FACTOR = 0.81
PITCH_SLOPE = 0.012
GRADED_SCHOOL = "Weir Street Primary"
"""Its yard lies on a hillside and must be walkable and paveable: schools are built on platforms."""
REACH_M = 160.0
"""How far to its sides a dip in the ground is felt."""
ALONG, ACROSS = 0.68, 1.60
"""Stretch of the sag's outline along the passage and across it."""


@dataclass(frozen=True)
class Shape:
    """What the solver may turn to bring the hollow's figures out."""

    basin_scale: float = 0.85
    sag_radius_m: float = 75.4
    sag_power: float = 1.25


def distance_along(line: LineString) -> tuple[Array, Array]:
    """Return for each point the distance to the line and the distance along it of the nearest point [m]."""
    spots = line.segmentize(4.0)
    at = shapely.get_coordinates(spots)
    mask = np.ones((ROWS, COLS), dtype=bool)
    along = np.zeros((ROWS, COLS))
    lengths = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(at, axis=0).T))])
    fine_at = np.linspace(0.0, lengths[-1], int(lengths[-1]))
    px, py = np.interp(fine_at, lengths, at[:, 0]), np.interp(fine_at, lengths, at[:, 1])
    col, row = np.floor(px / CELL_M).astype(int), np.floor((ROWS * CELL_M - py) / CELL_M).astype(int)
    inside = (col >= 0) & (col < COLS) & (row >= 0) & (row < ROWS)
    mask[row[inside], col[inside]] = False
    along[row[inside], col[inside]] = fine_at[inside]
    distance, nearest = distance_transform_edt(mask, return_indices=True)
    return distance * CELL_M, along[nearest[0], nearest[1]]


def side_of(line: LineString, x: Array, y: Array) -> Array:
    """Return +1 on the left (north) of a line that crosses the district from west to east, -1 on its right."""
    xy = shapely.get_coordinates(line)
    return np.where(y > np.interp(x, xy[:, 0], xy[:, 1]), 1.0, -1.0)


def river_level(x: Array) -> Array:
    """Return the level of the river's surface [m] by local x."""
    return 42.0 - 4.0 * np.clip(x, 0.0, 2400.0) / 2400.0


def lake_shapes(factor: float) -> list[BaseGeometry]:
    """Return the outlines of the still waters, their half axes times ``factor``."""
    shapes = []
    for x, y, a, b, angle in plan.LAKES:
        bean = shapely.union_all(
            [scale(shapely.Point(0.15, 0.1).buffer(0.9, 12), 1, 0.9), shapely.Point(-0.45, -0.15).buffer(0.72, 12)]
        )
        shapes.append(translate(rotate(scale(bean, a * factor, b * factor, origin=(0, 0)), angle, origin=(0, 0)), x, y))
    return shapes


def roughness(name: str, scale_m: float) -> Array:
    """Return a smooth random field of unit deviation with the given length scale."""
    field = gaussian_filter(stream(name).standard_normal((ROWS, COLS)), scale_m / CELL_M, mode="reflect")
    return field / field.std()


def hills(x: Array, y: Array) -> Array:
    """Return the valley without anything built in it."""
    from_river, _ = distance_along(plan.RIVER)
    north = side_of(plan.RIVER, x, y) > 0
    low = river_level(x)
    flat = low + 1.0 + 0.004 * np.clip(from_river - 24.0, 0.0, 150.0)
    meadow_n = 62.0 + 55.0 * np.exp(-(((x - 480.0) / 260.0) ** 2)) + 40.0 * smoothstep(x, 1700.0, 2100.0)
    meadow_s = 50.0 + 85.0 * np.exp(-(((x - 330.0) / 300.0) ** 2)) + 170.0 * smoothstep(x, 1500.0, 1850.0)
    back_n, back_s = from_river - meadow_n, from_river - meadow_s
    terrace = 4.2 * smoothstep(back_n, 0.0, 60.0) + 0.0105 * np.clip(back_n - 40.0, 0.0, None)
    spur = 0.5 + 0.5 * np.sin(x / 300.0 + 0.9) + 0.25 * np.sin(x / 127.0 + y / 400.0)
    rise_n = np.clip(y - 1690.0 - 55.0 * np.sin(x / 310.0), 0.0, None)
    north_hill = 0.055 * rise_n + (6.8e-5 + 2.4e-5 * spur) * rise_n**2 * (1.18 - 0.32 * x / 2400.0)
    slope_s = 2.0 * smoothstep(back_s, 0.0, 40.0) + 0.033 * np.clip(back_s, 0.0, None)
    rise_s = np.clip(560.0 - y + 50.0 * np.sin(x / 260.0), 0.0, None)
    south_hill = 0.018 * rise_s + 4.5e-5 * rise_s**2 * (0.8 + 0.5 * spur)
    ground = np.where(north, flat + terrace + north_hill, flat + slope_s + south_hill)
    rib = rib_distance()
    ground = ground + np.where(north, 0.0, 13.0 * np.exp(-((rib / 85.0) ** 2)) * smoothstep(back_s, 20.0, 330.0))
    high = smoothstep(ground, 52.0, 70.0)
    ground = np.where(ground > 66.0, 66.0 + (ground - 66.0) * HILL_FACTOR, ground)
    return ground + high * (0.7 * roughness("knolls", 60.0) + 0.12 * roughness("hummocks", 15.0))


def rib_distance() -> Array:
    """Return the distance to the crest line of the limestone rib [m]."""
    return distance_along(curve([(420, 0), (560, 250), (700, 470), (770, 640)]))[0]


def basin_ground(base: Array, shape: Shape, x: Array, y: Array) -> Array:
    """Tilt the terrace behind the railway towards the passage, all within the basin's outline."""
    centre = plan.passage_point(20.0)
    outline = basin_outline(shape)
    inside = window_mask(outline)
    to_edge = distance_transform_edt(inside | railway_side(x, y)) * CELL_M
    to_sag = np.hypot(x - centre[0], y - centre[1])
    share = np.where(inside, to_edge / (to_edge + to_sag), 0.0) ** 0.9
    edge_level = np.maximum(base, SPILL_LEVEL_M + 0.8 + 0.0034 * to_sag)
    tilted = edge_level + share * (SPILL_LEVEL_M - 0.3 - edge_level)
    near = smoothstep(distance_transform_edt(~inside) * CELL_M, 0.0, 70.0)
    lifted = np.where(inside, tilted, edge_level + near * (base - edge_level))
    rim = distance_transform_edt(~edge_band(outline)) * CELL_M
    lifted = lifted + 1.2 * np.exp(-((rim / 34.0) ** 2))
    return np.where(railway_side(x, y), base, lifted)


def basin_outline(shape: Shape) -> BaseGeometry:
    """Return the basin's outline, its eastern part drawn in or out by the shape's scale."""
    return shapely.transform(
        plan.BASIN,
        lambda p: np.column_stack(
            [np.where(p[:, 0] > 1330, 1330 + (p[:, 0] - 1330) * shape.basin_scale, p[:, 0]), p[:, 1]]
        ),
    )


def edge_band(outline: BaseGeometry) -> np.ndarray:
    """Return the cells on the outline, but for its side along the railway."""
    line = outline.exterior.difference(plan.RAILWAY.buffer(14.0))
    return window_mask(line.buffer(1.6))


def let_in_draw(ground: Array, x: Array, y: Array) -> Array:
    """Dip the ground on the river side of the passage so that what spills runs on to the river."""
    distance, along = distance_along(plan.DRAW)
    at = [0.0, 45.0, 82.0, 160.0, plan.DRAW.length]
    level = np.interp(along, at, [SPILL_LEVEL_M + 0.12, SPILL_LEVEL_M - 0.35, SPILL_LEVEL_M - 0.85, 44.3, 41.2])
    spread = np.clip(distance - 7.0, 0.0, None)
    dipped = railway_side(x, y) & (distance < REACH_M)
    ground = np.where(dipped, np.minimum(ground, level + 0.035 * spread), ground)
    distance, along = distance_along(plan.DIP)
    level = np.interp(along, [0.0, 85.0, 180.0, 282.0, 383.0, plan.DIP.length], [50.6, 49.6, 48.9, 48.1, 47.3, 46.2])
    lowered = level + 0.02 * np.clip(distance - 5.0, 0.0, None) + 0.25 * np.clip(y - 1530.0, 0.0, None)
    return np.where(distance < REACH_M, np.minimum(ground, lowered), ground)


def railway_side(x: Array, y: Array) -> np.ndarray:
    """Return True on the river side (south-west) of the railway."""
    return side_of(plan.RAILWAY, x, y) < 0


def let_in_brook(ground: Array) -> Array:
    """Cut the brook into the ground, always falling, with banks."""
    distance, along = distance_along(plan.BROOK)
    at = np.arange(0.0, plan.BROOK.length, 10.0)
    spots = shapely.get_coordinates(shapely.line_interpolate_point(plan.BROOK, at))
    row = np.clip(((ROWS * CELL_M - spots[:, 1]) / CELL_M).astype(int), 0, ROWS - 1)
    col = np.clip((spots[:, 0] / CELL_M).astype(int), 0, COLS - 1)
    foot = np.interp(at, [700.0, 825.0, 900.0, 1350.0, 1500.0, 1750.0], [66.0, 52.9, 51.3, 50.0, 49.3, 47.3])
    foot = np.where((at > 700.0) & (at < 1750.0), foot, np.inf)
    bed = np.minimum.accumulate(np.minimum(gaussian_filter(ground[row, col], 4.0) - 1.3, foot))
    end = river_level(spots[-1:, 0])[0] + 0.05
    bed = np.maximum(bed, end + 0.002 * (at[-1] - at))
    level = np.interp(along, at, bed)
    return np.minimum(ground, level + np.where(distance < 2.4, 0.0, 0.45 * (distance - 2.4)))


def let_in_waters(ground: Array, lakes: list[BaseGeometry], x: Array) -> Array:
    """Flatten the river and the lakes, and lead each lake to the river by a ditch."""
    for lake in lakes:
        inside = window_mask(lake)
        centre = lake.centroid
        nearest = shapely.shortest_line(centre, plan.RIVER).coords[1]
        level = float(river_level(np.array([nearest[0]]))[0]) + 0.22
        distance = distance_transform_edt(~inside) * CELL_M
        bank = level + 0.35 * distance
        ground = np.where(inside, level, np.minimum(ground, np.maximum(bank, level)))
        ground = np.where((distance > 0) & (distance < 14), np.maximum(ground, level + 0.25), ground)
        ditch = LineString([centre.coords[0], nearest]).buffer(3.0)
        ground = np.where(window_mask(ditch), np.minimum(ground, level), ground)
    water = window_mask(plan.RIVER_WATER)
    distance = distance_transform_edt(~water) * CELL_M
    return np.where(
        water, river_level(x), np.minimum(ground, np.maximum(river_level(x) + 0.4 * distance, river_level(x)))
    )


def build_railway(ground: Array) -> Array:
    """Raise the embankment, cut the cutting; decks stay closed, as bare-earth models often have them."""
    distance, along = distance_along(plan.RAILWAY)
    at, level = np.array(plan.RAIL_LEVEL).T
    rail = np.interp(along, at, level)
    beyond = np.clip(distance - 5.5, 0.0, None)
    raised = np.maximum(ground, rail - beyond / 1.7)
    cut = np.minimum(raised, rail + beyond / 1.7)
    return np.where(distance < 5.5, rail, np.where(beyond < 40.0, cut, ground))


def level_pitches(ground: Array, x: Array, y: Array) -> Array:
    """Grade playing fields and a school's yard to a plane that falls gently, with banks of 1 in 2.5 about them."""
    for place in PLACES:
        if place.land_use != "pitch" and place.name != GRADED_SCHOOL:
            continue
        inside = window_mask(place.outline)
        east, north = x - place.x, y - place.y
        terms = np.column_stack([np.ones(int(inside.sum())), east[inside], north[inside]])
        (middle, slope_east, slope_north), *_ = np.linalg.lstsq(terms, ground[inside], rcond=None)
        ease = min(1.0, PITCH_SLOPE / float(np.hypot(slope_east, slope_north)))
        plane = middle + ease * (slope_east * east + slope_north * north)
        distance, nearest = distance_transform_edt(~inside, return_indices=True)
        edge, bank = plane[nearest[0], nearest[1]], distance * CELL_M / 2.5
        graded = np.clip(ground, edge - bank, edge + bank)
        ground = np.where(inside, plane, np.where(distance * CELL_M < 30.0, graded, ground))
    return ground


def impose_sag(ground: Array, shape: Shape, x: Array, y: Array) -> Array:
    """Sink the street at the passage: a bowl on the station side, a ramp through the wing walls to the river side."""
    (px, py), (ux, uy) = plan.PASSAGE_AT, plan.PASSAGE_AXIS
    along = (x - px) * ux + (y - py) * uy
    across = -(x - px) * uy + (y - py) * ux
    start = 16.0
    reach = np.hypot((along - start) / ALONG, across / ACROSS) / shape.sag_radius_m
    floor = SPILL_LEVEL_M - DEPTH_M
    share = reach**shape.sag_power
    forecourts = smoothstep(share, 0.428, 0.441) * (1.0 - smoothstep(share, 0.72, 1.0))  # a step up to the upper houses
    share = share + 0.18 * forecourts
    bowl = floor + DEPTH_M * share
    rim = SPILL_LEVEL_M + 0.011 * shape.sag_radius_m * (reach - 1.0)
    target = np.where(reach < 1.0, bowl, np.maximum(rim, SPILL_LEVEL_M))
    weight = 1.0 - smoothstep(reach, 1.0, 2.6)
    mixed = np.where(reach < 1.0, target, np.maximum(ground * (1 - weight) + target * weight, SPILL_LEVEL_M + 0.03))
    station_side = along > 9.0
    dished = np.where(station_side & (reach < 2.6), mixed, ground)
    dished = np.where(station_side & (reach < 2.6) & on_bank(), np.maximum(ground, dished), dished)
    return street_through(dished, along, across, floor)


def on_bank() -> np.ndarray:
    """Return True where the embankment's own slope stands."""
    return distance_along(plan.RAILWAY)[0] < 15.0


def street_through(ground: Array, along: Array, across: Array, floor: float) -> Array:
    """Open the street between the wing walls, and let it climb to the crest on the river side."""
    climb = np.interp(-along, [-16.0, 5.0, 62.0, 75.0, 140.0], [0.0, 0.04, DEPTH_M, DEPTH_M, DEPTH_M - 0.5])
    level = floor + climb
    wall = np.clip(np.abs(across) - 7.0, 0.0, None)
    open_river = (along <= -5.0) & (along > -74.0)
    sunk = np.where(open_river & (np.abs(across) < 40.0), np.minimum(ground, level + 0.5 * wall), ground)
    open_station = (along >= 5.0) & (along < 24.0) & (np.abs(across) < 8.0)
    low = floor + 0.0025 * np.abs(across) + 0.002 * np.clip(16.0 - along, 0.0, None)
    return np.where(open_station, np.minimum(sunk, low), sunk)


def base_ground(lakes: list[BaseGeometry], shape: Shape) -> Array:
    """Return the ground before streets are let in, (rows, cols) [m]."""
    x, y = cell_centres()
    ground = level_pitches(basin_ground(hills(x, y), shape, x, y), x, y)
    ground = let_in_draw(ground, x, y)
    ground = let_in_brook(ground)
    ground = let_in_waters(ground, lakes, x)
    return build_railway(ground)


def finished_ground(base: Array, roads: BaseGeometry, shape: Shape) -> Array:
    """Let the carriageways in by a kerb, roughen, and sink the passage."""
    x, y = cell_centres()
    dry = base > river_level(x) + 0.3
    kerb = gaussian_filter(window_mask(roads).astype(float), 0.6)
    ground = base - 0.11 * kerb * dry
    ground = ground + 0.012 * roughness("turf", 3.0) * dry
    return impose_sag(ground, shape, x, y)

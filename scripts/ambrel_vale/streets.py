"""The street network: roads drawn by hand, local streets on warped grids between them, and the polygons of both."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import polygonize

from ambrel_vale import plan
from ambrel_vale.frame import Array, curve, polygons_of, stream
from ambrel_vale.places import PLACES

KERB_EXTRA_M = 0.15


@dataclass(frozen=True)
class Street:
    """A street: centre line, name, half width of the carriageway, width of each footway, bays along the kerb."""

    line: LineString
    name: str
    half_m: float
    footway_m: float
    is_main: bool = False
    bay_m: float = 0.0

    @property
    def kerb_m(self) -> float:
        """Return the distance from the centre line to the kerb, bays included."""
        return self.half_m + self.bay_m + KERB_EXTRA_M


@dataclass(frozen=True)
class Quarter:
    """A part of the town between its main roads, with the manner in which it is laid out."""

    polygon: Polygon
    style: str
    angle_deg: float


@dataclass(frozen=True)
class Style:
    """How local streets lie: spacings [m], warp [m], share of cross streets left out, widths [m]."""

    along_m: float
    across_m: float
    warp_m: float
    drop: float
    half_m: float
    footway_m: float


SEAMS = (
    LineString([plan.passage_point(40.0, 92.0), plan.passage_point(-8.0, 95.0)]),
    LineString([plan.passage_point(-8.0, -112.0), plan.passage_point(112.0, -112.0)]),
    LineString([(640.0, 950.0), (640.0, 1240.0)]),
)
"""Lines where the manner of building changes within one face of the network."""

STYLES = {
    "core": Style(88.0, 74.0, 16.0, 0.22, 2.9, 1.9),
    "terrace": Style(150.0, 66.0, 2.0, 0.18, 3.6, 1.9),
    "passage": Style(150.0, 72.0, 0.0, 0.0, 3.6, 1.9),
    "semi": Style(150.0, 77.0, 26.0, 0.30, 2.8, 1.8),
    "detached": Style(190.0, 104.0, 46.0, 0.36, 2.7, 1.6),
    "industry": Style(260.0, 190.0, 12.0, 0.4, 3.9, 1.6),
}

_P = plan.passage_point
MAIN: tuple[tuple[str, float, float, list[tuple[float, float]]], ...] = (
    ("Terrace Road", 3.7, 2.2, [(-20, 1292), (300, 1268), (560, 1232), (850, 1204), (1040, 1172), _P(-150)]),
    ("Staith Lane", 3.2, 1.8, [_P(-150), (1168, 1085), (1148, 1030)]),
    ("Station Passage", 3.6, 2.0, [_P(-150), _P(40)]),
    ("Station Road", 3.6, 2.0, [_P(40), _P(110), _P(190, 10), _P(275, 30), (1590, 1560), (1650, 1715), (1640, 1878)]),
    ("Orle Bridge Street", 3.7, 2.4, [(856, 1203), (846, 1060), (845, 905), (862, 770), (902, 610), (935, 402)]),
    ("Coldrib Road", 3.4, 2.0, [(935, 402), (905, 210), (962, -20)]),
    (
        "Skelling Lane",
        3.4,
        2.0,
        [(700, 1221), (692, 1400), (668, 1592), (640, 1752), (565, 1930), (588, 2085), (530, 2300), (552, 2520)],
    ),
    ("Ambrel Road", 3.7, 2.2, [_P(290, 38), (1640, 1408), (1800, 1372), (1960, 1332), (2150, 1292), (2420, 1272)]),
    (
        "Weir Street",
        3.5,
        2.0,
        [(-20, 700), (300, 690), (600, 684), (866, 712), (1100, 655), (1350, 592), (1560, 522), (1760, 420)],
    ),
    ("Lakeside Road", 3.4, 1.8, [(1760, 420), (1950, 325), (2150, 242), (2420, 172)]),
    (
        "Rib Lane",
        3.1,
        1.8,
        [
            (-20, 338),
            (250, 345),
            (520, 338),
            (780, 352),
            (935, 402),
            (1150, 398),
            (1400, 362),
            (1640, 290),
            (1900, 180),
            (2150, 85),
            (2310, -20),
        ],
    ),
    (
        "Hillfoot Road",
        3.4,
        2.0,
        [
            (-20, 1832),
            (250, 1802),
            (640, 1752),
            (900, 1768),
            (1075, 1852),
            (1300, 1872),
            (1640, 1878),
            (1900, 1822),
            (2160, 1782),
            (2420, 1762),
        ],
    ),
    (
        "Overdale Road",
        3.0,
        1.8,
        [
            (-20, 2092),
            (300, 2062),
            (588, 2085),
            (850, 2122),
            (1100, 2132),
            (1400, 2122),
            (1625, 2132),
            (1900, 2092),
            (2190, 2062),
            (2420, 2082),
        ],
    ),
    ("Beacon Lane", 3.0, 1.6, [(1640, 1878), (1625, 2132), (1590, 2300), (1640, 2520)]),
    ("Alder Road", 3.3, 2.0, [(2150, 1292), (2128, 1500), (2160, 1782), (2190, 2062)]),
    ("Staithe Road", 3.9, 2.0, [(2150, 1292), (2112, 1120), (2140, 985)]),
    (
        "Station Approach",
        3.3,
        2.0,
        [_P(111), _P(109, 60), _P(106, 170), _P(114, 270), (1085, 1590), (1012, 1700), (985, 1808)],
    ),
    ("Embankment Street", 3.3, 2.0, [_P(40), _P(40, 92), _P(107, 106)]),
    ("Viaduct Street", 3.4, 2.0, [_P(40), _P(40, -110), _P(40, -230), _P(44, -330)]),
    ("Goosefield Lane", 3.0, 1.8, [(1112, 1160), (1118, 1205), (1128, 1248)]),
    ("Goods Lane", 3.2, 1.8, [(300, 1268), (330, 1370), (520, 1420), (692, 1400)]),
    ("Tannery Lane", 3.2, 1.6, [(1350, 592), (1352, 680), (1330, 800)]),
)

SEEDS: tuple[tuple[float, float, str, float], ...] = (
    (780, 1120, "core", 4.0), (1000, 1120, "core", -6.0), (560, 1330, "semi", 4.0), (820, 1400, "core", -4.0),
    (150, 1500, "semi", -6.0), (500, 1560, "semi", -4.0), (880, 1620, "semi", -12.0), (150, 1180, "semi", 3.0),
    (1300, 1330, "passage", 42.0), (1260, 1300, "passage", 42.0), (1400, 1160, "passage", 42.0),
    (1285, 1284, "passage", 42.0), (1348, 1213, "passage", 42.0), (500, 1150, "terrace", 2.0),
    (1260, 1480, "passage", 42.0), (1500, 1200, "passage", 42.0), (1560, 1700, "terrace", 4.0),
    (1750, 1500, "terrace", -10.0), (1000, 1720, "semi", 0.0), (1820, 1280, "terrace", -8.0),
    (300, 1920, "detached", 0.0), (750, 1950, "detached", 8.0), (1300, 1990, "detached", 0.0),
    (1850, 1960, "semi", -6.0), (2000, 1600, "semi", 0.0), (2300, 1600, "semi", 4.0), (2300, 1900, "detached", 0.0),
    (1780, 1780, "semi", -8.0), (2000, 1120, "industry", -5.0), (2260, 1100, "industry", -4.0),
    (300, 520, "semi", 2.0), (700, 520, "detached", 10.0), (1050, 520, "terrace", -9.0),
    (1250, 560, "terrace", -9.0), (1600, 420, "terrace", -14.0), (200, 180, "detached", 0.0),
    (750, 200, "semi", 5.0), (1250, 200, "semi", -6.0), (1900, 60, "detached", -18.0), (2100, 170, "semi", -20.0),
    (1000, 760, "industry", -8.0), (1480, 640, "industry", -20.0), (700, 760, "semi", 2.0), (300, 760, "open", 0.0),
    (2250, 270, "semi", -14.0),
)  # fmt: skip

NAMES = (
    "Alder", "Ash", "Barley", "Beacon", "Birch", "Bramble", "Brewer", "Bridle", "Cavel", "Chandler", "Cloth",
    "Cooper", "Coppice", "Corder", "Cress", "Dyer", "Elder", "Fallow", "Fern", "Flax", "Fuller", "Furrow", "Gorse",
    "Hazel", "Heron", "Hop", "Hurdle", "Ivy", "Kiln", "Lamb", "Larch", "Linden", "Loom", "Maltings", "Maple",
    "Meadow", "Mercer", "Nettle", "Oak", "Orchard", "Osier", "Otter", "Packhorse", "Pear", "Pike", "Plover",
    "Poplar", "Quarry", "Reed", "Rowan", "Saddler", "Sallow", "Sedge", "Shuttle", "Skinner", "Sorrel", "Spindle",
    "Tanner", "Teasel", "Thorn", "Tiler", "Turner", "Vetch", "Walnut", "Warp", "Weaver", "Weft", "Wheel", "Willow",
    "Wool", "Wren", "Yarrow",
)  # fmt: skip
ENDINGS = {
    "core": ("Row", "Yard", "Lane"), "terrace": ("Street", "Terrace", "Street"),
    "passage": ("Street", "Terrace", "Street"), "semi": ("Road", "Avenue", "Close"),
    "detached": ("Drive", "Rise", "Gardens"), "industry": ("Way", "Way", "Way"),
}  # fmt: skip


def meadows() -> BaseGeometry:
    """Return the ground along the river where nothing is built."""
    west = plan.RIVER.intersection(shapely.box(-100, 0, 640, 2500)).buffer(128.0)
    east = plan.RIVER.intersection(shapely.box(1600, 0, 2500, 2500)).buffer(112.0)
    return shapely.union_all([plan.RIVER.buffer(48.0), west, east])


def barriers(lakes: list[BaseGeometry]) -> BaseGeometry:
    """Return the ground that no local street enters."""
    sites = [p.outline.buffer(7.0, join_style="mitre") for p in PLACES]
    return shapely.union_all(
        [meadows(), plan.RAILWAY.buffer(24.0), plan.BROOK.buffer(15.0), *(lake.buffer(25.0) for lake in lakes), *sites]
    )


def main_streets() -> list[Street]:
    """Return the roads that are drawn by hand."""
    return [Street(curve(points), name, half, foot, is_main=True) for name, half, foot, points in MAIN]


def quarters(main: list[Street]) -> list[Quarter]:
    """Divide the district by its main roads, river, railway and brook, and give each part its manner."""
    cuts = [_lengthened(s.line) for s in main] + [*SEAMS, plan.RIVER, plan.RAILWAY, plan.BROOK, plan.DISTRICT.exterior]
    faces = list(polygonize(shapely.union_all([c.intersection(plan.DISTRICT) for c in cuts])))
    found = []
    for face in faces:
        styles = [(s, a) for x, y, s, a in SEEDS if face.contains(shapely.Point(x, y))]
        style, angle = styles[0] if styles else ("open", 0.0)
        found.append(Quarter(face, style, angle))
    return sorted(found, key=lambda q: (round(q.polygon.centroid.x, 1), round(q.polygon.centroid.y, 1)))


def _lengthened(line: LineString, by_m: float = 3.0) -> LineString:
    """Return the line run on a little at both ends, so that it surely meets the road that it ends at."""
    xy = np.asarray(line.coords)
    first, last = xy[0] - xy[1], xy[-1] - xy[-2]
    head, tail = xy[0] + by_m * first / np.hypot(*first), xy[-1] + by_m * last / np.hypot(*last)
    return LineString(np.vstack([head, xy, tail]))


def _warp(points: Array, amount_m: float) -> Array:
    """Bend points sideways by two slow waves; neighbours bend alike, so that the grid stays whole."""
    x, y = points[:, 0], points[:, 1]
    dx = np.sin(y / 92.0 + x / 210.0) + 0.6 * np.sin(x / 61.0 - y / 150.0 + 1.0)
    dy = np.sin(x / 101.0 - y / 240.0 + 2.0) + 0.6 * np.sin(x / 173.0 + y / 68.0)
    return points + 0.5 * amount_m * np.column_stack([dx, dy])


def local_lines(quarter: Quarter, free: BaseGeometry, rng: np.random.Generator) -> list[LineString]:
    """Return the local street lines of one quarter, clipped to its free ground."""
    style = STYLES[quarter.style]
    centre = np.asarray(quarter.polygon.centroid.coords[0])
    if quarter.style == "passage":
        centre = np.asarray(plan.passage_point(40.0))
    turn = np.deg2rad(quarter.angle_deg)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    reach = 900.0
    lines = []
    swap = quarter.style == "passage"
    step_u, step_v = (style.across_m, style.along_m) if swap else (style.along_m, style.across_m)
    us, vs = np.arange(-reach, reach + 1, step_u), np.arange(-reach, reach + 1, step_v)
    if swap:
        us, vs = us - us[np.argmin(np.abs(us))], vs - vs[np.argmin(np.abs(vs))]
    for v in vs:
        for a, b in pairwise(us):
            lines.append((np.column_stack([np.linspace(a, b, 13), np.full(13, v)]), swap))
    for j, (c, d) in enumerate(pairwise(vs)):
        for i, u in enumerate(us):
            shift = 0.0 if swap or quarter.style == "core" else 0.31 * step_u * ((j * 7 + i * 3) % 3 - 1)
            lines.append((np.column_stack([np.full(9, u + shift), np.linspace(c, d, 9)]), not swap))
    kept = []
    for local, is_cross in lines:
        if rng.random() < (style.drop if is_cross else 0.05 * (style.drop > 0)):
            continue
        bent = _warp(local @ axes + centre, style.warp_m)
        kept += _lines_of(LineString(bent).intersection(free))
    return kept


def _lines_of(geometry: BaseGeometry, least_m: float = 0.0) -> list[LineString]:
    return [g for g in shapely.get_parts(geometry) if g.geom_type == "LineString" and g.length > least_m]


def join_and_prune(lines: list[LineString], main: BaseGeometry) -> list[LineString]:
    """Merge pieces into streets and drop what hangs loose: stubs, and pieces that reach no main road."""
    network = shapely.line_merge(shapely.union_all(lines))
    pieces = _lines_of(network)
    for _ in range(4):
        whole = shapely.union_all(pieces)
        kept = []
        for piece in pieces:
            rest = whole.difference(piece.buffer(0.01))
            ends = [shapely.Point(piece.coords[0]), shapely.Point(piece.coords[-1])]
            held = [min(e.distance(main), e.distance(rest) - 0.01) < 0.6 for e in ends]
            if all(held) or (any(held) and piece.length > 38.0):
                kept.append(piece)
        pieces = _lines_of(shapely.line_merge(shapely.union_all(kept)))
    groups = polygons_of(shapely.union_all([p.buffer(0.5) for p in pieces]))
    loose = shapely.union_all([g for g in groups if g.distance(main) > 1.0])
    return [p for p in pieces if p.distance(loose) > 0.1] if not loose.is_empty else pieces


def local_streets(quarter: Quarter, main: BaseGeometry, blocked: BaseGeometry, number: int) -> list[Street]:
    """Return the local streets of one quarter, named."""
    if quarter.style == "open":
        return []
    rng = stream(f"streets {quarter.style} {round(quarter.polygon.centroid.x)}")
    free = quarter.polygon.difference(blocked)
    near_main = main.buffer(30.0)
    lines = []
    for line in local_lines(quarter, free, rng):
        inside = line.intersection(near_main)
        if inside.length > 0.75 * line.length:  # a street alongside a main road serves nothing
            continue
        lines.append(line)
    if not lines:
        return []
    style = STYLES[quarter.style]
    found = join_and_prune(lines, main)
    found = sorted(found, key=lambda s: (round(s.centroid.x, 1), round(s.centroid.y, 1)))
    ends = ENDINGS[quarter.style]
    bay = 2.5 if quarter.style == "terrace" else 0.0
    made = []
    for i, line in enumerate(found):
        name = f"{NAMES[(number * 17 + i * 5) % len(NAMES)]} {ends[i % 3]}"
        made.append(
            Street(line.simplify(0.2), name, style.half_m, style.footway_m, bay_m=bay if line.length > 90.0 else 0.0)
        )
    return made


def all_streets(lakes: list[BaseGeometry]) -> tuple[list[Street], list[Quarter]]:
    """Return every street and every quarter."""
    main = main_streets()
    parts = quarters(main)
    trunk = shapely.union_all([s.line for s in main])
    blocked = barriers(lakes)
    streets = list(main)
    for number, quarter in enumerate(parts):
        streets += local_streets(quarter, trunk, blocked, number)
    return streets, parts

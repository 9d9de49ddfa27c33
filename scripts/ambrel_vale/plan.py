"""The hand-drawn bones of the town: river, brook, railway, the passage, and the basin behind it."""

from __future__ import annotations

import shapely
from shapely import LineString, Polygon

from ambrel_vale.frame import HEIGHT_M, WIDTH_M, curve

DISTRICT = shapely.box(0.0, 0.0, WIDTH_M, HEIGHT_M)

RIVER = curve(
    [
        (-60, 1010), (200, 955), (420, 990), (640, 930), (860, 905), (1080, 955), (1300, 920), (1500, 850),
        (1700, 815), (1900, 860), (2150, 790), (2460, 750),
    ],
    20.0,
)  # fmt: skip
RIVER_WATER = RIVER.buffer(24.0, quad_segs=4)

BROOK = curve(
    [
        (985, 2560), (1010, 2320), (1060, 2080), (1036, 1900), (1072, 1735), (1190, 1658), (1400, 1664),
        (1560, 1652), (1690, 1592), (1795, 1490), (1862, 1375), (1905, 1200), (1985, 1010), (2005, 835),
    ],
    20.0,
)  # fmt: skip
BROOK_WATER = BROOK.buffer(2.0, quad_segs=2)

LAKES = [(1905.0, 705.0, 124.0, 58.0, -12.0), (2185.0, 620.0, 178.0, 92.0, -8.0), (330.0, 838.0, 112.0, 50.0, -8.0)]
"""Flooded gravel pits and the mill pool: x, y, half length, half width, angle; one factor scales them."""

RAILWAY = curve(
    [
        (-60, 1715), (300, 1665), (700, 1590), (1000, 1490), (1215, 1330), (1300, 1237), (1400, 1120),
        (1560, 900), (1740, 660), (1950, 470), (2200, 345), (2460, 270),
    ],
    20.0,
)  # fmt: skip
RAIL_LEVEL = [
    (0.0, 55.0),
    (760.0, 51.6),
    (1040.0, 49.9),
    (1110.0, 49.9),
    (1420.0, 53.2),
    (2000.0, 53.2),
    (2500.0, 58.0),
    (3100.0, 66.0),
]
"""Level of the formation [m] by distance along the railway [m]."""

PASSAGE_AT = (1300.0, 1237.0)
PASSAGE_AXIS = (0.743, 0.669)
"""Unit direction of Station Passage, from the river side (south-west) to the station side (north-east)."""


def passage_point(along_m: float, across_m: float = 0.0) -> tuple[float, float]:
    """Return the local point so far along the passage's axis (north-east positive) and across it (to the left)."""
    (x, y), (ux, uy) = PASSAGE_AT, PASSAGE_AXIS
    return x + ux * along_m - uy * across_m, y + uy * along_m + ux * across_m


BASIN = Polygon(
    [
        (1118, 1462), (1215, 1352), (1320, 1240), (1432, 1100), (1520, 985), (1600, 1060), (1700, 1190),
        (1745, 1340), (1730, 1460), (1640, 1550), (1500, 1606), (1340, 1614), (1210, 1596), (1130, 1545),
    ]
)  # fmt: skip
"""Ground whose rain finds its way to the passage; the solver scales it about the passage to the wanted area."""

DRAW = curve(
    [passage_point(-70.0), passage_point(-112.0), passage_point(-150.0), (1168, 1085), (1146, 1010), (1138, 962)], 8.0
)
"""The dip on the river side by which the passage's spill finds the river."""

DIP = curve([(1040, 1570), (1004, 1492), (985, 1400), (962, 1300), (950, 1200), (962, 1085)], 8.0)
"""A shallow dip across the railway, west of the station: it takes the hillside's water to the old core."""

PASSAGE_LINE = LineString([passage_point(-30.0), passage_point(30.0)])

"""Layers of the setting: soils, groundwater, constraints, sewers, water, trees, services, heritage, tests, floods."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ambrel_vale import plan
from ambrel_vale.frame import curve, polygons_of, slab, stream
from ambrel_vale.layers import Row, frame_from
from ambrel_vale.solve import Cut
from ambrel_vale.streets import meadows
from ambrel_vale.town import Town

Shapes = list[tuple[Row, BaseGeometry]]

RIB = curve([(420, -20), (560, 250), (700, 470), (770, 640)])
BOREHOLE = (668.0, 545.0)
MADE_GROUND = shapely.union_all([slab(1150, 790, 400, 240, -8), slab(1432, 722, 210, 190, -20)])
OVERFLOW_AT = (868.0, 932.0)


def layer(rows: Shapes) -> gpd.GeoDataFrame:
    """Return a frame from rows with their shapes."""
    return frame_from([r for r, _ in rows], [s for _, s in rows])


def _whole(shape: BaseGeometry) -> BaseGeometry:
    parts = polygons_of(shape, 2.0)
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def wavy(points: list[tuple[float, float]]) -> BaseGeometry:
    """Return the ground below (south of) a line that crosses the district."""
    line = shapely.get_coordinates(curve(points, 25.0))
    return shapely.Polygon([*line.tolist(), (2500, -50), (-100, -50)])


def soil_parts() -> dict[str, BaseGeometry]:
    """Return the soil units: together they are the district, none over another."""
    river_side = shapely.union_all([meadows(), plan.RIVER.buffer(60)])
    east_flat = shapely.Polygon([(1640, 830), (1800, 640), (1990, 500), (2450, 360), (2450, 800), (1900, 870)])
    alluvium = river_side.union(east_flat)
    north = plan.DISTRICT.difference(
        wavy([(-60, 1010), (640, 930), (1080, 955), (1500, 850), (1900, 860), (2460, 750)])
    )
    hill_foot = wavy([(-60, 1655), (400, 1672), (900, 1660), (1400, 1640), (1700, 1660), (2000, 1690), (2460, 1640)])
    rib = RIB.buffer(105.0)
    made = MADE_GROUND
    parts: dict[str, BaseGeometry] = {"made ground": made}
    left = plan.DISTRICT.difference(made)
    for name, shape in (
        ("alluvium", alluvium),
        ("limestone", rib.difference(north)),
        ("gravel terrace", north.intersection(hill_foot)),
    ):
        parts[name] = left.intersection(shape)
        left = left.difference(shape)
    upper = wavy([(-60, 2105), (600, 2080), (1200, 2120), (1900, 2100), (2460, 2070)])
    parts["northern clay loam"] = left.intersection(north).intersection(upper)
    parts["northern clay"] = left.intersection(north).difference(upper)
    parts["southern clay"] = left.difference(north)
    return parts


SOILS = {
    "gravel terrace": (2.0e-5, 6.0e-6, 6.0e-5, "sandy gravel", "A"),
    "alluvium": (3.0e-6, 5.0e-7, 1.0e-5, "silty loam over gravel", "C"),
    "limestone": (9.0e-6, 1.0e-6, 5.0e-5, "thin loam over fissured limestone", "B"),
    "made ground": (1.0e-6, 5.0e-8, 2.0e-5, "made ground, ash and rubble", ""),
    "northern clay loam": (1.0e-6, 2.0e-7, 4.0e-6, "clay loam", "C"),
    "northern clay": (5.0e-7, 8.0e-8, 2.0e-6, "clay", "D"),
    "southern clay": (7.0e-7, 1.0e-7, 2.0e-6, "clay", "D"),
}
"""Infiltration rate [m/s]: mid, low, high; texture; hydrologic group."""


def soils() -> gpd.GeoDataFrame:
    """Return the soils layer."""
    rows: Shapes = []
    for i, (name, shape) in enumerate(soil_parts().items(), start=1):
        mid, low, high, texture, group = SOILS[name]
        rows.append(
            (
                {
                    "soil_id": f"S{i}", "name": name, "infiltration_m_s": mid, "infiltration_low_m_s": low,
                    "infiltration_high_m_s": high, "texture": texture, "hydrologic_group": group or None,
                },
                _whole(shape),
            )
        )  # fmt: skip
    return layer(rows)


def groundwater() -> gpd.GeoDataFrame:
    """Return zones of the depth to the highest groundwater [m]."""
    meadow = plan.RIVER.intersection(shapely.box(-100, 0, 640, 2500))
    soil = soil_parts()
    rings = [
        (0.4, meadow.buffer(78, cap_style="flat")),
        (0.65, meadow.buffer(106, cap_style="flat")),
        (0.9, meadow.buffer(135, cap_style="flat")),
    ]
    left: BaseGeometry = plan.DISTRICT
    rows: Shapes = []
    rest = [
        (0.7, soil["alluvium"]),
        (1.6, soil["made ground"]),
        (4.2, soil["gravel terrace"]),
        (11.0, soil["limestone"]),
    ]
    for depth, shape in [*rings, *rest]:
        part = left.intersection(shape)
        left = left.difference(shape)
        rows.append(({"depth_m": depth}, _whole(part)))
    rows.append(({"depth_m": 7.5}, _whole(left)))
    return layer(
        [
            ({"groundwater_id": f"G{i}", **row, "season": "winter high"}, shape)
            for i, (row, shape) in enumerate(rows, start=1)
        ]
    )


def constraints() -> gpd.GeoDataFrame:
    """Return protection zones, made ground, the railway, the flood plain and a shrinking clay."""
    well = shapely.Point(BOREHOLE)
    inner = well.buffer(88.0, 16)
    outer = (
        RIB.buffer(210.0).intersection(shapely.box(300, 250, 1000, 760)).union(well.buffer(240.0, 16)).difference(inner)
    )
    rows: Shapes = [
        (
            {"kind": "protection_zone_1", "rule": "switch", "reason": "inner protection zone of Rib Lane borehole"},
            inner,
        ),
        (
            {"kind": "protection_zone_2", "rule": "flag", "reason": "outer protection zone of Rib Lane borehole"},
            _whole(outer),
        ),
        ({"kind": "made_ground", "rule": "switch", "reason": "old tannery and mill yards, made ground"}, MADE_GROUND),
        (
            {"kind": "railway", "rule": "switch", "reason": "railway embankment and cutting"},
            _whole(plan.RAILWAY.buffer(16.0).intersection(plan.DISTRICT)),
        ),
        (
            {"kind": "flood_zone", "rule": "flag", "reason": "water meadows of the Orle"},
            _whole(meadows().intersection(plan.DISTRICT)),
        ),
        (
            {"kind": "landfill", "rule": "gate", "reason": "old refuse tip by Lakeside Road"},
            slab(1840, 545, 80, 46, -38),
        ),
    ]
    return layer([({"constraint_id": f"K{i}", **row}, shape) for i, (row, shape) in enumerate(rows, start=1)])


def zone_parts(town: Town) -> dict[str, BaseGeometry]:
    """Return the three sewer zones."""
    core = shapely.union_all([q.polygon for q in town.quarters if q.style == "core"])
    terraces = shapely.union_all([q.polygon for q in town.quarters if q.style in ("terrace", "passage")])
    core = core.buffer(6.0).buffer(-6.0).intersection(plan.DISTRICT)
    terraces = terraces.buffer(6.0).buffer(-6.0).intersection(plan.DISTRICT).difference(core)
    return {"core": core, "terraces": terraces, "separate": plan.DISTRICT.difference(core).difference(terraces)}


def sewer_zones(town: Town) -> gpd.GeoDataFrame:
    """Return the sewer zones, each with its outfall and what it takes."""
    parts = zone_parts(town)
    about = {
        "core": ("Z1", "combined", "storm overflow at Orle Bridge"),
        "terraces": ("Z2", "combined", "storm overflow at Orle Bridge"),
        "separate": ("Z3", "separate", "surface-water outfalls to the Orle"),
    }
    rows: Shapes = []
    for name, shape in parts.items():
        zone, kind, outfall = about[name]
        row: Row = {
            "zone_id": zone,
            "sewer_kind": kind,
            "outfall": outfall,
            "outfall_is_tidal": False,
            "capacity_mm_h": 12.0,
        }
        rows.append(({**row, "capacity_low_mm_h": 6.0, "capacity_high_mm_h": 24.0}, _whole(shape)))
    return layer(rows)


def water_lines(cuts: list[Cut]) -> dict[str, gpd.GeoDataFrame]:
    """Return watercourses, culverts and outlets."""
    courses: Shapes = [
        ({"watercourse_id": "W1", "name": "the Orle", "is_tidal": False}, plan.RIVER.intersection(plan.DISTRICT)),
        ({"watercourse_id": "W2", "name": "Sallow Brook", "is_tidal": False}, plan.BROOK.intersection(plan.DISTRICT)),
    ]
    ways: Shapes = [
        (
            {
                "culvert_id": f"U{i}", "name": c.name, "kind": c.kind, "upstream_level_m": round(c.upstream_m, 3),
                "downstream_level_m": round(c.downstream_m, 3), "width_m": c.width_m,
            },
            c.line,
        )
        for i, c in enumerate(cuts, start=1)
    ]  # fmt: skip
    spots = {
        "O1": ("Orle at the eastern boundary", (2396.0, 760.5)), "O2": ("Sallow Brook mouth", (2003.0, 868.0)),
        "O3": ("Orle at the railway arches", (1520.0, 842.0)), "O4": ("Orle Bridge", (832.0, 907.0)),
        "O5": ("Station Passage spill", plan.passage_point(-64.0)),
    }  # fmt: skip
    outlets: Shapes = [({"outlet_id": i, "name": name}, shapely.Point(xy)) for i, (name, xy) in spots.items()]
    overflow: Shapes = [
        (
            {"overflow_id": "V1", "name": "Orle Bridge storm overflow", "spills_per_year": 31.0, "zone_id": "Z1"},
            shapely.Point(OVERFLOW_AT),
        ),
        (
            {"overflow_id": "V2", "name": "Orle Bridge storm overflow", "spills_per_year": 31.0, "zone_id": "Z2"},
            shapely.Point(OVERFLOW_AT),
        ),
    ]
    return {
        "watercourses": layer(courses),
        "culverts": layer(ways),
        "outlets": layer(outlets),
        "storm_overflows": layer(overflow),
    }


def social_index(town: Town) -> gpd.GeoDataFrame:
    """Return areas with a decile of need, 1 the greatest."""
    decile = {"core": 4, "terrace": 2, "passage": 2, "semi": 6, "detached": 9, "industry": 3, "open": 8}
    rows: Shapes = []
    for i, quarter in enumerate(town.quarters, start=1):
        if quarter.polygon.area < 3000.0:
            continue
        shift = int(stream(f"index {i}").integers(-1, 2))
        rows.append(
            ({"social_id": f"N{i:02d}", "decile": int(np.clip(decile[quarter.style] + shift, 1, 10))}, quarter.polygon)
        )
    return layer(rows)


def utilities(town: Town) -> gpd.GeoDataFrame:
    """Return mains along the main roads, and one trunk sewer across the water meadow."""
    rows: Shapes = []
    kinds = (("sewer", 2.4, 450.0, 0.0), ("water", 0.9, 180.0, 2.6), ("gas", 0.8, 160.0, -2.6))
    for street in town.streets:
        if not street.is_main:
            continue
        for kind, depth, size, aside in kinds:
            line = street.line if aside == 0.0 else street.line.offset_curve(aside)
            rows.append(({"kind": kind, "depth_m": depth, "diameter_mm": size}, line.intersection(plan.DISTRICT)))
    trunk = curve([(20, 1060), (300, 1072), (560, 1046), (835, 962)])
    rows.append(({"kind": "sewer", "depth_m": 3.4, "diameter_mm": 900.0}, trunk))
    cable = curve([(1480, 1345), (1560, 1170), (1700, 1120)])
    rows.append(({"kind": "high_voltage", "depth_m": 0.9, "diameter_mm": 100.0}, cable))
    kept = [(r, s) for r, s in rows if s.length > 1.0]
    return layer([({"utility_id": f"L{i:03d}", **row}, shape) for i, (row, shape) in enumerate(kept, start=1)])


def tree_spots(town: Town) -> list[tuple[float, float, int, bool]]:
    """Return street and park trees: x, y, stem diameter [mm], protected."""
    rng = stream("trees")
    spots: list[tuple[float, float, int, bool]] = []
    roofs = shapely.STRtree([h.polygon for h in town.houses])
    for street in town.streets:
        if not (street.is_main or street.half_m < 2.85):
            continue
        step = 46.0 if street.is_main else 62.0
        for at in np.arange(step / 2, street.line.length, step):
            p = street.line.interpolate(at)
            q = street.line.interpolate(min(at + 1.0, street.line.length))
            away = (street.kerb_m + street.footway_m + 2.2) * (1 if rng.random() < 0.5 else -1)
            x, y = p.x - (q.y - p.y) * away, p.y + (q.x - p.x) * away
            if rng.random() < 0.6 and not len(roofs.query(shapely.Point(x, y).buffer(3.0))):
                spots.append((x, y, int(rng.integers(12, 75)) * 10, bool(rng.random() < 0.08)))
    for name in ("Orle Gardens", "Upper Green", "Terrace Road Cemetery"):
        west, south, east, north = town.sites[name].bounds
        for _ in range(26):
            p = shapely.Point(rng.uniform(west, east), rng.uniform(south, north))
            if town.sites[name].buffer(-5).contains(p):
                spots.append((p.x, p.y, int(rng.integers(25, 110)) * 10, True))
    return [s for s in spots if 2 < s[0] < 2398 and 2 < s[1] < 2498]


def trees(town: Town) -> gpd.GeoDataFrame:
    """Return the tree layer."""
    rows: Shapes = []
    for i, (x, y, stem, protected) in enumerate(tree_spots(town), start=1):
        rows.append(
            ({"tree_id": f"T{i:04d}", "stem_diameter_mm": stem, "is_protected": protected}, shapely.Point(x, y))
        )
    return layer(rows)


def heritage(town: Town) -> gpd.GeoDataFrame:
    """Return the conservation area of the old core and the station's listed building."""
    core = shapely.Polygon(
        [(690, 1175), (690, 1305), (905, 1300), (912, 1235), (1040, 1195), (1030, 1115), (900, 1090), (760, 1110)]
    )
    station = town.sites["Ambrel Vale Station"]
    return layer(
        [
            ({"heritage_id": "H1", "name": "Market Place conservation area", "kind": "conservation_area"}, core),
            ({"heritage_id": "H2", "name": "Ambrel Vale Station", "kind": "listed_building"}, station),
        ]
    )


def supply_points() -> gpd.GeoDataFrame:
    """Return works that supply layers, inside and outside the district."""
    rows: Shapes = [
        (
            {"supply_id": "Q1", "name": "Beacon Quarry", "product": "crushed rock", "price_per_t": 19.0},
            shapely.Point(11_400.0, 6_900.0),
        ),
        (
            {"supply_id": "Q2", "name": "Orle Sand and Gravel Pit", "product": "sand and gravel", "price_per_t": 16.0},
            shapely.Point(7_900.0, -2_300.0),
        ),
        (
            {"supply_id": "Q3", "name": "Staith Recycling Yard", "product": "recycled aggregate", "price_per_t": 11.0},
            shapely.Point(2_050.0, 1_060.0),
        ),
        (
            {"supply_id": "Q4", "name": "Marsh End Works", "product": "light substrate", "price_per_t": 64.0},
            shapely.Point(-21_000.0, 13_500.0),
        ),
    ]
    return layer(rows)


def evidence(town: Town) -> dict[str, gpd.GeoDataFrame]:
    """Return the site tests, and apart from them the pit that contradicts the soil map."""
    playing, library = town.sites["Hillfoot Playing Field"].centroid, town.sites["Ambrel Library"].centroid
    soakage: Row = {"kind": "infiltration_test", "unit": "m/s", "depth_m": 1.2, "method": "soakaway test in trial pit"}
    by_engineer: Row = {"tester_role": "ground engineer", "reach_m": 80.0}
    school: Row = {"evidence_id": "E1", **soakage, "value": 2.4e-5, "date": "2023-10-12", "document": "report 23-114"}
    field: Row = {"evidence_id": "E2", **soakage, "value": 3.0e-7, "date": "2023-10-17", "document": "report 23-121"}
    roof: Row = {
        "evidence_id": "E3", "kind": "roof_survey", "value": 1.6, "unit": "kN/m2", "depth_m": None,
        "date": "2022-05-03", "method": "structural appraisal of the roof", "document": "appraisal 22-07",
        "tester_role": "structural engineer", "reach_m": 25.0,
    }  # fmt: skip
    meadow: Row = {
        "evidence_id": "E4", "kind": "groundwater_level", "value": 0.55, "unit": "m", "depth_m": 0.55,
        "date": "2023-02-14", "method": "standpipe, winter reading", "document": "report 23-019", **by_engineer,
    }  # fmt: skip
    pit: Row = {"evidence_id": "E9", **soakage, "value": 2.0e-6, "date": "2024-03-20", "document": "report 24-031"}
    tests: Shapes = [
        ({**school, **by_engineer}, shapely.Point(1478.0, 1262.0)),
        ({**field, **by_engineer}, playing),
        (roof, library),
        (meadow, shapely.Point(500.0, 1058.0)),
    ]
    return {"site_tests": layer(tests), "test_pit": layer([({**pit, **by_engineer}, shapely.Point(1232.0, 1401.0))])}


def recorded_floods(outline: BaseGeometry, dates: list[str]) -> gpd.GeoDataFrame:
    """Return the two floods of the record at the passage."""
    depth = (0.7, 0.5)
    rows: Shapes = []
    for i, date in enumerate(dates):
        shape = shapely.union_all(
            [shapely.Polygon(p.exterior) for p in polygons_of(outline.buffer(3.0).buffer(-3.0 - 1.5 * i))]
        )
        row: Row = {"flood_id": f"F{i + 1}", "date": date, "depth_m": depth[i], "source": "council flood record"}
        rows.append((row, _whole(shape.simplify(1.0))))
    return layer(rows)

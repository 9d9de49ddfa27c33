"""A district small enough to work out by hand: a school with a roof and a yard, a depot, a car park near a zone."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from pyproj import CRS
from shapely.geometry import LineString, Point, box

from catchscreen.grid import Grid
from catchscreen.options import MeasureOptions
from catchscreen.progress import Run
from catchscreen.records import Cover, HollowTree, Inputs, Terrain

UTM = CRS.from_epsg(32628)
SIZE_M = 400.0
CELL_M = 5.0


@pytest.fixture(scope="session")
def grid():
    cells = int(SIZE_M / CELL_M)
    return Grid(cells, cells, 0.0, SIZE_M, CELL_M, CELL_M, UTM)


def _frame(index_name, rows):
    frame = gpd.GeoDataFrame(rows, geometry="geometry", crs=UTM)
    return frame.set_index(index_name).sort_index()


def make_parcels():
    return _frame(
        "parcel_id",
        [
            {
                "parcel_id": "P1",
                "land_use": "school",
                "owner_class": "council",
                "renewal_year": 2026.0,
                "social_decile": 1.0,
                "geometry": box(0, 0, 100, 100),
            },
            {
                "parcel_id": "P2",
                "land_use": "depot",
                "owner_class": "private_single",
                "renewal_year": np.nan,
                "social_decile": 5.0,
                "geometry": box(100, 0, 200, 100),
            },
            {
                "parcel_id": "P3",
                "land_use": "retail",
                "owner_class": "private_many",
                "renewal_year": 2040.0,
                "social_decile": 10.0,
                "geometry": box(200, 0, 300, 100),
            },
            {
                "parcel_id": "P4",
                "land_use": "park",
                "owner_class": "council",
                "renewal_year": np.nan,
                "social_decile": 3.0,
                "geometry": box(0, 100, 100, 200),
            },
        ],
    )


def make_buildings():
    common = {"use": "", "is_listed": False, "spare_load_kn_m2": np.nan, "reroof_year": 2026.0}
    return _frame(
        "building_id",
        [
            {
                "building_id": "B1",
                "height_m": 8.0,
                "year_built": 1974.0,
                "deck": "concrete",
                "ballast": "gravel",
                **common,
                "geometry": box(10, 10, 40, 40),
            },
            {
                "building_id": "B2",
                "height_m": 9.0,
                "year_built": 1990.0,
                "deck": "light_steel",
                "ballast": "",
                **common,
                "geometry": box(150, 10, 190, 50),
            },
        ],
    )


def make_surfaces():
    shares = {
        "impermeable_low_fraction": 0.9,
        "impermeable_fraction": 1.0,
        "impermeable_high_fraction": 1.0,
        "piped_fraction": 0.9,
        "to_ground_fraction": 0.0,
        "overland_fraction": 0.1,
        "source": "test",
    }
    rows = [
        ("S1", "P1", "roof", "roof", "B1", box(10, 10, 40, 40)),
        ("S2", "P1", "paved", "asphalt", "", box(50, 10, 90, 60)),
        ("S3", "P1", "planted", "grass", "", box(0, 60, 100, 100)),
        ("S4", "P2", "roof", "roof", "B2", box(150, 10, 190, 50)),
        ("S5", "P2", "paved", "concrete", "", box(105, 10, 145, 60)),
        ("S6", "P3", "paved", "asphalt", "", box(205, 10, 295, 90)),
        ("S7", "P4", "planted", "grass", "", box(0, 100, 100, 200)),
    ]
    frame = _frame(
        "surface_id",
        [
            {"surface_id": s, "parcel_id": p, "kind": k, "cover_class": c, "building_id": b, "geometry": g, **shares}
            for s, p, k, c, b, g in rows
        ],
    )
    frame["area_m2"] = frame.area
    frame.loc[frame["kind"] == "planted", "impermeable_fraction"] = 0.05
    return frame


def make_patches():
    nothing = {
        "pitch_deg": np.nan,
        "flat_fraction": np.nan,
        "plane_error_m": np.nan,
        "height_m": np.nan,
        "usable_area_m2": np.nan,
        "roof_state": "",
        "roof_reason": "",
        "soil_id": "",
        "subcatchment_id": "C1",
        "zone_id": "Z1",
    }
    roof = {"pitch_deg": 1.0, "flat_fraction": 1.0, "plane_error_m": 0.05, "roof_state": "fitted"}
    rows = [
        {
            "patch_id": "P1-a",
            "parcel_id": "P1",
            "ground": "paved",
            "cover_class": "asphalt",
            "width_m": 40.0,
            "building_id": "",
            "slope_fraction": 0.01,
            "hollow_id": "H1",
            **nothing,
            "geometry": box(50, 10, 90, 60),
        },
        {
            "patch_id": "P1-r",
            "parcel_id": "P1",
            "ground": "roof",
            "cover_class": "roof",
            "width_m": 30.0,
            "building_id": "B1",
            "slope_fraction": np.nan,
            "hollow_id": "H1",
            **nothing,
            **roof,
            "usable_area_m2": 700.0,
            "height_m": 8.0,
            "geometry": box(10, 10, 40, 40),
        },
        {
            "patch_id": "P2-a",
            "parcel_id": "P2",
            "ground": "paved",
            "cover_class": "concrete",
            "width_m": 40.0,
            "building_id": "",
            "slope_fraction": 0.02,
            "hollow_id": "",
            **nothing,
            "geometry": box(105, 10, 145, 60),
        },
        {
            "patch_id": "P2-r",
            "parcel_id": "P2",
            "ground": "roof",
            "cover_class": "roof",
            "width_m": 40.0,
            "building_id": "B2",
            "slope_fraction": np.nan,
            "hollow_id": "",
            **nothing,
            **roof,
            "usable_area_m2": 1200.0,
            "height_m": 9.0,
            "geometry": box(150, 10, 190, 50),
        },
        {
            "patch_id": "P3-a",
            "parcel_id": "P3",
            "ground": "paved",
            "cover_class": "asphalt",
            "width_m": 80.0,
            "building_id": "",
            "slope_fraction": 0.04,
            "hollow_id": "",
            **nothing,
            "geometry": box(205, 10, 295, 90),
        },
    ]
    frame = _frame("patch_id", rows)
    frame["area_m2"] = frame.area
    return frame


def make_cover():
    links = pd.DataFrame(
        [("P1-a", "S1", 900.0, "roof_pipe"), ("P2-a", "S4", 1600.0, "roof_pipe"), ("P1-a", "S3", 400.0, "gravity")],
        columns=["patch_id", "surface_id", "area_m2", "way"],
    )
    surfaces = make_surfaces()
    ledger = pd.DataFrame(surfaces.drop(columns="geometry").reset_index())
    ledger = ledger.assign(subcatchment_id="C1", hollow_id="", soil_id="", zone_id="Z1")
    return Cover(surfaces, ledger, make_patches(), links, pd.DataFrame())


def make_terrain(grid):
    """Everything runs south, one cell a step; a hollow lies at the foot of P1."""
    cells = np.arange(grid.cell_count).reshape(grid.shape)
    receiver = np.full(grid.shape, -1, np.int64)
    receiver[:-1] = cells[1:]
    ticks = np.repeat(np.arange(grid.rows, 0, -1, dtype=np.int32)[:, None] * 500, grid.cols, axis=1)
    rows = np.repeat(np.arange(1, grid.rows + 1)[:, None], grid.cols, axis=1)
    hollows = _frame(
        "hollow_id",
        [
            {
                "hollow_id": "H1",
                "depth_m": 0.5,
                "area_m2": 500.0,
                "volume_m3": 100.0,
                "spills_into_id": "H2",
                "geometry": box(50, 0, 60, 8),
            },
            {
                "hollow_id": "H2",
                "depth_m": 0.9,
                "area_m2": 900.0,
                "volume_m3": 300.0,
                "spills_into_id": "",
                "geometry": box(60, 0, 95, 8),
            },
        ],
    )
    none = np.zeros(0, np.int64)
    empty = gpd.GeoDataFrame(geometry=[], crs=UTM)
    subcatchments = _frame("subcatchment_id", [{"subcatchment_id": "C1", "geometry": box(0, 0, 400, 400)}])
    return Terrain(
        grid=grid,
        conditioned_ticks=ticks,
        filled_ticks=ticks,
        valid=np.ones(grid.shape, bool),
        receiver=receiver,
        accumulation_cells=rows.astype(np.int64),
        subcatchment_label=np.zeros(grid.shape, np.int32),
        hollow_label=np.full(grid.shape, -1, np.int32),
        slope_fraction=np.full(grid.shape, 0.01, np.float32),
        subcatchments=subcatchments,
        outlets=empty,
        hollows=hollows,
        flow_paths=empty,
        edits=empty,
        hollow_tree=HollowTree(none, none, none, none, none, none, np.zeros(1, np.int64), none, none, none),
    )


def make_inputs(grid, **layers):
    ticks = np.full(grid.shape, 500_000, np.int32)
    return Inputs(
        crs=UTM,
        grid=grid,
        ground_ticks=ticks,
        ground_valid=np.ones(grid.shape, bool),
        parcels=make_parcels(),
        district=box(0, 0, SIZE_M, SIZE_M),
        **layers,
    )


@pytest.fixture
def layers():
    """Return the optional layers of the full district."""
    return make_layers()


def make_layers():
    soils = _frame(
        "soil_id",
        [
            {"soil_id": "G", "infiltration_m_s": 2e-5, "geometry": box(0, 0, 100, 400)},
            {"soil_id": "K", "infiltration_m_s": 2e-6, "geometry": box(100, 0, 400, 400)},
        ],
    )
    land_cover = gpd.GeoDataFrame(
        {"cover_class": ["asphalt", "concrete", "asphalt"], "ground_use": ["playground", "goods_yard", "car_park"]},
        geometry=[box(50, 10, 90, 60), box(105, 10, 145, 60), box(205, 10, 295, 90)],
        crs=UTM,
    )
    return {
        "buildings": make_buildings(),
        "soils": soils,
        "land_cover": land_cover,
        "groundwater": gpd.GeoDataFrame(
            {"depth_m": [6.0, 0.9]}, geometry=[box(0, 0, 200, 400), box(200, 0, 400, 400)], crs=UTM
        ),
        "sewer_zones": _frame(
            "zone_id", [{"zone_id": "Z1", "sewer_kind": "combined", "geometry": box(0, 0, 400, 400)}]
        ),
        "storm_overflows": _frame(
            "overflow_id", [{"overflow_id": "O1", "spills_per_year": 31.0, "zone_id": "Z1", "geometry": Point(5, 5)}]
        ),
        "property_points": _frame(
            "property_id", [{"property_id": f"A{n}", "geometry": Point(62 + n, 4)} for n in range(10)]
        ),
        "utilities": gpd.GeoDataFrame({"kind": ["water"]}, geometry=[LineString([(50, 30), (90, 30)])], crs=UTM),
        "supply_points": gpd.GeoDataFrame({"product": ["rock"]}, geometry=[Point(10_000, 35)], crs=UTM),
    }


@pytest.fixture
def district(grid, layers):
    return make_inputs(grid, **layers), make_terrain(grid), make_cover()


@pytest.fixture
def options():
    return MeasureOptions()


@pytest.fixture
def run():
    return Run()


@pytest.fixture
def make_district(grid):
    """Return a maker of districts with the layers that a test wants."""
    return lambda **layers: (make_inputs(grid, **layers), make_terrain(grid), make_cover())


@pytest.fixture(scope="session")
def proposals(grid):
    """Return what is proposed for the full district with default options; tests only read it."""
    from catchscreen.measures import open_measures, propose

    options = MeasureOptions()
    data = make_inputs(grid, **make_layers())
    return propose(data, make_terrain(grid), make_cover(), open_measures(options), options, Run())


@pytest.fixture(scope="module")
def full_district(grid):
    """Return the full district; tests of a module share it and only read it."""
    return make_inputs(grid, **make_layers()), make_terrain(grid), make_cover()

"""Small districts to count surfaces on, with a plain terrain that needs no other stage."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import CRS

from catchscreen.grid import Grid
from catchscreen.records import HollowTree, Inputs, Terrain

CRS_CODE = 32628


def frame(shapes, ids, name, **columns):
    table = gpd.GeoDataFrame(columns, geometry=list(shapes), index=pd.Index(list(ids), name=name), crs=CRS_CODE)
    return table.sort_index()


def make_inputs(parcels, *, cells=(40, 60), cell_m=1.0, corner=(0.0, 0.0), level=None, **layers):
    """Inputs over a grid whose lower left corner is ``corner``; parcels a list of shapes or a layer."""
    rows, cols = cells
    grid = Grid(rows, cols, corner[0], corner[1] + rows * cell_m, cell_m, cell_m, CRS.from_epsg(CRS_CODE))
    if level is None:
        level = np.full((rows, cols), 10.0)
    if not isinstance(parcels, gpd.GeoDataFrame):
        parcels = frame(parcels, [f"P{k + 1:03d}" for k in range(len(parcels))], "parcel_id")
    layers.setdefault("district", shapely.box(*grid.bounds))
    return Inputs(
        crs=grid.crs,
        grid=grid,
        ground_ticks=np.round(level * 10_000).astype(np.int32),
        ground_valid=np.ones((rows, cols), dtype=bool),
        parcels=parcels,
        **layers,
    )


def empty_layer(name, *columns):
    return gpd.GeoDataFrame(
        {column: [] for column in columns}, geometry=[], index=pd.Index([], name=name, dtype=object), crs=CRS_CODE
    )


def make_terrain(data, *, subcatchment=None, hollow=None, receiver=None):
    """A terrain whose labels are given; sub-catchment ids S1, S2, ..., hollow ids H1, H2, ..."""
    shape = data.grid.shape
    none = np.empty(0, np.int64)
    subcatchment = np.zeros(shape, np.int32) if subcatchment is None else subcatchment.astype(np.int32)
    hollow = np.full(shape, -1, np.int32) if hollow is None else hollow.astype(np.int32)
    receiver = np.full(shape, -1, np.int64) if receiver is None else receiver

    def named(prefix, labels, name):
        ids = [f"{prefix}{k + 1:03d}" for k in range(int(labels.max()) + 1)]
        return frame([shapely.box(0, 0, 1, 1)] * len(ids), ids, name)

    return Terrain(
        grid=data.grid,
        conditioned_ticks=data.ground_ticks,
        filled_ticks=data.ground_ticks,
        valid=data.ground_valid,
        receiver=receiver,
        accumulation_cells=np.ones(shape, np.int64),
        subcatchment_label=subcatchment,
        hollow_label=hollow,
        slope_fraction=np.full(shape, 0.02, np.float32),
        subcatchments=named("S", subcatchment, "subcatchment_id"),
        outlets=empty_layer("outlet_id"),
        hollows=named("H", hollow, "hollow_id"),
        flow_paths=empty_layer("flow_path_id"),
        edits=empty_layer("edit_id"),
        hollow_tree=HollowTree(*(none,) * 6, np.zeros(1, np.int64), *(none,) * 3),
    )


class Scenes:
    """The helpers above, handed to tests."""

    frame = staticmethod(frame)
    inputs = staticmethod(make_inputs)
    terrain = staticmethod(make_terrain)
    replace = staticmethod(replace)


@pytest.fixture(scope="session")
def scenes():
    return Scenes

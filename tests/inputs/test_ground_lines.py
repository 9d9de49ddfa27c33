"""Walls and the capacity of culverts, as a user gives them."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
from shapely.geometry import LineString

from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import delineate

LEFT, TOP, CRS = 500_000.0, 5_000_050.0, "EPSG:32628"


def line(*places):
    return LineString([(LEFT + x, TOP - y) for x, y in places])


def test_walls_have_an_id_and_a_height_where_it_is_given(place):
    walls = gpd.GeoDataFrame(
        {"wall_id": ["w1", "w2"], "height_m": [0.8, np.nan]},
        geometry=[line((5.5, 5.5), (20.5, 5.5)), line((30.5, 10.5), (30.5, 20.5))],
        crs=CRS,
    )
    place.vector("walls.gpkg", walls)
    data, _ = place.load(walls="walls.gpkg")
    assert data.walls.index.tolist() == ["w1", "w2"]
    assert data.walls["height_m"].iloc[0] == 0.8
    assert np.isnan(data.walls["height_m"].iloc[1])
    edits = delineate(data, TerrainOptions(wall_raise_m=1.2), Run()).edits
    np.testing.assert_allclose(edits["level_after_m"] - edits["level_before_m"], [0.8, 1.2])


def test_a_wall_higher_than_any_is_unknown_and_gets_the_stated_height(place):
    walls = gpd.GeoDataFrame({"wall_id": ["w"], "height_m": [180.0]}, geometry=[line((5, 5), (20, 5))], crs=CRS)
    place.vector("walls.gpkg", walls)
    data, issues = place.load(walls="walls.gpkg")
    assert data.walls["height_m"].isna().all()
    assert any("height_m" in issue.message for issue in issues if issue.role == "walls")


def test_the_capacity_of_a_culvert_reaches_its_edit(place):
    """The plane falls to the north by 1 in 10 and to the west by 1 in 100; a bank of 2 m lies across it, walled in."""
    place.levels[20:24] += 2.0
    place.levels[:, :2] += 3.0
    place.levels[:, -2:] += 3.0
    place.raster("dtm.tif")
    ways = gpd.GeoDataFrame(
        {"culvert_id": ["c"], "kind": ["culvert"], "capacity_l_s": [120.0]},
        geometry=[line((30.5, 26.5), (30.5, 17.5))],
        crs=CRS,
    )
    place.vector("ways.gpkg", ways)
    data, _ = place.load(culverts="ways.gpkg")
    assert data.culverts["capacity_l_s"].tolist() == [120.0]
    land = delineate(data, TerrainOptions(), Run())
    assert land.edits["capacity_l_s"].tolist() == [120.0]
    assert land.blocked["capacity_l_s"].tolist() == [120.0]

"""What reading leaves out for speed gives what the long way gives: counting cells, opening files, parsing tables."""

from __future__ import annotations

import csv
import io

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from shapely.geometry import LineString, Point, Polygon, box

from catchscreen.brief_sources import Source
from catchscreen.grid import Grid
from catchscreen.inputs import parcels as parcels_module
from catchscreen.inputs import vector
from catchscreen.inputs.parcels import _counted_fraction, _ground_fraction
from catchscreen.inputs.raster import Ground
from catchscreen.inputs.tables import _parse_even, _parse_uneven, parse_text

LEFT, TOP, SYSTEM = 500_000.0, 5_000_050.0, "EPSG:32628"


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1))
def test_only_parcels_near_a_hole_are_counted_and_the_shares_are_the_same(seed):
    """Boxes and triangles thrown on 30 x 40 cells with holes, some over the edge, some over each other."""
    random = np.random.default_rng(seed)
    grid = Grid(30, 40, LEFT, TOP, 1.0, 1.0, CRS(SYSTEM))
    valid = np.ones(grid.shape, dtype=bool)
    for row, col in zip(random.integers(0, 30, 3), random.integers(0, 40, 3), strict=True):
        valid[row : row + random.integers(1, 4), col : col + random.integers(1, 4)] = False
    ground = Ground(grid, np.zeros(grid.shape, np.int32), valid)
    shapes = []
    for x, y, wide, high in zip(
        *random.uniform([[-2], [-2], [0.2], [0.2]], [[40], [30], [9], [9]], (4, 12)), strict=True
    ):
        left, bottom = LEFT + x, TOP - 30.0 + y
        corners = [(left, bottom), (left + wide, bottom), (left, bottom + high)]
        shapes.append(Polygon(corners) if wide > high else box(left, bottom, left + wide, bottom + high))
    shapes = np.array(shapes, dtype=object)
    within = shapely.intersects(shapes, box(*grid.bounds))
    np.testing.assert_array_equal(_ground_fraction(shapes[within], ground), _counted_fraction(shapes[within], ground))


def test_parcels_on_whole_ground_are_not_counted(place, monkeypatch):
    def counts(*_):
        raise AssertionError("cells were counted")

    monkeypatch.setattr(parcels_module, "_counted_fraction", counts)
    data, _ = place.load()
    assert (data.parcels["ground_fraction"] == 1).all()


def test_a_parcel_that_has_no_area_once_repaired_is_left_out_and_said(place):
    """Out and back on one line: no polygon is left of it, so it is no ground."""
    flat = Polygon([(LEFT + 5, TOP - 5), (LEFT + 9, TOP - 5), (LEFT + 5, TOP - 5), (LEFT + 5, TOP - 5)])
    parcels = pd.concat(
        [place.parcels, gpd.GeoDataFrame({"parcel_id": ["flat"], "land_use": ["park"]}, geometry=[flat], crs=SYSTEM)]
    )
    data, issues = place.load(parcels=parcels)
    assert data.parcels.index.tolist() == list("abcdef")
    said = [issue.message for issue in issues if issue.code == "null-geometry"]
    assert said == ["1 features have no area once repaired and were left out: flat."]


def layers_of_one_file(place):
    """A file of four layers: two in the elevation's system, one in degrees, one that does not say."""
    trees = gpd.GeoDataFrame(geometry=[Point(LEFT + 10, TOP - 10), Point(LEFT + 9000, TOP)], crs=SYSTEM)
    walls = gpd.GeoDataFrame(geometry=[LineString([(LEFT + 5, TOP - 5), (LEFT + 9, TOP - 9)])], crs=SYSTEM)
    place.vector("town.gpkg", trees, layer="trees")
    place.vector("town.gpkg", trees.to_crs("EPSG:4326"), layer="property_points")
    place.vector("town.gpkg", walls, layer="walls")
    return {role: {"file": "town.gpkg", "layer": role} for role in ("trees", "property_points", "walls")}


def test_layers_of_one_file_may_be_in_different_systems(place):
    data, _ = place.load(**layers_of_one_file(place))
    assert len(data.trees) == len(data.property_points) == len(data.walls) == 1
    assert data.property_points.geometry.iloc[0].distance(data.trees.geometry.iloc[0]) < 0.01
    assert data.property_points.crs == data.walls.crs == data.crs


def test_layers_of_one_file_are_listed_once(place, monkeypatch):
    roles, asked = layers_of_one_file(place), []
    listing = pyogrio.list_layers
    monkeypatch.setattr(vector.pyogrio, "list_layers", lambda path: asked.append(path) or listing(path))
    place.load(**roles)
    assert len([path for path in asked if path.endswith("town.gpkg")]) == 1


FIELDS = st.text(st.sampled_from("ab1. é-\t"), max_size=5)


@settings(max_examples=150)
@given(st.lists(st.tuples(FIELDS, FIELDS, FIELDS), min_size=2, max_size=6))
def test_even_lines_are_parsed_at_once_as_one_by_one(rows):
    """Against the csv module, field by field, blanks around them gone."""
    lines = [";".join(row) for row in rows]
    parsed = _parse_even(lines, ";")
    assert parsed is not None
    expected = [[cell.strip() for cell in row] for row in csv.reader(io.StringIO("\n".join(lines[1:])), delimiter=";")]
    assert parsed.to_numpy().tolist() == expected
    pd.testing.assert_frame_equal(parsed, _parse_uneven(lines, ";", 3), check_dtype=False)


@pytest.mark.parametrize("text", ["time,rain\n2000-01-01 00:00,1.5\n\n  \n2000-01-01 01:00, 2\n", "a,b\r\n1,2\r\n"])
def test_empty_lines_and_line_ends_do_not_matter(text):
    frame = parse_text(text, Source())
    assert not frame.empty
    assert all(cell == cell.strip() != "" for cell in frame.to_numpy().ravel())
    assert all(isinstance(dtype, pd.StringDtype) for dtype in frame.dtypes)

"""Shifted footprints and urban creep, made and measured."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from catchscreen.options import SurfaceOptions
from catchscreen.progress import Run
from catchscreen.records import Raster
from catchscreen.surfaces import account
from catchscreen.surfaces.creep import allowance


def village(scenes, east, north):
    """Houses of several sizes; the surface model has them ``east`` and ``north`` of the footprints."""
    shapes = [shapely.box(x, y, x + 9, y + 7) for x in (10, 30, 55) for y in (10, 28, 45)]
    data = scenes.inputs(
        [shapely.box(0, 0, 80, 60)],
        cells=(60, 80),
        buildings=scenes.frame(shapes, [f"b{k}" for k in range(9)], "building_id"),
    )
    y, x = np.indices((60, 80))
    x, y = x + 0.5 - east, 60 - (y + 0.5) - north
    inside = np.any([shapely.contains_xy(shape, x, y) for shape in shapes], axis=0)
    model = Raster(data.grid, np.where(inside, 16.0, 10.0), np.ones((60, 80), dtype=bool))
    return scenes.replace(data, surface_model=model)


def shifts(scenes, data):
    run = Run()
    account(data, scenes.terrain(data), SurfaceOptions(), run)
    return [issue.message for issue in run.issues if issue.code == "footprints_shifted"]


def test_a_shift_of_two_metres_is_reported_with_its_direction(scenes):
    assert shifts(scenes, village(scenes, 2.0, -1.0)) == [
        "the surface model has the buildings 2.0 m east and 1.0 m south of their footprints; nothing was moved"
    ]


def test_footprints_in_place_are_no_issue(scenes):
    assert shifts(scenes, village(scenes, 0.0, 0.0)) == []


def test_roofs_of_a_land_cover_raster_are_compared_too(scenes):
    data = village(scenes, 0.0, 3.0)
    tall = (data.surface_model.values > 11.0).astype(np.int64)
    raster = Raster(data.grid, tall, np.ones((60, 80), dtype=bool))
    data = scenes.replace(data, surface_model=None, land_cover=raster, cover_classes={0: "grass", 1: "roof"})
    assert shifts(scenes, data) == [
        "the land cover has the buildings 0.0 m east and 3.0 m north of their footprints; nothing was moved"
    ]


def test_the_allowance_falls_with_density():
    """The published steps, the middle of one, and flats."""
    found = allowance(np.array([10.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0, 80.0, 120.0]))
    assert found == pytest.approx([0.10, 0.10, 0.08, 0.06, 0.05, 0.04, 0.02, 0.02, 0.0])


def test_creep_paves_gardens_of_homes_only(scenes):
    """20 dwellings per hectare: 10 % of 100 m2 roof over 300 m2 of garden at 0.12, of which 36 m2 are impermeable too.

    The allowance is 0.1 (100 + 36) = 13.6 m2, so the garden's share rises from 0.12 by 13.6 / 300.
    """
    parcels = scenes.frame(
        [shapely.box(0, 0, 20, 20), shapely.box(20, 0, 40, 20)], ["P1", "P2"], "parcel_id", land_use=["homes", "school"]
    )
    data = scenes.inputs(
        parcels,
        cells=(20, 40),
        buildings=scenes.frame([shapely.box(0, 0, 10, 10), shapely.box(20, 0, 30, 10)], ["b1", "b2"], "building_id"),
        land_cover=scenes.frame([shapely.box(0, 0, 40, 20)], ["c"], "cover_id", cover_class=["garden"]),
    )
    land = scenes.terrain(data)
    plain = account(data, land, SurfaceOptions(), Run()).surfaces["impermeable_fraction"]
    options = SurfaceOptions(urban_creep=True, dwellings_per_ha=20.0)
    crept = account(data, land, options, Run()).surfaces["impermeable_fraction"]
    assert crept["P1.garden"] == pytest.approx(0.12 + 13.6 / 300.0)
    assert crept.drop("P1.garden").equals(plain.drop("P1.garden"))
    points = scenes.frame([shapely.Point(5, 5)], ["h1"], "property_id", use=["home"])
    counted = account(scenes.replace(data, property_points=points), land, SurfaceOptions(urban_creep=True), Run())
    # One home on 0.04 ha makes 25 per hectare: still 10 %.
    assert counted.surfaces.loc["P1.garden", "impermeable_fraction"] == pytest.approx(0.12 + 13.6 / 300.0)

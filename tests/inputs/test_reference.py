"""Coordinate systems: which fit, which are the same, which transformation is taken."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS

from catchscreen.brief_sources import Source
from catchscreen.errors import InputsAtFault
from catchscreen.inputs.reference import (
    area_scale,
    find_change,
    fitting_crs,
    horizontal,
    is_web_mercator,
    require_metric,
    same_system,
)

SOURCE = Source(file="x").placed(role="elevation", folder=Path())
HERE = {  # a place of one square kilometre in each
    27700: (530_000, 180_000, 531_000, 181_000),
    3006: (318_000, 6_398_000, 319_000, 6_399_000),
    28992: (84_000, 447_000, 85_000, 448_000),
    5514: (-744_000, -1_041_000, -743_000, -1_040_000),
    32628: (500_000, 5_000_000, 501_000, 5_001_000),
    3035: (4_640_000, 3_000_000, 4_641_000, 3_001_000),
}


@pytest.mark.parametrize("code", HERE)
def test_national_metric_grids_fit(code):
    require_metric(CRS(code), HERE[code], SOURCE)
    assert area_scale(CRS(code), HERE[code]) == pytest.approx(1.0, abs=2e-3)


@pytest.mark.parametrize(
    ("code", "bounds", "word"),
    [
        (4326, (14.0, 50.0, 14.1, 50.1), "degrees"),
        (3857, (1_600_000, 6_460_000, 1_601_000, 6_461_000), "web map"),
        (3857, (0, 0, 1000, 1000), "web map"),
        (2263, (950_000, 200_000, 951_000, 201_000), "foot"),
        (3395, (1_600_000, 6_400_000, 1_601_000, 6_401_000), "times the true ones"),
    ],
)
def test_others_are_refused_with_one_that_fits(code, bounds, word):
    with pytest.raises(InputsAtFault) as caught:
        require_metric(CRS(code), bounds, SOURCE)
    (fault,) = caught.value.faults
    assert word in fault.message
    assert f"EPSG:{code}" in fault.message
    assert "UTM zone" in fault.cure


def test_web_mercator_stretches_areas_in_prague_as_published_for_the_data():
    """677,216 m2 in Web Mercator are 278,887 m2 in EPSG:5514: a factor of 2.43."""
    bounds = (1_603_000, 6_464_000, 1_604_000, 6_465_000)
    assert area_scale(CRS(3857), bounds) == pytest.approx(677_216 / 278_887, rel=2e-3)


def test_the_utm_zone_of_a_place():
    assert fitting_crs(-15.0, 45.0) == "EPSG:32628 (WGS 84 / UTM zone 28N)"
    assert fitting_crs(174.8, -41.3).startswith("EPSG:32760")


@pytest.mark.parametrize("code", [3006, 2193, 27700, 28992])
def test_a_system_written_in_another_dialect_is_the_same(code):
    crs = CRS(code)
    other = CRS(crs.to_wkt("WKT1_ESRI"))
    assert same_system(other, crs)
    assert find_change(other, crs, SOURCE) is None


def test_compound_systems_are_split():
    crs, datum = horizontal(CRS("EPSG:7415"))
    assert crs == CRS(28992)
    assert datum == "NAP height"
    assert is_web_mercator(CRS(3857))


def test_a_regional_transformation_is_chosen_by_the_place():
    """ED50 has dozens of transformations; over Denmark and over Spain they differ, and each states an accuracy."""
    target = CRS(4326)
    names = {
        find_change(CRS(23032), target, SOURCE, bounds).name
        for bounds in ((550_000, 6_200_000, 551_000, 6_201_000), (-60_000, 4_500_000, -59_000, 4_501_000))
    }
    assert len(names) == 2


def test_the_change_of_a_point_agrees_with_the_survey_s_worked_example():
    """52 39 27.2531 N, 1 43 4.5177 E on OSGB36 is E 651409.903, N 313177.270.

    Ordnance Survey, A guide to coordinate systems in Great Britain, annexe C, worked example (from memory).
    """
    change = find_change(CRS(4277), CRS(27700), SOURCE)
    lon, lat = 1 + 43 / 60 + 4.5177 / 3600, 52 + 39 / 60 + 27.2531 / 3600
    assert change.points(np.array([[lon, lat]]))[0] == pytest.approx([651_409.903, 313_177.270], abs=2e-3)
    assert change.accuracy_m == 0

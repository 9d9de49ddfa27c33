"""Buildings derived from a surface model, against scenes that were made and against surveyed footprints."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from catchscreen.options import SurfaceOptions
from catchscreen.progress import Run
from catchscreen.records import Raster
from catchscreen.surfaces import account, with_buildings

HALL = shapely.box(4, 4, 16, 14)
GABLE = shapely.box(24, 4, 36, 14)


def scene(scenes, **layers):
    """A flat hall of 12 x 10 m, a gable of the same size, a rough crown of 8 m, a shed of 3 x 3 m; ground at 10 m."""
    rng = np.random.default_rng(5)
    data = scenes.inputs([shapely.box(0, 0, 40, 30)], cells=(30, 40))
    y, x = np.indices((30, 40))
    x, y = x + 0.5, 30 - (y + 0.5)
    level = np.full((30, 40), 10.0)
    level[shapely.contains_xy(HALL, x, y)] = 16.0
    gable = shapely.contains_xy(GABLE, x, y)
    level[gable] = (17.0 - 0.6 * np.abs(y - 9.0))[gable]
    crown = np.hypot(x - 20, y - 22) < 4.0
    level[crown] = (14.0 + rng.uniform(0.0, 6.0, x.shape))[crown]
    level[(np.abs(x - 34) < 1.5) & (np.abs(y - 24) < 1.5)] = 13.0
    model = Raster(data.grid, level, np.ones((30, 40), dtype=bool))
    return scenes.replace(data, surface_model=model, **layers)


def counted(scenes, data, **options):
    run = Run()
    return account(data, scenes.terrain(data), SurfaceOptions(**options), run), run


def test_hall_and_gable_are_found_crown_and_shed_are_not(scenes):
    """12 x 10 m each, on cell edges; the crown's 50 m2 are rough, the shed's 9 m2 too few."""
    cover, run = counted(scenes, scene(scenes))
    found = cover.derived_buildings
    assert len(found) == 2
    for shape in (HALL, GABLE):
        best = max(found.geometry, key=lambda other: other.intersection(shape).area)
        assert best.intersection(shape).area / best.union(shape).area > 0.9
    roofs = cover.surfaces[cover.surfaces["kind"] == "roof"]
    assert set(roofs["source"]) == {"surface_model"}
    assert roofs["building_id"].str.startswith("derived.").all()
    assert set(cover.roofs["roof_state"]) == {"fitted"}
    issue = next(issue for issue in run.issues if issue.code == "buildings_derived")
    assert "2 buildings" in issue.message
    assert "crowns" in issue.message
    assert issue.severity == "unknown"


def test_given_footprints_or_roofs_of_a_land_cover_are_not_added_to(scenes):
    given = scenes.frame([HALL], ["b"], "building_id")
    cover, run = counted(scenes, scene(scenes, buildings=given))
    assert cover.derived_buildings is None
    assert not any(issue.code == "buildings_derived" for issue in run.issues)
    land_cover = scenes.frame([HALL], ["c"], "cover_id", cover_class=["roof"])
    assert counted(scenes, scene(scenes, land_cover=land_cover))[0].derived_buildings is None
    assert counted(scenes, scene(scenes), derive_buildings=False)[0].derived_buildings is None


def test_absurd_limits_are_refused():
    for name, value in (("derived_min_height_m", 0.2), ("derived_min_area_m2", 0.0)):
        with pytest.raises(ValueError, match=name):
            SurfaceOptions(**{name: value})


def test_where_nothing_stands_nothing_is_derived(scenes):
    data = scene(scenes)
    flat = Raster(data.grid, np.full((30, 40), 10.0), np.ones((30, 40), dtype=bool))
    cover, run = counted(scenes, scenes.replace(data, surface_model=flat))
    assert cover.derived_buildings.empty
    assert (cover.surfaces["kind"] != "roof").all()
    assert any("0 buildings" in issue.message for issue in run.issues)


def test_what_was_derived_stands_for_the_buildings_in_later_stages(scenes):
    data = scene(scenes)
    cover, _ = counted(scenes, data)
    assert len(with_buildings(data, cover).buildings) == 2
    given = scenes.replace(data, buildings=scenes.frame([HALL], ["b"], "building_id"))
    assert with_buildings(given, counted(scenes, given)[0]) is given

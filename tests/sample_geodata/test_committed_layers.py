"""The committed files: small, sound, and as the README of the district says."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from catchscreen.brief import Brief

PAVED = ("asphalt", "concrete", "block_paving", "gravel")
WANTED_HA = {"roofs": 84.0, "streets": 66.0, "yards": 42.0, "domestic": 30.0, "planted": 354.0, "water": 24.0}


def overlap_pairs(frame, least_m2):
    """Return the pairs of features that share more than so much ground."""
    shapes = frame.geometry.to_numpy()
    left, right = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    keep = left < right
    shared = shapely.area(shapely.intersection(shapes[left[keep]], shapes[right[keep]]))
    return int((shared > least_m2).sum())


def shared_area(first, second):
    """Return the area that two layers share; neither overlaps itself."""
    a, b = first.geometry.to_numpy(), second.geometry.to_numpy()
    left, right = shapely.STRtree(b).query(a, predicate="intersects")
    return shapely.area(shapely.intersection(a[left], b[right]))


def test_the_files_stay_small(folder):
    sizes = {
        p: p.stat().st_size
        for p in folder.rglob("*")
        if p.is_file() and not any(part.endswith("_result") for part in p.relative_to(folder).parts)
    }
    assert sum(sizes.values()) < 7_000_000
    assert max(sizes.values()) < 4_000_000


def test_every_layer_is_valid_in_open_ocean_with_ids_of_its_own(layers):
    for name, frame in layers.items():
        assert frame.crs.to_epsg() == 32628, name
        assert frame.geometry.is_valid.all(), name
        first = frame.columns[0]
        assert first.endswith("_id"), name
        assert frame[first].is_unique, name
    west, south, east, north = layers["district"].to_crs(4326).total_bounds
    assert -15.1 < west < east < -14.9
    assert 44.9 < south < north < 45.1


def test_the_ground_is_four_tiles_of_one_grid_from_38_to_156_m(folder, ground):
    assert len(list((folder / "ground_model").glob("*.tif"))) == 4
    assert ground.shape == (1250, 1200)
    assert ground.min() == pytest.approx(38.0, abs=0.5)
    assert ground.max() == pytest.approx(156.0, abs=1.5)


def test_parcels_lie_side_by_side_and_off_the_streets(layers):
    parcels = layers["parcels"]
    assert 2500 <= len(parcels) <= 4000
    assert overlap_pairs(parcels, 2.0) == 0  # coordinates are rounded to 1 cm, along curves of hundreds of metres
    assert shared_area(parcels, layers["roads"]).max() < 0.5
    assert parcels.area.min() > 20.0


def test_buildings_stand_in_parcels_apart_and_off_the_streets(layers):
    buildings = layers["buildings"]
    assert overlap_pairs(buildings, 0.5) == 0
    assert shared_area(buildings, layers["roads"]).max() < 0.5
    in_parcels = shared_area(buildings, layers["parcels"]).sum()
    assert in_parcels == pytest.approx(buildings.area.sum(), rel=1e-4)


def test_carriageways_and_footways_lie_side_by_side(layers):
    roads = layers["roads"]
    assert set(roads["road_class"]) == {"carriageway", "footway"}
    assert overlap_pairs(roads, 2.0) == 0


def test_land_cover_lies_side_by_side_and_off_the_streets(layers):
    cover = layers["land_cover"]
    assert overlap_pairs(cover, 3.0) == 0
    assert shared_area(cover, layers["roads"]).max() < 3.0


def test_cover_comes_to_the_hectares_of_the_story(layers):
    """Each square metre once: building over street over paved over planted; exact overlay, no raster."""
    cover = layers["land_cover"]
    roofs = layers["buildings"].area.sum() / 1e4
    streets = layers["roads"].area.sum() / 1e4
    domestic = cover["cover_class"] == "mixed_hard"
    yards = cover["cover_class"].isin(PAVED)
    water = cover["cover_class"] == "water"
    found = {"roofs": roofs, "streets": streets, "water": cover[water].area.sum() / 1e4}
    for name, rows in (("domestic", domestic), ("yards", yards)):
        below_roofs = shared_area(cover[rows], layers["buildings"]).sum()
        found[name] = (cover[rows].area.sum() - below_roofs) / 1e4
    found["planted"] = 600.0 - sum(found.values())
    for name, wanted in WANTED_HA.items():
        assert found[name] == pytest.approx(wanted, rel=0.016), name


def test_planted_ground_is_what_the_rest_of_the_district_is_said_to_be(layers):
    """Planted pieces, roofs, streets, paved ground and water leave nothing of the district bare."""
    cover, hard = layers["land_cover"], [layers["roads"].geometry, layers["buildings"].geometry]
    known = shapely.union_all(np.concatenate([cover.geometry, *hard]), grid_size=0.01)
    bare = layers["district"].geometry.iloc[0].difference(known)
    assert bare.area < 600.0  # slivers along kerbs, 0.01 % of the district


@pytest.mark.parametrize("name", ["brief.toml", "brief_minimum.toml", "brief_test_pit.toml"])
def test_the_briefs_are_sound(folder, name):
    brief = Brief.from_toml(folder / name)
    assert brief.keep_columns == ("name",) or list(brief.keep_columns) == ["name"]


def test_only_its_own_brief_names_the_pit(folder):
    assert "test_pit.gpkg" not in (folder / "brief.toml").read_text(encoding="utf-8")
    pit = Brief.from_toml(folder / "brief_test_pit.toml")
    plain = Brief.from_toml(folder / "brief.toml")
    assert len(pit.evidence) == len(plain.evidence) + 1

"""What the invented town must show, read back from the committed files."""

from __future__ import annotations

import zipfile

import numpy as np
import pandas as pd
import pytest
import shapely
from ambrel_vale import hollow, rain, solve
from ambrel_vale.figures import cells_in_window
from ambrel_vale.frame import BOTTOM, LEFT, window_mask
from skimage.morphology import reconstruction


def to_local(shape):
    return shapely.transform(shape, lambda xy: xy - np.array([LEFT, BOTTOM]))


@pytest.fixture(scope="module")
def roofs(layers):
    return window_mask(to_local(shapely.union_all(layers["buildings"].geometry.to_numpy(), grid_size=0.001)))


@pytest.fixture(scope="module")
def cut(layers, ground, roofs):
    """The ground about the passage, buildings raised, the committed ways cut through."""
    cuts = [
        solve.Cut(to_local(w.geometry), w.name, w.kind, w.width_m, w.upstream_level_m, w.downstream_level_m)
        for w in layers["culverts"].itertuples()
    ]
    return solve.conditioned(ground, cuts, roofs)[solve.window()]


@pytest.fixture(scope="module")
def passage(cut):
    return hollow.measure(cut, solve.seed_cell())


def test_the_flood_fill_equals_morphological_reconstruction(cut):
    """Peer: scikit-image, reconstruction by erosion from a seed that is the ground on the edge and high inside."""
    seed = np.full_like(cut, cut.max())
    seed[[0, -1], :], seed[:, [0, -1]] = cut[[0, -1], :], cut[:, [0, -1]]
    filled, _, _ = hollow.flood(cut)
    np.testing.assert_array_equal(filled, reconstruction(seed, cut, method="erosion"))


def test_the_hollow_at_the_passage(passage):
    assert passage.volume_m3 == pytest.approx(2900.0, rel=0.05)
    assert passage.depth_m == pytest.approx(0.9, rel=0.05)
    assert passage.area_m2 == pytest.approx(9500.0, rel=0.05)
    assert passage.upstream_ha == pytest.approx(23.0, rel=0.05)


def test_left_uncut_the_deck_dams_the_street(ground, roofs):
    shut = hollow.measure(solve.conditioned(ground, [], roofs)[solve.window()], solve.seed_cell())
    assert shut.spill_level_m > 47.2  # the crest of the street lies at 46.6
    assert shut.volume_m3 > 3.0 * 2900.0


def test_homes_and_a_pharmacy_stand_in_it(layers, passage):
    doors = layers["property_points"]
    x, y = doors.geometry.x.to_numpy() - LEFT, doors.geometry.y.to_numpy() - BOTTOM
    row, col = cells_in_window(x, y)
    near = (row >= 0) & (row < passage.wet.shape[0]) & (col >= 0) & (col < passage.wet.shape[1])
    inside = np.zeros(len(doors), dtype=bool)
    inside[near] = passage.wet[row[near], col[near]]
    assert (doors["use"][inside] == "home").sum() == 46
    assert (doors["use"][inside] == "pharmacy").sum() == 1


@pytest.mark.parametrize(("name", "least"), [("Ambrel Secondary School", 0.8), ("Station Car Park", 0.95)])
def test_the_two_sites_lie_above_the_passage(named, passage, name, least):
    cells = window_mask(to_local(named[name]))[solve.window()]
    assert (cells & passage.upstream).sum() / cells.sum() > least
    assert not (cells & passage.wet).any()


def read_rain(folder):
    with zipfile.ZipFile(folder / "rain" / "rain_hourly.zip") as archive, archive.open("rain_hourly.csv") as opened:
        return pd.read_csv(opened)


def test_rain_of_twelve_years(folder):
    series = read_rain(folder)
    tenths = np.rint(series["rain_mm"].to_numpy() * 10).astype(np.int64)
    assert series["time"].iloc[0] == "2012-01-01T00:00"
    assert tenths.sum() / 120.0 == pytest.approx(905.0, abs=0.5)
    assert len(rain.assert_rain(tenths)) == 2


def test_storms_are_found_where_they_are_planted():
    """One hour of 20 mm in a dry record passes 1-in-5 (19 mm) but not 1-in-30 (30 mm); one of 31 mm passes both."""
    tenths = np.zeros(len(rain.hours()), dtype=np.int64)
    tenths[1000] = 200
    (only,) = rain.events_above_five(tenths)
    assert (only.share_of_5, only.share_of_30) == pytest.approx((20 / 19, 20 / 30))
    tenths[1000] = 310
    assert rain.events_above_five(tenths)[0].share_of_30 > 1.0


def test_the_record_has_two_floods_on_the_days_of_the_storms(folder, layers):
    tenths = np.rint(read_rain(folder)["rain_mm"].to_numpy() * 10).astype(np.int64)
    storms = [f"{e.start:%Y-%m-%d}" for e in rain.events_above_five(tenths)]
    assert sorted(layers["recorded_floods"]["date"].astype(str).str[:10]) == sorted(storms)


def test_ground_and_water_under_the_places(layers, named):
    soils, water = layers["soils"], layers["groundwater"]

    def over(frame, place, column):
        shape = named[place]
        share = shapely.area(shapely.intersection(frame.geometry.to_numpy(), shape)) / shape.area
        return frame[column].to_numpy()[share > 0.02]

    for place in ("Ambrel Secondary School", "Station Car Park"):
        assert over(soils, place, "infiltration_m_s") == pytest.approx([2e-5])
    assert over(soils, "Hillfoot Playing Field", "infiltration_m_s").max() <= 1e-6
    assert set(over(water, "Water Meadow Long-Stay Car Park", "depth_m")) <= {0.4, 0.65, 0.9}
    assert "made ground, ash and rubble" in over(soils, "Orle Mill Estate", "texture")


def test_constraints_meet_the_places(layers, named):
    rules = layers["constraints"].set_index("kind").geometry
    cover = layers["land_cover"]
    yards = cover[cover["ground_use"] == "playground"]
    school_yard = yards[yards.intersects(named["Weir Street Primary"])].geometry
    assert school_yard.intersects(rules["protection_zone_1"]).any()
    assert rules["made_ground"].covers(named["Orle Mill Estate"].centroid)
    core = layers["heritage"].geometry.iloc[0]
    assert named["Market Hall Car Park"].intersects(core)
    assert named["Market Hall Car Park"].intersection(core).area < 0.5 * named["Market Hall Car Park"].area


@pytest.mark.parametrize("name", ["Hillfoot Playing Field", "Mill Lane Recreation Ground"])
def test_playing_fields_are_level_enough_to_play_on(named, ground, name):
    """A plane through the levels falls by no more than 1.3 %, as it is graded to 1.2 % and roughened."""
    row, col = np.nonzero(window_mask(to_local(named[name].buffer(-6.0))))
    terms = np.column_stack([np.ones(len(row)), 2.0 * row, 2.0 * col])
    (_, fall_south, fall_east), *_ = np.linalg.lstsq(terms, ground[row, col], rcond=None)
    assert np.hypot(fall_south, fall_east) < 0.013


def test_roofs_of_the_story(layers, named):
    buildings = layers["buildings"]
    school = buildings[buildings.within(named["Ambrel Secondary School"].buffer(0.1))]
    assert set(school["year_built"]) == {1974}
    assert set(school["deck"]) == {"concrete"}
    assert set(school["ballast"]) == {"gravel"}
    mill = buildings[buildings.within(named["Orle Mill Estate"].buffer(0.1))]
    assert len(mill) > 8
    assert set(mill["deck"]) == {"steel"}
    assert buildings["spare_load_kn_m2"].notna().sum() <= 3


def test_sewer_zones_and_their_overflow(layers):
    zones = layers["sewer_zones"]
    assert sorted(zones["sewer_kind"]) == ["combined", "combined", "separate"]
    assert (zones["capacity_mm_h"] == 12.0).all()
    assert set(layers["storm_overflows"]["spills_per_year"]) == {31.0}
    assert len(set(layers["storm_overflows"].geometry.to_wkb())) == 1


def test_kerbside_bays_are_parcels_with_their_own_ground(layers):
    parcels = layers["parcels"]
    bays = parcels[parcels["name"].str.contains(" Bays ", na=False)]
    ground_use = layers["land_cover"].query("ground_use == 'bay'")
    assert len(bays) >= 20
    assert bays.area.sum() == pytest.approx(ground_use.area.sum(), rel=1e-6)


def test_the_pit_contradicts_the_soil_map(layers, named):
    pit = layers["test_pit"].iloc[0]
    assert named["Station Car Park"].covers(pit.geometry)
    assert pit["value"] == pytest.approx(2e-6)

"""The account of small districts, by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from catchscreen.errors import ScreeningStopped
from catchscreen.options import SurfaceOptions
from catchscreen.progress import Run
from catchscreen.records import Raster
from catchscreen.surfaces import account, clipping, overlay


@pytest.fixture
def town(scenes):
    """Two parcels of 400 m2 side by side, a road north of them, a house inside one and one across their border."""
    return scenes.inputs(
        [shapely.box(0, 0, 20, 20), shapely.box(20, 0, 40, 20)],
        buildings=scenes.frame([shapely.box(2, 2, 12, 12), shapely.box(15, 5, 25, 15)], ["b1", "b2"], "building_id"),
        roads=scenes.frame([shapely.box(0, 20, 60, 26)], ["r1"], "road_id"),
        land_cover=scenes.frame(
            [shapely.box(0, 0, 20, 26), shapely.box(20, 0, 35, 20)],
            ["l1", "l2"],
            "id",
            cover_class=["asphalt", "garden"],
        ),
    )


def test_each_square_metre_is_counted_once_by_precedence(scenes, town):
    """By hand: parcel 1 has 100 + 50 m2 roof and 250 asphalt; parcel 2 has 50 roof, 300 - 50 garden and 100 unknown."""
    cover = account(town, scenes.terrain(town), SurfaceOptions(), Run())
    area = cover.surfaces.groupby(["parcel_id", "cover_class"])["area_m2"].sum()
    assert area["P001"].to_dict() == pytest.approx({"roof": 150.0, "asphalt": 250.0}, abs=1e-6)
    assert area["P002"].to_dict() == pytest.approx({"roof": 50.0, "garden": 250.0, "unknown": 100.0}, abs=1e-6)
    assert area[""].to_dict() == pytest.approx({"asphalt": 360.0, "unknown": 1240.0}, abs=1e-6)
    assert cover.ledger["area_m2"].sum() == pytest.approx(2400.0, abs=1e-6)
    shares = cover.surfaces[["piped_fraction", "to_ground_fraction", "overland_fraction"]].sum(axis=1)
    np.testing.assert_allclose(shares, 1.0, atol=1e-12)


def test_parcels_and_ground_alone_leave_one_unknown_surface_each(scenes):
    data = scenes.inputs([shapely.box(0, 0, 20, 20), shapely.box(20, 0, 40, 20)])
    run = Run()
    cover = account(data, scenes.terrain(data), SurfaceOptions(), run)
    inside = cover.surfaces[cover.surfaces["parcel_id"] != ""]
    assert inside["kind"].to_list() == ["unknown", "unknown"]
    assert inside["area_m2"].to_list() == pytest.approx([400.0, 400.0])
    assert inside.iloc[0][["impermeable_low_fraction", "impermeable_high_fraction"]].to_list() == [0.3, 0.7]
    assert cover.patches.empty
    assert "usable_area_m2" in cover.patches
    assert {issue.code for issue in run.issues} == {"cover_unknown"}


def test_a_class_raster_gives_the_exact_shares_of_its_cells(scenes):
    """A parcel from x = 0.5 to 2.25 over columns of classes 1, 2, 1 takes 0.5 + 0.25 columns of 1 and one of 2."""
    data = scenes.inputs([shapely.box(0.5, 0, 2.25, 4)], cells=(4, 3))
    values = np.tile(np.array([1, 2, 1]), (4, 1))
    raster = Raster(data.grid, values, np.ones((4, 3), dtype=bool))
    data = scenes.replace(data, land_cover=raster, cover_classes={1: "asphalt", 2: "grass"})
    cover = account(data, scenes.terrain(data), SurfaceOptions(), Run())
    area = cover.surfaces.groupby(["parcel_id", "cover_class"])["area_m2"].sum()
    assert area["P001"].to_dict() == pytest.approx({"asphalt": 3.0, "grass": 4.0}, abs=1e-9)
    assert area[""].to_dict() == pytest.approx({"asphalt": 5.0}, abs=1e-9)


def test_the_same_inputs_give_the_same_account_on_any_number_of_threads(scenes, town, monkeypatch):
    """Overlays are shared out to threads by element: the account must not tell how many."""
    covers = []
    for threads in (1, 4):
        monkeypatch.setattr(overlay, "thread_count", lambda count=threads: count)
        monkeypatch.setattr("catchscreen.surfaces.overlay.THREAD_ITEMS", 1)
        covers.append(account(town, scenes.terrain(town), SurfaceOptions(), Run()))
    assert (
        shapely.to_wkb(covers[0].surfaces.geometry.to_numpy()).tolist()
        == shapely.to_wkb(covers[1].surfaces.geometry.to_numpy()).tolist()
    )
    assert covers[0].ledger.equals(covers[1].ledger)


def test_a_run_that_is_asked_to_stop_stops(scenes, town):
    with pytest.raises(ScreeningStopped):
        account(town, scenes.terrain(town), SurfaceOptions(), Run(cancelled=lambda: True))


def test_no_record_is_changed_by_the_account(scenes, town):
    before = [layer.copy() for layer in (town.parcels, town.buildings, town.roads, town.land_cover)]
    account(town, scenes.terrain(town), SurfaceOptions(), Run())
    for kept, layer in zip(before, (town.parcels, town.buildings, town.roads, town.land_cover), strict=True):
        assert kept.equals(layer)


def test_the_whole_account_is_the_same_byte_for_byte_on_any_number_of_threads(scenes, monkeypatch):
    """Parcels of 6 m, houses across their borders, roads and cover across all, in chunks small enough to be shared."""
    rng = np.random.default_rng(3)
    corner = np.stack(np.meshgrid(np.arange(0, 60, 6), np.arange(0, 36, 6)), axis=-1).reshape(-1, 2)
    house = rng.uniform(0, 1, (40, 2)) * [54, 32]
    band = rng.uniform(0, 1, 8)
    data = scenes.inputs(
        [shapely.box(x, y, x + 6, y + 6) for x, y in corner],
        buildings=scenes.frame([shapely.box(x, y, x + 5, y + 3) for x, y in house], range(40), "building_id"),
        roads=scenes.frame(
            [shapely.buffer(shapely.linestrings([(0, 40 * a), (60, 40 - 40 * a)]), 1.5) for a in band],
            range(8),
            "road_id",
        ),
        land_cover=scenes.frame(
            [shapely.box(0, 3, 50, 20), shapely.Point(40, 25).buffer(12)],
            range(2),
            "id",
            cover_class=["grass", "gravel"],
        ),
    )
    monkeypatch.setattr(overlay, "THREAD_ITEMS", 8)
    monkeypatch.setattr(clipping, "CHUNK", 16)
    made = []
    for threads in (1, 2, 3):
        monkeypatch.setattr(overlay, "thread_count", lambda threads=threads: threads)
        cover = account(data, scenes.terrain(data), SurfaceOptions(), Run())
        layers = [table.geometry.to_wkb().tolist() for table in (cover.surfaces, cover.patches)]
        tables = [table.drop(columns="geometry", errors="ignore").to_csv() for table in (cover.surfaces, cover.patches)]
        made.append((layers, tables, cover.ledger.to_csv(), cover.links.to_csv()))
    assert made[0] == made[1] == made[2]
    assert cover.ledger["area_m2"].sum() == pytest.approx(2400.0, abs=1e-5)

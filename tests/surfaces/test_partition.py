"""The partition's promises: precedence, completeness, and nothing that depends on how polygons are cut or ordered."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from catchscreen.options import SurfaceOptions
from catchscreen.progress import Run
from catchscreen.records import Raster
from catchscreen.surfaces import account, partition
from catchscreen.surfaces.overlay import overlaps_of_earlier, unions_of_runs, without_dust
from catchscreen.surfaces.partition import cut, fill_cells, split_large, subtract_earlier, take_away, tiles_of

ROWS, COLS = 12, 16
CLASSES = ("asphalt", "garden", "roof", "water")


def random_boxes(rng, count):
    """Boxes on whole metres: which one wins can be counted in cells."""
    x, y = rng.integers(0, COLS - 1, count), rng.integers(0, ROWS - 1, count)
    return [
        shapely.box(a, b, min(COLS, a + w), min(ROWS, b + h))
        for a, b, w, h in zip(x, y, rng.integers(1, 9, count), rng.integers(1, 7, count), strict=True)
    ]


def cells_in(shape):
    left, bottom, right, top = (int(value) for value in shape.bounds)
    mask = np.zeros((ROWS, COLS), dtype=bool)
    mask[ROWS - top : ROWS - bottom, left:right] = True
    return mask


def random_scene(scenes, seed, *, parcels=None):
    rng = np.random.default_rng(seed)
    houses, roads, cover = random_boxes(rng, 4), random_boxes(rng, 3), random_boxes(rng, 6)
    classes = [CLASSES[k] for k in rng.integers(0, 4, 6)]
    data = scenes.inputs(
        [shapely.box(0, 0, 7, ROWS), shapely.box(7, 0, 13, 6)] if parcels is None else parcels,
        cells=(ROWS, COLS),
        buildings=scenes.frame(houses, [f"b{k}" for k in range(4)], "building_id"),
        roads=scenes.frame(roads, [f"r{k}" for k in range(3)], "road_id"),
        land_cover=scenes.frame(cover, [f"c{k}" for k in range(6)], "cover_id", cover_class=classes),
    )
    return data, (houses, roads, cover, classes)


def truth(layers):
    """Count each kind in cells: building over road over paved over planted and water over unknown."""
    houses, roads, cover, classes = layers
    kind = np.full((ROWS, COLS), "unknown", dtype=object)
    for wanted, name in (("garden", "planted"), ("water", "water"), ("asphalt", "paved")):
        for shape, cover_class in zip(cover, classes, strict=True):
            if cover_class == wanted:
                # Of garden and water on one spot the garden comes first by the order of classes.
                own = cells_in(shape) & ((kind != "planted") if wanted == "water" else True)
                kind[own] = name
    for shape in roads:
        kind[cells_in(shape)] = "road"
    for shape in houses + [s for s, c in zip(cover, classes, strict=True) if c == "roof"]:
        kind[cells_in(shape)] = "roof"
    return kind


def totals(cover):
    return cover.surfaces.groupby(["kind", "cover_class"])["area_m2"].sum().round(6).to_dict()


@given(st.integers(0, 10_000))
@settings(max_examples=12)
def test_precedence_is_kept_for_random_overlaps(scenes, seed):
    data, layers = random_scene(scenes, seed)
    cover = account(data, scenes.terrain(data), SurfaceOptions(), Run())
    kind = truth(layers)
    for parcel, shape in data.parcels.geometry.items():
        names, counts = np.unique(kind[cells_in(shape)].astype(str), return_counts=True)
        own = cover.surfaces[cover.surfaces["parcel_id"] == parcel].groupby("kind")["area_m2"].sum()
        assert own.to_dict() == pytest.approx(dict(zip(names, counts.astype(float), strict=True)), abs=1e-6)
    names, counts = np.unique(kind.astype(str), return_counts=True)
    whole = cover.surfaces.groupby("kind")["area_m2"].sum().to_dict()
    assert whole == pytest.approx(dict(zip(names, counts.astype(float), strict=True)), abs=1e-6)
    union = shapely.union_all(cover.surfaces.geometry.to_numpy())
    assert union.area == pytest.approx(cover.surfaces["area_m2"].sum(), abs=1e-6)


@given(st.integers(0, 10_000))
@settings(max_examples=6)
def test_a_parcel_boundary_more_changes_no_total(scenes, seed):
    data, _ = random_scene(scenes, seed)
    split = [
        shapely.box(0, 0, 7, 5.3),
        shapely.box(0, 5.3, 7, ROWS),
        shapely.box(7, 0, 13, 6),
        shapely.box(13, 2, 15, 9),
    ]
    other, _ = random_scene(scenes, seed, parcels=split)
    land = scenes.terrain(data)
    first, second = (account(given_data, land, SurfaceOptions(), Run()) for given_data in (data, other))
    assert totals(first) == pytest.approx(totals(second), abs=1e-6)


@given(st.integers(0, 10_000))
@settings(max_examples=6)
def test_split_and_shuffled_polygons_change_nothing(scenes, seed):
    """Each land-cover polygon is cut in two and the rows are put in another order."""
    data, _ = random_scene(scenes, seed)
    halves = []
    classes = []
    for shape, name in zip(data.land_cover.geometry, data.land_cover["cover_class"], strict=True):
        left, bottom, right, top = shape.bounds
        middle = 0.5 * (left + right)
        halves += [shapely.box(left, bottom, middle, top), shapely.box(middle, bottom, right, top)]
        classes += [name, name]
    order = np.random.default_rng(seed).permutation(len(halves))
    layer = scenes.frame(
        [halves[k] for k in order],
        [f"c{k:02d}" for k in range(len(order))],
        "cover_id",
        cover_class=[classes[k] for k in order],
    )
    land = scenes.terrain(data)
    first = account(data, land, SurfaceOptions(), Run())
    second = account(scenes.replace(data, land_cover=layer), land, SurfaceOptions(), Run())
    assert first.surfaces.index.to_list() == second.surfaces.index.to_list()
    np.testing.assert_allclose(first.surfaces["area_m2"], second.surfaces["area_m2"], atol=1e-9)


@given(st.integers(0, 10_000))
@settings(max_examples=6)
def test_the_ledger_adds_up_at_every_level(scenes, seed):
    """Sub-catchments and hollows to their cells, soils and zones to their polygons, surfaces to themselves."""
    data, _ = random_scene(scenes, seed)
    rng = np.random.default_rng(seed)
    soils = scenes.frame([shapely.box(0, 0, 5.5, ROWS), shapely.box(4, 0, 9, 7)], ["s1", "s2"], "soil_id")
    zones = scenes.frame([shapely.Polygon([(0, 0), (COLS, 0), (0, ROWS)])], ["z1"], "zone_id", sewer_kind=["combined"])
    data = scenes.replace(data, soils=soils, sewer_zones=zones)
    subcatchment = rng.integers(-1, 3, (ROWS, COLS))
    subcatchment[0, :3] = [0, 1, 2]
    hollow = rng.integers(-1, 2, (ROWS, COLS))
    hollow[0, :2] = [0, 1]
    cover = account(data, scenes.terrain(data, subcatchment=subcatchment, hollow=hollow), SurfaceOptions(), Run())
    ledger = cover.ledger
    for label, prefix, name in ((subcatchment, "S", "subcatchment_id"), (hollow, "H", "hollow_id")):
        expected = {f"{prefix}{k + 1:03d}" if k >= 0 else "": float((label == k).sum()) for k in np.unique(label)}
        assert ledger.groupby(name)["area_m2"].sum().to_dict() == pytest.approx(expected, abs=1e-6)
    soil = {"s1": 5.5 * ROWS, "s2": 3.5 * 7, "": ROWS * COLS - 5.5 * ROWS - 3.5 * 7}
    assert ledger.groupby("soil_id")["area_m2"].sum().to_dict() == pytest.approx(soil, abs=1e-6)
    assert ledger.groupby("zone_id")["area_m2"].sum().to_dict() == pytest.approx({"": 96.0, "z1": 96.0}, abs=1e-6)
    sums = ledger.groupby("surface_id")["area_m2"].sum()
    np.testing.assert_allclose(sums, cover.surfaces["area_m2"], atol=1e-9)
    assert not ledger.duplicated(["surface_id", "subcatchment_id", "hollow_id", "soil_id", "zone_id"]).any()
    shares = ledger[["piped_fraction", "to_ground_fraction", "overland_fraction"]].sum(axis=1)
    np.testing.assert_allclose(shares, 1.0, atol=1e-12)


def test_overlapping_parcels_are_counted_once_and_reported(scenes):
    """A parcel of 9 m2 inside one of 100 m2 keeps its ground; the larger is left with 91 m2."""
    data = scenes.inputs([shapely.box(0, 0, 10, 10), shapely.box(2, 2, 5, 5)], cells=(12, 12))
    run = Run()
    cover = account(data, scenes.terrain(data), SurfaceOptions(), run)
    areas = cover.surfaces.groupby("parcel_id")["area_m2"].sum().to_dict()
    assert areas == pytest.approx({"": 44.0, "P001": 91.0, "P002": 9.0})
    assert [issue.feature for issue in run.issues if issue.code == "parcels_overlap"] == ["P001"]


def test_ground_far_from_the_origin_adds_up(scenes):
    corner = (-2_345_678.25, 6_543_210.5)
    shift = np.array(corner)
    turned = shapely.transform(
        np.array(
            [shapely.Polygon([(1, 1), (9, 3), (7, 9), (2, 8)]), shapely.Polygon([(9, 3), (14, 2), (12, 11), (7, 9)])]
        ),
        lambda xy: xy + shift,
    )
    houses = shapely.transform(np.array([shapely.Polygon([(6, 2), (11, 4), (10, 8), (5, 7)])]), lambda xy: xy + shift)
    data = scenes.inputs(
        list(turned), cells=(ROWS, COLS), corner=corner, buildings=scenes.frame(houses, ["b"], "building_id")
    )
    cover = account(data, scenes.terrain(data), SurfaceOptions(), Run())
    assert cover.ledger["area_m2"].sum() == pytest.approx(ROWS * COLS, abs=1e-6)
    own = cover.surfaces.groupby("parcel_id")["area_m2"].sum()
    np.testing.assert_allclose(own.drop(""), shapely.area(turned), atol=1e-6)


def test_overriding_polygons_win_over_every_source(scenes):
    data, _ = random_scene(scenes, 5)
    ground = shapely.box(3, 3, 6, 6)
    override = scenes.frame([ground], ["o1"], "override_id", cover_class=["gravel"], piped_fraction=[0.0])
    cover = account(scenes.replace(data, cover_override=override), scenes.terrain(data), SurfaceOptions(), Run())
    own = cover.surfaces[cover.surfaces["source"] == "override"]
    assert own["cover_class"].to_list() == ["gravel"]
    assert own["area_m2"].sum() == pytest.approx(9.0)
    assert own["piped_fraction"].to_list() == [0.0]


def test_the_order_of_precedence_is_the_users(scenes):
    """With roads named before buildings, the square metres of both are road."""
    data = scenes.inputs(
        [shapely.box(0, 0, 10, 10)],
        cells=(10, 10),
        buildings=scenes.frame([shapely.box(0, 0, 6, 10)], ["b"], "building_id"),
        roads=scenes.frame([shapely.box(4, 0, 10, 10)], ["r"], "road_id"),
    )
    options = SurfaceOptions(precedence=("override", "roads", "buildings", "paved", "planted", "unknown"))
    cover = account(data, scenes.terrain(data), options, Run())
    assert cover.surfaces.groupby("kind")["area_m2"].sum().to_dict() == pytest.approx({"road": 60.0, "roof": 40.0})


def test_large_polygons_are_cut_without_loss():
    """A circle of 2,000 corners with a hole falls into parts of at most 200 corners and the same area."""
    shape = shapely.Point(3, 4).buffer(100, quad_segs=500).difference(shapely.Point(20, 4).buffer(30, quad_segs=100))
    number, parts = split_large(np.array([shape, shapely.box(0, 0, 1, 1)]), 200)
    assert shapely.get_num_coordinates(parts).max() <= 200
    np.testing.assert_allclose(np.bincount(number, weights=shapely.area(parts)), [shape.area, 1.0], atol=1e-8)


def test_parts_of_a_feature_add_up_to_it():
    owners = np.array([shapely.box(0, 0, 2, 2), shapely.box(2, 0, 4, 2)])
    features = np.array([shapely.box(1, 1, 3, 3), shapely.box(0.5, 0.5, 1, 1), shapely.box(8, 8, 9, 9)])
    pieces = cut(features, owners)
    table = sorted(
        zip(pieces.feature.tolist(), pieces.owner.tolist(), shapely.area(pieces.shapes).tolist(), strict=True)
    )
    assert table == [(0, -1, 2.0), (0, 0, 1.0), (0, 1, 1.0), (1, 0, 0.25), (2, -1, 1.0)]


def test_the_earlier_polygon_keeps_shared_ground():
    shapes, later, earlier, area = subtract_earlier(np.array([shapely.box(0, 0, 2, 2), shapely.box(1, 0, 4, 2)]))
    assert shapely.area(shapes).tolist() == [4.0, 4.0]
    assert (later.tolist(), earlier.tolist(), area.tolist()) == ([1], [0], [2.0])


def test_tiles_cover_a_polygon():
    shape = shapely.Point(7, -3).buffer(20).difference(shapely.box(0, -5, 4, 1))
    tiles = tiles_of(shape, 5.0)
    assert shapely.area(tiles).sum() == pytest.approx(shape.area, abs=1e-9)
    assert tiles_of(shapely.Polygon(), 5.0).size == 0


def test_polygons_that_cross_themselves_are_mended(scenes):
    """A bow tie of two triangles of 4 m2 each is asphalt of 8 m2, not an error."""
    tie = shapely.Polygon([(1, 1), (5, 5), (5, 1), (1, 5)])
    layer = scenes.frame([tie, shapely.box(0, 0, 10, 10)], ["c1", "c2"], "cover_id", cover_class=["asphalt", "grass"])
    data = scenes.inputs([shapely.box(0, 0, 10, 10)], cells=(10, 10), land_cover=layer)
    cover = account(data, scenes.terrain(data), SurfaceOptions(), Run())
    area = cover.surfaces.groupby("cover_class")["area_m2"].sum().to_dict()
    assert area == pytest.approx({"asphalt": 8.0, "grass": 92.0})


def overlap_issues(scenes, shapes, classes):
    layer = scenes.frame(shapes, [f"c{k}" for k in range(len(shapes))], "cover_id", cover_class=classes)
    data = scenes.inputs([shapely.box(0, 0, COLS, ROWS)], cells=(ROWS, COLS), land_cover=layer)
    run = Run()
    account(data, scenes.terrain(data), SurfaceOptions(), run)
    return [issue for issue in run.issues if issue.code == "sources_overlap"]


def test_rough_borders_are_noted_and_only_what_is_drawn_twice_is_to_be_mended(scenes):
    """Two lawns overlap by 2 cm along 10 m: 0.2 m2, a note. A third drawn over the first: 40 m2, to be checked."""
    lawns = [shapely.box(0, 0, 4, 10), shapely.box(3.98, 0, 9, 10)]
    (issue,) = overlap_issues(scenes, lawns, ["grass", "garden"])
    assert (issue.severity, issue.cure) == ("note", "")
    assert issue.message.startswith("0.2 m2 of land_cover lie under land_cover (1 overlaps along borders)")
    (issue,) = overlap_issues(scenes, [*lawns, lawns[0]], ["grass", "garden", "asphalt"])
    assert issue.severity == "repair"
    assert "drawn twice: 1 lie" in issue.cure


def test_a_users_polygons_win_over_every_source(scenes):
    """An override of gravel over half a house and a street: its 20 m2 are gravel, and the share it states holds."""
    override = scenes.frame(
        [shapely.box(2, 2, 6, 7)], ["o"], "cover_id", cover_class=["gravel"], piped_fraction=[0.25], ground_use=["yard"]
    )
    data = scenes.inputs(
        [shapely.box(0, 0, COLS, ROWS)],
        cells=(ROWS, COLS),
        cover_override=override,
        buildings=scenes.frame([shapely.box(0, 0, 4, 8)], ["b"], "building_id"),
        roads=scenes.frame([shapely.box(4, 0, 8, 12)], ["r"], "road_id"),
    )
    cover = account(data, scenes.terrain(data), SurfaceOptions(), Run())
    area = cover.surfaces.groupby("cover_class")["area_m2"].sum()
    assert area["gravel"] == pytest.approx(20.0, abs=1e-9)
    assert area["roof"] == pytest.approx(32.0 - 10.0, abs=1e-9)
    assert area["asphalt"] == pytest.approx(48.0 - 10.0, abs=1e-9)
    own = cover.surfaces[cover.surfaces["source"] == "override"].iloc[0]
    assert own["piped_fraction"] == pytest.approx(0.25)
    assert own["ground_use"] == "yard"


def test_cells_are_filled_by_the_first_feature_and_the_rest_is_left_over():
    """Cells 0..10 and 10..20 wide; 4 m of the first feature in each, the second 8 m wide loses 4 of them."""
    cells = np.array([shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10)])
    features = np.array([shapely.box(6, 0, 14, 10), shapely.box(2, 0, 10, 10), shapely.box(6, 2, 8, 4)])
    later, earlier, _ = overlaps_of_earlier(features)
    pieces = fill_cells(cells, features, (later, earlier))
    found = {
        (int(owner), int(feature)): shape.area
        for owner, feature, shape in zip(pieces.owner, pieces.feature, pieces.shapes, strict=True)
    }
    assert found == pytest.approx({(0, 0): 40.0, (0, 1): 40.0, (0, -1): 20.0, (1, 0): 40.0, (1, -1): 60.0})


@given(st.integers(0, 10_000))
@settings(max_examples=8)
def test_borders_that_miss_each_other_by_centimetres_leave_valid_disjoint_layers(scenes, seed):
    """Parcels and land cover rounded to a centimetre on their own, 5,000 km from the origin: slivers everywhere."""
    rng = np.random.default_rng(seed)
    corner = (499_000.0, 4_983_000.0)
    points = np.round(rng.uniform(0, 60, (30, 2)), 2)

    def cells(turn):
        shapes = shapely.get_parts(shapely.voronoi_polygons(shapely.multipoints(points + turn)))
        shapes = shapely.intersection(shapes, shapely.box(1, 1, 59, 59))
        rounded = shapely.transform(shapes[shapely.area(shapes) > 1.0], lambda xy: np.round(xy, 2) + np.array(corner))
        return rounded[shapely.is_valid(rounded)]

    cover, parcels = cells(0.0), cells(0.004)
    classes = [CLASSES[k % 2] for k in range(len(cover))]
    data = scenes.inputs(
        list(parcels),
        cells=(60, 60),
        corner=corner,
        land_cover=scenes.frame(list(cover), [f"c{k:02d}" for k in range(len(cover))], "c", cover_class=classes),
    )
    surfaces = account(data, scenes.terrain(data), SurfaceOptions(), Run()).surfaces
    assert surfaces.geometry.is_valid.all()
    np.testing.assert_allclose(surfaces.geometry.area, surfaces["area_m2"], atol=1e-5)
    assert surfaces["area_m2"].sum() == pytest.approx(3600.0, abs=1e-6)
    assert shapely.union_all(surfaces.geometry.to_numpy()).area == pytest.approx(3600.0, abs=1e-4)


def test_dust_is_dropped_and_what_is_ground_stays():
    dust = shapely.box(5, 5, 5 + 1e-6, 5 + 1e-6)
    both = shapely.MultiPolygon([shapely.box(0, 0, 1, 1), dust, shapely.box(2, 0, 3, 1)])
    shapes = without_dust(np.array([both, shapely.MultiPolygon([dust, shapely.box(7, 7, 7 + 1e-6, 7 + 1e-6)])]))
    assert shapely.get_num_geometries(shapes).tolist()[0] == 2
    assert shapely.area(shapes).tolist() == [2.0, 0.0]


def test_polygons_win_over_a_class_raster_by_their_level(scenes):
    """A raster of asphalt over 12 x 16 m with a roof of 4 x 4: footprint over it all, road over its asphalt only."""
    codes = np.ones((ROWS, COLS), np.int64)
    codes[0:4, 0:4] = 2
    data = scenes.inputs([shapely.box(0, 0, COLS, ROWS)], cells=(ROWS, COLS))
    data = scenes.replace(
        data,
        land_cover=Raster(data.grid, codes, np.ones_like(codes, dtype=bool)),
        cover_classes={1: "asphalt", 2: "roof"},
        roads=scenes.frame([shapely.box(2, 0, 6, 12)], ["r"], "road_id", cover_class=["concrete"]),
        buildings=scenes.frame([shapely.box(5, 0, 9, 2)], ["b"], "building_id"),
    )
    area = account(data, scenes.terrain(data), SurfaceOptions(), Run()).surfaces.groupby(["kind", "source"])["area_m2"]
    # The raster's roof stands over the road (2 x 4 m of it), the footprint too (1 x 2 m).
    assert area.sum().to_dict() == pytest.approx(
        {
            ("paved", "land_cover"): 192.0 - 16.0 - 48.0 - 8.0 + 8.0 + 2.0,
            ("road", "roads"): 48.0 - 8.0 - 2.0,
            ("roof", "buildings"): 8.0,
            ("roof", "land_cover"): 16.0,
        },
        abs=1e-6,
    )


@pytest.mark.parametrize("seed", range(4))
def test_unions_of_runs_with_shapes_of_none_between_them(seed):
    """Against shapely's union of each run: apart, touching and overlapping squares, some runs of one."""
    rng = np.random.default_rng(seed)
    corner = rng.integers(0, 12, (60, 2)).astype(float)
    shapes = shapely.box(*corner.T, *(corner + rng.integers(1, 4, (60, 1))).T)
    edges = np.sort(rng.choice(60, 20, replace=False))
    starts, ends = edges[::2].astype(np.int64), edges[1::2].astype(np.int64)
    for found, start, end in zip(unions_of_runs(shapes, starts, ends), starts, ends, strict=True):
        assert found.is_valid
        assert shapely.symmetric_difference(found, shapely.union_all(shapes[start:end])).area < 1e-9


@pytest.mark.parametrize("seed", range(3))
def test_what_the_kernel_leaves_open_comes_out_alike(seed, monkeypatch):
    """Cells with one, two and many blockers, so that runs of many do not follow each other."""
    rng = np.random.default_rng(seed)
    cells = shapely.box(np.arange(12) * 10.0, 0.0, np.arange(12) * 10.0 + 9.0, 9.0)
    blocked = np.repeat(np.arange(12), rng.permutation([0, 1, 2, 3, 4, 5, 1, 2, 3, 1, 6, 1]))
    spot = np.c_[blocked * 10.0 + rng.uniform(-1, 8, blocked.size), rng.uniform(-1, 8, blocked.size)]
    blockers = shapely.box(*spot.T, *(spot + rng.uniform(0.5, 4, spot.shape)).T)
    by_kernel, by_overlay = cells.copy(), cells.copy()
    take_away(by_kernel, blocked, blockers, np.arange(blocked.size))
    monkeypatch.setattr(
        partition, "subtracted", lambda _, own, __: (np.full(own.size, None, object), np.arange(own.size))
    )
    take_away(by_overlay, blocked, blockers, np.arange(blocked.size))
    np.testing.assert_allclose(shapely.area(by_kernel), shapely.area(by_overlay), atol=1e-9)
    np.testing.assert_allclose(
        shapely.area(shapely.intersection(by_kernel, by_overlay)), shapely.area(by_kernel), atol=1e-9
    )
    assert shapely.area(by_kernel).sum() < 0.95 * shapely.area(cells).sum()

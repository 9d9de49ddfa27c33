"""Sub-catchments by hollow, nested areas, snapping on cases with a known answer, lines of the longest paths."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from catchscreen.errors import InputsAtFault
from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import catchments, delineate, frames, longest


def points(data, *places):
    """Outlet points: id, col, row."""
    grid = data.grid
    geometry = [
        shapely.Point(grid.left + (c + 0.5) * grid.cell_width_m, grid.top - (r + 0.5) * grid.cell_height_m)
        for _, c, r in places
    ]
    return gpd.GeoDataFrame(index=[place[0] for place in places], geometry=geometry, crs=grid.crs)


def two_valleys(make_inputs, width=41, **layers):
    """Two straight valleys that fall to the south, in columns 10 and 30, with a ridge between."""
    row, col = np.mgrid[0:60, 0:width]
    return make_inputs(30.0 - 0.05 * row + 0.2 * np.minimum(np.abs(col - 10), np.abs(col - 30)), **layers)


def chain_of_hollows(make_inputs):
    """A valley that falls to the south with three pits of 1 m, 8 by 8 cells, below one another."""
    row, col = np.mgrid[0:90, 0:31]
    level = 30.0 - 0.05 * row + 0.1 * np.abs(col - 15)
    for first in (15, 40, 65):
        level[first : first + 8, 11:19] -= 1.0
    return make_inputs(level)


def test_each_hollow_has_its_subcatchment(make_inputs):
    """Nested and disjoint: what a hollow's spill point gathers is its own sub-catchment and those above it."""
    options = TerrainOptions(subcatchments_by="hollows", subcatchment_target_ha=1.0)
    terrain = delineate(chain_of_hollows(make_inputs), options, Run())
    frame, hollows = terrain.subcatchments, terrain.hollows
    by_hollow = frame[frame["kind"] == "hollow"]
    assert by_hollow["outlet_id"].tolist() == list(hollows.index) == ["H0001", "H0002", "H0003"]
    below = dict(zip(by_hollow["outlet_id"], by_hollow["downstream_id"], strict=True))
    assert below["H0001"] == by_hollow.index[1]
    assert below["H0002"] == by_hollow.index[2]
    assert terrain.outlets.loc[hollows.index, "contributing_area_m2"].tolist() == (
        hollows["contributing_area_m2"].tolist()
    )
    assert frame["cells"].sum() == terrain.valid.sum()
    assert shapely.union_all(frame.geometry.to_numpy()).area == pytest.approx(terrain.valid.sum())
    for hollow, outline in zip(hollows.index, hollows.geometry, strict=True):
        own = by_hollow.loc[by_hollow["outlet_id"] == hollow].geometry.iloc[0]
        assert own.contains(outline)


def test_hollows_divide_random_ground_without_gap_or_overlap(make_inputs, hills, keep_all):
    options = keep_all.model_copy(update={"subcatchments_by": "hollows", "subcatchment_target_ha": 0.1})
    terrain = delineate(make_inputs(hills(80, 90, seed=4, smooth=2.0)), options, Run())
    frame = terrain.subcatchments
    assert (frame["kind"] == "hollow").sum() > 10
    assert (frame["cells"].to_numpy() == np.bincount(terrain.subcatchment_label[terrain.valid])).all()
    assert frame.geometry.area.sum() == pytest.approx(terrain.valid.sum())
    given = frame[frame["kind"] == "hollow"]
    gathered = terrain.outlets.loc[given["outlet_id"], "contributing_area_m2"]
    wanted = terrain.hollows.loc[given["outlet_id"], "contributing_area_m2"]
    np.testing.assert_array_equal(gathered, wanted)


def test_outlets_that_do_not_divide_are_named(make_inputs):
    data = two_valleys(make_inputs)
    run = Run()
    outlets = points(data, ("o", 10, 50))
    options = TerrainOptions(subcatchments_by="size", subcatchment_target_ha=0.05)
    terrain = delineate(two_valleys(make_inputs, outlets=outlets), options, run)
    assert "outlets_not_used" in [issue.code for issue in run.issues]
    assert "o" not in terrain.outlets.index
    assert (terrain.subcatchments["kind"] == "by size").any()


@pytest.mark.parametrize("by", ["outlets", "size", "hollows"])
def test_an_outlet_gathers_its_subcatchment_and_all_above_it(by, make_inputs, hills):
    """Against counting: the cells from which the receivers lead to one of the places by which the water leaves."""
    level = hills(70, 80, seed=8)
    data = make_inputs(level)
    outlets = points(data, ("a", 20, 30), ("b", 50, 40), ("c", 60, 60))
    options = TerrainOptions(subcatchments_by=by, subcatchment_target_ha=0.1, outlet_snap_m=0.0)
    terrain = delineate(make_inputs(level, outlets=outlets), options, Run())
    label, receiver = terrain.subcatchment_label.ravel(), terrain.receiver.ravel()
    ids = terrain.subcatchments.index
    passed = {name: set() for name in ids}
    for start in range(label.size):
        at = start
        while at >= 0:
            passed[ids[label[at]]].add(start)
            at = receiver[at]
    for outlet in terrain.outlets.itertuples():
        assert outlet.contributing_area_m2 == len(passed[outlet.subcatchment_id])
        assert outlet.through_this_point_m2 <= outlet.contributing_area_m2
        assert outlet.own_area_m2 == terrain.subcatchments.loc[outlet.subcatchment_id, "area_m2"]
    alone = terrain.outlets[terrain.outlets["kind"] != "data edge, several"]
    assert (alone["through_this_point_m2"] == alone["contributing_area_m2"]).all()


@pytest.mark.parametrize("col", [4, 7, 10, 12, 16, 24, 28, 30, 35])
@pytest.mark.parametrize("row", [12, 30, 48])
def test_snapping_to_the_right_valley(col, row, make_inputs):
    """The nearer valley floor, the row nearest to the point of those with 80 % of the most that the radius reaches."""
    radius = 6.5
    data = two_valleys(make_inputs)
    outlets = points(data, ("o", col, row))
    terrain = delineate(two_valleys(make_inputs, outlets=outlets), TerrainOptions(outlet_snap_m=radius), Run())
    floor = 10 if abs(col - 10) < abs(col - 30) else 30
    lowest = row + int(np.sqrt(radius**2 - (col - floor) ** 2))
    gathered = terrain.accumulation_cells[:, floor]
    right = max(row, next(r for r in range(60) if gathered[r] >= 0.8 * gathered[lowest]))
    place = terrain.outlets.loc["o"].geometry
    assert (place.x - data.grid.left - 0.5, data.grid.top - place.y - 0.5) == (floor, right)


def test_a_path_that_leaves_the_data_is_taken_where_it_does(make_inputs):
    data = two_valleys(make_inputs)
    outlets = points(data, ("o", 11, 56))
    terrain = delineate(two_valleys(make_inputs, outlets=outlets), TerrainOptions(outlet_snap_m=8.0), Run())
    assert data.grid.top - terrain.outlets.loc["o"].geometry.y == 59.5
    assert terrain.subcatchments.set_index("outlet_id").loc["o", "downstream_id"] == ""


@pytest.mark.parametrize(
    ("col", "radius", "noted"), [(10, 5.0, False), (11, 5.0, False), (13, 5.0, True), (13, 12.0, False)]
)
def test_long_moves_are_noted(col, radius, noted, make_inputs):
    """On the path, one cell beside it, three cells beside it (over half of 5 m); with 12 m that is a short move.

    The floor gathers 30 to 60 times what a point on the slope does, less than the hundred that is noted by itself.
    """
    run = Run()
    data = two_valleys(make_inputs)
    outlets = points(data, ("o", col, 30))
    options = TerrainOptions(outlet_snap_m=radius)
    terrain = delineate(two_valleys(make_inputs, outlets=outlets), options, run)
    moved = terrain.subcatchments.set_index("outlet_id").loc["o", "snap_distance_m"]
    found = [issue.feature for issue in run.issues if issue.code == "outlet_moved_far"]
    assert found == (["o"] if noted else [])
    assert (moved > 0.5 * radius) == noted


def test_a_move_to_a_much_larger_area_is_noted(make_inputs):
    """Two cells beside a floor on which 800 cells gather, within a radius of 30 m: short, yet onto another path."""
    run = Run()
    data = two_valleys(make_inputs)
    outlets = points(data, ("o", 12, 55))
    delineate(two_valleys(make_inputs, outlets=outlets), TerrainOptions(outlet_snap_m=7.0), run)
    (issue,) = [issue for issue in run.issues if issue.code == "outlet_moved_far"]
    assert issue.feature == "o"
    assert "times the contributing area" in issue.message


def test_the_refusal_of_an_ambiguous_snap_names_both_paths(make_inputs):
    """On the ridge, nearer to the west; areas in ha and distances in m stand in the message."""
    data = two_valleys(make_inputs, width=43)
    outlets = points(data, ("torn", 19, 30))
    with pytest.raises(InputsAtFault, match=r"outlet torn.*\(0\.0\d ha at \d+\.\d m, 0\.0\d ha at 1\d\.\d m\)"):
        delineate(two_valleys(make_inputs, width=43, outlets=outlets), TerrainOptions(outlet_snap_m=15.0), Run())


def test_the_longest_path_is_a_line_from_the_farthest_cell_to_the_outlet(make_inputs, hills):
    level = hills(70, 80, seed=9)
    data = make_inputs(level)
    outlets = points(data, ("a", 20, 30), ("b", 50, 40))
    terrain = delineate(make_inputs(level, outlets=outlets), TerrainOptions(), Run())
    lines, frame = terrain.longest_paths, terrain.subcatchments
    np.testing.assert_allclose(lines.length, lines["length_m"])
    np.testing.assert_allclose(lines["length_m"], frame.loc[lines.index, "longest_path_m"])
    np.testing.assert_allclose(
        lines["mean_fall_fraction"], (lines["upper_level_m"] - lines["lower_level_m"]) / lines["length_m"]
    )
    outlet_of = terrain.outlets.reset_index().set_index("subcatchment_id")
    for name, line in lines.geometry.items():
        x, y = shapely.get_coordinates(line).T
        cells = data.grid.cells_of_xy(x, y)
        assert (terrain.subcatchment_label.ravel()[cells] == list(frame.index).index(name)).all()
        assert (terrain.receiver.ravel()[cells[:-1]] == cells[1:]).all()
        if frame.loc[name, "kind"] == "given":
            assert (x[-1], y[-1]) == (outlet_of.loc[name, "geometry"].x, outlet_of.loc[name, "geometry"].y)


def test_the_ground_is_walked_as_often_for_a_thousand_outlets_as_for_ten(make_inputs, hills, monkeypatch):
    """Counted in passes over the whole ground, not in seconds."""
    level = hills(120, 120, seed=1)
    data = make_inputs(level)
    passes = []

    def counted(function):
        def call(*args, **kwargs):
            passes.append(function.__name__)
            return function(*args, **kwargs)

        return call

    monkeypatch.setattr(catchments, "label_from", counted(catchments.label_from))
    monkeypatch.setattr(frames, "polygons_of", counted(frames.polygons_of))
    kernels = longest.dividing
    named = {name: getattr(kernels, name) for name in ("distance_within", "farthest_cells")}
    for name, kernel in named.items():
        monkeypatch.setattr(
            kernels, name, lambda *args, name=name, kernel=kernel: (passes.append(name), kernel(*args))[1]
        )
    cells = np.random.default_rng(0).choice(120 * 120, 1_000, replace=False)
    seen = []
    for count in (10, 1_000):
        passes.clear()
        chosen = [(f"o{n:04d}", int(cell % 120), int(cell // 120)) for n, cell in enumerate(cells[:count])]
        outlets = points(data, *chosen)
        terrain = delineate(make_inputs(level, outlets=outlets), TerrainOptions(outlet_snap_m=0.0), Run())
        assert (terrain.subcatchments["kind"] == "given").sum() == count
        seen.append(sorted(passes))
    assert seen[0] == seen[1]
    assert len(seen[0]) == 5

"""The whole terrain stage over tiles: every row, note and cell is what the stage gives of the whole."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from catchscreen import inputs
from catchscreen.brief import Brief
from catchscreen.errors import InputsAtFault, ScreeningStopped
from catchscreen.grid import Grid
from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.records import Inputs
from catchscreen.terrain import delineate, moving
from catchscreen.terrain.tiled_delineation import delineate_tiles
from catchscreen.tiles import NO_LEVEL, Room

SAMPLE = Path(__file__).parents[2] / "sample_geodata"
FRAMES = (
    "subcatchments",
    "outlets",
    "hollows",
    "flow_paths",
    "edits",
    "suspects",
    "blocked",
    "longest_paths",
    "hollow_parts",
    "hollow_curves",
)
SMALL = TerrainOptions(
    subcatchment_target_ha=0.02,
    flow_path_min_ha=0.01,
    outlet_snap_m=3.0,
    hollow_min_depth_m=0.05,
    hollow_min_area_m2=4.0,
    hollow_min_volume_m3=0.2,
    suspect_min_volume_m3=5.0,
    suspect_min_bank_m=0.2,
    suspect_longest_m=30.0,
)
VARIANTS = {
    "outlets": {"watercourse_lower_m": 0.4},
    "hollows": {"subcatchments_by": "hollows", "depressions": "mixed", "noise_draws": 2, "noise_range_m": 6.0},
    "size": {"subcatchments_by": "size", "depressions": "carve", "carve_longest_m": 7.0},
    "walls": {"holes": "wall"},
}


class Windows:
    """A ground that is read by windows and remembers how large the largest was."""

    def __init__(self, data):
        self.level = np.where(data.ground_valid, data.ground_ticks, np.int32(NO_LEVEL))
        self.shape = self.level.shape
        self.largest = 0

    def __getitem__(self, window):
        cut = self.level[window]
        self.largest = max(self.largest, cut.size)
        return cut


def line(grid, *places):
    """A line through cell centres given as (col, row)."""
    x, y = grid.xy_of_cells(np.array([row * grid.cols + col for col, row in places]))
    return shapely.LineString(np.column_stack([x, y]))


def layer(grid, shapes, **columns):
    return gpd.GeoDataFrame(columns, index=[f"n{k}" for k in range(len(shapes))], geometry=shapes, crs=grid.crs)


def town(make_inputs, hills, seed, cell_m=(1.0, 1.0)):
    """Hilly ground with gaps and with every layer that edits it, all of it across whatever tiles there are."""
    rng = np.random.default_rng(seed)
    level = hills(93, 87, seed=seed, smooth=4.0, height=2.0, tilt=0.02)
    level[40:46] += np.where(np.arange(87) % 29 < 27, 3.0, 0.0)
    valid = rng.random(level.shape) > 0.003
    valid[60:70, 20:33] = False
    valid[63:66, 25:28] = True
    valid[:7, 50:] = False
    grid = make_inputs(level, cell_m=cell_m).grid
    at = [(int(rng.integers(3, 80)), int(rng.integers(3, 85))) for _ in range(40)]
    footprints = [
        shapely.affinity.rotate(line(grid, (c, r), (c + 3, r)).buffer(rng.uniform(1, 5), cap_style="square"), a)
        for a, (c, r) in zip(rng.uniform(0, 90, 18), at, strict=False)
    ]
    walls = [line(grid, one, two) for one, two in zip(at[18:24], at[24:30], strict=True)]
    stream = [line(grid, (5, 2), (30, 50), (50, 90)), line(grid, (60, 60), (61, 75)).buffer(2.6)]
    ways = [
        line(grid, (30, 36), (31, 50)),
        line(grid, (60, 34), (52, 51)),
        line(grid, (12, 38), (12, 49)),
        line(grid, (75, 30), (75, 52)),
    ]
    columns = {
        "kind": ["culvert", "culvert", "underpass", "culvert"],
        "upstream_level_m": [18.0, np.nan, np.nan, 17.0],
        "downstream_level_m": [17.5, np.nan, np.nan, np.nan],
        "width_m": [np.nan, 4.0, 5.0, np.nan],
        "capacity_l_s": [120.0, np.nan, np.nan, 80.0],
    }
    points = [shapely.Point(line(grid, one, (0, 0)).coords[0]) for one in ((31, 52), (15, 16), (46, 70), (64, 33))]
    return make_inputs(
        level,
        valid,
        cell_m=cell_m,
        buildings=layer(grid, footprints),
        walls=layer(grid, walls, height_m=[0.5, np.nan, 2.0, 0.5, np.nan, 1.0]),
        watercourses=layer(grid, stream),
        culverts=layer(grid, ways, **columns),
        outlets=layer(grid, points),
    )


def both(data, options, size, room=None):
    """The stage on the whole and over tiles, each with its notes."""
    run, tiled_run = Run(), Run()
    ground = Windows(data)
    bare = replace(data, ground_ticks=np.empty((0, 0), np.int32), ground_valid=np.empty((0, 0), bool))
    tiled = delineate_tiles(ground, bare, options, tiled_run, size=size, room=room or Room())
    return (delineate(data, options, run), run), (tiled, tiled_run), ground


def assert_same(whole, tiled, valid):
    """Every frame, the tree, the notes, and what is known by cell."""
    (expected, run), (found, tiled_run) = whole, tiled
    assert tiled_run.issues == run.issues
    for name in FRAMES:
        one, other = getattr(expected, name), getattr(found, name)
        if one is None:
            assert other is None, name
            continue
        assert list(other.columns) == list(one.columns), name
        assert other.index.equals(one.index), name
        assert other.equals(one), (name, [column for column in one if not one[column].equals(other[column])])
    for part in fields(expected.hollow_tree):
        np.testing.assert_array_equal(getattr(found.hollow_tree, part.name), getattr(expected.hollow_tree, part.name))
    cells = {
        "conditioned_ticks": found.routing.level,
        "filled_ticks": found.routing.filled,
        "accumulation_cells": found.routing.total,
        "subcatchment_label": found.subcatchment_label,
        "hollow_label": found.hollow_label,
        "tree_label": found.tree_label,
        "slope_fraction": found.slope,
    }
    for name, store in cells.items():
        np.testing.assert_array_equal(np.asarray(store)[valid], getattr(expected, name)[valid], err_msg=name)


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("size", [16, 23, 64])
def test_everything_equals_the_whole(size, variant, make_inputs, hills, tmp_path):
    data = town(make_inputs, hills, seed=5)
    whole, tiled, _ = both(data, SMALL.model_copy(update=VARIANTS[variant]), size, Room(tmp_path))
    assert_same(whole, tiled, data.ground_valid)
    assert not any(path.is_dir() for path in tmp_path.iterdir())
    found = tiled[0]
    assert len(found.hollows) > 5
    assert len(found.flow_paths) > 5
    assert len(found.subcatchments) > 3
    assert set(found.edits["kind"]) >= {"building", "wall", "culvert", "underpass"}
    assert len(found.blocked) > 0
    assert ("watercourse" in set(found.edits["kind"])) == (variant == "outlets")
    assert ("cut" in set(found.edits["kind"])) == (variant in ("hollows", "size"))
    if variant == "outlets":
        assert (found.subcatchments["kind"] == "given").sum() == 4


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 10_000), size=st.sampled_from([16, 23, 64]), stretch=st.sampled_from([1.0, 0.7, 1.9]))
def test_random_towns_equal_the_whole(seed, size, stretch):
    """Ground in coarse steps, so that plateaus and ties lie everywhere; cells that are not square."""
    rng = np.random.default_rng(seed)
    ticks = (np.kron(rng.integers(0, 6, (12, 10)), np.ones((6, 7))) + rng.integers(0, 3, (72, 70))) * 2_000
    valid = rng.random(ticks.shape) > 0.01
    grid = Grid(72, 70, 300_000.0, 5_600_000.0, 1.0, stretch, CRS.from_epsg(32628))
    district = shapely.box(*grid.bounds)
    parcels = layer(grid, [district], land_use=["open"])
    ways = [line(grid, *((int(c), int(r)) for c, r in rng.integers(2, 68, (2, 2)))) for _ in range(3)]
    blocks = [line(grid, tuple(map(int, rng.integers(5, 60, 2))), (30, 30)).buffer(1.3) for _ in range(4)]
    data = Inputs(
        grid.crs,
        grid,
        np.where(valid, ticks, 0).astype(np.int32),
        valid,
        parcels,
        district,
        buildings=layer(grid, blocks),
        culverts=layer(grid, ways, kind=["culvert", "culvert", "underpass"]),
    )
    depressions = ["keep", "mixed", "carve"][seed % 3]
    options = SMALL.model_copy(update={"depressions": depressions, "holes": ["outlet", "wall"][seed % 2]})
    whole, tiled, _ = both(data, options, size)
    assert_same(whole, tiled, valid)


def test_footprints_and_walls_over_blocks_are_moved_once(make_inputs, hills, monkeypatch):
    """In blocks of 19 cells every footprint, wall and stream lies in several: rows and levels stay what they are."""
    data = town(make_inputs, hills, seed=8)
    options = SMALL.model_copy(update=VARIANTS["outlets"] | {"outlet_snap_m": 0.0})
    at_once = delineate(data, options, Run())
    monkeypatch.setattr(moving, "BLOCK_CELLS", 19)
    whole, tiled, _ = both(data, options, 23)
    assert_same(whole, tiled, data.ground_valid)
    assert at_once.edits.equals(whole[0].edits)
    np.testing.assert_array_equal(at_once.conditioned_ticks, whole[0].conditioned_ticks)
    assert whole[0].edits["source"].is_unique


def test_only_windows_of_the_ground_are_read(make_inputs, hills, monkeypatch):
    """No window is larger than a tile with two rows and columns around it, or a block.

    Suspects are switched off here: the bank below a hollow is looked at in the window around that hollow.
    """
    monkeypatch.setattr(moving, "BLOCK_CELLS", 16)
    data = replace(town(make_inputs, hills, seed=5), culverts=None, outlets=None)
    _, _, ground = both(data, SMALL.model_copy(update={"suspect_min_volume_m3": 1e9}), 16)
    assert 16 * 16 <= ground.largest <= 20 * 20


def test_a_run_over_tiles_stops_when_it_is_asked_to(make_inputs, hills):
    data = town(make_inputs, hills, seed=5)
    with pytest.raises(ScreeningStopped):
        delineate_tiles(Windows(data), data, SMALL, Run(cancelled=lambda: True), size=16, room=Room())


def valley(make_inputs, **layers):
    """A valley that falls to the south along column 40, crossed by a bank 3 m high in rows 30 to 33."""
    row, col = np.mgrid[0:70, 0:80]
    level = 30.0 - 0.05 * row + 0.02 * np.abs(col - 40)
    level[30:34] += 3.0
    return make_inputs(level, **layers)


def test_a_culvert_keeps_one_falling_bed_over_tile_borders(make_inputs):
    """Four tiles of 16 down, one row of levels: the bed falls evenly from row 20 to row 55 through three of them."""
    grid = valley(make_inputs).grid
    way = layer(grid, [line(grid, (40, 20), (40, 55))], upstream_level_m=[28.0], downstream_level_m=[27.0])
    data = valley(make_inputs, culverts=way)
    whole, tiled, _ = both(data, TerrainOptions(), 16)
    assert_same(whole, tiled, data.ground_valid)
    bed = np.asarray(tiled[0].routing.level)[20:56, 40]
    # The bed is the line from 28 m to 27 m, or the ground where that is lower: at row 40 on, 30 - 0.05 x row < bed.
    assert (np.diff(bed) <= 0).all()
    assert bed[10] == round(10_000 * (28.0 - 10 / 35))
    ground = data.ground_ticks[20:56, 40]
    changed = bed < ground
    (edit,) = [row for row in tiled[0].edits.itertuples() if row.kind == "culvert"]
    assert edit.cells == changed.sum()
    assert edit.level_before_m == pytest.approx(ground[changed].mean() / 10_000)
    assert edit.level_after_m == pytest.approx(bed[changed].mean() / 10_000)


def test_a_bank_across_tiles_is_suspected_as_in_the_whole(make_inputs):
    data = valley(make_inputs)
    options = TerrainOptions(suspect_min_volume_m3=50.0)
    whole, tiled, _ = both(data, options, 16)
    assert_same(whole, tiled, data.ground_valid)
    (suspect,) = tiled[0].suspects.itertuples()
    assert suspect.volume_behind_m3 > 100.0
    rows = data.grid.cells_of_xy(*np.array(suspect.geometry.coords).T) // 80
    assert rows[0] < 30
    assert rows[1] > 33
    assert rows[0] // 16 != rows[1] // 16


def test_an_outlet_by_a_tile_corner_is_put_on_the_flow_in_the_next_tile(make_inputs):
    """The point lies in column 30, row 31, by the corner of its tile of 16; the stream in column 33 of the next.

    Slopes are 1 in 20 both ways, so that water goes diagonally and (row + 1)^2 cells drain through the stream's cell in
    a row. Within 5 m the last is in row 35: 36^2 = 1,296 cells. Row 31 has 1,024 of them, less than 80 %; row 32 1,089.
    """
    row, col = np.mgrid[0:70, 0:80]
    level = 30.0 - 0.05 * row + 0.05 * np.abs(col - 33)
    grid = make_inputs(level).grid
    point = layer(grid, [shapely.Point(line(grid, (30, 31), (0, 0)).coords[0])])
    data = make_inputs(level, outlets=point)
    whole, tiled, _ = both(data, TerrainOptions(outlet_snap_m=5.0), 16)
    assert_same(whole, tiled, data.ground_valid)
    (own,) = [one for one in tiled[0].subcatchments.itertuples() if one.outlet_id == "n0"]
    assert own.snap_distance_m == pytest.approx(np.hypot(3.0, 1.0))
    assert own.snap_area_ratio * np.asarray(tiled[0].routing.total)[31, 30] == 33**2
    outlet = tiled[0].outlets.loc["n0"].geometry
    (cell,) = data.grid.cells_of_xy(np.array([outlet.x]), np.array([outlet.y]))
    assert divmod(int(cell), 80) == (32, 33)
    assert (32 // 16, 33 // 16) != (31 // 16, 30 // 16)


def test_an_ambiguous_outlet_is_refused_by_name_in_the_same_words(make_inputs):
    """Two valleys of nearly one size in two tiles, 12 and 13 columns beyond, the point nearer to the smaller one."""
    row, col = np.mgrid[0:60, 0:35]
    level = 20.0 - 0.05 * row + 0.05 * np.minimum(np.abs(col - 12), np.abs(col - 21))
    grid = make_inputs(level).grid
    point = layer(grid, [shapely.Point(line(grid, (16, 47), (0, 0)).coords[0])])
    data = make_inputs(level, outlets=point)
    said = []
    for stage in (
        lambda: delineate(data, TerrainOptions(outlet_snap_m=8.0), Run()),
        lambda: delineate_tiles(Windows(data), data, TerrainOptions(outlet_snap_m=8.0), Run(), size=16, room=Room()),
    ):
        with pytest.raises(InputsAtFault, match="n0") as caught:
            stage()
        said.append([(fault.code, fault.message) for fault in caught.value.faults])
    assert said[0] == said[1]
    assert said[0][0][0] == "outlet_snap_ambiguous"


def test_a_hollow_over_many_tiles_is_one_row(make_inputs):
    """A bowl of 60 m across in tiles of 16, with a knoll that stays dry: one hollow, one outline with one hole."""
    row, col = np.mgrid[0:80, 0:80]
    away = np.hypot(row - 40, col - 40)
    level = 20.0 - np.where(away < 30, 2.0 * (1 - (away / 30) ** 2), 0.0) + np.where(away < 4, 3.0, 0.0)
    data = make_inputs(level)
    whole, tiled, _ = both(data, TerrainOptions(), 16)
    assert_same(whole, tiled, data.ground_valid)
    (hollow,) = tiled[0].hollows.itertuples()
    assert len(hollow.geometry.interiors) == 1
    assert hollow.area_m2 == hollow.geometry.area
    depth = np.maximum(20.0 - level, 0.0)
    assert hollow.volume_m3 == pytest.approx(depth[depth > 0].sum(), rel=1e-3)


def test_the_town_over_tiles_equals_the_whole():
    """The invented town with all its layers, in tiles of 137."""
    brief = Brief.from_toml(SAMPLE / "brief.toml")
    data = inputs.load(brief, None, Run())
    whole, tiled, _ = both(data, brief.terrain, 137)
    assert_same(whole, tiled, data.ground_valid)
    assert len(tiled[0].hollows) > 50
    assert len(tiled[0].blocked) == 1


@pytest.mark.parametrize(
    ("path", "cell_m", "size"),
    [("delft/dtm_0p5m_half_nodata.tif", 0.5, 211), ("gothenburg/dtm_2m.tif", 2.0, 173)],
)
def test_real_ground_over_tiles_equals_the_whole(path, cell_m, size, trial_data, make_inputs):
    import rasterio

    with rasterio.open(trial_data / path) as source:
        band = source.read(1, masked=True)
    valid = ~np.ma.getmaskarray(band) & np.isfinite(band.filled(np.nan))
    data = make_inputs(np.where(valid, band.filled(0.0), 0.0), valid, cell_m=cell_m)
    options = SMALL.model_copy(update={"subcatchment_target_ha": 2.0, "flow_path_min_ha": 0.2, "holes": "wall"})
    whole, tiled, _ = both(data, options, size)
    assert_same(whole, tiled, valid)
    assert len(tiled[0].hollows) > 20

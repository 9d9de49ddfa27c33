from __future__ import annotations

import warnings
from types import ModuleType

import numpy as np
import pytest
from pyproj import CRS

from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import _kernels, delineate
from catchscreen.terrain._kernels import (
    appending,
    banks,
    blocks,
    carving,
    crossing,
    cutting,
    dividing,
    joints,
    merging,
    passes,
    plateaus,
    receivers,
    rerouting,
    seaming,
    sharing,
    shrinking,
    slopes,
    tree,
    upstream,
    ways,
    wetting,
)
from catchscreen.terrain._kernels.directions import NO_GROUND, OUTLET, PIT, UNDECIDED
from catchscreen.terrain.walking import cells_without_way

MODULES = (
    appending,
    banks,
    blocks,
    carving,
    crossing,
    cutting,
    dividing,
    joints,
    merging,
    passes,
    plateaus,
    receivers,
    rerouting,
    seaming,
    sharing,
    shrinking,
    slopes,
    tree,
    upstream,
    ways,
    wetting,
)
ARRAYS = (
    "conditioned_ticks",
    "filled_ticks",
    "receiver",
    "accumulation_cells",
    "subcatchment_label",
    "hollow_label",
    "tree_label",
    "slope_fraction",
)


@pytest.fixture
def as_python(monkeypatch):
    """Replace every terrain kernel by the Python function that it is compiled from."""

    def use():
        for module in MODULES:
            for name, value in vars(module).copy().items():
                if hasattr(value, "py_func"):
                    monkeypatch.setattr(module, name, value.py_func)

    return use


def test_every_kernel_module_is_listed():
    import pkgutil

    found = {module.name for module in pkgutil.iter_modules(_kernels.__path__)}
    assert found - {"directions", "threads"} == {module.__name__.rsplit(".", 1)[-1] for module in MODULES}
    assert all(isinstance(module, ModuleType) for module in MODULES)


@pytest.mark.parametrize("seed", [1, 2])
def test_compiled_and_plain_python_agree(seed, make_inputs, hills, as_python):
    level = np.round(hills(28, 31, seed=seed, smooth=1.5), 1 if seed == 1 else 4)
    valid = np.random.default_rng(seed).random(level.shape) > 0.06
    data = make_inputs(level, valid, cell_m=(2.0, 1.0) if seed == 1 else 1.0)
    options = TerrainOptions(
        subcatchment_target_ha=0.01,
        flow_path_min_ha=0.004,
        hollow_min_area_m2=2.0,
        hollow_min_volume_m3=0.1,
        depressions="mixed" if seed == 2 else "keep",
    )
    compiled = delineate(data, options, Run())
    as_python()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "overflow encountered", RuntimeWarning)  # the hash wraps round on purpose
        plain = delineate(data, options, Run())
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(compiled, name), getattr(plain, name), err_msg=name)
    assert len(compiled.hollows) > 1
    assert len(compiled.flow_paths) > 1
    for name in ("subcatchments", "hollows", "flow_paths", "outlets"):
        assert getattr(compiled, name).equals(getattr(plain, name)), name
    np.testing.assert_array_equal(compiled.hollow_tree.curve_volume_ticks, plain.hollow_tree.curve_volume_ticks)


def all_of_tiles(level, grid):
    """Route over tiles and find all that follows: routes, hollows and what is shared in several directions."""
    from catchscreen.terrain.several import share_factors, share_totals_tiled
    from catchscreen.terrain.tiled import route_tiles
    from catchscreen.terrain.tiled_carving import carve_tiles
    from catchscreen.terrain.tiled_catchments import divide_tiles
    from catchscreen.terrain.tiled_hollows import find_hollows_tiled
    from catchscreen.terrain.tiled_ways import longest_paths_tiled, trace_flow_paths_tiled
    from catchscreen.tiles import Room

    tiled = route_tiles(level, 8, (2.0, 2.0, 1.0), Room(), keep_graph=True)
    tree = find_hollows_tiled(tiled, grid, TerrainOptions(hollow_min_depth_m=0, hollow_min_area_m2=0))[0].tree
    division, label = divide_tiles(tiled, np.array([200, 300]), 20)
    longest = longest_paths_tiled(tiled, division, label, grid).cells
    paths = trace_flow_paths_tiled(tiled, label, ["S"] * division.cells.size, grid, 5.0)["length_m"]
    shared = share_totals_tiled(tiled, share_factors(grid))
    carved, cuts = carve_tiles(level, tiled, grid, TerrainOptions(depressions="carve", carve_deepest_m=1.0))
    assert len(cuts) > 0
    return (
        tiled.code,
        tiled.total,
        tiled.outlet_cell,
        tiled.filled,
        tree.curve_volume_ticks,
        label,
        shared,
        longest,
        paths,
        carved[:, :],
    )


def test_tiles_compiled_and_plain_python_agree(hills, as_python):
    from catchscreen.grid import Grid
    from catchscreen.terrain.conditioning import frame_levels

    level = np.floor(hills(21, 19, seed=4, smooth=2.0) * 1000).astype(np.int32)
    level[5:15, 4:16] = level.min() - 2
    framed = frame_levels(level, np.random.default_rng(0).random(level.shape) > 0.05)
    grid = Grid(21, 19, 0.0, 0.0, 1.0, 1.0, CRS.from_epsg(32628))
    compiled = all_of_tiles(framed[1:-1, 1:-1], grid)
    as_python()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "overflow encountered", RuntimeWarning)
        plain = all_of_tiles(framed[1:-1, 1:-1], grid)
    for one, other in zip(compiled, plain, strict=True):
        np.testing.assert_array_equal(one, other)


def test_kernels_are_read_meanwhile_where_they_are_kept(monkeypatch):
    from catchscreen.terrain import readying

    thread = readying.read_kernels_meanwhile()
    if thread is not None:
        thread.join()
    readying._use_kernels()
    used = [receivers.steepest, upstream.walk_up, passes.list_passes, tree.merge_passes, merging.merge_hollows]
    assert all(kernel.signatures for kernel in (*used, slopes.horn_gradient, dividing.distance_within))
    monkeypatch.setattr(readying, "kept_kernels", lambda: 0)
    assert readying.read_kernels_meanwhile() is None


@pytest.mark.parametrize("size", [1, 7, 8, 9, 64, 203])
def test_cells_without_a_way_are_found_word_by_word(size):
    """Against a plain search, compiled and not; every code may stand beside every other."""
    rng = np.random.default_rng(size)
    odd = np.array([UNDECIDED, OUTLET, PIT, NO_GROUND], dtype=np.uint8)
    for share in (0.0, 0.02, 0.5, 1.0):
        code = np.where(rng.random(size) < share, rng.choice(odd, size), rng.integers(1, 9, size)).astype(np.uint8)
        expected = np.flatnonzero((code == UNDECIDED) | (code == OUTLET) | (code == PIT))
        np.testing.assert_array_equal(cells_without_way(code[None]), expected)
        with pytest.MonkeyPatch.context() as plain:
            plain.setattr(receivers, "count_odd_words", receivers.count_odd_words.py_func)
            plain.setattr(receivers, "list_without_way", receivers.list_without_way.py_func)
            np.testing.assert_array_equal(cells_without_way(code[None]), expected)

"""What main flow paths pass."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import delineate


def valley(make_inputs, **layers):
    """A valley along column 15 that falls to the south, with a pit of 1 m on its way."""
    row, col = np.mgrid[0:80, 0:31]
    level = 30.0 - 0.05 * row + 0.1 * np.abs(col - 15)
    level[30:38, 11:20] -= 1.0
    return make_inputs(level, **layers)


def test_paths_name_buildings_parcels_and_hollows_in_their_way(make_inputs):
    """B1 stands a cell beside the floor, B2 six cells; P1 lies across it, P2 beside it."""
    data = valley(make_inputs)
    left, top = data.grid.left, data.grid.top

    def box(first_col, first_row, last_col, last_row):
        return shapely.box(left + first_col, top - last_row, left + last_col, top - first_row)

    crs = data.grid.crs
    buildings = gpd.GeoDataFrame(index=["B1", "B2"], geometry=[box(16, 60, 20, 64), box(22, 60, 26, 64)], crs=crs)
    parcels = gpd.GeoDataFrame(
        {"land_use": ["open", "open"]},
        index=["P1", "P2"],
        geometry=[box(0, 50, 20, 70), box(20, 50, 31, 70)],
        crs=crs,
    )
    options = TerrainOptions(flow_path_min_ha=0.05)
    paths = delineate(valley(make_inputs, buildings=buildings, parcels=parcels), options, Run()).flow_paths
    main = paths[paths["contributing_area_m2"] > 1_500]
    assert len(main) >= 1
    assert set(main["passes_buildings"]) <= {"", "B1"}
    assert "B1" in set(main["passes_buildings"])
    assert "P1" in set(main["passes_parcels"])
    assert not paths["passes_buildings"].str.contains("B2").any()
    through = paths[paths["passes_hollows"] != ""]
    assert set(through["passes_hollows"]) == {"H0001"}


def test_paths_lead_through_hollows_and_go_on_below_them(make_inputs):
    """From the pit's inflow to below its spill there is a path in every row: water is led through, not lost."""
    terrain = delineate(valley(make_inputs), TerrainOptions(flow_path_min_ha=0.02), Run())
    assert len(terrain.hollows) == 1
    rows = np.concatenate([shapely.get_coordinates(line)[:, 1] for line in terrain.flow_paths.geometry])
    covered = set(np.floor(terrain.grid.top - rows).astype(int))
    assert covered >= set(range(15, 79))
    down = terrain.flow_paths.sort_values("contributing_area_m2")
    assert down["contributing_area_m2"].iloc[-1] > 31 * 70


def test_ids_are_sorted_and_joined_and_empty_without_a_layer(make_inputs):
    data = valley(make_inputs)
    left, top = data.grid.left, data.grid.top
    footprints = [shapely.box(left + 14, top - row - 2, left + 17, top - row) for row in (70, 60, 65)]
    buildings = gpd.GeoDataFrame(index=["c", "a", "b"], geometry=footprints, crs=data.grid.crs)
    options = TerrainOptions(flow_path_min_ha=0.1, raise_buildings=False)
    paths = delineate(valley(make_inputs, buildings=buildings), options, Run()).flow_paths
    assert "a, b, c" in set(paths["passes_buildings"])
    without = delineate(data, options, Run()).flow_paths
    assert set(without["passes_buildings"]) == {""}

"""The invented town: what its ground must show, read as a user would give it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
import shapely

from catchscreen import inputs
from catchscreen.brief import Brief
from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import delineate

SAMPLE = Path(__file__).parents[2] / "sample_geodata"


@pytest.fixture(scope="module")
def vale():
    """The inputs that the ground depends on."""
    brief = Brief.from_toml(SAMPLE / "brief.toml")
    part = Brief(
        parcels=brief.parcels,
        elevation=brief.elevation,
        district=brief.district,
        buildings=brief.buildings,
        culverts=brief.culverts,
        outlets=brief.outlets,
    )
    return inputs.load(part, None, Run())


@pytest.fixture(scope="module")
def land(vale):
    return delineate(vale, TerrainOptions(), Run())


def underpass(data):
    return data.culverts.loc[data.culverts["kind"] == "underpass"].geometry.iloc[0]


def without(data, kind):
    """The same without outlets, whose flow paths change with the ground, and without ways of one kind."""
    return replace(data, outlets=None, culverts=data.culverts[data.culverts["kind"] != kind])


def test_the_underpass_hollow_is_as_stated(vale, land):
    """About 2,900 m3 to spill, 0.9 m deep, 0.95 ha wet, 23 ha upstream: the figures that the town is described by."""
    hollow = land.hollows.loc[land.hollows["volume_m3"].idxmax()]
    assert hollow.geometry.intersects(underpass(vale))
    assert hollow["volume_m3"] == pytest.approx(2900.0, rel=0.05)
    assert hollow["depth_m"] == pytest.approx(0.9, rel=0.05)
    assert hollow["area_m2"] == pytest.approx(9500.0, rel=0.05)
    assert hollow["contributing_area_m2"] == pytest.approx(230_000.0, rel=0.05)
    assert len(land.suspects) == 0


@pytest.mark.parametrize("kind", ["underpass", "culvert"])
def test_a_way_whose_line_is_taken_away_is_suspected_there(kind, vale):
    """One suspect, on the line that is missing, with a bank as high as the railway's and more behind it than before."""
    run = Run()
    line = vale.culverts.loc[vale.culverts["kind"] == kind].geometry.iloc[0]
    missing = delineate(without(vale, kind), TerrainOptions(), run)
    assert len(missing.suspects) == 1
    suspect = missing.suspects.iloc[0]
    assert suspect.geometry.distance(line) <= 2.0
    assert suspect["bank_height_m"] > 5.0
    assert suspect["volume_behind_m3"] > 10.0 * 2900.0
    (issue,) = [issue for issue in run.issues if issue.code == "suspected_missing_culvert"]
    assert issue.geometry.equals(suspect.geometry)
    untouched = missing.edits[~missing.edits["kind"].isin(["building", "underpass", "culvert"])]
    assert len(untouched) == 0


def test_a_suspect_taken_into_the_culverts_drains_what_it_dammed(vale):
    """Its row has the columns that the culverts input asks for: laid beside the others it opens the bank."""
    data = without(vale, "culvert")
    missing = delineate(data, TerrainOptions(), Run())
    suspect = missing.suspects[["kind", "upstream_level_m", "downstream_level_m", "geometry"]]
    taken = pd.concat([data.culverts, suspect])
    opened = delineate(replace(data, culverts=taken), TerrainOptions(), Run())
    dammed = missing.hollows.loc[missing.suspects["hollow_id"].iloc[0]]
    left = opened.hollows[opened.hollows.geometry.intersects(dammed.geometry)]
    assert left["volume_m3"].sum() < 0.02 * dammed["volume_m3"]
    assert opened.suspects["volume_behind_m3"].sum() <= left["volume_m3"].sum()


def test_the_river_arches_blocked_are_shown_beside_the_open_state(vale, land):
    """Blocked, the railway dams the valley: as much stands there as when the arches are not given at all."""
    closed = delineate(without(vale, "culvert"), TerrainOptions(), Run())
    row = land.blocked.iloc[0]
    assert len(land.blocked) == 1
    assert row["volume_m3"] == closed.hollows["volume_m3"].max()
    assert row["volume_open_m3"] < 0.01 * row["volume_m3"]
    arches = land.edits[land.edits["kind"] == "culvert"]
    assert arches["blocked_id"].tolist() == ["B0001"]
    assert arches["source"].tolist() == [row["culvert_sources"]]


def test_outlets_are_put_on_the_path_beside_them(vale, land):
    """Every outlet of the town's lies within 25 m of its path; each agrees with its sub-catchments."""
    given = land.subcatchments[land.subcatchments["kind"] == "given"]
    assert (given["snap_distance_m"] < 25.0).all()
    area = land.subcatchments["area_m2"]
    for outlet in land.outlets.itertuples():
        above = {outlet.subcatchment_id}
        while True:
            more = set(land.subcatchments.index[land.subcatchments["downstream_id"].isin(above)]) | above
            if more == above:
                break
            above = more
        assert outlet.contributing_area_m2 == area[sorted(above)].sum()


def test_paths_pass_the_underpass_and_the_station_homes(land):
    hollow = land.hollows["volume_m3"].idxmax()
    through = land.flow_paths[land.flow_paths["passes_hollows"].str.contains(hollow)]
    assert len(through) >= 1
    assert (through["passes_buildings"] != "").any()
    outline = land.hollows.loc[hollow, "geometry"]
    assert shapely.intersects(through.geometry.to_numpy(), outline).all()

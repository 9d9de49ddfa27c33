"""The demonstration district: its briefs pass, come out whole, and its folder alone makes a brief that passes too."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from catchscreen import inputs
from catchscreen.brief import Brief
from catchscreen.progress import Run

SAMPLE = Path(__file__).parents[2] / "sample_geodata"


@pytest.mark.parametrize("name", ["brief", "brief_minimum", "brief_test_pit"])
def test_each_brief_passes_check(name):
    assert inputs.check(Brief.from_toml(SAMPLE / f"{name}.toml"), None, Run()) == ()


def test_the_whole_district_is_read():
    """600 ha of ground, every role but walls and kerbs; rain of 905 mm and evaporation of 560 mm a year."""
    run = Run()
    data = inputs.load(Brief.from_toml(SAMPLE / "brief.toml"), None, run)
    assert data.district.area == pytest.approx(6_000_000)
    assert data.ground_valid.sum() * data.grid.cell_area_m2 == pytest.approx(6_000_000, rel=1e-3)
    assert (data.parcels["ground_fraction"] == 1).all()
    unknown = {issue.role for issue in run.issues if issue.code == "no-layer"}
    assert unknown == {"walls", "kerbs"}
    assert data.rain_series.sum() / 12 == pytest.approx(905, rel=1e-3)
    days = [31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
    assert (data.evaporation.to_numpy() * days).sum() == pytest.approx(560)
    assert data.rain_table.loc[60].tolist() == [13, 19, 30, 38]
    assert set(data.constraints["rule"]) == {"gate", "switch", "flag"}
    assert set(data.evidence["kind"]) >= {"infiltration", "groundwater", "roof_structure"}
    assert len(data.supply_points) == 4
    assert data.surface_model.grid == data.grid or data.surface_model.grid.cell_width_m < data.grid.cell_width_m


def test_the_test_pit_adds_one_record_of_evidence():
    plain, with_pit = (
        inputs.load(Brief.from_toml(SAMPLE / f"{name}.toml"), None, Run()).evidence
        for name in ("brief", "brief_test_pit")
    )
    assert len(with_pit) == len(plain) + 1


def test_a_brief_is_found_for_the_folder(tmp_path):
    folder = tmp_path / "town"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("*.toml", "*.md", "*_result"))
    new = inputs.write_new_brief(folder)
    assert new.missing == ()
    given = Brief.from_toml(SAMPLE / "brief.toml")
    assert {role for role, _ in new.taken} == {source.role for source in given.sources()}
    found = Brief.from_toml(new.path)
    assert found.parcels.layer == given.parcels.layer
    assert found.evidence[0].layer == given.evidence[0].layer

"""The demonstration district, whole: its planted story comes out, and its layers agree with each other."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest

from catchscreen.brief import Brief
from catchscreen.outputs.screening import Screening
from catchscreen.pipeline import screen

SAMPLE = Path(__file__).parents[2] / "sample_geodata"

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def vale() -> Screening:
    return screen(Brief.from_toml(SAMPLE / "brief.toml"))


def test_the_underpass_hollow_is_as_planted(vale: Screening) -> None:
    """Planted: 2,900 m3 to spill, 0.9 m deep, 0.95 ha wet, 23 ha upstream (each within 5 %), 46 homes, a pharmacy."""
    hollow = vale.hollows.sort_values("volume_m3").iloc[-1]
    expected = {"volume_m3": 2_900, "depth_m": 0.9, "area_m2": 9_500, "contributing_area_m2": 230_000}
    for column, value in expected.items():
        assert hollow[column] == pytest.approx(value, rel=0.05), column
    assert hollow["property_points"] >= 47


def test_the_terrain_is_shown_in_both_states_with_every_change_and_path(vale: Screening) -> None:
    """Both ways are listed with their levels; the river arches blocked dam the valley; nothing is suspected."""
    edits = vale.frame("terrain_edits")
    ways = edits[edits["kind"].isin(["culvert", "underpass"])]
    assert sorted(ways["kind"]) == ["culvert", "underpass"]
    assert (ways["lowest_after_m"] <= ways["lowest_before_m"]).all()
    blocked = vale.frame("hollows_blocked")
    assert blocked["volume_m3"].max() > 10 * vale.hollows["volume_m3"].max()
    assert blocked.index[0] in set(edits["blocked_id"])
    assert len(vale.frame("suspected_culverts")) == 0
    assert len(vale.frame("longest_paths")) == len(vale.frame("subcatchments"))
    parts = vale.frame("hollow_parts")
    assert set(parts["hollow_id"]) == set(vale.hollows.index)
    assert vale.frame("flow_paths")["passes_buildings"].notna().any()
    times = vale.frame("subcatchments")
    assert (times["time_of_concentration_low_min"] <= times["time_of_concentration_min"]).all()


def test_no_place_is_counted_for_two_measures(vale: Screening) -> None:
    """A pitch is drawn on beneath roofs and paving; its candidate is what they leave."""
    able = vale.candidates[vale.candidates["variant"].notna()]
    shapes = {name: able.geometry[able["measure"] == name].union_all() for name in sorted(set(able["measure"]))}
    names = list(shapes)
    for place, first in enumerate(names):
        for second in names[place + 1 :]:
            assert shapes[first].intersection(shapes[second]).area < 1.0, (first, second)


def test_a_roof_of_unknown_strength_gets_the_lightest_build_up(vale: Screening) -> None:
    able = vale.candidates[vale.candidates["variant"].notna()]
    roofs = able[(able["measure"] == "green_roof") & able["is_unproven"].astype(bool)]
    assert len(roofs) > 100
    options = vale.options[vale.options["is_admissible"].astype(bool)]
    lightest = {"extensive": 0, "semi-intensive": 1, "intensive": 2, "storage": 3}
    order = options["variant"].map(lightest)
    first = order[options["measure"] == "green_roof"].groupby(options["candidate_id"]).min()
    chosen = roofs["variant"].map(lightest)
    assert (chosen == first.reindex(roofs.index)).all()


def test_retained_slowed_and_overflow_are_the_inflow(vale: Screening) -> None:
    able = vale.candidates[vale.candidates["variant"].notna()]
    total = able["retained_m3"] + able["slowed_m3"] + able["overflow_m3"]
    assert np.allclose(total, able["inflow_m3"], rtol=1e-6, atol=1e-6)


def test_set_aside_places_say_why(vale: Screening) -> None:
    mill = vale.parcels[vale.parcels["name"] == "Orle Mill Estate"].iloc[0]
    assert "steel" in mill["no_candidate_reason"]
    aside = gpd.GeoDataFrame(vale.candidates[vale.candidates["variant"].isna()])
    assert aside["reasons_against"].notna().all()

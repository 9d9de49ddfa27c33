"""What a result tells of its candidates and of who made it, through the front door."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from catchscreen.brief import Brief
from catchscreen.outputs.screening import Screening
from catchscreen.outputs.sketch import Sketch
from catchscreen.pipeline import screen


@pytest.fixture(scope="module")
def least(pieces: dict[str, Any]) -> Screening:
    """Parcels and ground alone, by somebody who has an interest."""
    named = {"prepared_by": "the drainage office", "interest": "the office sells crushed rock"}
    return screen(Brief(name="Least", **named, parcels=pieces["parcels"], elevation=pieces["elevation"]))


@pytest.fixture(scope="module")
def result(pieces: dict[str, Any]) -> Screening:
    return screen(Brief(name="Hillside", **pieces))


def test_who_prepared_it_and_with_what_interest_stands_in_every_place_that_says_how_it_was_made(
    least: Screening, tmp_path: Path
) -> None:
    said = {"prepared_by": "the drainage office", "interest": "the office sells crushed rock"}
    folder = least.write(tmp_path / "out").folder
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    assert {key: manifest[key] for key in said} == said
    assert {key: least.frame("run").at[key, "value"] for key in said} == said
    with sqlite3.connect(folder / "screening.gpkg") as database:
        (text,) = database.execute("SELECT metadata FROM gpkg_metadata").fetchone()
    assert {key: json.loads(text)[key] for key in said} == said


def test_the_first_page_names_who_prepared_it_and_with_what_interest(
    least: Screening, result: Screening, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    heads = []

    def keep_head(path: Path, sketch: Sketch) -> None:
        heads.append(sketch.subtitle)
        path.write_bytes(b"")

    monkeypatch.setattr("catchscreen.outputs.screening.paint", keep_head)
    least.write(tmp_path / "named")
    result.write(tmp_path / "unnamed")
    assert heads[0].endswith(" · prepared by the drainage office · interest: the office sells crushed rock")
    assert "prepared by" not in heads[1]


def test_where_cover_is_unknown_costs_follow_the_range_of_the_area(least: Screening) -> None:
    """Low area at low prices, high area at high prices: the band is at least as wide as the area's."""
    own = least.candidates[least.candidates["cost"].notna()]
    assert len(own) > 0
    area = own[["host_area_low_m2", "host_area_m2", "host_area_high_m2"]].to_numpy(float)
    cost = own[["cost_low", "cost", "cost_high"]].to_numpy(float)
    assert (area[:, 2] > area[:, 1]).all()
    slack = 51.0  # costs are rounded to a hundred
    assert (cost[:, 0] <= cost[:, 1] * area[:, 0] / area[:, 1] + slack).all()
    assert (cost[:, 2] >= cost[:, 1] * area[:, 2] / area[:, 1] - slack * area[:, 2] / area[:, 1]).all()


def test_a_store_that_is_late_to_half_empty_has_its_hours_against_it(least: Screening) -> None:
    own = least.candidates
    late = own[(own["half_emptying_h"] > 24.5) & (own["ground"] == "paved")]
    assert len(late) > 0
    assert (
        late["reasons_against"].str.contains(r"takes \d+ h to half-empty after the sizing storm \(at most 24 h\)").all()
    )


def test_items_sum_to_the_cost_and_what_does_not_concern_a_roof_is_empty_there(result: Screening) -> None:
    own = result.candidates[result.candidates["cost"].notna()]
    items = [name for name in own if name.startswith("cost_") and name not in {"cost_low", "cost_high"}]
    np.testing.assert_allclose(own[items].sum(axis=1), own["cost"], atol=50.0 * (len(items) + 1))
    roofs, ground = own[own["ground"] == "roof"], own[own["ground"] == "paved"]
    assert len(roofs) > 0
    assert roofs[["base_area_m2", "safety_factor", "slope_fraction", "check_dams"]].isna().all(axis=None)
    assert ground[["base_area_m2", "slope_fraction", "check_dams"]].notna().all(axis=None)
    soaking = ground[ground["safety_factor"].notna()]
    ratio = (soaking["host_area_m2"] + soaking["run_on_area_m2"]) / soaking["base_area_m2"]
    np.testing.assert_allclose(soaking["drained_to_base_ratio"], ratio, atol=0.011)
    assert ((ground["check_dams"] > 0) == ground["check_dam_spacing_m"].notna()).all()
    assert ((ground["cost_check_dams"] > 0) <= (ground["check_dams"] > 0)).all()

"""The whole job through the front door, as a script uses it."""

from __future__ import annotations

import locale
import subprocess
import sys
import textwrap
import warnings
from pathlib import Path
from typing import Any

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio

import catchscreen
from catchscreen.brief import Brief
from catchscreen.errors import InputsAtFault, ScreeningStopped
from catchscreen.outputs.manifest import is_unchanged
from catchscreen.outputs.screening import Screening
from catchscreen.pipeline import check, run_id, screen


@pytest.fixture(scope="module")
def result(brief: Brief) -> Screening:
    return screen(brief)


@pytest.fixture(scope="module")
def least(least_brief: Brief) -> Screening:
    return screen(least_brief)


@pytest.mark.parametrize("which", ["result", "least"])
def test_every_layer_has_every_column_and_its_id_as_index(which: str, request: pytest.FixtureRequest) -> None:
    found: Screening = request.getfixturevalue(which)
    for name, layer in found.layers.items():
        frame = found.frame(name)
        assert frame.index.name == layer.key
        assert set(layer.names[1:]) <= set(frame.columns)
        assert frame.index.is_unique, name
        assert not layer.geometry or frame.crs == found.crs
        assert frame.attrs["cautions"] == list(found.cautions), "cautions go with every frame"


def test_parcels_keep_only_what_was_asked_for(result: Screening, pieces: dict[str, Any]) -> None:
    assert list(result.parcels.index) == list(pieces["parcels"]["parcel_id"])
    assert list(result.parcels["ward"]) == list(pieces["parcels"]["ward"])
    assert "secret" not in result.parcels.columns


def test_areas_are_those_of_the_drawing(result: Screening) -> None:
    """Each parcel: 1,800 m2, of it a roof of 300, a car park of 600, 450 of garden and 450 that nobody mapped."""
    parcels = result.parcels
    for column, expected in {"area_m2": 1800, "roof_m2": 300, "paved_m2": 600, "planted_m2": 450}.items():
        assert np.allclose(parcels[column], expected, atol=1e-6), column
    assert np.allclose(parcels["unknown_cover_m2"], 450, atol=1e-6)


def test_impermeable_area_is_a_range_around_its_middle(result: Screening) -> None:
    parcels = result.parcels
    assert (parcels["impermeable_low_m2"] < parcels["impermeable_m2"]).all()
    assert (parcels["impermeable_m2"] < parcels["impermeable_high_m2"]).all()
    assert (parcels["impermeable_low_m2"] > 800).all()
    assert (parcels["connected_impermeable_m2"] <= parcels["impermeable_m2"]).all()


def test_the_balance_closes_at_every_level(result: Screening) -> None:
    balance = result.water_balance
    assert set(balance["level"]) == {"parcel", "subcatchment", "sewer_zone", "hollow", "district"}
    limit = 1e-9 * np.maximum(balance["rain_m3"] + balance["inflow_m3"].fillna(0.0), 1e-3)
    assert (balance["residual_m3"].abs() <= limit).all()
    district = balance[balance["level"] == "district"].set_index("storm_id")
    for level in ("subcatchment", "sewer_zone"):
        sums = balance[balance["level"] == level].groupby("storm_id")["rain_m3"].sum()
        assert np.allclose(sums.reindex(district.index), district["rain_m3"], rtol=1e-9), level


def test_scores_and_ranks_come_from_the_candidates(result: Screening) -> None:
    """A parcel's score for a measure is the highest of its candidates', overall the higher of its measures'."""
    candidates, parcels = result.candidates, result.parcels
    names = sorted(set(candidates["measure"]))
    assert "permeable_paving" in names
    for name in names:
        best = candidates[candidates["measure"] == name].groupby("parcel_id")["score"].max()
        known = parcels[f"score_{name}"].dropna()
        assert np.allclose(known, best.reindex(known.index))
    overall = parcels[[f"score_{name}" for name in names]].max(axis=1)
    assert np.allclose(parcels["score"].dropna(), overall.dropna())
    ranked = parcels.dropna(subset=["rank"])
    expected = ranked["score"].rank(method="min", ascending=False)
    assert (ranked["rank"].astype(float) == expected).all()
    assert parcels["standing"].isna().all()
    without = parcels[parcels["rank"].isna()]
    assert without["no_candidate_reason"].notna().all()


def test_weights_asked_for_and_used_are_in_the_result(result: Screening) -> None:
    """Dropped criteria weigh nothing and say why; those left of an index are brought to 100; the indices' in words."""
    criteria = result.frame("criteria")
    sums = criteria.groupby(["measure", "index"])["used_weight"].sum()
    assert all(total == pytest.approx(100.0) or total == 0.0 for total in sums)
    dropped = criteria[criteria["used_weight"] == 0.0]
    assert len(dropped)
    assert dropped["state"].str.startswith("dropped: ").all()
    assert criteria.at["permeable_paving.captured_area", "graded_by"] == "captured_connected_m2"
    assert result.frame("run").at["index_weights", "value"] == "benefit 0.5, feasibility 0.3, delivery 0.2"


def test_gravel_soaks_and_clay_does_not(result: Screening) -> None:
    """The north row lies on gravel (2e-5 m/s), the south row on clay (5e-7 m/s)."""
    paving = result.candidates[result.candidates["measure"] == "permeable_paving"]
    by_row = paving.groupby(paving["parcel_id"].str[1:].astype(int) < 6)["infiltration_m_s"].median()
    assert by_row[True] == pytest.approx(2e-5)
    assert by_row[False] == pytest.approx(5e-7)
    options = result.options
    clay = options[options["variant"].eq("full-infiltration") & options["candidate_id"].str.match("P0[6-9]|P1")]
    assert not clay["is_admissible"].any()


def test_with_parcels_and_elevation_only_every_figure_is_a_range(least: Screening) -> None:
    parcels, candidates = least.parcels, least.candidates
    assert (parcels["impermeable_low_m2"] < parcels["impermeable_high_m2"]).all()
    assert parcels["rank"].notna().any()
    assert len(candidates)
    assert candidates.geometry.isna().all()
    assert (candidates["host_area_low_m2"] < candidates["host_area_high_m2"]).all()
    storms = least.frame("storms")
    assert sorted(storms["depth_mm"]) == [5.0, 15.0, 30.0, 50.0]
    assert storms["return_period_years"].isna().all()


def test_the_layer_that_would_narrow_most_is_named(least: Screening, result: Screening) -> None:
    """Without soils what soaks away runs from nearly nothing (lined) to everything, wider than the range of cover."""
    assert least.frame("run").at["narrowed_most_by", "value"] == "soils"
    assert result.frame("run").at["narrowed_most_by", "value"] != "soils"


def test_two_runs_write_the_same_bytes(brief: Brief, result: Screening, tmp_path: Path) -> None:
    first = result.write(tmp_path / "a")
    second = screen(brief).write(tmp_path / "b c é")
    assert first.files == second.files
    for name in first.files:
        if name != "manifest.json":
            assert (first.folder / name).read_bytes() == (second.folder / name).read_bytes(), name
    assert is_unchanged(first.folder, run_id(brief))


@pytest.mark.slow
def test_the_number_of_threads_changes_no_byte(tmp_path: Path) -> None:
    script = textwrap.dedent(
        """
        import sys
        sys.path.insert(0, sys.argv[1])
        import conftest
        from catchscreen.pipeline import screen
        from catchscreen.brief import Brief
        pieces = conftest.pieces.__wrapped__()
        screen(Brief(name="Hillside", **pieces)).write(sys.argv[2])
        """
    )
    for threads in ("1", "2"):
        command = [sys.executable, "-c", script, str(Path(__file__).parent), str(tmp_path / threads)]
        subprocess.run(command, check=True, env={**__import__("os").environ, "NUMBA_NUM_THREADS": threads})
    names = [p.relative_to(tmp_path / "1") for p in (tmp_path / "1").rglob("*") if p.is_file()]
    assert len(names) > 10
    for name in names:
        if name.name != "manifest.json":
            assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes(), name


def test_the_callers_settings_are_left_alone(brief: Brief) -> None:
    before = (
        list(warnings.filters), locale.setlocale(locale.LC_ALL), dict(mpl.rcParams), mpl.get_backend(),
        pyogrio.get_gdal_config_option("OGR_CURRENT_DATE"), rasterio.env.hasenv(),
    )  # fmt: skip
    screen(brief)
    after = (
        list(warnings.filters), locale.setlocale(locale.LC_ALL), dict(mpl.rcParams), mpl.get_backend(),
        pyogrio.get_gdal_config_option("OGR_CURRENT_DATE"), rasterio.env.hasenv(),
    )  # fmt: skip
    assert before == after


def test_inputs_handed_in_are_not_changed(pieces: dict[str, Any], brief: Brief) -> None:
    copies = {key: value.copy() for key, value in pieces.items() if isinstance(value, gpd.GeoDataFrame)}
    screen(brief)
    for key, copy in copies.items():
        pd.testing.assert_frame_equal(pd.DataFrame(copy), pd.DataFrame(pieces[key]))


def test_progress_names_stages_and_a_stop_is_obeyed(brief: Brief) -> None:
    seen: list[tuple[str, float]] = []
    screen(brief, progress=lambda name, done: seen.append((name, done)))
    shares = [done for _, done in seen]
    assert shares == sorted(shares)
    assert {"reading inputs", "terrain", "surfaces", "ranking"} <= {name for name, _ in seen}
    with pytest.raises(ScreeningStopped):
        screen(brief, cancelled=lambda: True)


def test_faults_come_together_and_are_value_errors(pieces: dict[str, Any]) -> None:
    twice = pieces["parcels"].assign(parcel_id="same")
    degrees = pieces["soils"].to_crs(4326).set_crs(None, allow_override=True)
    with pytest.raises(ValueError, match="same") as caught:
        screen(Brief(parcels=twice, elevation=pieces["elevation"], soils=degrees))
    assert isinstance(caught.value, InputsAtFault)
    assert {fault.key for fault in caught.value.faults} >= {"parcels", "soils"}


def test_check_reports_without_running(least_brief: Brief) -> None:
    issues = check(least_brief)
    assert {"soils", "groundwater", "sewer_zones"} <= {issue.role for issue in issues if issue.severity == "unknown"}


def test_public_names_do_the_job(pieces: dict[str, Any]) -> None:
    made = catchscreen.Brief(parcels=pieces["parcels"], elevation=pieces["elevation"])
    assert isinstance(made.with_(terrain={"subcatchment_target_ha": 1.0}), catchscreen.Brief)
    assert catchscreen.screen is screen


def test_something_else_than_a_brief_is_refused_in_words():
    with pytest.raises(TypeError, match=r"Brief\.from_toml"):
        catchscreen.screen("brief.toml")


def test_measures_that_are_not_installed_are_refused_with_line_and_nearest_name(tmp_path: Path) -> None:
    (tmp_path / "brief.toml").write_text(
        "[parcels]\nfile = 'parcels.gpkg'\n[elevation]\nfile = 'ground.tif'\n"
        "[measures]\nuse = ['permeable_pavement', 'green_roof', 'swales']\n"
    )
    for name in ("parcels.gpkg", "ground.tif"):
        (tmp_path / name).touch()
    for work in (check, screen):
        with pytest.raises(InputsAtFault) as caught:
            work(Brief.from_toml(tmp_path / "brief.toml"))
        assert [fault.line for fault in caught.value.faults] == [6, 6]
        assert "Did you mean 'permeable_paving'?" in caught.value.faults[0].cure
        assert "no measure 'swales' is installed" in caught.value.faults[1].message


def test_overrides_that_name_nothing_are_refused_by_check_with_line_and_nearest_key(
    tmp_path: Path, pieces: dict[str, Any]
) -> None:
    """All at once: a threshold, a grade, a weight, a kind of constraint, a layer and a row of the user's own file."""
    pieces["parcels"].to_file(tmp_path / "parcels.gpkg")
    level, transform, crs = pieces["elevation"]
    shape = {"height": level.shape[0], "width": level.shape[1], "count": 1, "dtype": "float64"}
    with rasterio.open(tmp_path / "ground.tif", "w", driver="GTiff", crs=crs, transform=transform, **shape) as raster:
        raster.write(level, 1)
    (tmp_path / "ours.toml").write_text("[liner]\ndensity_kg_m3 = 900\n[linr]\ndensity_kg_m3 = 900\n")
    (tmp_path / "brief.toml").write_text(
        "[parcels]\nfile = 'parcels.gpkg'\n[elevation]\nfile = 'ground.tif'\nvertical_unit = 'm'\n"
        "[layer_catalogue]\nfile = 'ours.toml'\n"
        "[measures.thresholds]\n'permeable_paving.slope_max' = 3.0\n"
        "[measures.grades]\n'permeable_paving.dig_limit_mm' = [1.0, 2.0]\n"
        "[measures.constraint_rules]\nprotection_zone1 = 'gate'\n"
        "[measures.layers.board]\nvoid_fraction = 0.9\n"
        "[ranking.weights]\nspills = 3\ncombined_sewr = 3\n"
    )
    brief = Brief.from_toml(tmp_path / "brief.toml")
    with pytest.raises(InputsAtFault) as caught:
        check(brief)
    found = {(Path(fault.file or "").name, fault.line, fault.key): str(fault) for fault in caught.value.faults}
    expected = {
        ("brief.toml", 9, "measures.thresholds.permeable_paving.slope_max"): "slope_max_percent'?",
        ("brief.toml", 11, "measures.grades.permeable_paving.dig_limit_mm"): "belongs in [measures.numbers]",
        ("brief.toml", 13, "measures.constraint_rules.protection_zone1"): "'protection_zone_1'?",
        ("brief.toml", 14, "measures.layers.board"): "density_kg_m3",
        ("brief.toml", 17, "ranking.weights.spills"): "The criteria are",
        ("brief.toml", 18, "ranking.weights.combined_sewr"): "'combined_sewer'?",
        ("ours.toml", 3, "linr"): "did you mean 'liner'?",
    }
    assert {place: words in found.get(place, "") for place, words in expected.items()} == dict.fromkeys(expected, True)
    with pytest.raises(InputsAtFault) as stopped:
        screen(brief)
    assert [str(fault) for fault in stopped.value.faults] == [str(fault) for fault in caught.value.faults]

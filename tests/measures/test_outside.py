"""A measure of somebody else's: it comes through the door, goes through the run, and can neither change nor stop it."""

from __future__ import annotations

import logging
from dataclasses import replace
from importlib.metadata import EntryPoint

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from rasterio.transform import from_origin
from shapely.geometry import box

import catchscreen
from catchscreen import pipeline
from catchscreen.brief import Brief
from catchscreen.errors import MeasureFailed
from catchscreen.measures import open_measures, propose, registry, store_trials, take_off
from catchscreen.measures.contract import Layer, Measure, Variant
from catchscreen.measures.defaults import plain_layers, plain_store
from catchscreen.options import MeasureOptions
from catchscreen.records import Sizes

MODULE = """
from catchscreen.measures.contract import Measure, Variant
measure = Measure(name="planted_strip", title="Planted strip", ground="paved",
                  variants=(Variant(name="shallow", title="Shallow strip", soaks="all"),))
"""
ROCK = (Layer("open_graded_rock"),)
STRIP = Measure("planted_strip", "Planted strip", "paved", (Variant("shallow", "Strip", soaks="all", layers=ROCK),))


def outside(**functions):
    return replace(STRIP, distribution="strips-outside", **functions)


def sizes_of(proposals, trials):
    index = pd.Index(list(trials.option_id), name="option_id")
    frame = pd.DataFrame({"store_id": list(trials.store_id), "store_depth_mm": trials.depth_mm}, index=index)
    return Sizes(trials, frame[~frame.index.duplicated()], pd.DataFrame())


def spoil_everything(frame):
    """Write into a frame and into whatever array it gives out."""
    for name in list(frame.columns):
        if name == "geometry":
            continue
        array = frame[name].to_numpy()
        if array.flags.writeable and array.dtype.kind == "f":
            array[:] = -1.0
        frame[name] = 0 if array.dtype.kind in "fi" else "spoilt"
    frame["more"] = 1.0


def test_neither_frames_nor_arrays_of_ours_can_be_changed(district, options, run):
    """Hosts, store and layers each write over all that they are handed; what we keep stays as it was."""

    def hosts(patches):
        kept = patches[["geometry", "area_m2"]].rename(columns={"area_m2": "host_area_m2"})
        spoil_everything(patches)
        return kept

    def store(table, variant, depth_mm):
        answer = plain_store(table, variant, depth_mm)
        spoil_everything(table)
        return answer

    def layers(table, variant):
        answer = plain_layers(table, variant)
        spoil_everything(table)
        return answer

    data, land, cover = district
    patches, surfaces = cover.patches.copy(), cover.surfaces.copy()
    proposals = propose(data, land, cover, (outside(hosts=hosts),), options, run)
    pd.testing.assert_frame_equal(pd.DataFrame(cover.patches), pd.DataFrame(patches))
    pd.testing.assert_frame_equal(pd.DataFrame(cover.surfaces), pd.DataFrame(surfaces))
    proposals = replace(proposals, measures=(outside(store=store, layers=layers),))
    before, host_area = proposals.options.copy(), proposals.hosts["host_area_m2"].to_numpy().copy()
    trials = store_trials(proposals, options)
    sizes = sizes_of(proposals, trials)
    take_off(proposals, sizes, options)
    pd.testing.assert_frame_equal(proposals.options, before)
    assert np.array_equal(proposals.hosts["host_area_m2"], host_area)
    assert len(trials.store_id) == 3 * len(proposals.hosts)


def fail(*_args):
    raise OSError("no licence")


def half(table, variant, depth_mm):
    return plain_store(table, variant, depth_mm).iloc[:-1]


def hollow(table, variant, depth_mm):
    return plain_store(table, variant, depth_mm).assign(void_mm=np.nan)


@pytest.mark.parametrize(
    ("function", "said"),
    [(fail, "no licence"), (half, "another index"), (hollow, "empty values")],
    ids=["fails", "half", "hollow"],
)
def test_a_store_that_fails_is_named_with_its_package_and_the_run_goes_on(
    district, options, run, caplog, function, said
):
    data, land, cover = district
    good = next(measure for measure in open_measures(options) if measure.name == "permeable_paving")
    proposals = propose(data, land, cover, (good, outside(store=function)), options, run)
    with caplog.at_level(logging.WARNING, logger="catchscreen"):
        trials = store_trials(proposals, options)
    assert not any("planted_strip" in name for name in trials.store_id)
    assert any("permeable_paving" in name for name in trials.store_id)
    for word in ("planted_strip", "strips-outside", said, "goes on without it"):
        assert word in caplog.text
    with pytest.raises(MeasureFailed, match=f"planted_strip.*strips-outside.*{said}"):
        store_trials(proposals, MeasureOptions(on_plugin_error="stop"))


@pytest.mark.parametrize(
    ("function", "said"),
    [
        (fail, "no licence"),
        (lambda table, variant: plain_layers(table, variant).drop(columns="area_m2"), "lack area_m2"),
        (lambda table, variant: plain_layers(table, variant).assign(product="moon_rock"), "moon_rock"),
    ],
    ids=["raises", "lacks", "strange"],
)
def test_layers_that_fail_are_named_and_their_tonnes_stay_unknown(district, options, run, caplog, function, said):
    data, land, cover = district
    proposals = propose(data, land, cover, (outside(layers=function),), options, run)
    sizes = sizes_of(proposals, store_trials(proposals, options))
    with caplog.at_level(logging.WARNING, logger="catchscreen"):
        frame = take_off(proposals, sizes, options)
    assert frame["tonnes"].isna().all()
    assert said in caplog.text
    assert "strips-outside" in caplog.text
    with pytest.raises(MeasureFailed, match=f"planted_strip.*strips-outside.*{said}"):
        take_off(proposals, sizes, MeasureOptions(on_plugin_error="stop"))


def small_brief(**measures):
    """Two parcels with a roof and a yard each, on a slope of 2 %."""
    level = 60.0 - 0.02 * 2.0 * np.mgrid[0:60, 0:60][0]
    parcels = gpd.GeoDataFrame(
        {"parcel_id": ["A", "B"], "name": ["Site A", "Site B"]}, geometry=[box(5, 20, 55, 100), box(60, 20, 110, 100)]
    )
    buildings = gpd.GeoDataFrame({"building_id": ["1", "2"]}, geometry=[box(10, 70, 40, 95), box(65, 70, 95, 95)])
    yards = gpd.GeoDataFrame(
        {"cover_class": ["asphalt"] * 2, "ground_use": ["car_park"] * 2},
        geometry=[box(5, 20, 55, 60), box(60, 20, 110, 60)],
    )
    soils = gpd.GeoDataFrame({"infiltration_m_s": [2e-5]}, geometry=[box(0, 0, 120, 120)])
    layers = {"parcels": parcels, "buildings": buildings, "land_cover": yards, "soils": soils}
    return Brief(
        name="strip",
        elevation=(level, from_origin(0.0, 120.0, 2.0, 2.0), "EPSG:32628"),
        measures=measures,
        **{name: frame.set_crs("EPSG:32628") for name, frame in layers.items()},
    )


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """Put a module on the path with an entry point of its own, as pip would."""
    (tmp_path / "strips_of_others.py").write_text(MODULE, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    point = EntryPoint(name="planted_strip", value="strips_of_others:measure", group=registry.GROUP)
    monkeypatch.setattr(registry, "entry_points", lambda group: [point])
    monkeypatch.setattr(registry, "_distribution", lambda point: "strips-outside")


@pytest.mark.slow
@pytest.mark.usefixtures("installed")
def test_an_installed_measure_appears_in_check_screening_and_report(tmp_path):
    """Nothing here knows its name: it comes by its entry point alone, and stands beside ours in every output."""
    brief = small_brief()
    pipeline.check(brief)
    result = catchscreen.screen(brief)
    strips = result.candidates[result.candidates["measure"] == "planted_strip"]
    assert len(strips) == 2
    assert (strips["variant"] == "shallow").all()
    assert strips["score"].notna().all()
    assert {"score_planted_strip", "rank_planted_strip", "best_planted_strip"} <= set(result.parcels)
    result.write(tmp_path / "out")
    written = [path for path in (tmp_path / "out").rglob("*") if path.suffix in (".html", ".csv")]
    assert any("planted_strip" in path.read_text(encoding="utf-8") for path in written)


@pytest.mark.slow
def test_a_brief_s_own_prices_and_layers_reach_the_result(tmp_path):
    prices, layers = tmp_path / "prices.toml", tmp_path / "layers.toml"
    prices.write_text(
        'currency = "EUR"\nprice_year = 2021\n[permeable_paving]\nrebuild_per_m2 = 1.0\n', encoding="utf-8"
    )
    layers.write_text('source = "our own"\n[open_graded_rock]\ndensity_kg_m3 = 800.0\n', encoding="utf-8")
    plain = catchscreen.screen(small_brief(use=("permeable_paving",))).candidates
    brief = small_brief(use=("permeable_paving",)).with_(unit_costs=prices, layer_catalogue=layers)
    own = catchscreen.screen(brief).candidates
    assert set(own["currency"]) == {"EUR"}
    assert (own["price_year"] == 2021).all()
    assert (own["tonnes"] < plain["tonnes"]).all()
    assert (own["extra_cost_at_renewal"] > plain["extra_cost_at_renewal"]).all()

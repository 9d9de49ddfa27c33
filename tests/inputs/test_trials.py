"""Trials on real open data, where the folder of them is given: each loads, with its oddities found and named."""

from __future__ import annotations

import geopandas as gpd
import pyogrio
import pytest
from shapely.geometry import box

from catchscreen import inputs
from catchscreen.brief import Brief
from catchscreen.progress import Run


def load(**values):
    run = Run()
    data = inputs.load(Brief(**values), None, run)
    return data, {issue.code: issue for issue in run.issues}


def squares(bounds, side, crs):
    """Make synthetic parcels: squares over some bounds."""
    left, bottom, right, top = bounds
    places = [(x, y) for x in range(int(left), int(right), side) for y in range(int(bottom), int(top), side)]
    shapes = [box(x, y, x + side, y + side) for x, y in places]
    return gpd.GeoDataFrame({"parcel_id": [f"s{n:03d}" for n in range(len(shapes))]}, geometry=shapes, crs=crs)


def test_gothenburg(trial_data):
    folder = trial_data / "gothenburg"
    parcels = squares((318_500, 6_398_360, 318_880, 6_398_740), 95, 3006)
    data, issues = load(
        parcels=parcels,
        elevation=folder / "dtm_2m.tif",
        surface_model=folder / "dsm_2m.tif",
        buildings=folder / "buildings.shp",
        land_cover={
            "file": str(folder / "landcover_2m.tif"),
            "classes": {"1": "asphalt", "2": "roof", "5": "grass", "6": "bare_soil"},
        },
    )
    assert data.grid.cell_width_m == 2
    assert data.land_cover.grid == data.surface_model.grid == data.grid
    assert len(data.buildings) == 123
    assert "made-ids" not in issues or issues["made-ids"].role == "buildings"


def test_london_city_lists_its_sites_off_the_raster(trial_data):
    folder = trial_data / "london_city"
    data, issues = load(
        parcels={"file": str(folder / "sites_grid.shp"), "columns": {"parcel_id": "ID"}},
        elevation=folder / "dtm_1m.tif",
        surface_model=folder / "dsm_1m.tif",
    )
    assert len(data.parcels) == 16
    off = data.parcels.index[data.parcels["ground_fraction"] == 0]
    part = data.parcels.index[data.parcels["ground_fraction"].between(0, 1, inclusive="neither")]
    assert len(off) + len(part) == 7
    assert all(name in issues["off-ground"].message for name in off) if len(off) else True
    assert "below-ground" in issues
    assert data.ground_ticks[data.ground_valid].min() > -50 * 10_000


def test_delft_reads_every_odd_layer(trial_data):
    folder = trial_data / "delft"
    layers = ("bare_ground", "buildings", "planted", "roads", "water", "bridges")
    whole = 0
    for name in layers:
        path = folder / f"{name}.sqlite"
        data, _ = load(
            parcels={"file": str(path), "columns": {"parcel_id": "lokaalid"}}, elevation=folder / "dtm_0p5m.tif"
        )
        assert len(data.parcels) == pyogrio.read_info(path)["features"]
        assert data.parcels.crs.to_epsg() == 28992
        whole += len(data.parcels)
    assert whole == 524


def test_delft_with_half_a_ground_model(trial_data):
    folder = trial_data / "delft"
    parcels = squares((84_820, 447_430, 85_060, 447_630), 40, 28992)
    data, issues = load(parcels=parcels, elevation=folder / "dtm_0p5m_half_nodata.tif")
    assert "many-holes" in issues
    assert 0.2 < data.ground_valid.mean() < 0.8
    assert (data.parcels["ground_fraction"] < 1).any()


@pytest.mark.parametrize(
    ("name", "settings", "steps", "total_mm"),
    [
        # Totals are the sums of the file's own column, traces as zero: 548,874 and 9,324 tenths, 4,426.0 mm.
        ("esbeek_daily_1951_2017.txt", {"unit": "0.1 mm", "stamp": "end"}, 24_227, 54_887.4),
        ("de_bilt_hourly_2000.txt", {"unit": "0.1 mm"}, 8_784, 932.4),
        ("seattle_daily_2012_2015.csv", {}, 1_461, 4_426.0),
    ],
)
def test_rain_of_three_agencies(trial_data, name, settings, steps, total_mm):
    folder = trial_data / "gothenburg"
    parcels = squares((318_500, 6_398_360, 318_880, 6_398_740), 190, 3006)
    series = {"file": str(trial_data / "rain" / name), **settings}
    data, _ = load(parcels=parcels, elevation=folder / "dtm_2m.tif", rain_series=series)
    assert len(data.rain_series) == steps
    assert data.rain_series.sum() == pytest.approx(total_mm)

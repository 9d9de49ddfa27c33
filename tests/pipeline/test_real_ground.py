"""Complete screenings of real ground: Prague always, three more places where the folder of trial data is given."""

from __future__ import annotations

from importlib.metadata import distribution
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

from catchscreen.brief import Brief
from catchscreen.errors import InputsAtFault
from catchscreen.outputs.screening import Screening
from catchscreen.pipeline import screen

COVER_CODES = {"gothenburg": {"1": "asphalt", "2": "roof", "5": "grass", "6": "bare_soil"}}
LONDON_CODES = {"1": "asphalt", "2": "garden", "3": "water", "4": "roof"}
"""The land cover of london_city carries no legend; its codes are inferred from surface less ground model."""


@pytest.fixture(scope="module")
def bubenec() -> Path:
    """The GeoPackage of plots, buildings and ground that the momepy wheel carries; it is read, never imported."""
    found = distribution("momepy")
    return Path(next(str(found.locate_file(file)) for file in found.files or () if file.name == "bubenec.gpkg"))


def prague_brief(path: Path, **elevation: Any) -> Brief:
    return Brief(
        name="Bubenec",
        parcels={"file": str(path), "layer": "plots", "columns": {"parcel_id": "ID"}},
        elevation={"file": str(path), "layer": "dtm", **elevation},
        buildings={"file": str(path), "layer": "buildings", "columns": {"building_id": "uID"}},
        roads={"file": str(path), "layer": "streets"},
    )


def assert_whole(result: Screening, parcels: int) -> None:
    """A complete result: every parcel there and either ranked or with a reason, and every balance closed."""
    assert len(result.parcels) == parcels
    unranked = result.parcels[result.parcels["rank"].isna()]
    assert unranked["no_candidate_reason"].notna().all()
    assert result.parcels["rank"].notna().any()
    balance = result.water_balance
    scale = np.maximum(balance["rain_m3"] + balance["inflow_m3"].fillna(0.0), 1e-3)
    assert (balance["residual_m3"].abs() <= 1e-9 * scale).all()


def test_prague_is_refused_by_the_name_of_its_ground_model(bubenec: Path) -> None:
    with pytest.raises(InputsAtFault, match="S-JTSK_Krovak_East_North"):
        screen(prague_brief(bubenec))


def test_prague_is_screened_once_its_system_is_given(bubenec: Path, tmp_path: Path) -> None:
    """Total plot area 278,887 m2 in EPSG:5514 (the Web Mercator drawing says 677,216); roofs equal to shapely's."""
    result = screen(prague_brief(bubenec, crs="EPSG:5514"))
    assert_whole(result, 407)
    assert result.parcels["area_m2"].sum() == pytest.approx(278_887, rel=1e-3)
    outside = result.parcels["is_on_elevation"].eq(other=False)
    issues = result.data_issues
    assert outside.any()
    assert issues["code"].isin(["off-ground", "partly-off-ground"]).any()

    plots = result.parcels.geometry
    buildings = gpd.read_file(bubenec, layer="buildings").to_crs(5514).geometry
    union = shapely.union_all(buildings.to_numpy())
    expected = shapely.area(shapely.intersection(plots.to_numpy(), union))
    overlaps = plots.sindex.query(plots, predicate="overlaps")
    alone = np.setdiff1d(np.arange(len(plots)), overlaps.ravel())
    assert alone.size > 0
    assert np.abs(result.parcels["roof_m2"].fillna(0.0).to_numpy()[alone] - expected[alone]).max() < 1e-6
    written = result.write(tmp_path / "Výsledek 1")
    assert gpd.read_file(written.folder / "screening.gpkg", layer="parcels").crs.to_epsg() == 5514


def squares(bounds: tuple[float, float, float, float], side: int, crs: Any) -> gpd.GeoDataFrame:
    """Synthetic parcels: squares over some bounds."""
    left, bottom, right, top = bounds
    places = [(x, y) for x in np.arange(left, right - side, side) for y in np.arange(bottom, top - side, side)]
    shapes = [shapely.box(x, y, x + side, y + side) for x, y in places]
    return gpd.GeoDataFrame({"parcel_id": [f"s{n:04d}" for n in range(len(shapes))]}, geometry=shapes, crs=crs)


def test_gothenburg(trial_data: Path) -> None:
    folder = trial_data / "gothenburg"
    with rasterio.open(folder / "dtm_2m.tif") as ground:
        parcels = squares(tuple(ground.bounds), 36, ground.crs)
    cover = {"file": str(folder / "landcover_2m.tif"), "classes": COVER_CODES["gothenburg"]}
    result = screen(
        Brief(
            name="Gothenburg",
            parcels=parcels,
            elevation=folder / "dtm_2m.tif",
            surface_model=folder / "dsm_2m.tif",
            buildings=folder / "buildings.shp",
            land_cover=cover,
        )
    )
    assert_whole(result, len(parcels))
    assert (result.parcels["roof_m2"] > 0).sum() > 20


def test_london_city_with_its_sites_off_the_raster(trial_data: Path) -> None:
    folder = trial_data / "london_city"
    result = screen(
        Brief(
            name="London",
            parcels={"file": str(folder / "sites_grid.shp"), "columns": {"parcel_id": "ID"}},
            elevation=folder / "dtm_1m.tif",
            surface_model=folder / "dsm_1m.tif",
            land_cover={"file": str(folder / "landcover_1m.tif"), "classes": LONDON_CODES},
        )
    )
    assert_whole(result, 16)
    assert result.parcels["is_on_elevation"].eq(other=False).sum() == 7


def test_delft(trial_data: Path) -> None:
    folder = trial_data / "delft"
    with rasterio.open(folder / "dtm_0p5m.tif") as ground:
        parcels = squares(tuple(ground.bounds), 25, ground.crs)
    result = screen(
        Brief(
            name="Delft",
            parcels=parcels,
            elevation=folder / "dtm_0p5m.tif",
            surface_model=folder / "dsm_0p5m.tif",
            buildings=folder / "buildings.sqlite",
            roads=folder / "roads.sqlite",
            watercourses=folder / "water.sqlite",
        )
    )
    assert_whole(result, len(parcels))


def test_every_shape_that_is_written_is_valid(bubenec: Path) -> None:
    """Cutting makes needles; away from the origin they cross themselves unless they are mended."""
    result = screen(prague_brief(bubenec, crs="EPSG:5514"))
    for name in ("parcels", "surfaces", "candidates", "subcatchments", "hollows"):
        shapes = gpd.GeoSeries(result.frame(name)["geometry"]).dropna()
        assert len(shapes), name
        assert shapes.is_valid.all(), name

"""Real plots and ground of Prague, inside the momepy wheel: data of a test dependency, read, never imported."""

from __future__ import annotations

from importlib.metadata import distribution

import pytest

from catchscreen import inputs
from catchscreen.brief import Brief
from catchscreen.errors import InputsAtFault
from catchscreen.progress import Run

PLOTS_M2 = 278_887.0
"""Total area of the 407 plots in EPSG:5514, by shapely on the transformed layer (677,216 in Web Mercator)."""


@pytest.fixture(scope="module")
def geopackage():
    """Find the file of which the wheel's record says that it holds the Bubenec data."""
    found = distribution("momepy")
    (path,) = [file for file in found.files or () if file.name == "bubenec.gpkg"]
    return str(found.locate_file(path))


def brief_for(geopackage, **elevation):
    return Brief(
        parcels={"file": geopackage, "layer": "plots", "columns": {"parcel_id": "ID"}},
        elevation={"file": geopackage, "layer": "dtm", **elevation},
        buildings={"file": geopackage, "layer": "buildings", "columns": {"building_id": "uID"}},
        roads={"file": geopackage, "layer": "streets"},
    )


def test_the_ground_model_s_system_is_refused_as_stored(geopackage):
    with pytest.raises(InputsAtFault, match="S-JTSK_Krovak_East_North") as caught:
        inputs.load(brief_for(geopackage), None, Run())
    (fault,) = caught.value.faults
    assert fault.code == "unfit-crs"
    assert 'crs = "EPSG:5514"' in fault.cure


def test_with_its_system_given_it_loads(geopackage):
    run = Run()
    data = inputs.load(brief_for(geopackage, crs="EPSG:5514"), None, run)
    assert len(data.parcels) == 407
    assert data.parcels.area.sum() == pytest.approx(PLOTS_M2, rel=1e-3)
    assert data.crs.to_epsg() == 5514
    codes = {issue.code for issue in run.issues}
    assert {"transformed", "partly-off-ground", "sliver", "widened-lines"} <= codes
    part = next(issue for issue in run.issues if issue.code == "partly-off-ground")
    incomplete = data.parcels.index[(data.parcels["ground_fraction"] < 1) & (data.parcels["ground_fraction"] > 0)]
    assert part.message.startswith(f"{len(incomplete)} parcels")
    assert data.ground_valid.mean() > 0.9
    assert len(data.buildings) == 144

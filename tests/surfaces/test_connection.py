"""How impermeable and how connected surfaces are, by hand."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from pydantic import ValidationError

from catchscreen.options import SurfaceOptions
from catchscreen.progress import Run
from catchscreen.surfaces import account

HALVES = [shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10)]


def district(scenes, **layers):
    """Two parcels: the left all asphalt with a roof of 20 m2, the right without cover but for a roof of 20 m2."""
    parcels = scenes.frame(HALVES, ["P1", "P2"], "parcel_id", land_use=["retail", "homes"])
    buildings = scenes.frame([shapely.box(0, 0, 4, 5), shapely.box(16, 0, 20, 5)], ["b1", "b2"], "building_id")
    layer = scenes.frame([HALVES[0]], ["c"], "cover_id", cover_class=["asphalt"])
    return scenes.inputs(parcels, cells=(10, 20), buildings=buildings, land_cover=layer, **layers)


def shares(cover):
    return cover.surfaces[["piped_fraction", "to_ground_fraction", "overland_fraction"]].round(12)


def test_unknown_ground_makes_up_the_share_of_its_land_use(scenes):
    """Homes, 100 m2: 0.3, 0.5, 0.7 of it less 20 m2 of roof over 80 m2 of unknown ground: 0.125, 0.375, 0.625."""
    cover = account(district(scenes), scenes.terrain(district(scenes)), SurfaceOptions(), Run())
    row = cover.surfaces.loc["P2.unknown"]
    names = ["impermeable_low_fraction", "impermeable_fraction", "impermeable_high_fraction"]
    assert row[names].to_list() == pytest.approx([0.125, 0.375, 0.625])
    asphalt = cover.surfaces.loc["P1.asphalt", names].to_list()
    assert asphalt == [0.95, 0.98, 1.0]


def test_connection_follows_the_sewer_zone_of_each_piece(scenes):
    """A combined zone over x < 5 and none beyond: the asphalt (80 m2) has 30 m2 in the first, 50 m2 without a sewer."""
    zones = scenes.frame(
        [shapely.box(0, 0, 5, 10), shapely.box(5, 0, 20, 10)], ["z1", "z2"], "zone_id", sewer_kind=["combined", "none"]
    )
    data = district(scenes, sewer_zones=zones)
    cover = account(data, scenes.terrain(data), SurfaceOptions(), Run())
    table = SurfaceOptions().connection
    pieces = cover.ledger[cover.ledger["surface_id"] == "P1.asphalt"].set_index("zone_id")
    assert pieces["area_m2"].to_dict() == pytest.approx({"z1": 30.0, "z2": 50.0})
    assert pieces.loc["z1", "piped_fraction"] == table["paved.combined"][0]
    assert pieces.loc["z2", "piped_fraction"] == 0.0
    expected = (30.0 * table["paved.combined"][0]) / 80.0
    assert cover.surfaces.loc["P1.asphalt", "piped_fraction"] == pytest.approx(expected)


def test_evidence_beats_the_parcel_and_the_parcel_the_table(scenes):
    data = district(scenes)
    parcels = data.parcels.assign(piped_fraction=[0.4, float("nan")], to_ground_fraction=[0.6, float("nan")])
    evidence = gpd.GeoDataFrame(
        {"kind": ["sewer_connection"], "value": [25.0], "unit": ["%"], "reach_m": [0.0]},
        geometry=[shapely.Point(2, 2)],
        index=pd.Index(["e1"], name="evidence_id"),
        crs=data.crs,
    )
    data = scenes.replace(data, parcels=parcels, evidence=evidence)
    cover = account(data, scenes.terrain(data), SurfaceOptions(), Run())
    table = shares(cover)
    assert table.loc["P1.asphalt"].to_list() == pytest.approx([0.4, 0.6, 0.0])
    # A quarter is piped; the rest is divided as the table has it for roofs of unknown zone, 0.14 to 0.06.
    assert table.loc["P1.roof.b1"].to_list() == pytest.approx([0.25, 0.75 * 0.7, 0.75 * 0.3])
    assert table.loc["P2.roof.b2"].to_list() == pytest.approx(list(SurfaceOptions().connection["roof.unknown"]))
    assert cover.surfaces["connection_source"].to_dict() == {
        "P1.asphalt": "parcel", "P1.roof.b1": "e1", "P2.roof.b2": "", "P2.unknown": ""
    }  # fmt: skip
    low_high = cover.surfaces.loc["P1.roof.b1", ["piped_low_fraction", "piped_high_fraction"]].to_list()
    assert low_high == pytest.approx([0.25, 0.25])


def test_evidence_reaches_the_hard_ground_of_its_parcel_only(scenes):
    data = district(scenes)
    evidence = gpd.GeoDataFrame(
        {"kind": ["sewer_connection", "sewer_connection"], "value": [0.0, 1.0], "reach_m": [30.0, 0.0]},
        geometry=[shapely.Point(2, 2), shapely.Point(50, 50)],
        index=pd.Index(["e1", "e2"], name="evidence_id"),
        crs=data.crs,
    )
    data = scenes.replace(data, evidence=evidence)
    run = Run()
    cover = account(data, scenes.terrain(data), SurfaceOptions(), run)
    source = cover.surfaces["connection_source"]
    assert source.to_dict() == {"P1.asphalt": "e1", "P1.roof.b1": "e1", "P2.roof.b2": "", "P2.unknown": ""}
    assert [issue.message for issue in run.issues if issue.code == "evidence_without_surface"] == [
        "e2 lies on no hard surface: not used"
    ]


def test_a_class_that_is_not_ours_counts_as_unknown(scenes):
    data = district(scenes)
    layer = scenes.frame(HALVES, ["c1", "c2"], "cover_id", cover_class=["block_paving", "moss"])
    data = scenes.replace(data, land_cover=layer)
    cover = account(
        data, scenes.terrain(data), SurfaceOptions(class_impermeable={"block_paving": (0.6, 0.7, 0.8)}), Run()
    )
    assert cover.surfaces.loc["P1.block_paving", "kind"] == "paved"
    assert cover.surfaces.loc["P1.block_paving", "impermeable_fraction"] == 0.7
    assert cover.surfaces.loc["P2.unknown", "kind"] == "unknown"


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"precedence": ("buildings", "roads")}, "once"),
        ({"district_impermeable": (0.5, 0.4, 0.7)}, "must not fall"),
        ({"connection": {"roof.combined": (0.5, 0.1, 0.1)}}, "sum to 1"),
        ({"land_use_impermeable": {"homes": (0.2, 1.2, 1.3)}}, "less than or equal to 1"),
    ],
)
def test_tables_out_of_order_are_refused(changes, message):
    with pytest.raises(ValidationError, match=message):
        SurfaceOptions(**changes)


def test_every_share_of_the_shipped_tables_is_used_or_known():
    options = SurfaceOptions()
    kinds = {key.split(".")[0] for key in options.connection}
    assert {f"{kind}.{sewer}" for kind in kinds for sewer in ("combined", "separate", "none", "unknown")} == set(
        options.connection
    )

"""Reading a whole brief: what comes out, what is noted, what is left alone."""

from __future__ import annotations

import warnings
import zipfile

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from catchscreen import inputs
from catchscreen.brief import Brief
from catchscreen.errors import InputsAtFault, ScreeningStopped
from catchscreen.grid import Grid
from catchscreen.inputs.columns import READ_OF_PARCELS
from catchscreen.inputs.roles import ABSENT, EXPECTED_EVERYWHERE, PARCEL_COLUMNS
from catchscreen.progress import Run
from catchscreen.records import Raster

LEFT, TOP, CRS = 500_000.0, 5_000_050.0, "EPSG:32628"


def test_parcels_and_elevation_alone(place):
    data, issues = place.load(district=None)
    assert data.parcels.index.tolist() == list("abcdef")
    assert data.parcels["land_use"].tolist() == ["school", "homes", "retail", "homes", "unknown", "unknown"]
    assert (data.parcels["ground_fraction"] == 1).all()
    assert data.grid == Grid(50, 60, LEFT, TOP, 1.0, 1.0, data.crs)
    assert data.ground_ticks.dtype == np.int32
    assert data.soils is None
    unknown = {issue.role for issue in issues if issue.severity == "unknown"}
    assert {role for role in ABSENT if hasattr(place.brief(), role)} <= unknown
    # Hull of the parcels (51 x 25 m) and 100 m around it.
    assert data.district.area == pytest.approx(51 * 25 + 200 * 76 + np.pi * 100**2, rel=0.01)


def test_levels_are_whole_ticks_of_a_tenth_of_a_millimetre(place):
    data, _ = place.load()
    expected = np.rint(place.levels.astype(np.float64) * 10_000).astype(np.int32)
    np.testing.assert_array_equal(data.ground_ticks, expected)
    assert data.ground_valid.all()


def test_frames_arrays_and_series_straight_in(place):
    plain = place.load()[0]
    transform = rasterio.Affine(1.0, 0.0, LEFT, 0.0, -1.0, TOP)
    frame = place.parcels.set_index("parcel_id")
    district = gpd.GeoDataFrame(geometry=[box(LEFT, TOP - 50, LEFT + 60, TOP)], crs=CRS)
    given, _ = place.load(parcels=frame, elevation=(place.levels, transform, CRS), district=district)
    np.testing.assert_array_equal(given.ground_ticks, plain.ground_ticks)
    assert given.parcels.index.tolist() == plain.parcels.index.tolist()
    raster = Raster(plain.grid, place.levels.astype(np.float64), np.ones((50, 60), dtype=bool))
    np.testing.assert_array_equal(place.load(elevation=raster)[0].ground_ticks, plain.ground_ticks)
    flipped = rasterio.Affine(1.0, 0.0, LEFT, 0.0, 1.0, TOP - 50)
    turned = place.load(elevation=(place.levels[::-1], flipped, CRS))[0]
    np.testing.assert_array_equal(turned.ground_ticks, plain.ground_ticks)
    assert frame.index.name == "parcel_id"
    assert "parcel_id" not in frame.columns


@pytest.mark.parametrize("name", ["parcel_id", "plot", None])
def test_the_callers_index_is_the_id(place, name):
    frame = place.parcels.set_index(pd.Index(["K1", "K2", "K3", "K4", "K5", "K6"], name=name)).drop(columns="parcel_id")
    assert place.load(parcels=frame)[0].parcels.index.tolist() == ["K1", "K2", "K3", "K4", "K5", "K6"]


def test_the_callers_settings_stay(place):
    before = list(warnings.filters)
    with rasterio.Env(GDAL_CACHEMAX=77, CPL_DEBUG=False):
        options = rasterio.env.getenv()
        place.load()
        assert rasterio.env.getenv() == options
    assert list(warnings.filters) == before


def test_no_file_appears_beside_the_users_data(place):
    before = sorted(path.name for path in place.folder.iterdir())
    place.load()
    assert sorted(path.name for path in place.folder.iterdir()) == before


def test_layers_come_to_the_elevations_system_and_say_how(place):
    place.vector("degrees.geojson", place.parcels.to_crs(4326))
    data, issues = place.load(parcels="degrees.geojson")
    assert data.parcels.crs == data.crs
    assert data.parcels.area.to_numpy() == pytest.approx(150.0, abs=0.01)
    (note,) = [issue for issue in issues if issue.code == "transformed"]
    assert "stated accuracy" in note.message


def test_invalid_null_and_wrong_geometry_is_mended_and_listed(place):
    frame = place.parcels.copy()
    x, y = LEFT + 2, TOP - 35
    frame.loc[0, "geometry"] = Polygon([(x, y), (x + 10, y + 10), (x + 10, y), (x, y + 10)])
    frame.loc[1, "geometry"] = None
    data, issues = place.load(parcels=frame)
    repairs = {issue.code: issue for issue in issues if issue.severity == "repair"}
    assert repairs["invalid-geometry"].feature == "a"
    assert repairs["invalid-geometry"].geometry.equals(Point(x + 5, y + 5))
    assert "b" in repairs["null-geometry"].message
    assert data.parcels.index.tolist() == list("acdef")
    # A bow-tie of 10 x 10 m is two triangles of 25 m2.
    assert data.parcels.area["a"] == pytest.approx(50.0)
    assert data.parcels.geometry.is_valid.all()


def test_slivers_overlaps_and_parts_off_the_ground_are_listed(place):
    frame = place.parcels.copy()
    frame.loc[5, "geometry"] = box(LEFT + 50, TOP - 20, LEFT + 70, TOP - 10)
    frame.loc[4, "geometry"] = box(LEFT + 20, TOP - 20, LEFT + 22, TOP - 19)
    frame.loc[3, "geometry"] = frame.geometry[0]
    frame.loc[6] = ["z", "homes", box(LEFT + 200, TOP, LEFT + 220, TOP + 9)]
    data, issues = place.load(parcels=frame)
    said = {issue.code: issue.message for issue in issues}
    assert "e" in said["sliver"]
    assert "a and d (150 m2)" in said["overlap"]
    assert "z" in said["off-ground"]
    where = {issue.code: issue.geometry for issue in issues if issue.geometry is not None}
    assert where["overlap"].area == pytest.approx(150)
    assert where["off-ground"].within(frame.geometry[6])
    assert "f" in said["partly-off-ground"]
    assert data.parcels["ground_fraction"].tolist() == [1, 1, 1, 1, 1, 0.5, 0]


def test_ids_are_made_from_the_place_not_the_row(place):
    bare = place.parcels.drop(columns="parcel_id")
    first = place.load(parcels=bare)[0].parcels
    second = place.load(parcels=bare.iloc[::-1])[0].parcels
    assert first.index.tolist() == second.index.tolist()
    assert first.index.is_unique
    assert place.issue("made-ids", parcels=bare).cure


def test_columns_are_mapped_and_odd_values_become_unknown(place):
    frame = place.parcels.assign(
        nr=[1.0, 2.0, 3.0, 4.0, 5.0, 6.0],
        jaar=["2030", "2031,0", "soon", "3000", None, ""],
        own=["Council"] * 5 + ["?"],
    )
    source = {"columns": {"parcel_id": "nr", "renewal_year": "jaar", "owner_class": "own"}}
    place.vector("mapped.gpkg", frame)
    data, issues = place.load(parcels={"file": "mapped.gpkg", **source}, keep_columns=["own"])
    assert data.parcels.index.tolist() == list("123456")
    assert data.parcels["renewal_year"].tolist()[:2] == [2030, 2031]
    assert data.parcels["renewal_year"].isna().sum() == 4
    assert data.parcels["owner_class"].tolist() == ["council"] * 5 + ["unknown"]
    assert data.parcels["own"].tolist()[0] == "Council"
    assert {"not-a-number", "implausible-value", "missing-owner"} <= {issue.code for issue in issues}
    assert "nr" not in data.parcels.columns


def test_columns_that_measures_read_pass_through_and_no_others(place):
    place.vector("more.gpkg", place.parcels.assign(vehicle_turns=3, private="x"))
    wanted = pd.DataFrame({"column": ["vehicle_turns"]})
    data = inputs.load(place.brief(parcels="more.gpkg"), wanted, Run())
    assert "vehicle_turns" in data.parcels.columns
    assert "private" not in data.parcels.columns


def test_owners_and_renewals_join_by_id(place):
    (place.folder / "owners.csv").write_text("plot;who\na;council\nb;private_many\nq;council\n", encoding="utf-8")
    renewals = pd.DataFrame({"parcel_id": ["a"], "renewal_year": [2031]})
    owners = {"file": "owners.csv", "id": "plot", "columns": {"owner_class": "who"}}
    data, issues = place.load(owners=owners, renewals=renewals)
    assert data.parcels["owner_class"].tolist() == ["council", "private_many"] + ["unknown"] * 4
    assert data.parcels.loc["a", "renewal_year"] == 2031
    assert any(issue.code == "unmatched-id" and "q" in issue.message for issue in issues)


def test_lines_become_roads_of_their_width(place):
    lines = gpd.GeoDataFrame(
        {"road_class": ["Street", "Footpath", "alley"], "width_m": [None, None, 3.0]},
        geometry=[LineString([(LEFT + 5, TOP - y), (LEFT + 55, TOP - y)]) for y in (10, 20, 30)],
        crs=CRS,
    )
    place.vector("roads.gpkg", lines)
    roads = place.load(roads={"file": "roads.gpkg", "class_width_m": {"Street": 8}})[0].roads
    by_class = roads.assign(y=roads.geometry.centroid.y).sort_values("y", ascending=False)
    assert by_class["road_class"].tolist() == ["carriageway", "footway", "carriageway"]
    heights = (by_class.bounds["maxy"] - by_class.bounds["miny"]).tolist()
    assert heights == pytest.approx([8, 2, 3])
    assert roads.geom_type.isin(["Polygon", "MultiPolygon"]).all()


def test_soils_take_rates_or_textures(place):
    soils = gpd.GeoDataFrame(
        {
            "soil_id": list("pqrs"),
            "texture": ["Sandy loam", None, "chalk", "clay"],
            "infiltration_mm_h": [None, 36.0, None, None],
            "hydrologic_group": ["a", "B", None, "x"],
        },
        geometry=[box(LEFT + x, TOP - 50, LEFT + x + 15, TOP) for x in (0, 15, 30, 45)],
        crs=CRS,
    )
    place.vector("soils.gpkg", soils)
    data, issues = place.load(soils="soils.gpkg")
    rates = data.soils["infiltration_m_s"]
    # Texture: the geometric mean of the table's ends; 36 mm/h is 1e-5 m/s.
    assert rates["p"] == pytest.approx(1e-6)
    assert rates["q"] == pytest.approx(1e-5)
    assert np.isnan(rates["r"])
    assert data.soils.loc["q", "infiltration_low_m_s"] == pytest.approx(1e-5 / 3)
    assert data.soils["hydrologic_group"].tolist() == ["A", "B", "", ""]
    assert {"no-rate", "unknown-word"} <= {issue.code for issue in issues}


def test_constraints_are_one_frame_with_kind_rule_and_reason(place):
    places = gpd.GeoDataFrame(
        {"status": ["closed", "open"], "height_m": [4.0, None]},
        geometry=[box(LEFT, TOP - 10, LEFT + 10, TOP), box(LEFT + 20, TOP - 10, LEFT + 30, TOP)],
        crs=CRS,
    )
    place.vector("landfill.gpkg", places)
    given = [
        {"file": "landfill.gpkg", "kind": "landfill", "rule": "gate", "reason": "gas", "where": {"status": "closed"}},
        {"file": "landfill.gpkg", "kind": "made_ground"},
    ]
    found = place.load(constraints=given)[0].constraints
    assert found["kind"].tolist() == ["landfill", "made_ground", "made_ground"]
    assert found["rule"].tolist() == ["gate", "", ""]
    assert found["source_file"].unique().tolist() == ["landfill.gpkg"]
    assert found.index.is_unique
    assert found.crs == CRS


def test_zones_take_their_capacity_or_the_default(place):
    zones = gpd.GeoDataFrame(
        {
            "zone_id": ["x", "y", "z"],
            "sewer_kind": ["Combined", "separate", "none"],
            "capacity_mm_h": [20.0, None, 9.0],
        },
        geometry=[box(LEFT + x, TOP - 50, LEFT + x + 20, TOP) for x in (0, 20, 40)],
        crs=CRS,
    )
    found = place.load(sewer_zones=zones)[0].sewer_zones
    assert found["capacity_mm_h"].tolist() == [20, 12, 0]
    assert found["capacity_low_mm_h"].tolist() == [10, 6, 0]
    assert found["capacity_high_mm_h"].tolist() == [40, 24, 0]
    assert found["sewer_kind"].tolist() == ["combined", "separate", "none"]


def test_evidence_is_in_one_unit_and_later_layers_win(place):
    table = (
        "evidence_id,x,y,kind,value,unit,reach_m\nt1,{0},{1},soakaway test,36,mm/h,\nt2,{0},{1},infiltration,5,m/s,20\n"
    )
    (place.folder / "tests.csv").write_text(table.format(LEFT + 5, TOP - 5), encoding="utf-8")
    pit = gpd.GeoDataFrame(
        {"evidence_id": ["t1"], "kind": ["infiltration"], "value": [2e-6], "unit": ["m/s"]},
        geometry=[Point(LEFT + 5, TOP - 5)],
        crs=CRS,
    )
    data, issues = place.load(evidence=[{"file": "tests.csv", "crs": CRS, "reach_m": 30}])
    assert data.evidence.loc["t1", "value"] == pytest.approx(1e-5)
    assert data.evidence["reach_m"].tolist() == [30, 20]
    assert np.isnan(data.evidence.loc["t2", "value"])
    assert {"assumed-reach", "implausible-value"} <= {issue.code for issue in issues}
    both = place.load(evidence=[{"file": "tests.csv", "crs": CRS}, pit])[0].evidence
    assert both.loc["t1", "value"] == pytest.approx(2e-6)


def test_surveys_answer_in_words_and_kinds_are_known_by_their_common_names(place):
    table = "evidence_id,x,y,kind,value,unit\nr1,{0},{1},Roof survey,Confirmed,\n"
    table += "r2,{0},{1},dye test,no,\ng1,{0},{1},borehole,250,cm\n"
    (place.folder / "surveys.csv").write_text(table.format(LEFT + 5, TOP - 5), encoding="utf-8")
    found = place.load(evidence={"file": "surveys.csv", "crs": CRS})[0].evidence
    assert found["kind"].to_dict() == {"g1": "groundwater", "r1": "roof_structure", "r2": "sewer_connection"}
    assert found["value"].to_dict() == {"g1": 2.5, "r1": 1.0, "r2": 0.0}


def test_tanks_for_re_use_are_read_of_parcels_and_of_surveys(place):
    place.vector("tanked.gpkg", place.parcels.assign(tank=["yes", "planned", "no", "?", None, "perhaps"]))
    data, _ = place.load(parcels={"file": "tanked.gpkg", "columns": {"reuse": "tank"}})
    assert data.parcels["reuse"].tolist() == ["existing", "planned", "none"] + ["unknown"] * 3
    table = "evidence_id,x,y,kind,value\nr1,{0},{1},rainwater tank,existing\nr2,{0},{1},reuse,planned\n"
    (place.folder / "tanks.csv").write_text(table.format(LEFT + 5, TOP - 5), encoding="utf-8")
    found = place.load(evidence={"file": "tanks.csv", "crs": CRS})[0].evidence
    assert found["kind"].tolist() == ["reuse_tank"] * 2
    assert found["value"].tolist() == [1.0, 0.5]


def test_unusual_values_are_kept_and_named(place):
    spills = gpd.GeoDataFrame(
        {"overflow_id": ["o"], "spills_per_year": [180]}, geometry=[Point(LEFT, TOP - 5)], crs=CRS
    )
    hut = gpd.GeoDataFrame({"building_id": ["h"]}, geometry=[box(LEFT, TOP - 2, LEFT + 2, TOP)], crs=CRS)
    data, issues = place.load(storm_overflows=spills, buildings=hut)
    assert data.storm_overflows["spills_per_year"].tolist() == [180]
    said = [issue.message for issue in issues if issue.code == "unusual-value"]
    assert said == [
        "area in m2: 1 values lie outside the usual 8 to 100000: 4.",
        "spills_per_year: 1 values lie outside the usual 0 to 150: 180.",
    ]


def test_what_matters_from_afar_is_read_from_afar(place):
    quarry = gpd.GeoDataFrame({"product": ["crushed rock"]}, geometry=[Point(LEFT + 30_000, TOP)], crs=CRS)
    rivers = [LineString([(LEFT + x, TOP), (LEFT + x, TOP - 50)]) for x in (600, 5000)]
    place.vector("quarry.gpkg", quarry)
    place.vector("rivers.gpkg", gpd.GeoDataFrame(geometry=rivers, crs=CRS))
    data, _ = place.load(supply_points="quarry.gpkg", watercourses="rivers.gpkg")
    assert len(data.supply_points) == 1
    assert len(data.watercourses) == 1


def test_roots_reach_twelve_stem_diameters(place):
    """BS 5837, from memory: 12 x 0.5 m is 6 m; 12 x 2 m is capped at 15 m."""
    points = [Point(LEFT + x, TOP - 5) for x in (5, 10, 15)]
    trees = gpd.GeoDataFrame({"tree_id": list("xyz"), "stem_diameter_mm": [500, 2000, None]}, geometry=points, crs=CRS)
    radius = place.load(trees=trees)[0].trees["root_radius_m"]
    assert radius.tolist()[:2] == [6, 15]
    assert np.isnan(radius["z"])


def test_plain_roles_come_with_all_their_columns_also_when_empty(place):
    far = gpd.GeoDataFrame({"depth_m": [1.0]}, geometry=[Point(LEFT + 9000, TOP)], crs=CRS)
    place.vector("floods.gpkg", far)
    data, issues = place.load(recorded_floods="floods.gpkg")
    assert data.recorded_floods.empty
    assert {"date", "depth_m", "source"} <= set(data.recorded_floods.columns)
    assert any(issue.code == "nothing-here" and "none there" in issue.message for issue in issues)


@pytest.mark.parametrize("role", sorted(EXPECTED_EVERYWHERE))
def test_an_empty_layer_of_what_every_district_has_counts_as_not_given(place, role):
    """An empty buildings file must not make ground look free of buildings."""
    facts = {"depth_m": [1.0], "infiltration_m_s": [1e-5], "social_decile": [3]}
    kind = Point(LEFT + 90_000, TOP) if role == "property_points" else box(LEFT + 90_000, TOP, LEFT + 90_009, TOP + 9)
    far = gpd.GeoDataFrame(facts, geometry=[kind], crs=CRS)
    data, issues = place.load(**{role: far})
    assert getattr(data, role) is None
    found = [issue for issue in issues if issue.code == "given-but-empty"]
    assert [(issue.severity, issue.role) for issue in found] == [("unknown", role)]
    assert ABSENT[role] in found[0].message


@pytest.mark.parametrize("role", ["trees", "walls", "watercourses", "heritage"])
def test_an_empty_layer_of_what_need_not_be_there_is_an_answer(place, role):
    far = {"walls": "line", "watercourses": "line"}.get(role, "point")
    shape = Point(LEFT + 90_000, TOP) if far == "point" else LineString([(LEFT + 90_000, TOP), (LEFT + 90_009, TOP)])
    data, issues = place.load(**{role: gpd.GeoDataFrame(geometry=[shape], crs=CRS)})
    assert getattr(data, role).empty
    assert [issue.role for issue in issues if issue.code == "nothing-here"] == [role]


def test_ids_are_offered_only_from_columns_that_tell_parcels_apart(place):
    """Facts, measures and columns with gaps may happen to hold no value twice: none of them is an id."""
    six = {"nr": range(6), "gap": [1, 2, 3, 4, 5, None], "size": np.arange(6) / 7, "renewal_year": range(2030, 2036)}
    with pytest.raises(InputsAtFault) as caught:
        place.load(parcels=place.parcels.assign(parcel_id="same", use=list("uvwxyz"), **six).drop(columns="land_use"))
    assert (
        caught.value.faults[0].cure == "Give each parcel an id of its own, or use another column as parcel_id: use, nr."
    )
    assert set(READ_OF_PARCELS) == {column.name for column in PARCEL_COLUMNS}


def test_the_social_index_reaches_the_parcels(place):
    areas = gpd.GeoDataFrame(
        {"social_decile": [2, 9]},
        geometry=[box(LEFT, TOP - 50, LEFT + 37, TOP), box(LEFT + 37, TOP - 50, LEFT + 60, TOP)],
        crs=CRS,
    )
    data, _ = place.load(social_index=areas)
    assert data.parcels["social_decile"].tolist() == [2, 2, 9, 2, 2, 9]


def test_heights_follow_their_unit(place):
    houses = gpd.GeoDataFrame(
        {"height_m": [30.0]}, geometry=[MultiPolygon([box(LEFT, TOP - 9, LEFT + 9, TOP)])], crs=CRS
    )
    place.vector("houses.gpkg", houses)
    data, _ = place.load(buildings={"file": "houses.gpkg", "vertical_unit": "ft"})
    assert data.buildings["height_m"].tolist() == pytest.approx([9.144])


def test_check_finds_what_load_finds_and_raises_nothing(place):
    place.vector("bad.gpkg", place.parcels.assign(parcel_id="same"))
    run = Run()
    faults = inputs.check(place.brief(parcels="bad.gpkg", soils="dtm.tif"), None, run)
    assert {fault.code for fault in faults} == {"duplicate-id", "unreadable-file"}
    with pytest.raises(InputsAtFault) as caught:
        place.load(parcels="bad.gpkg", soils="dtm.tif")
    assert caught.value.faults == faults
    assert inputs.check(place.brief(), None, Run()) == ()


def test_reading_stops_when_asked(place):
    with pytest.raises(ScreeningStopped):
        inputs.load(place.brief(), None, Run(cancelled=lambda: True))


def test_a_path_with_spaces_and_other_letters(place):
    town = place.folder / "Åby stad (ny) Ωμέγα"
    town.mkdir()
    for path in list(place.folder.glob("*.*")):
        path.rename(town / path.name)
    with zipfile.ZipFile(town / "höjd.zip", "w") as archive:
        archive.write(town / "dtm.tif", "mark nivå.tif")
    brief = Brief(folder=town, parcels="parcels.gpkg", elevation="höjd.zip", district="district.gpkg")
    assert inputs.load(brief, None, Run()).ground_valid.all()


def test_two_readings_are_the_same(place):
    first, second = place.load()[0], place.load()[0]
    pd.testing.assert_frame_equal(pd.DataFrame(first.parcels), pd.DataFrame(second.parcels))
    np.testing.assert_array_equal(first.ground_ticks, second.ground_ticks)
    assert isinstance(place.brief(), Brief)

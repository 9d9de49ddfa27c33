"""The brief: what it takes, and what it says about what it does not take."""

from __future__ import annotations

import copy
import json
import pickle
import tomllib

import geopandas as gpd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import box

from catchscreen.brief import Brief
from catchscreen.brief_faults import key_lines
from catchscreen.brief_sources import ROLES, RasterSource, Source, is_remote, split_zip
from catchscreen.errors import InputsAtFault


@pytest.fixture
def folder(tmp_path):
    for name in ("parcels.gpkg", "dtm.tif", "zones.gpkg"):
        (tmp_path / name).write_bytes(b"")
    return tmp_path


def write(folder, text, name="town.toml"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


MINIMUM = '[parcels]\nfile = "parcels.gpkg"\n[elevation]\nfile = "dtm.tif"\n'


def faults_of(folder, text):
    with pytest.raises(InputsAtFault) as caught:
        Brief.from_toml(write(folder, text))
    return caught.value.faults


def test_a_minimum_brief_has_every_default(folder):
    brief = Brief.from_toml(write(folder, MINIMUM))
    assert brief.parcels.path == folder / "parcels.gpkg"
    assert isinstance(brief.elevation, RasterSource)
    assert brief.elevation.vertical_unit == "m"
    assert (brief.name, brief.stem, brief.folder) == ("town", "town", folder)
    assert brief.soils is None
    assert brief.constraints == ()
    assert brief.terrain.subcatchment_target_ha == 25.0
    assert [source.role for source in brief.sources()] == ["parcels", "elevation"]


def test_all_faults_come_at_once_with_their_lines(folder):
    text = (
        '[parcels]\nfiel = "parcels.gpkg"\n\n[elevation]\nfile = "dtn.tif"\n[terrain]\ncell_m = -2\n'
        'outlet_snap_m = "far"\n[soyls]\nfile = "x"\n[[constraints]]\nfile = "zones.gpkg"\nrule = "forbid"\n'
    )
    faults = {fault.key: fault for fault in faults_of(folder, text)}
    assert {key: (fault.code, fault.line) for key, fault in faults.items()} == {
        "soyls": ("unknown-key", 9),
        "terrain.cell_m": ("out-of-range", 7),
        "terrain.outlet_snap_m": ("wrong-type", 8),
        "parcels.fiel": ("unknown-key", 2),
        "elevation.file": ("missing-file", 5),
        "constraints[1].rule": ("out-of-range", 13),
    }
    assert 'Did you mean "file"?' in faults["parcels.fiel"].cure
    assert 'Did you mean "soils"?' in faults["soyls"].cure
    assert 'Did you mean "dtm.tif"?' in faults["elevation.file"].cure
    assert "Found -2" in faults["terrain.cell_m"].message
    assert faults["terrain.cell_m"].cure == "Allowed: a number above 0."
    assert faults["constraints[1].rule"].cure == "Allowed: 'gate', 'switch' or 'flag'."
    assert str(faults["terrain.cell_m"]).startswith(f"{folder / 'town.toml'}:7: terrain.cell_m: ")


def test_a_key_in_the_wrong_table_is_sent_home(folder):
    (fault,) = faults_of(folder, MINIMUM + "[ranking]\nsewer_capacity_mm_h = 12\n")
    assert "It belongs in [runoff]" in fault.cure


@pytest.mark.parametrize(
    ("text", "code", "line"),
    [
        ("[parcels]\nfile = parcels.gpkg\n", "brief-syntax", 2),
        ('name = "a"\nname = "b"\n', "brief-syntax", 2),
        ("", "missing-key", None),
        (MINIMUM + 'parcels = "x"\n', "unknown-key", 5),
        ("parcels = 3\n" + MINIMUM.split("\n", 2)[2], "wrong-type", 1),
        ('[parcels]\nlayer = "a"\n[elevation]\nfile = "dtm.tif"\n', "missing-key", 1),
        ('[parcels]\nfile = "https://somewhere/p.gpkg"\n[elevation]\nfile = "dtm.tif"\n', "remote-path", 2),
        ("[[parcels]]\nfile = 'parcels.gpkg'\n[elevation]\nfile = \"dtm.tif\"\n", "wrong-type", 1),
        (MINIMUM + "[terrain]\ncell_m = nan\n", "out-of-range", 6),
        (MINIMUM + "[terrain]\nraise_buildings = 1\n", "wrong-type", 6),
    ],
)
def test_each_fault_has_its_code_and_line(folder, text, code, line):
    first = faults_of(folder, text)[0]
    assert (first.code, first.line) == (code, line)
    assert first.cure


def test_a_brief_from_a_plain_editor_reads(folder):
    path = folder / "notepad.toml"
    path.write_bytes(b"\xef\xbb\xbf" + MINIMUM.replace("\n", "\r\n").encode())
    assert Brief.from_toml(path).name == "notepad"
    path.write_bytes('name = "Åby"\n'.encode("latin-1"))
    with pytest.raises(InputsAtFault, match="UTF-8"):
        Brief.from_toml(path)
    with pytest.raises(InputsAtFault, match=r"notepad\.toml"):
        Brief.from_toml(folder / "gone.toml")


def test_lines_of_keys_through_lists_texts_and_inline_tables():
    text = (
        'name = "a"\ndescription = """\n[not_a_table]\nx = 1\n"""\nkeep_columns = [\n  "[b]",\n]\n'
        '[parcels.columns]\n"parcel id" = "ID"\nland_use = "use" # = [\n[[constraints]]\nwhere = { a = "b" }\n'
        "[[constraints]]\nfile = 'x'\n[rain_table]\ndepths_mm.15 = [1]\n"
    )
    lines = key_lines(text)
    assert lines["name",] == 1
    assert lines["keep_columns",] == 6
    assert lines["parcels", "columns", "parcel id"] == 10
    assert lines["parcels", "columns", "land_use"] == 11
    assert lines["constraints", 0, "where"] == 13
    assert lines["constraints", 1, "file"] == 15
    assert lines["rain_table", "depths_mm", "15"] == 17
    assert ("not_a_table",) not in lines
    assert not any("x" in path for path in lines)


def test_python_values_make_the_same_brief(folder):
    from_file = Brief.from_toml(write(folder, MINIMUM))
    made = Brief(parcels="parcels.gpkg", elevation=folder / "dtm.tif", folder=folder, name="town")
    assert made.digest == from_file.digest
    frame = gpd.GeoDataFrame({"parcel_id": ["a"]}, geometry=[box(0, 0, 1, 1)], crs=3006)
    given = Brief(parcels=frame, elevation=Source(file="dtm.tif", crs="EPSG:3006"), folder=folder)
    assert given.parcels.data is frame
    assert given.elevation.crs == "EPSG:3006"
    assert isinstance(given.elevation, RasterSource)
    assert given.digest != given.with_(parcels=frame.assign(parcel_id=["b"])).digest
    assert given.digest == given.with_(parcels=frame.copy()).digest


def test_with_changes_a_copy_and_keeps_the_rest(folder):
    brief = Brief.from_toml(write(folder, MINIMUM + "[terrain]\ncell_m = 2\n"))
    other = brief.with_(terrain={"outlet_snap_m": 5}, constraints=[{"file": "zones.gpkg", "rule": "flag"}])
    assert (other.terrain.cell_m, other.terrain.outlet_snap_m) == (2, 5)
    assert brief.terrain.outlet_snap_m == 30
    assert other.constraints[0].rule == "flag"
    assert other.digest != brief.digest
    assert brief.with_() == brief
    with pytest.raises(InputsAtFault, match=r"terrain\.cell_m"):
        brief.with_(terrain={"cell_m": 0})
    with pytest.raises(AttributeError, match="with_"):
        brief.name = "x"


def test_the_digest_does_not_depend_on_the_folder(folder, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    for name in ("parcels.gpkg", "dtm.tif"):
        (elsewhere / name).write_bytes(b"")
    assert Brief.from_toml(write(folder, MINIMUM)).digest == Brief.from_toml(write(elsewhere, MINIMUM)).digest


def test_copies_and_pickles_are_equal(folder):
    brief = Brief.from_toml(write(folder, MINIMUM))
    assert pickle.loads(pickle.dumps(brief)) == brief  # noqa: S301 - our own bytes
    assert copy.deepcopy(brief).parcels.path == brief.parcels.path


def test_paths_into_zips_and_patterns_exist(folder):
    (folder / "tiles.zip").write_bytes(b"")
    brief = Brief(parcels="tiles.zip/a/b.shp", elevation="*.tif", folder=folder)
    assert split_zip(brief.parcels.path) == (folder / "tiles.zip", "a/b.shp")
    with pytest.raises(InputsAtFault, match="There is no"):
        brief.with_(elevation="*.asc")
    assert is_remote("/vsicurl/x")
    assert is_remote("s3://x")
    assert not is_remote(r"C:\town\x.tif")


def test_every_role_is_an_attribute(folder):
    brief = Brief.from_toml(write(folder, MINIMUM))
    assert all(hasattr(brief, role) for role in ROLES)


NAMES = st.text(st.sampled_from("ab_Zé 1-.#[]="), min_size=1, max_size=4)
VALUES = st.one_of(
    st.integers(-9, 9).map(str),
    st.lists(st.integers(0, 9), max_size=3).map(
        lambda items: "[\n" + "".join(f"  {item}, # [\n" for item in items) + "]"
    ),
    st.text("ab'[#= ", max_size=6).map(json.dumps),
    st.text("ab[=\n", max_size=6).map(lambda text: f'"""{text}"""'),
)


@given(st.dictionaries(NAMES, st.dictionaries(NAMES, VALUES, max_size=3), max_size=3))
def test_every_key_that_toml_knows_has_the_line_on_which_it_stands(tables):
    """Names with any sign, values over several lines: each key's line is the one that begins with it."""
    lines, expected = [], {}
    for table, keys in tables.items():
        expected[table,] = len(lines) + 1
        lines.append(f"[{json.dumps(table, ensure_ascii=False)}]")
        for key, value in keys.items():
            expected[table, key] = len(lines) + 1
            lines.extend(f"{json.dumps(key, ensure_ascii=False)} = {value}".split("\n"))
    text = "\n".join(lines)
    assert {name: set(keys) for name, keys in tomllib.loads(text).items()} == {n: set(k) for n, k in tables.items()}
    assert key_lines(text) == expected


def test_a_long_list_of_keys_is_shortened_to_those_that_read_alike(folder):
    fault = faults_of(folder, MINIMUM + "[terrain]\noutlet_snap = 3\n")[0]
    assert 'Did you mean "outlet_snap_m"?' in fault.cure
    assert "more (a brief made by `new` lists them)" in fault.cure
    assert len(fault.cure) < 400


def test_a_file_of_another_kind_is_no_brief(folder):
    (folder / "parcels.gpkg").write_bytes(b"SQLite format 3\0" + bytes(100))
    with pytest.raises(InputsAtFault, match="no brief") as caught:
        Brief.from_toml(folder / "parcels.gpkg")
    assert ".toml" in caught.value.faults[0].cure


def test_the_file_that_was_meant_is_named_as_the_brief_would_name_it(folder):
    (folder / "briefs").mkdir()
    with pytest.raises(InputsAtFault) as caught:
        Brief.from_toml(
            write(folder / "briefs", MINIMUM.replace("parcels.gpkg", "../parcel.gpkg").replace("dtm", "../dtm"))
        )
    assert caught.value.faults[0].cure == 'Did you mean "../parcels.gpkg"?'


@pytest.mark.parametrize(
    ("table", "key", "row", "value"),
    [
        ("surfaces", "class_impermeable", "gravel", (0.2, 0.3, 0.4)),
        ("surfaces", "land_use_impermeable", "homes", (0.2, 0.3, 0.4)),
        ("surfaces", "connection", "roof.combined", (0.5, 0.25, 0.25)),
        ("runoff", "depression_mm", "roof", 0.5),
        ("measures", "supply_words", "roof", ("clay",)),
    ],
)
def test_one_row_of_a_table_leaves_the_others_as_they_are(folder, table, key, row, value):
    plain = Brief(folder=folder, parcels="parcels.gpkg", elevation="dtm.tif")
    changed = getattr(getattr(plain.with_(**{table: {key: {row: value}}}), table), key)
    assert changed == {**getattr(getattr(plain, table), key), row: value}
    with pytest.raises(InputsAtFault, match="Not known: gravle"):
        plain.with_(**{table: {key: {"gravle": value}}})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("uplift = [1.3]", [("rain.uplift", "Found [1.3].", "Allowed: 2 values.")]),
        ("intensity_formula = [1.0]", [("rain.intensity_formula", "Found [1.0].", "Allowed: 4 values.")]),
        ("durations_min = []", [("rain.durations_min", "Found [].", "Allowed: at least 1 value.")]),
        ("durations_min = [0]", [("rain.durations_min[1]", "Found 0.", "Allowed: a number of at least 1.")]),
        (
            "uplift = [0.0]",
            [
                ("rain.uplift[1]", "Found 0.0.", "Allowed: a number of at least 0.5."),
                ("rain.uplift", "Found [0.0].", "Allowed: 2 values."),
            ],
        ),
    ],
)
def test_a_list_is_told_what_is_wrong_with_it_once(folder, text, said):
    faults = faults_of(folder, MINIMUM + f"[rain]\n{text}\n")
    assert [(fault.key, fault.message, fault.cure) for fault in faults] == said

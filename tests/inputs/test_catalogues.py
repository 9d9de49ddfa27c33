"""The user's own layer catalogue and unit costs: TOML or CSV, every fault with file, line and key."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tomllib

import pytest

from catchscreen.brief import Brief
from catchscreen.brief_sources import TableSource
from catchscreen.errors import InputsAtFault
from catchscreen.inputs.catalogues import read_catalogue
from catchscreen.measures.catalogue import load_prices, load_products, shipped_files
from catchscreen.options import MeasureOptions


def source_of(tmp_path, text, role="layer_catalogue", name="ours.toml"):
    (tmp_path / name).write_text(text, encoding="utf-8")
    return TableSource(file=name).placed(role=role, folder=tmp_path)


def faults_of(source):
    with pytest.raises(InputsAtFault) as caught:
        read_catalogue(source)
    return [(fault.file, fault.line, fault.key, fault.code) for fault in caught.value.faults]


@pytest.mark.parametrize("role", ["layer_catalogue", "unit_costs"])
def test_a_copy_of_the_shipped_file_changes_nothing_but_its_path(tmp_path, role):
    copy = shutil.copy(shipped_files()[role], tmp_path / "ours.toml")
    table = read_catalogue(TableSource(file="ours.toml").placed(role=role, folder=tmp_path))
    assert set(table.rows) == {
        key for key, row in tomllib.loads(copy.read_text(encoding="utf-8")).items() if isinstance(row, dict)
    }
    load = load_products if role == "layer_catalogue" else load_prices
    shipped, own = load(MeasureOptions()), load(MeasureOptions(), table)
    if role == "layer_catalogue":
        assert str(own) == str(shipped)
    else:
        assert {name: item.per_m2 for name, item in own.items.items()} == {
            name: item.per_m2 for name, item in shipped.items.items()
        }


def test_a_changed_number_and_a_supplier_s_product_are_read(tmp_path):
    text = (
        'source = "our quotes"\n[liner]\ndensity_kg_m3 = 900\n[board]\nvoid_fraction = 0.9\ndensity_kg_m3 = 80\n'
        "waste_fraction = 0.0\ncarbon_kg_t = 900\nrecycled_fraction = 1.0\nstrength_kpa = 250\n"
        'supplier = "a named maker"\nstands_for = "open_graded_rock"\n'
    )
    table = read_catalogue(source_of(tmp_path, text))
    products = load_products(MeasureOptions(), table)
    assert products["liner"].density_kg_m3 == 900
    assert (products["board"].supplier, products["board"].source) == ("a named maker", "our quotes")
    assert table.lines["board"] == 4


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("[liner]\ndensity = 900\n", (2, "liner.density", "unknown-key")),
        ("[liner]\n\nvoid_fraction = 1.5\n", (3, "liner.void_fraction", "implausible-value")),
        ('[liner]\nvoid_fraction = "much"\n', (2, "liner.void_fraction", "implausible-value")),
        ("[liner]\nsource = 3\n", (2, "liner.source", "wrong-type")),
        ("colour = 1\n", (1, "colour", "unknown-key")),
    ],
)
def test_a_fault_in_a_catalogue_says_file_line_and_key(tmp_path, text, found):
    assert faults_of(source_of(tmp_path, text)) == [("ours.toml", *found)]


@pytest.mark.parametrize("band", ["[3.0, 2.0, 4.0]", "[1.0, 2.0]", "5.0", "[-1.0, 2.0, 3.0]"])
def test_a_band_is_low_mid_high_and_rises(tmp_path, band):
    found = faults_of(source_of(tmp_path, f"[sports_turf]\nper_m2 = {band}\n", role="unit_costs"))
    assert found == [("ours.toml", 2, "sports_turf.per_m2", "no-band")]


def test_unit_costs_from_a_spreadsheet(tmp_path):
    """Three columns make a band; the file's own names are mapped like those of any layer."""
    text = "work,per_m2_low,per_m2,per_m2_high,rebuild_per_m2\nsports_turf,20,30,40,5\n"
    source = source_of(tmp_path, text, role="unit_costs", name="ours.csv")
    source = TableSource(file="ours.csv", columns={"item": "work"}).placed(role="unit_costs", folder=tmp_path)
    prices = load_prices(MeasureOptions(), read_catalogue(source))
    assert prices.item("sports_turf").per_m2 == (20.0, 30.0, 40.0)
    assert prices.item("sports_turf").rebuild_per_m2 == 5.0
    assert prices.item("sports_turf").upkeep_per_m2_yr == (0.5, 1.0, 2.0)
    bad = source_of(
        tmp_path, "item,per_m2_low,per_m2,per_m2_high\nsports_turf,20,10,40\n", role="unit_costs", name="bad.csv"
    )
    assert faults_of(bad) == [("bad.csv", 2, "sports_turf.per_m2", "no-band")]


@pytest.mark.parametrize(("name", "text"), [("ours.toml", "[liner\n"), ("ours.toml", "x = = 1")])
def test_a_file_that_is_no_table_is_a_fault(tmp_path, name, text):
    ((file, _, _, code),) = faults_of(source_of(tmp_path, text, name=name))
    assert (file, code) == ("ours.toml", "unreadable")


def test_a_brief_names_both_and_a_missing_file_is_a_fault(tmp_path):
    (tmp_path / "p.gpkg").write_bytes(b"")
    (tmp_path / "e.tif").write_bytes(b"")
    text = '[parcels]\nfile = "p.gpkg"\n[elevation]\nfile = "e.tif"\n[unit_costs]\nfile = "none.toml"\n'
    (tmp_path / "brief.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputsAtFault, match=r"none\.toml"):
        Brief.from_toml(tmp_path / "brief.toml")


def test_the_command_says_where_the_shipped_files_lie_and_they_can_be_copied(tmp_path):
    command = [sys.executable, "-m", "catchscreen", "measures", "--json"]
    answer = json.loads(subprocess.run(command, capture_output=True, encoding="utf-8", check=True).stdout)
    assert set(answer["files"]) == {"layer_catalogue", "unit_costs"}
    for role, file in answer["files"].items():
        shutil.copy(file, tmp_path / "copy.toml")
        assert read_catalogue(TableSource(file="copy.toml").placed(role=role, folder=tmp_path)).rows

"""The wheel is whole: it lists its measures and runs the demonstration from anywhere."""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

PROJECT = Path(__file__).resolve().parents[2]


def test_the_wheel_holds_the_package_and_nothing_else(wheel):
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"catchscreen"}
    packed = {name for name in names if name.startswith("catchscreen/")}
    kept = {
        path.relative_to(PROJECT).as_posix()
        for path in (PROJECT / "catchscreen").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert packed == kept
    assert "catchscreen/py.typed" in packed


def test_it_is_the_wheel_that_runs_and_it_lists_its_measures(installed):
    content = json.loads(installed.catchscreen("doctor", "--quick", "--json").stdout)
    program = next(finding["text"] for finding in content["findings"] if finding["name"] == "program")
    assert str(installed.folder) in program
    measures = json.loads(installed.catchscreen("measures", "--json").stdout)["measures"]
    assert {"permeable_paving", "green_roof"} <= {measure["name"] for measure in measures}
    assert {measure["distribution"] for measure in measures} == {"catchscreen"}
    assert all(measure["fault"] is None for measure in measures)


def test_the_console_script_is_there(installed):
    scripts = {path.stem for path in installed.python.parent.iterdir()}
    assert "catchscreen" in scripts


def test_the_demonstration_runs_from_another_folder(installed):
    """Geodata and result lie in a folder with a space and letters of three scripts."""
    place = installed.folder / "geodata ж"
    shutil.copytree(PROJECT / "sample_geodata", place, ignore=shutil.ignore_patterns("*_result"))
    content = json.loads(installed.catchscreen("screen", place / "brief.toml", "--json").stdout)
    result = place / "brief_result"
    assert Path(content["folder"]) == result
    assert all((result / name).is_file() for name in content["files"])
    assert content["numbers"]["candidates"] > 0
    assert "unchanged" in installed.catchscreen("screen", place / "brief.toml", "--if-changed").stdout

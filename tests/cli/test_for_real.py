"""The command line with the engine behind it, on the small invented square that ``doctor`` screens, here in files."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

BRIEF = """\
name = "A square"
[parcels]
file = "parcels.gpkg"
[elevation]
file = "ground.tif"
[buildings]
file = "buildings.gpkg"
[land_cover]
file = "cover.gpkg"
"""


@pytest.fixture(scope="module")
def geodata(tmp_path_factory) -> Path:
    """Write the square's layers to files."""
    import rasterio

    from catchscreen.cli.trial import trial_brief

    folder = tmp_path_factory.mktemp("a square")
    brief = trial_brief()
    levels, transform, crs = brief.elevation.data
    profile = {"driver": "GTiff", "count": 1, "dtype": "float64", "crs": crs, "transform": transform}
    with rasterio.open(folder / "ground.tif", "w", height=levels.shape[0], width=levels.shape[1], **profile) as file:
        file.write(levels, 1)
    for role, name in (("parcels", "parcels"), ("buildings", "buildings"), ("land_cover", "cover")):
        getattr(brief, role).data.to_file(folder / f"{name}.gpkg")
    (folder / "square.toml").write_text(BRIEF, encoding="utf-8")
    return folder


def catchscreen(*words) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "catchscreen", *map(str, words)]
    return subprocess.run(command, capture_output=True, encoding="utf-8", check=False)


@pytest.fixture(scope="module")
def screened(geodata) -> dict:
    done = catchscreen("screen", geodata / "square.toml", "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_the_result_lies_beside_the_brief_and_is_what_json_says(geodata, screened):
    folder = Path(screened["folder"])
    assert folder == geodata / "square_result"
    files = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    assert files == sorted(screened["files"])
    assert {"screening.gpkg", "manifest.json", "overview.png"} <= set(files)
    assert screened["numbers"]["parcels"] == 4
    assert screened["cautions"]


def test_the_first_sites_are_those_of_the_table(screened):
    import csv

    with (Path(screened["folder"]) / "tables" / "parcels.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = {row["parcel_id"]: row for row in csv.DictReader(line for line in file if not line.startswith("#"))}
    assert screened["first_sites"]
    for site in screened["first_sites"]:
        assert int(float(rows[site["parcel_id"]]["rank"])) == site["rank"]
        assert rows[site["parcel_id"]]["best_candidate"] == site["candidate_id"]


def test_an_unchanged_result_is_left_alone_and_a_changed_one_is_made_anew(geodata, screened):
    folder = Path(screened["folder"])
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    assert catchscreen("screen", geodata / "square.toml", "--if-changed").stdout == f"unchanged: {folder}\n"
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before
    (folder / "overview.png").write_bytes(b"spoiled")
    done = catchscreen("screen", geodata / "square.toml", "--if-changed", "--json")
    assert json.loads(done.stdout)["unchanged"] is False
    assert (folder / "overview.png").read_bytes() != b"spoiled"


def test_check_names_what_is_unknown(geodata):
    content = json.loads(catchscreen("check", geodata / "square.toml", "--json").stdout)
    assert "soils" in {issue["role"] for issue in content["issues"] if issue["severity"] == "unknown"}
    assert not list(geodata.glob("*.tmp*"))


def test_a_misspelt_key_is_named_with_its_line(geodata):
    brief = geodata / "misspelt.toml"
    brief.write_text(BRIEF.replace("[buildings]", "[bildings]"), encoding="utf-8")
    done = catchscreen("check", brief, "--json")
    (fault,) = json.loads(done.stdout)["faults"]
    assert done.returncode == 3
    assert (fault["line"], fault["key"]) == (6, "bildings")
    assert "buildings" in fault["message"] + fault["cure"]


@pytest.mark.skipif(os.name == "nt", reason="not on Windows: signals of this kind")
@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_signal_ends_the_run_and_leaves_nothing_behind(geodata, number, code, tmp_path):
    brief = geodata / f"stopped{code}.toml"
    brief.write_text(BRIEF, encoding="utf-8")
    before = sorted(geodata.iterdir())
    command = [sys.executable, "-m", "catchscreen", "screen", str(brief), "-v"]
    variables = {**os.environ, "TMPDIR": str(tmp_path)}
    with subprocess.Popen(command, stderr=subprocess.PIPE, encoding="utf-8", env=variables) as process:
        for line in process.stderr:
            if line.strip() == "terrain":
                process.send_signal(number)
                break
        said = process.stderr.read()
    assert process.returncode == code
    assert said.endswith("Stopped. Nothing was written.\n")
    assert "Traceback" not in said
    assert sorted(geodata.iterdir()) == before
    assert not list(tmp_path.iterdir())

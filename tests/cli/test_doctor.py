"""``doctor`` says what is there and names what is broken, with a cure."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pandas as pd
import pytest

from catchscreen.cli import installation
from catchscreen.cli.trial import trial_brief
from catchscreen.errors import MeasureFailed


def findings(run, *words) -> dict[str, dict]:
    content = json.loads(run("doctor", *words, "--json").stdout)
    return {finding["name"]: finding for finding in content["findings"]}


def test_both_geodata_libraries_and_their_projections_are_named(run):
    import pyogrio
    import rasterio

    found = findings(run, "--quick")
    assert rasterio.__gdal_version__ in found["geodata libraries"]["text"]
    assert pyogrio.__gdal_version_string__ in found["geodata libraries"]["text"]
    assert rasterio.__proj_version__ in found["geodata libraries"]["text"]
    assert "PROJ" in found["transformations"]["text"]
    assert found["measure green_roof"]["is_ok"]


def test_every_library_that_the_package_asks_for_is_looked_at():
    import re
    from importlib.metadata import requires

    asked = {re.match(r"[A-Za-z0-9_.-]+", text).group(0) for text in requires("catchscreen") if "extra ==" not in text}
    assert asked == set(installation.LIBRARIES)


def test_a_missing_library_is_a_fault(monkeypatch):
    monkeypatch.setattr(installation, "LIBRARIES", ("numpy", "no-such-library"))
    finding = installation._libraries()
    assert not finding.is_ok
    assert finding.text == "missing: no-such-library"


def test_measures_that_clash_are_a_fault_and_exit_code_4(run, monkeypatch):
    def clash():
        raise MeasureFailed("two measures are called 'x': one from a, one from b.")

    monkeypatch.setattr("catchscreen.measures.registry.find_measures", clash)
    result = run("doctor", "--quick")
    assert result.exit_code == 4
    assert "FAULT  measures: two measures are called 'x'" in result.stderr
    assert "1 of 6 at fault" in result.stderr


def test_whatever_goes_wrong_in_the_trial_is_a_finding(run, engine, monkeypatch):
    monkeypatch.setattr("catchscreen.cli.compiling.compile_ahead", lambda: 2)
    engine.end = RuntimeError("no space")
    result = run("doctor", "--quiet")
    assert result.exit_code == 4
    assert "FAULT  trial screening: RuntimeError: no space" in result.stderr


@pytest.mark.parametrize(("error_m3", "is_ok"), [(1e-12, True), (1e-3, False), (-1e-3, False)])
def test_a_trial_whose_water_does_not_balance_is_a_fault(engine, screening, error_m3, is_ok):
    screening.water_balance = pd.DataFrame({"rain_m3": [100.0, 50.0], "residual_m3": [0.0, error_m3]})
    engine.screening = screening
    assert installation._trial(None).is_ok is is_ok


def test_a_hidden_projection_database_is_found_out(tmp_path):
    """PROJ_DATA left behind by another program, pointing at a folder without a database."""
    command = [sys.executable, "-m", "catchscreen", "doctor", "--quick", "--json"]
    variables = {**os.environ, "PROJ_DATA": str(tmp_path), "PROJ_LIB": str(tmp_path)}
    done = subprocess.run(command, env=variables, capture_output=True, encoding="utf-8", check=False)
    content = json.loads(done.stdout)
    (fault,) = (finding for finding in content["findings"] if not finding["is_ok"])
    assert done.returncode == 4
    assert fault["name"] == "transformations"
    assert "Unset PROJ_DATA" in fault["cure"]


@pytest.mark.skipif(os.name == "nt", reason="not on Windows: folders without the right to write")
def test_a_cache_that_cannot_be_written_is_said_and_does_not_stop_the_program(tmp_path):
    blocked = tmp_path / "a file"
    blocked.write_text("")
    command = [sys.executable, "-m", "catchscreen", "doctor", "--quick", "--json"]
    variables = {**os.environ, "NUMBA_CACHE_DIR": str(blocked)}
    done = subprocess.run(command, env=variables, capture_output=True, encoding="utf-8", check=False)
    kernels = next(finding for finding in json.loads(done.stdout)["findings"] if finding["name"] == "kernels")
    assert "compiled again in each run" in kernels["text"]
    assert "NUMBA_CACHE_DIR" in kernels["cure"]


def test_the_trial_is_the_same_each_time():
    assert trial_brief().digest == trial_brief().digest

"""A measure from somebody else's package, ten lines long, is found through the entry points."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

pytestmark = pytest.mark.slow

MODULE = '''\
"""Planted strips that take the water of the ground beside them."""

from catchscreen.measures.contract import Measure, Variant

measure = Measure(
    name="planted_strip",
    title="Planted strip",
    ground="paved",
    variants=(Variant(name="shallow", title="Shallow strip", soaks="all"),),
)
'''

PROJECT = """\
[build-system]
requires = ["hatchling"]
build-backend = "hatchling.build"
[project]
name = "strips-outside"
version = "1.0"
[project.entry-points."catchscreen.measures"]
planted_strip = "strips_outside:measure"
[tool.hatch.build.targets.wheel]
include = ["strips_outside.py"]
"""


@pytest.fixture
def install(tmp_path, build_wheel, call):
    """Build a distribution of one module and install it into a folder of its own; return that folder."""

    def built(module: str, name: str = "strips-outside"):
        source, target = tmp_path / name, tmp_path / f"{name} installed"
        source.mkdir()
        (source / "strips_outside.py").write_text(module, encoding="utf-8")
        (source / "pyproject.toml").write_text(PROJECT.replace("strips-outside", name), encoding="utf-8")
        wheel = build_wheel(source, tmp_path / f"{name} wheel")
        call([sys.executable, "-m", "pip", "install", "--no-index", "--no-deps", "--target", target, wheel])
        return target

    return built


def list_measures(*folders) -> tuple[subprocess.CompletedProcess[str], dict]:
    variables = {**os.environ, "PYTHONPATH": os.pathsep.join(map(str, folders))}
    command = [sys.executable, "-m", "catchscreen", "measures", "--json"]
    done = subprocess.run(command, env=variables, capture_output=True, encoding="utf-8", check=False)
    return done, json.loads(done.stdout)


def test_ten_lines_are_enough(install):
    assert len(MODULE.splitlines()) <= 10
    done, content = list_measures(install(MODULE))
    assert done.returncode == 0
    (found,) = (measure for measure in content["measures"] if measure["distribution"] == "strips-outside")
    assert found["name"] == "planted_strip"
    assert found["title"] == "Planted strip"
    assert found["variants"] == ["shallow"]
    assert found["fault"] is None


def test_a_broken_one_is_named_and_the_others_stay(install):
    done, content = list_measures(install("raise OSError('no licence')\n"))
    assert done.returncode == 4
    (broken,) = (measure for measure in content["measures"] if measure["fault"])
    assert broken["name"] == "planted_strip"
    assert "strips-outside" in broken["fault"]
    assert "no licence" in broken["fault"]
    assert {"permeable_paving", "green_roof"} <= {measure["name"] for measure in content["measures"]}


def test_two_of_one_name_are_refused_with_both_makers(install):
    first = install(MODULE)
    second = install(MODULE, "strips-again")
    done, content = list_measures(first, second)
    assert done.returncode == 4
    assert "strips-outside" in content["message"]
    assert "strips-again" in content["message"]

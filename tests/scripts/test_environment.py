"""The environment is made once, known again, and nobody else's is touched."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import _environment as setup
import pytest
from _obstacles import Refusal


@pytest.fixture
def started(monkeypatch):
    """Record what would be installed; make only a token of an environment."""
    calls = []

    def fake_install(environment, wheels, *, with_tools):
        calls.append((wheels, with_tools))

    def fake_make(environment, *, is_chosen):
        environment.folder.mkdir(parents=True, exist_ok=True)

    monkeypatch.setattr(setup, "_install", fake_install)
    monkeypatch.setattr(setup, "_make", fake_make)
    monkeypatch.setattr(setup.Environment, "works", lambda self: self.folder.exists())
    return calls


def test_a_right_environment_is_used_as_it_is(started, tmp_path):
    folder = str(tmp_path / "env")
    setup.prepare(folder, None, with_tools=True)
    setup.prepare(folder, None, with_tools=True)
    setup.prepare(folder, None, with_tools=False)
    assert started == [(None, True)]


def test_test_tools_are_added_to_an_environment_without_them(started, tmp_path):
    folder = str(tmp_path / "env")
    setup.prepare(folder, None, with_tools=False)
    setup.prepare(folder, None, with_tools=True)
    assert started == [(None, False), (None, True)]


@pytest.mark.parametrize("key", ["hash", "python", "project"])
def test_a_changed_constraint_python_or_place_installs_again(started, tmp_path, key):
    folder = tmp_path / "env"
    setup.prepare(str(folder), None, with_tools=False)
    noted = json.loads((folder / setup.MARKER).read_text())
    (folder / setup.MARKER).write_text(json.dumps(noted | {key: "other"}))
    setup.prepare(str(folder), None, with_tools=False)
    assert len(started) == 2


def test_an_interrupted_installation_is_taken_up_again(monkeypatch, started, tmp_path):
    def interrupted(environment, wheels, *, with_tools):
        raise KeyboardInterrupt

    folder = str(tmp_path / "env")
    with monkeypatch.context() as patch:
        patch.setattr(setup, "_install", interrupted)
        with pytest.raises(KeyboardInterrupt):
            setup.prepare(folder, None, with_tools=False)
    setup.prepare(folder, None, with_tools=False)
    assert started == [(None, False)]


def test_someone_elses_folder_is_not_touched(tmp_path):
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(Refusal, match="exists already and is not an environment that this script made"):
        setup.prepare(str(tmp_path), None, with_tools=False)
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_settings_of_pip_pass_through_and_foreign_libraries_do_not(monkeypatch):
    monkeypatch.setenv("HTTPS_PROXY", "http://proxy.example:8080")
    monkeypatch.setenv("PIP_INDEX_URL", "https://packages.example/simple")
    monkeypatch.setenv("PIP_CERT", "/etc/cert.pem")
    monkeypatch.setenv("PYTHONPATH", "/somewhere")
    monkeypatch.setenv("PIP_TARGET", "/somewhere")
    variables = setup.child_variables()
    assert variables["HTTPS_PROXY"] == "http://proxy.example:8080"
    assert variables["PIP_INDEX_URL"] == "https://packages.example/simple"
    assert variables["PIP_CERT"] == "/etc/cert.pem"
    assert "PYTHONPATH" not in variables
    assert "PIP_TARGET" not in variables


def test_every_library_that_is_installed_is_pinned():
    """A direct dependency without a line in the constraints file would drift."""
    import re

    pinned = {line.split("==")[0] for line in setup.CONSTRAINTS.read_text().splitlines() if "==" in line}
    project = setup._pyproject()["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["dev"], *setup.BUILD_TOOLS]
    names = {re.match(r"[A-Za-z0-9_-]+", text).group(0).lower().replace("_", "-") for text in wanted}
    assert names <= pinned


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="not on Windows: reads from /dev/null")
def test_without_a_registry_a_sentence_says_what_to_do(tmp_path, scripts_folder):
    """A real environment is made, and pip is pointed at a port where nothing listens."""
    variables = {name: value for name, value in os.environ.items() if not name.startswith("PIP_")}
    variables |= {"PIP_CONFIG_FILE": "/dev/null", "PIP_INDEX_URL": "http://127.0.0.1:9/simple", "PIP_RETRIES": "1"}
    command = [sys.executable, str(scripts_folder / "demo.py"), "--env", str(tmp_path / "new env ä")]
    done = subprocess.run(command, env=variables, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 2
    assert "The package registry cannot be reached." in done.stderr
    assert "--wheels FOLDER" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("script", ["demo.py", "test.py"])
def test_an_old_python_can_read_the_scripts(script, scripts_folder):
    """The sentence about the version must come out of Python 3.8 too: its grammar must accept every file."""
    import ast

    for path in (scripts_folder / script, scripts_folder / "_environment.py", scripts_folder / "_obstacles.py"):
        ast.parse(path.read_text(encoding="utf-8"), feature_version=(3, 8))


def test_the_wheels_folder_must_hold_wheels(tmp_path, scripts_folder):
    empty = tmp_path / "wheels"
    empty.mkdir()
    command = [sys.executable, str(scripts_folder / "demo.py"), "--env", str(tmp_path / "env"), "--wheels", str(empty)]
    done = subprocess.run(command, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 2
    assert "no wheels in it" in done.stderr
    assert not (tmp_path / "env").exists()

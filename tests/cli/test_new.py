"""``new`` says what it took, what it left and why, and which command comes next."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest

from catchscreen.cli.asking import command_line


@pytest.fixture
def made(monkeypatch, tmp_path):
    """A brief as the search for geodata returns it."""
    result = SimpleNamespace(
        path=tmp_path / "brief.toml",
        taken=(("parcels", "plots.gpkg"), ("elevation", "dtm.tif")),
        left=(("notes.csv", "it has no geometry"),),
        missing=(),
    )
    monkeypatch.setattr("catchscreen.inputs.write_new_brief", lambda folder: result)
    return result


def test_it_says_what_was_taken_and_left_and_what_to_run_next(run, made):
    lines = run("new", made.path.parent).stdout.splitlines()
    assert lines[0] == f"Wrote {made.path}"
    assert "  took plots.gpkg as parcels" in lines
    assert "  left notes.csv: it has no geometry" in lines
    assert lines[-1].strip() == command_line("screen", made.path)


def test_what_is_missing_leads_to_check(run, made):
    made.missing = ("parcels: no layer looks like sites.",)
    lines = run("new", made.path.parent).stdout.splitlines()
    assert "  missing: parcels: no layer looks like sites." in lines
    assert lines[-1].strip() == command_line("check", made.path)


def test_json_names_the_same(run, made):
    content = json.loads(run("new", made.path.parent, "--json").stdout)
    assert content["taken"][0] == {"role": "parcels", "file": "plots.gpkg"}
    assert content["left"] == [{"file": "notes.csv", "why": "it has no geometry"}]
    assert content["missing"] == []
    assert content["brief"] == str(made.path)


def test_a_folder_that_is_not_there_is_a_fault(run, tmp_path):
    result = run("new", tmp_path / "nowhere")
    assert result.exit_code == 3
    assert "nowhere" in result.stderr


@pytest.mark.parametrize(
    ("windows", "path", "end"),
    [
        (False, "my town/brief.toml", "-m catchscreen screen 'my town/brief.toml'"),
        (True, "my town/brief.toml", '-m catchscreen screen "my town/brief.toml"'),
        (True, "town/brief.toml", "-m catchscreen screen town/brief.toml"),
    ],
)
def test_the_command_can_be_copied_as_it_stands(windows, path, end):
    line = command_line("screen", Path(path), windows=windows)
    assert line.replace("\\", "/").endswith(end)


def test_a_brief_that_was_there_is_named(run, made, tmp_path):
    made.path = tmp_path / "brief_2.toml"
    assert "brief.toml was there already" in run("new", tmp_path).stdout

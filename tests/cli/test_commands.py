"""Exit codes, the JSON object, and sentences in place of traces."""

from __future__ import annotations

import gc
import json
import logging
import os
import signal

import pytest

from catchscreen.errors import Fault, InputsAtFault, MeasureFailed, ResultNotWritten, ScreeningStopped
from catchscreen.progress import DataIssue

FAULTS = [
    Fault("file-missing", "dtm.tif is not there.", "Mend the path.", file="town.toml", line=6, key="elevation.file"),
    Fault("not-a-parcel", "it has no area.", "Remove it.", file="p.gpkg", layer="plots", feature="17"),
]
REPAIR = DataIssue("repair", "self-crossing", "parcels", "parcel 4 crosses itself; mended.", "Mend it.", "p.gpkg", "4")
UNKNOWN = DataIssue("unknown", "role-absent", "soils", "no soils were given.", "Give a soil map.")
NOTE = DataIssue("note", "transformed", "roads", "moved from EPSG:4326, accuracy 1 m.")


def test_faults_are_listed_with_place_and_cure_and_exit_code_3(run, engine, brief_file):
    engine.end = InputsAtFault(FAULTS)
    result = run("check", brief_file)
    assert result.exit_code == 3
    assert "2 faults in the inputs. Nothing was written." in result.stderr
    assert "town.toml:6: elevation.file: dtm.tif is not there. Mend the path." in result.stderr
    assert "p.gpkg: layer plots: feature 17: it has no area. Remove it." in result.stderr
    assert result.stdout == ""


@pytest.mark.parametrize("command", ["check", "screen"])
def test_json_on_exit_3_is_one_object_with_every_field_of_a_fault(run, engine, brief_file, command):
    engine.end = InputsAtFault(FAULTS)
    result = run(command, brief_file, "--json")
    content = json.loads(result.stdout)
    assert result.exit_code == 3
    assert content["schema_version"] == 1
    assert content["status"] == "inputs at fault"
    assert content["exit_code"] == 3
    assert content["faults"][1] == {
        "code": "not-a-parcel",
        "message": "it has no area.",
        "cure": "Remove it.",
        "file": "p.gpkg",
        "line": None,
        "key": None,
        "layer": "plots",
        "feature": "17",
    }


@pytest.mark.parametrize(
    ("error", "sentence"),
    [
        (MeasureFailed("the measure 'x' of the package y raised"), "the measure 'x' of the package y raised"),
        (ResultNotWritten("the result lies in z"), "the result lies in z"),
        (MemoryError(), "not enough memory"),
        (ZeroDivisionError("division by zero"), "did not foresee (ZeroDivisionError: division by zero). The log is in"),
    ],
)
def test_a_failure_is_a_sentence_with_exit_code_4_and_no_trace(run, engine, brief_file, error, sentence):
    engine.end = error
    result = run("screen", brief_file)
    assert result.exit_code == 4
    assert sentence in result.stderr
    assert "Traceback" not in result.stderr


def test_json_on_exit_4_is_one_object(run, engine, brief_file):
    engine.end = ZeroDivisionError("division by zero")
    result = run("screen", brief_file, "--json")
    content = json.loads(result.stdout)
    assert (result.exit_code, content["exit_code"], content["status"]) == (4, 4, "failed")
    assert content["faults"][0]["code"] == "unexpected"


def test_the_trace_is_kept_in_the_log_that_is_named(run, engine, brief_file, tmp_path):
    engine.end = ZeroDivisionError("division by zero")
    log = tmp_path / "run.log"
    result = run("screen", brief_file, "--log-file", log)
    assert f"The log is in {log}" in result.stderr
    assert "ZeroDivisionError" in log.read_text(encoding="utf-8")


def test_without_a_log_file_the_trace_is_kept_in_a_temporary_file(run, engine, brief_file, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    engine.end = ZeroDivisionError("division by zero")
    result = run("screen", brief_file)
    (log,) = tmp_path.glob("catchscreen-*.log")
    assert str(log) in result.stderr
    assert "ZeroDivisionError" in log.read_text(encoding="utf-8")


def test_the_trace_is_shown_to_one_who_asks_twice(run, engine, brief_file):
    engine.end = ZeroDivisionError("division by zero")
    assert "Traceback" in run("screen", brief_file, "-vv").stderr


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
@pytest.mark.skipif(os.name == "nt", reason="not on Windows: signals of this kind")
def test_a_signal_while_computing_ends_at_once(run, engine, brief_file, number, code):
    engine.during = lambda cancelled: signal.raise_signal(number)
    before = signal.getsignal(number)
    result = run("screen", brief_file)
    assert result.exit_code == code
    assert result.stderr == "Stopped. Nothing was written.\n"
    assert signal.getsignal(number) is before


@pytest.mark.skipif(os.name == "nt", reason="not on Windows: signals of this kind")
def test_a_signal_while_files_are_put_in_place_waits_for_them(run, engine, brief_file, tmp_path, screening):
    def write(folder=None, *, painter=None):
        signal.raise_signal(signal.SIGTERM)
        engine.written.append(folder)
        return screening.written

    screening.write = write
    engine.screening = screening
    result = run("screen", brief_file)
    assert result.exit_code == 143
    assert "the result is whole" in result.stderr
    assert engine.written == [tmp_path / "town_result"]


def test_a_stop_asked_for_by_the_caller_is_130(run, engine, brief_file):
    engine.end = ScreeningStopped("stopped")
    assert run("screen", brief_file).exit_code == 130


def test_usage_errors_are_2(run, tmp_path):
    assert run("screen").exit_code == 2
    assert run("frobnicate").exit_code == 2
    assert run("check", "x.toml", "--log-file", tmp_path / "no" / "such" / "folder" / "log").exit_code == 2


def test_check_reports_every_issue_and_counts_them(run, engine, brief_file):
    engine.issues = [REPAIR, UNKNOWN, NOTE]
    result = run("check", brief_file)
    assert result.exit_code == 0
    assert "repair   parcels: p.gpkg: 4: parcel 4 crosses itself; mended. Mend it." in result.stdout
    assert "unknown  soils: no soils were given. Give a soil map." in result.stdout
    assert "No faults; 1 repair, 1 unknown, 1 note." in result.stdout
    content = json.loads(run("check", brief_file, "--json").stdout)
    assert [issue["code"] for issue in content["issues"]] == ["self-crossing", "role-absent", "transformed"]
    assert content["status"] == "done"


@pytest.mark.parametrize("command", ["check", "screen"])
def test_strict_makes_repairs_and_unknowns_faults_but_not_notes(run, engine, brief_file, command):
    engine.issues = [REPAIR, UNKNOWN, NOTE]
    result = run(command, brief_file, "--strict", "--json")
    assert result.exit_code == 3
    assert [fault["code"] for fault in json.loads(result.stdout)["faults"]] == ["self-crossing", "role-absent"]
    # The number of a full run is another one: the line says what this one counts.
    assert "--strict makes faults of the 1 repair and 1 unknown of the inputs" in result.stderr


def test_strict_passes_when_there_are_only_notes(run, engine, brief_file):
    engine.issues = [NOTE]
    assert run("check", brief_file, "--strict").exit_code == 0


def test_quiet_prints_nothing_on_success_and_faults_all_the_same(run, engine, brief_file):
    result = run("check", brief_file, "--quiet")
    assert (result.stdout, result.stderr) == ("", "")
    engine.end = InputsAtFault(FAULTS)
    assert "Mend the path." in run("check", brief_file, "--quiet").stderr


@pytest.mark.parametrize(("flags", "shown"), [([], False), (["-v"], True), (["-q"], False)])
def test_stage_names_are_logged_when_asked_for(run, engine, brief_file, screening, flags, shown):
    engine.screening = screening
    engine.during = lambda cancelled: logging.getLogger("catchscreen").info("terrain")
    assert ("terrain\n" in run("screen", brief_file, *flags).stderr) is shown


def test_no_progress_line_and_no_control_characters_where_there_is_no_terminal(run, engine, brief_file, screening):
    engine.screening = screening
    result = run("screen", brief_file)
    assert result.stderr == ""
    assert "\x1b" not in result.stdout


def test_logging_is_left_as_it_was(run, engine, brief_file, tmp_path):
    loggers = [logging.getLogger(name) for name in ("catchscreen", "py.warnings")]
    before = [(logger.level, list(logger.handlers), logger.propagate) for logger in loggers]
    run("check", brief_file, "-vv", "--log-file", tmp_path / "log")
    assert [(logger.level, list(logger.handlers), logger.propagate) for logger in loggers] == before


def test_warnings_of_libraries_go_to_the_log_file_and_not_to_the_user(run, engine, brief_file, tmp_path):
    import warnings

    engine.during = lambda cancelled: warnings.warn("old way", FutureWarning, stacklevel=1)
    engine.end = ScreeningStopped("stopped")
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        result = run("screen", brief_file, "--log-file", tmp_path / "log")
    assert "old way" not in result.stderr
    assert "old way" in (tmp_path / "log").read_text(encoding="utf-8")


def test_the_garbage_collector_waits_while_a_command_works_and_is_set_back(run, engine, brief_file):
    before, seen = gc.get_threshold(), []
    engine.during = lambda cancelled: seen.append(gc.get_threshold())
    engine.end = InputsAtFault(FAULTS)
    run("screen", brief_file)
    assert seen[0][0] > before[0]
    assert gc.get_threshold() == before

"""The test command runs every check and fails when one does."""

from __future__ import annotations

import importlib.util
import sys
from types import SimpleNamespace

import _environment as setup
import pytest


@pytest.fixture
def command(scripts_folder, monkeypatch):
    """The script as a module, with an environment that only notes what it is given."""
    spec = importlib.util.spec_from_file_location("test_command", scripts_folder / "test.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.given, module.codes = [], {}

    def run(arguments):
        module.given.append(arguments)
        return SimpleNamespace(returncode=module.codes.get(arguments[1], 0))

    monkeypatch.setattr(setup, "prepare", lambda env, wheels, *, with_tools: SimpleNamespace(run=run))
    return module


def start(command, monkeypatch, *words) -> int:
    monkeypatch.setattr(sys, "argv", ["test.py", *words])
    return command.main()


def test_lint_format_types_contracts_and_tests_are_run_in_this_order(command, monkeypatch, capsys):
    assert start(command, monkeypatch) == 0
    assert [words[1] for words in command.given] == [
        "ruff",
        "ruff",
        "mypy",
        command.CONTRACTS,
        command.COMPILE,
        "pytest",
    ]
    assert "not slow" not in command.given[-1]
    assert "All checks passed" in capsys.readouterr().out


def test_quick_leaves_out_the_slow_tests_only(command, monkeypatch):
    start(command, monkeypatch, "--quick")
    assert len(command.given) == 6
    assert command.given[-1][-2:] == ["-m", "not slow"]


def test_one_failed_check_fails_the_command_and_the_others_still_run(command, monkeypatch, capsys):
    command.codes = {"mypy": 1}
    assert start(command, monkeypatch) == 1
    assert len(command.given) == 6
    assert "Failed: types" in capsys.readouterr().out

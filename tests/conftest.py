"""What all tests share: the hypothesis profile, the trial data, and the count of skips at the end."""

from __future__ import annotations

import os
import re
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("catchscreen", derandomize=True, deadline=None, max_examples=50)
settings.load_profile("catchscreen")

TRIAL_DATA_UNSET = "CATCHSCREEN_TRIAL_DATA is not set: no trial on real data"

EXPECTED_SKIPS = (
    re.escape(TRIAL_DATA_UNSET),
    r"only on Windows.*",
    r"not on Windows.*",
)
"""Reasons for which a test may be skipped without failing a run that allows no unexpected skips."""

_skips: Counter[str] = Counter()


@pytest.fixture(scope="session")
def trial_data() -> Path:
    """The folder of real data for trials; the test is skipped where none is given."""
    folder = os.environ.get("CATCHSCREEN_TRIAL_DATA")
    if not folder:
        pytest.skip(TRIAL_DATA_UNSET)
    path = Path(folder)
    if not path.is_dir():
        pytest.fail(f"CATCHSCREEN_TRIAL_DATA names {folder}, which is no folder")
    return path


def _skip_reason(report: pytest.TestReport | pytest.CollectReport) -> str:
    """Return why a test was skipped, without pytest's prefix."""
    text = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    return text.removeprefix("Skipped: ")


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Count a skipped test by its reason."""
    if report.skipped and not hasattr(report, "wasxfail"):
        _skips[_skip_reason(report)] += 1


def pytest_collectreport(report: pytest.CollectReport) -> None:
    """Count a module that was skipped as a whole."""
    if report.skipped:
        _skips[_skip_reason(report)] += 1


def _unexpected() -> list[str]:
    """Return the reasons that nobody foresaw."""
    return [reason for reason in _skips if not any(re.fullmatch(known, reason, re.DOTALL) for known in EXPECTED_SKIPS)]


def _skips_are_judged() -> bool:
    """Whether an unexpected skip makes this run fail."""
    return os.environ.get("CATCHSCREEN_NO_UNEXPECTED_SKIPS") == "1"


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """Fail a run that allows no unexpected skips and met one."""
    is_worker = hasattr(session.config, "workerinput")
    if exitstatus == pytest.ExitCode.OK and not is_worker and _skips_are_judged() and _unexpected():
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print how many tests were skipped, and why."""
    unexpected = _unexpected()
    terminalreporter.write_sep("-", f"skipped: {sum(_skips.values())}")
    for reason, number in sorted(_skips.items()):
        mark = "UNEXPECTED " if reason in unexpected and _skips_are_judged() else ""
        terminalreporter.write_line(f"{number:>5}  {mark}{reason}")

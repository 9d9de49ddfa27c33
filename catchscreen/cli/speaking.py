"""What a command says: sentences or one JSON object on standard output, progress and faults on standard error."""

from __future__ import annotations

import json
import logging
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Final

from catchscreen.cli.shared_options import Manner
from catchscreen.progress import DataIssue, Progress

SCHEMA_VERSION: Final = 1
"""Of the object that ``--json`` prints; keys may be added within a version."""


@dataclass(slots=True)
class Answer:
    """What a command found out: ``lines`` for a reader, ``data`` for ``--json``, and its exit code."""

    lines: list[str] = field(default_factory=list)
    data: dict[str, Any] = field(default_factory=dict)
    exit_code: int = 0


def print_answer(answer: Answer, command: str, status: str, manner: Manner) -> None:
    """Print the answer on standard output in the form that was asked for; bad news in sentences on standard error."""
    if manner.as_json:
        content = {
            "schema_version": SCHEMA_VERSION,
            "command": command,
            "status": status,
            "exit_code": answer.exit_code,
        }
        print(json.dumps({**content, **answer.data}, indent=1, ensure_ascii=False, allow_nan=False))
    elif answer.exit_code != 0 or not manner.quiet:
        for line in answer.lines:
            print(line, file=sys.stderr if answer.exit_code else sys.stdout)
    sys.stdout.flush()


def complain(text: str) -> None:
    """Print a sentence on standard error."""
    print(text, file=sys.stderr, flush=True)


def issue_lines(issues: Iterable[DataIssue]) -> list[str]:
    """Return one line for each repair, unknown or note, with its cure."""
    lines = []
    for issue in issues:
        where = ": ".join(part for part in (issue.role, issue.file, issue.feature) if part)
        lines.append(f"{issue.severity:<8} {where}: {issue.message} {issue.cure}".rstrip())
    return lines


def issue_dict(issue: DataIssue) -> dict[str, str | None]:
    """Return an issue as plain values for ``--json``."""
    names = ("severity", "code", "role", "message", "cure", "file", "feature")
    return {name: getattr(issue, name) for name in names}


@contextmanager
def progress_line(manner: Manner) -> Iterator[Progress | None]:
    """Show a progress line on a terminal; anywhere else, and when quiet, nothing."""
    if manner.quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Display

    columns = (TextColumn("{task.description:<16}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn())
    with Display(*columns, console=Console(stderr=True), transient=True) as display:
        task = display.add_task("starting", total=1.0)

        def advance(stage: str, fraction: float) -> None:
            display.update(task, description=stage, completed=fraction)

        yield advance


@contextmanager
def log(manner: Manner) -> Iterator[None]:
    """Send the package's log to standard error by how much was asked for, and all of it to the log file, for a while.

    Raises
    ------
    OSError
        When the log file cannot be written.
    """
    level = logging.ERROR if manner.quiet else (logging.WARNING, logging.INFO, logging.DEBUG)[min(manner.verbosity, 2)]
    screen = logging.StreamHandler(sys.stderr)
    screen.setLevel(level)
    handlers: list[logging.Handler] = [screen]
    if manner.log_file is not None:
        kept = logging.FileHandler(manner.log_file, mode="w", encoding="utf-8")
        kept.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
        handlers.append(kept)
    # Warnings of libraries are for the log file: a user can do nothing about them.
    ours, theirs = logging.getLogger("catchscreen"), logging.getLogger("py.warnings")
    before = [(logger, logger.level, list(logger.handlers), logger.propagate) for logger in (ours, theirs)]
    ours.setLevel(logging.DEBUG)
    ours.handlers += handlers
    theirs.handlers += handlers[1:] or [logging.NullHandler()]
    theirs.propagate = False
    logging.captureWarnings(capture=True)
    try:
        yield
    finally:
        logging.captureWarnings(capture=False)
        for logger, old_level, old_handlers, propagates in before:
            logger.setLevel(old_level)
            logger.handlers[:] = old_handlers
            logger.propagate = propagates
        for handler in handlers:
            handler.close()

"""``catchscreen check BRIEF``: every fault, repair and unknown of the inputs, without running."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import NoReturn

from catchscreen.cli.running import Stop, run_command
from catchscreen.cli.shared_options import AsJson, BriefFile, LogFile, Manner, Quiet, Strict, Verbose
from catchscreen.cli.speaking import Answer, complain, issue_dict, issue_lines, progress_line
from catchscreen.errors import Fault, InputsAtFault
from catchscreen.progress import DataIssue, Run


def check(
    brief: BriefFile,
    strict: Strict = False,
    quiet: Quiet = False,
    verbose: Verbose = 0,
    log_file: LogFile = None,
    as_json: AsJson = False,
) -> NoReturn:
    """Read and check all inputs, and report every fault, repair and unknown, without running."""
    manner = Manner(quiet, verbose, log_file, as_json)
    run_command("check", manner, lambda stop: _check(brief, manner, stop, strict=strict))


def _check(path: Path, manner: Manner, stop: Stop, *, strict: bool) -> Answer:
    from catchscreen.brief import Brief
    from catchscreen.pipeline import check as check_inputs

    brief = Brief.from_toml(path)
    with progress_line(manner) as progress:
        issues = check_inputs(brief, Run(progress, stop.asked))
    if strict:
        refuse_issues(issues)
    numbers = Counter(issue.severity for issue in issues)
    said = ", ".join(counted(numbers[name], name) for name in ("repair", "unknown", "note"))
    return Answer(
        lines=[*issue_lines(issues), f"No faults; {said}. The brief can be screened: {path}"],
        data={"brief": str(path), "issues": [issue_dict(issue) for issue in issues], "faults": []},
    )


def refuse_issues(issues: list[DataIssue], *, of_whole_run: bool = False) -> None:
    """Make a fault of every repair and every unknown, as ``--strict`` asks, and say what is counted.

    Raises
    ------
    InputsAtFault
        When there is at least one.
    """
    faults = [
        Fault(
            code=issue.code,
            message=f"{issue.severity}: {issue.message}",
            cure=issue.cure,
            file=issue.file,
            key=issue.role,
            feature=issue.feature,
        )
        for issue in issues
        if issue.severity in ("repair", "unknown")
    ]
    if faults:
        numbers = Counter(issue.severity for issue in issues)
        number = f"{counted(numbers['repair'], 'repair')} and {counted(numbers['unknown'], 'unknown')}"
        if of_whole_run:
            complain(f"--strict makes faults of the {number} of the whole run.")
        else:
            complain(f"--strict makes faults of the {number} of the inputs; what later stages find is not among them.")
        raise InputsAtFault(faults)


def counted(number: int, what: str) -> str:
    """Write a number with what it counts."""
    return f"{number} {what}{'s' if number != 1 else ''}"

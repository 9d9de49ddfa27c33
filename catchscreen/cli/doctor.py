"""``catchscreen doctor``: check my installation."""

from __future__ import annotations

from typing import Annotated, NoReturn

import typer

from catchscreen.cli.running import FAILED, Stop, run_command
from catchscreen.cli.shared_options import AsJson, LogFile, Manner, Quiet, Verbose
from catchscreen.cli.speaking import Answer


def doctor(
    quick: Annotated[bool, typer.Option("--quick", help="Leave out the trial screening.")] = False,
    quiet: Quiet = False,
    verbose: Verbose = 0,
    log_file: LogFile = None,
    as_json: AsJson = False,
) -> NoReturn:
    """Check my installation: versions, libraries, compiled kernels, measures, and a tiny trial screening."""
    manner = Manner(quiet, verbose, log_file, as_json)
    run_command("doctor", manner, lambda stop: _examine(stop, quick=quick))


def _examine(stop: Stop, *, quick: bool) -> Answer:
    from catchscreen.cli.installation import examine

    findings = examine(with_trial=not quick, cancelled=stop.asked)
    answer = Answer(data={"findings": [finding.as_dict() for finding in findings]})
    for finding in findings:
        answer.lines.append(f"{'ok   ' if finding.is_ok else 'FAULT'}  {finding.name}: {finding.text}")
        if finding.cure:
            answer.lines.append(f"       {finding.cure}")
    faults = sum(not finding.is_ok for finding in findings)
    answer.lines.append(f"{faults} of {len(findings)} at fault" if faults else "Everything is in order.")
    answer.exit_code = FAILED if faults else 0
    return answer

"""``catchscreen screen BRIEF``: screen a district and write the result."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, NoReturn

import typer

from catchscreen.cli.check import refuse_issues
from catchscreen.cli.running import Stop, run_command
from catchscreen.cli.shared_options import AsJson, BriefFile, LogFile, Manner, Quiet, Strict, Verbose
from catchscreen.cli.speaking import Answer, progress_line


def screen(
    brief: BriefFile,
    if_changed: Annotated[
        bool, typer.Option("--if-changed", help="Write nothing when neither the inputs nor the result have changed.")
    ] = False,
    strict: Strict = False,
    quiet: Quiet = False,
    verbose: Verbose = 0,
    log_file: LogFile = None,
    as_json: AsJson = False,
) -> NoReturn:
    """Screen a district: read, check, compute, rank, and write the result beside the brief."""
    manner = Manner(quiet, verbose, log_file, as_json)
    run_command("screen", manner, lambda stop: _screen(brief, manner, stop, if_changed=if_changed, strict=strict))


def _screen(path: Path, manner: Manner, stop: Stop, *, if_changed: bool, strict: bool) -> Answer:
    from catchscreen import outputs, pipeline
    from catchscreen.brief import Brief
    from catchscreen.cli.summary import issues_of, summarise
    from catchscreen.errors import Fault, InputsAtFault
    from catchscreen.outputs.manifest import UNFINISHED, find_state, is_unchanged
    from catchscreen.progress import STAGES, Run

    brief = Brief.from_toml(path)
    folder = brief.folder / f"{brief.stem}_result"
    if folder.exists() and not folder.is_dir():
        cure = "Move or rename that file: the result needs a folder of this name."
        raise InputsAtFault(
            [Fault("result-place-taken", "A file stands where the result goes.", cure, file=str(folder))]
        )
    if if_changed and is_unchanged(folder, pipeline.run_id(brief)):
        return Answer(
            lines=[f"unchanged: {folder}"], data={"brief": str(path), "folder": str(folder), "unchanged": True}
        )
    was_unfinished = find_state(folder) == UNFINISHED
    outputs.prepare()
    with progress_line(manner) as progress:
        if strict:
            refuse_issues(pipeline.check(brief, Run(None, stop.asked)))
        screening = pipeline.screen(brief, progress=progress, cancelled=stop.asked)
        if strict:
            refuse_issues(issues_of(screening.data_issues))
        if progress is not None:
            progress("writing", 1.0 - dict(STAGES)["writing"])
        with stop.held():
            written = screening.write(folder)
    answer = summarise(screening, written)
    if was_unfinished and not written.kept:
        answer.lines.insert(0, "The result before this one was unfinished: a file was missing or its manifest was.")
    answer.data = {"brief": str(path), "unchanged": False, **answer.data}
    return answer

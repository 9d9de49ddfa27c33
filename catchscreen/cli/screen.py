"""``catchscreen screen BRIEF``: screen a district and write the result."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from catchscreen.cli.check import refuse_issues
from catchscreen.cli.running import Stop, run_command
from catchscreen.cli.shared_options import AsJson, BriefFile, LogFile, Manner, Quiet, Strict, Verbose
from catchscreen.cli.speaking import Answer, progress_line
from catchscreen.errors import Fault, InputsAtFault
from catchscreen.progress import STAGES, Progress, Run

if TYPE_CHECKING:
    from catchscreen.brief import Brief
    from catchscreen.outputs.screening import Screening


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
    from catchscreen.brief import Brief
    from catchscreen.outputs.manifest import UNFINISHED, find_state
    from catchscreen.outputs.painter import Painter

    brief = Brief.from_toml(path)
    folder = _result_folder(brief)
    if if_changed and _is_unchanged(brief, folder):
        return Answer(
            lines=[f"unchanged: {folder}"], data={"brief": str(path), "folder": str(folder), "unchanged": True}
        )
    # The process that draws gets ready, and a result that is there is looked at, while this one loads its libraries.
    with Painter() as painter, ThreadPoolExecutor(max_workers=1) as beside, progress_line(manner) as progress:
        before = beside.submit(find_state, folder)
        screening = _computed(brief, progress, stop, strict=strict)
        was_unfinished = before.result() == UNFINISHED
        with stop.held():
            written = screening.write(folder, painter=painter)
    from catchscreen.cli.summary import summarise

    answer = summarise(screening, written)
    if was_unfinished and not written.kept:
        answer.lines.insert(0, "The result before this one was unfinished: a file was missing or its manifest was.")
    answer.data = {"brief": str(path), "unchanged": False, **answer.data}
    return answer


def _result_folder(brief: Brief) -> Path:
    """Return where the result goes; refuse where a file is in the way."""
    folder = brief.folder / f"{brief.stem}_result"
    if folder.exists() and not folder.is_dir():
        cure = "Move or rename that file: the result needs a folder of this name."
        raise InputsAtFault(
            [Fault("result-place-taken", "A file stands where the result goes.", cure, file=str(folder))]
        )
    return folder


def _is_unchanged(brief: Brief, folder: Path) -> bool:
    """Say whether the folder holds the whole result of these very inputs."""
    from catchscreen import pipeline
    from catchscreen.outputs.manifest import is_unchanged

    return is_unchanged(folder, pipeline.run_id(brief))


def _computed(brief: Brief, progress: Progress | None, stop: Stop, *, strict: bool) -> Screening:
    """Screen; when strict, refuse repairs and unknowns before the work as well as after it."""
    from catchscreen import pipeline
    from catchscreen.cli.summary import issues_of

    if strict:
        refuse_issues(pipeline.check(brief, Run(None, stop.asked)))
    screening = pipeline.screen(brief, progress=progress, cancelled=stop.asked)
    if strict:
        refuse_issues(issues_of(screening.data_issues), of_whole_run=True)
    if progress is not None:
        progress("writing", 1.0 - dict(STAGES)["writing"])
    return screening

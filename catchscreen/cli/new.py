"""``catchscreen new FOLDER``: write a commented brief for the geodata in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, NoReturn

import typer

from catchscreen.cli.running import run_command
from catchscreen.cli.shared_options import AsJson, LogFile, Manner, Quiet, Verbose
from catchscreen.cli.speaking import Answer


def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder that holds your geodata.")],
    quiet: Quiet = False,
    verbose: Verbose = 0,
    log_file: LogFile = None,
    as_json: AsJson = False,
) -> NoReturn:
    """Write a commented brief for the geodata found in a folder. It never overwrites a file."""
    run_command("new", Manner(quiet, verbose, log_file, as_json), lambda _stop: _write(folder))


def _write(folder: Path) -> Answer:
    from catchscreen.cli.asking import command_line
    from catchscreen.inputs import write_new_brief

    made = write_new_brief(folder)
    lines = [f"Wrote {made.path}"]
    if made.path.name != "brief.toml":
        lines.append(f"  brief.toml was there already and is left as it was: this one is {made.path.name}")
    lines += [f"  took {file} as {role}" for role, file in made.taken]
    lines += [f"  left {file}: {why}" for file, why in made.left]
    lines += [f"  missing: {text}" for text in made.missing]
    following = "check" if made.missing else "screen"
    advice = "Mend what is missing, then run:" if made.missing else "Look it through, then run:"
    lines += ["", advice, f"  {command_line(following, made.path)}"]
    data = {
        "brief": str(made.path),
        "taken": [{"role": role, "file": str(file)} for role, file in made.taken],
        "left": [{"file": str(file), "why": why} for file, why in made.left],
        "missing": list(made.missing),
    }
    return Answer(lines=lines, data=data)

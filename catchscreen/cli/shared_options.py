"""Options that several commands take, declared once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

BriefFile = Annotated[Path, typer.Argument(metavar="BRIEF", help="The brief: a TOML file.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print errors only.")]
Verbose = Annotated[int, typer.Option("--verbose", "-v", count=True, help="Say more; -vv shows the trace of an error.")]
LogFile = Annotated[Path | None, typer.Option("--log-file", metavar="FILE", help="Keep a full log in this file.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON object on standard output.")]
Strict = Annotated[bool, typer.Option("--strict", help="Treat every repair and every unknown as a fault.")]


@dataclass(frozen=True, slots=True)
class Manner:
    """How a command speaks: what the options above were set to."""

    quiet: bool = False
    verbosity: int = 0
    log_file: Path | None = None
    as_json: bool = False

"""The command line: parse, call, print, exit. One file per command; nothing heavy is imported until a command runs."""

from __future__ import annotations

from typing import Annotated

import typer

from catchscreen.cli.check import check
from catchscreen.cli.doctor import doctor
from catchscreen.cli.measures import measures
from catchscreen.cli.new import new
from catchscreen.cli.screen import screen

app = typer.Typer(
    name="catchscreen",
    help="Screen a district: where could impermeable ground be opened or roofs greened, and where first?",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for command in (screen, check, new, measures, doctor):
    app.command()(command)


def _print_version(asked: bool) -> None:
    if asked:
        import catchscreen

        typer.echo(catchscreen.__version__)
        raise typer.Exit


@app.callback(help=app.info.help)
def _program(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Take the options that stand before a command."""


def main() -> None:
    """Run the command that the user typed."""
    app(prog_name="catchscreen")


__all__ = ["app", "main"]

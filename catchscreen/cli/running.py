"""Run a command's work: stop signals, errors as sentences, exit codes.

0 done, 2 usage, 3 inputs at fault, 4 failed, 130 and 143 stopped by Ctrl-C or a request to end.
"""

from __future__ import annotations

import gc
import logging
import os
import signal
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType
from typing import Final, NoReturn

import typer

from catchscreen.cli.shared_options import Manner
from catchscreen.cli.speaking import Answer, complain, log, print_answer
from catchscreen.errors import CatchscreenError, Fault, InputsAtFault, ScreeningStopped

DONE: Final = 0
USAGE: Final = 2
AT_FAULT: Final = 3
FAILED: Final = 4
GARBAGE_THRESHOLDS: Final = (50_000, 20, 100)
"""How many new objects, and rounds, the search for unreachable ones waits for while a command works."""

logger = logging.getLogger("catchscreen")


@dataclass(slots=True)
class Stop:
    """Whether a signal asked to end. Computing ends at once; while files are put in place the request waits."""

    signal_number: int | None = None
    holds: bool = False

    def asked(self) -> bool:
        """Say whether to stop: what the pipeline asks between stages."""
        return self.signal_number is not None

    @contextmanager
    def held(self) -> Iterator[None]:
        """Put files in place as a whole: a request that comes meanwhile is heard afterwards."""
        self.holds = True
        try:
            yield
        finally:
            self.holds = False

    @property
    def exit_code(self) -> int:
        """Return 128 and the signal's number, as shells expect."""
        return 128 + (self.signal_number or signal.SIGINT)

    def receive(self, number: int, _frame: FrameType | None) -> None:
        """Note the signal, and end the computing."""
        self.signal_number = number
        if not self.holds:
            raise KeyboardInterrupt


@contextmanager
def listening() -> Iterator[Stop]:
    """Hear Ctrl-C and requests to end; the handlers that were there come back afterwards."""
    stop = Stop()
    previous = {number: signal.signal(number, stop.receive) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)


@contextmanager
def collecting_seldom() -> Iterator[None]:
    """Search seldom for unreachable objects: what a run lets go of is freed by count, searching takes a tenth of a run.

    The thresholds that were there come back afterwards.
    """
    before = gc.get_threshold()
    gc.set_threshold(*GARBAGE_THRESHOLDS)
    try:
        yield
    finally:
        gc.set_threshold(*before)


def run_command(command: str, manner: Manner, work: Callable[[Stop], Answer]) -> NoReturn:
    """Do a command's work, print what it found or what went wrong, and exit with the code that says so.

    Raises
    ------
    typer.Exit
        Always, with the exit code.
    """
    try:
        with log(manner):
            answer, status = _attempt(command, manner, work)
    except OSError as cause:
        complain(f"The log file {manner.log_file} cannot be written: {cause.strerror}. Name another with --log-file.")
        raise typer.Exit(USAGE) from None
    try:
        print_answer(answer, command, status, manner)
    except BrokenPipeError:
        # The reader of our output went away (as `head` does); say nothing more, not even when Python closes the stream.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    raise typer.Exit(answer.exit_code)


def _attempt(command: str, manner: Manner, work: Callable[[Stop], Answer]) -> tuple[Answer, str]:
    """Do the work; every way in which it can end becomes an answer and a status."""
    with listening() as stop, collecting_seldom():
        try:
            answer = work(stop)
            if stop.asked():
                complain("Stopped, after the files had been put in place: the result is whole.")
                answer.exit_code = stop.exit_code
        except InputsAtFault as error:
            return _at_fault(error), "inputs at fault"
        except (KeyboardInterrupt, ScreeningStopped):
            complain("Stopped. Nothing was written.")
            return Answer(data={"message": "stopped; nothing was written"}, exit_code=stop.exit_code), "stopped"
        except CatchscreenError as error:
            return _failed(str(error), manner, "failed")
        except MemoryError:
            return _failed(
                "There is not enough memory for this. Set a greater terrain.cell_m in the brief, or screen a smaller "
                "district.",
                manner,
                "out of memory",
            )
        except Exception as error:
            logger.debug("unexpected error in %s", command, exc_info=True)
            where = _keep_trace(manner)
            return _failed(
                f"Something went wrong that catchscreen did not foresee ({_named(error)}). {where}",
                manner,
                "unexpected",
            )
    return answer, {DONE: "done", FAILED: "failed"}.get(answer.exit_code, "stopped")


def _at_fault(error: InputsAtFault) -> Answer:
    """List the faults."""
    number = len(error.faults)
    complain(f"{number} fault{'s' if number != 1 else ''} in the inputs. Nothing was written.")
    for fault in error.faults:
        complain(f"  {fault}")
    return Answer(data={"faults": [fault.as_dict() for fault in error.faults]}, exit_code=AT_FAULT)


def _failed(message: str, manner: Manner, code: str) -> tuple[Answer, str]:
    """Say why it failed, with the trace only for one who asked twice for more."""
    complain(message)
    if manner.verbosity >= 2:
        complain(traceback.format_exc())
    fault = Fault(code=code, message=message, cure="")
    return Answer(data={"message": message, "faults": [fault.as_dict()]}, exit_code=FAILED), "failed"


def _named(error: Exception) -> str:
    """Return the error's kind and its first line."""
    first = (str(error).splitlines() or [""])[0]
    return f"{type(error).__name__}: {first[:200]}" if first else type(error).__name__


def _keep_trace(manner: Manner) -> str:
    """Put the trace where it can be sent to the makers, and say where that is."""
    if manner.log_file is not None:
        return f"The log is in {manner.log_file}."
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="catchscreen-", suffix=".log", delete=False, encoding="utf-8"
        ) as kept:
            kept.write(traceback.format_exc())
    except OSError:
        return "Run it again with -vv to see where."
    return f"The log is in {kept.name}."

"""A second process that draws the overview while this one writes the rest.

Loading the drawing library and drawing take more than a second of Python, which threads of one process cannot do beside
each other. So the command line starts another interpreter as soon as it knows that it will screen: when there is
something to draw, it waits. It is handed plain arrays (``Sketch``) and makes the same bytes as drawing here. Whatever
becomes of it the picture gets drawn: where it cannot start, ends early or hangs, this process draws.
"""

from __future__ import annotations

import contextlib
import pickle
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

from catchscreen.progress import logger

if TYPE_CHECKING:
    from catchscreen.outputs.sketch import Sketch

LONGEST_WAIT_S: Final = 60.0
DRAWN: Final = b"drawn"

# Neither -m nor a script: nothing of the caller is run again. -P: no module comes from the folder one happens to be in.
_CALL: Final = ("-P", "-c")
_PROGRAM: Final = """
import pickle, sys
sys.path[:] = pickle.load(sys.stdin.buffer)
from catchscreen.outputs.painter import serve
serve()
"""


class Painter:
    """A process that draws one overview; as a context, it ends with it."""

    def __init__(self, command: tuple[str, ...] = (sys.executable, *_CALL, _PROGRAM)) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        try:
            self._process = _start(command)
        except (OSError, ValueError) as cause:
            logger.debug("no second process for the picture: %s", cause)

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the process where it still waits."""
        if self._process is not None:
            _end(self._process)
            self._process = None

    def draw(self, path: Path, sketch: Sketch) -> None:
        """Draw an overview as PNG, there or, where that fails, here."""
        process, self._process = self._process, None
        if process is not None and _drawn_by(process, path, sketch):
            return
        from catchscreen.outputs.painting import paint

        logger.debug("the picture is drawn in this process")
        paint(path, sketch)


def _start(command: tuple[str, ...]) -> subprocess.Popen[bytes]:
    """Start the process and tell it where modules are found."""
    process = subprocess.Popen(  # noqa: S603 (this very interpreter, nothing of the user's)
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )
    if process.stdin is not None:
        # One that has ended already is noticed when it is asked to draw.
        with contextlib.suppress(OSError):
            process.stdin.write(pickle.dumps(sys.path))
            process.stdin.flush()
    return process


def _drawn_by(process: subprocess.Popen[bytes], path: Path, sketch: Sketch) -> bool:
    """Ask a process to draw and wait; say whether it did."""
    try:
        answer, _ = process.communicate(pickle.dumps((path, sketch)), timeout=LONGEST_WAIT_S)
    except (OSError, subprocess.TimeoutExpired) as cause:
        logger.debug("the second process did not draw: %s", cause)
        _end(process)
        return False
    return process.returncode == 0 and answer == DRAWN


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a process and let go of its pipes."""
    process.kill()
    with contextlib.suppress(OSError, ValueError):
        process.communicate()


def serve() -> None:
    """Load the drawing library, wait for a path and a sketch on standard input, draw: the work of the other process."""
    from catchscreen.outputs.painting import load_library, paint

    # Ctrl-C in a terminal reaches both; the first process decides what becomes of this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    load_library()
    with contextlib.suppress(EOFError):
        path, sketch = pickle.load(sys.stdin.buffer)  # noqa: S301 (from the process that started this one)
        paint(path, sketch)
        sys.stdout.buffer.write(DRAWN)
        sys.stdout.flush()

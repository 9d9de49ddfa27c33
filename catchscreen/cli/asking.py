"""How a command is typed: the full command for a reader to copy, quoted for the system at hand."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path


def command_line(command: str, *arguments: str | Path, windows: bool = os.name == "nt") -> str:
    """Return the command that does this with the Python that is running, ready to copy."""
    words = [sys.executable, "-m", "catchscreen", command, *(str(argument) for argument in arguments)]
    if windows:
        line = subprocess.list2cmdline(words)
        return f"& {line}" if line.startswith('"') else line
    return shlex.join(words)

"""Compile the kernels ahead of the first run, on all processors.

numba compiles a kernel when it is first called, one at a time. Which kernels a screening calls, and with which types,
is listed in ``kernels.txt`` (written by ``scripts/list_kernels.py``); here they are compiled by several processes at
once into the cache that every later run reads. A list that has aged costs time and nothing else: what it lacks is
compiled when it is called, what it has too much is passed over.
"""

from __future__ import annotations

import importlib
import logging
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

logger = logging.getLogger("catchscreen")

LIST: Final = Path(__file__).with_name("kernels.txt")
MOST_PROCESSES: Final = 4


def compile_ahead(processes: int | None = None) -> int:
    """Compile all listed kernels in several processes; return how many processes did their share.

    Parameters
    ----------
    processes : int, optional
        By default one for each processor, at most four.
    """
    number = processes or min(os.cpu_count() or 1, MOST_PROCESSES)
    command = [sys.executable, "-m", "catchscreen.cli.compiling"]
    started = [
        subprocess.Popen([*command, str(share), str(number)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)  # noqa: S603
        for share in range(number)
    ]
    try:
        return sum(process.wait() == 0 for process in started)
    finally:
        for process in started:
            process.kill()


def shares(lines: list[str], number: int) -> list[list[str]]:
    """Divide the list by module, so that few kernels are compiled twice; each share about equal in length of text.

    The text of a kernel's types is a fair measure of its work, and there is none better before it is compiled.
    """
    modules: dict[str, list[str]] = {}
    for line in lines:
        modules.setdefault(line.split(":")[0], []).append(line)
    parts: list[list[str]] = [[] for _ in range(number)]
    for _, group in sorted(modules.items(), key=lambda item: (-sum(map(len, item[1])), item[0])):
        min(parts, key=lambda part: sum(map(len, part))).extend(group)
    return parts


def compile_listed(lines: list[str]) -> int:
    """Compile kernels by their lines in the list; return how many were compiled or found in the cache."""
    from catchscreen.compiled import argument_types

    done = 0
    for line in lines:
        place, _, types = line.partition(" ")
        module, _, name = place.partition(":")
        try:
            getattr(importlib.import_module(module), name).compile(argument_types(types))
            done += 1
        except Exception:
            logger.debug("not compiled ahead: %s", line, exc_info=True)
    return done


def compiled_now() -> list[str]:
    """List the kernels that this process has compiled or read from the cache, as lines of the list."""
    return sorted(
        f"{module}:{name} {_types(signature)}"
        for module, name, kernel in _kernels()
        for signature in kernel.overloads
        if _types(signature)
    )


def _kernels() -> Iterator[tuple[str, str, Any]]:
    """Yield every kernel of the modules that are loaded: those with compiled versions and a plain Python one."""
    for module_name, module in sorted(sys.modules.items()):
        if re.match(r"catchscreen\..*kernels", module_name):
            for name, value in sorted(vars(module).items()):
                if hasattr(value, "overloads") and value.py_func.__module__ == module_name:
                    yield module_name, name, value


def _types(signature: tuple[Any, ...]) -> str:
    """Write argument types so that numba reads them again; "" where one is neither an array nor a number."""
    text = re.sub(r"\bbool\b", "boolean", f"({', '.join(map(repr, signature))},)")
    return "" if re.search(r"omitted|literal|none\b|reflected", text, re.IGNORECASE) else text


if __name__ == "__main__":
    own = shares(LIST.read_text(encoding="utf-8").splitlines(), int(sys.argv[2]))[int(sys.argv[1])]
    raise SystemExit(0 if compile_listed(own) == len(own) else 1)

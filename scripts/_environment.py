"""The environment that demo.py and test.py run in: made once, known again by a fingerprint afterwards.

Only the standard library, and only syntax that an older Python can read (see _obstacles.py).
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import shlex
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import _obstacles as obstacles
from _obstacles import Refusal

ROOT = Path(__file__).resolve().parent.parent
CONSTRAINTS = ROOT / "scripts" / "constraints.txt"
MARKER = "catchscreen-environment.json"
BUILD_TOOLS = ("hatchling", "editables")
UNFINISHED = {"state": "unfinished"}


def parser(description: str) -> argparse.ArgumentParser:
    """Return the options that both scripts share."""
    made = argparse.ArgumentParser(description=description)
    made.add_argument("--env", metavar="FOLDER", help="where the environment goes (default: .venv in the project)")
    made.add_argument("--wheels", metavar="FOLDER", help="install from wheels in this folder, without any network")
    return made


class Environment:
    """A Python environment in a folder, with what is installed in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")

    def run(self, arguments: list[str], *, capture: bool = False) -> subprocess.CompletedProcess[str]:
        """Run the environment's Python from the project's folder; the caller looks at the return code."""
        output = subprocess.PIPE if capture else None
        command = [str(self.python), *arguments]
        return subprocess.run(
            command, cwd=str(ROOT), env=child_variables(), stdout=output, encoding="utf-8", check=False
        )

    def read_marker(self) -> dict[str, Any]:
        """Return what an earlier run noted, or nothing."""
        try:
            noted = json.loads((self.folder / MARKER).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return noted if isinstance(noted, dict) else {}

    def write_marker(self, noted: dict[str, Any]) -> None:
        """Note what is installed."""
        (self.folder / MARKER).write_text(json.dumps(noted, indent=1) + "\n", encoding="utf-8")

    def works(self) -> bool:
        """Whether its Python starts, has pip, and is the version that runs this script."""
        code = "import pip, sys; print(*sys.version_info[:2])"
        try:
            done = subprocess.run(
                [str(self.python), "-c", code],
                env=child_variables(),
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                encoding="utf-8",
                check=False,
            )
        except OSError:
            return False
        return done.returncode == 0 and done.stdout.split() == [str(part) for part in sys.version_info[:2]]


def child_variables() -> dict[str, str]:
    """Return the variables for pip and catchscreen: the user's, without those that mix in another Python's libraries.

    Proxy, certificate and index settings (PIP_*, HTTPS_PROXY, pip's configuration files) pass through untouched.
    """
    unwanted = ("PYTHONPATH", "PYTHONHOME", "PIP_USER", "PIP_TARGET", "PIP_PREFIX", "PIP_ROOT", "VIRTUAL_ENV")
    kept = {name: value for name, value in os.environ.items() if name not in unwanted}
    kept["PYTHONIOENCODING"] = "utf-8"
    if os.name == "nt":
        kept["PYTHONUTF8"] = "1"  # so that paths outside the system's code page work
    return kept


def _pyproject() -> dict[str, Any]:
    """Read pyproject.toml."""
    import tomllib  # not there before 3.11, and by now the version is known to fit

    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def fingerprint(*, with_tools: bool) -> dict[str, Any]:
    """Return what decides whether an environment is still right."""
    tables = {name: value for name, value in _pyproject().items() if name != "tool"}
    digest = hashlib.sha256(json.dumps(tables, sort_keys=True).encode() + CONSTRAINTS.read_bytes())
    digest.update(" ".join(obstacles.WITHOUT_DEPENDENCIES).encode())
    return {
        "for_tests": with_tools,
        "hash": digest.hexdigest(),
        "python": ".".join(map(str, sys.version_info[:2])),
        "project": str(ROOT),
    }


def prepare(env: str | None, wheels: str | None, *, with_tools: bool) -> Environment:
    """Return an environment with catchscreen in it: the existing one where it is right, else a new or mended one.

    Raises
    ------
    Refusal
        With a plain sentence, when something is in the way.
    """
    obstacles.check_python()
    environment = Environment(Path(env).absolute() if env else ROOT / ".venv")
    wanted = fingerprint(with_tools=with_tools)
    found = environment.read_marker()
    is_right = all(found.get(key) == wanted[key] for key in ("hash", "python", "project"))
    if is_right and found["for_tests"] >= with_tools and environment.works():
        return environment
    obstacles.check_modules()
    obstacles.check_folder(str(environment.folder))
    obstacles.check_space(environment.folder)
    if wheels:
        obstacles.check_wheels(Path(wheels))
    _make(environment, is_chosen=env is not None)
    environment.write_marker(UNFINISHED)
    _install(environment, Path(wheels).absolute() if wheels else None, with_tools=with_tools)
    environment.write_marker(wanted)
    return environment


def _make(environment: Environment, *, is_chosen: bool) -> None:
    """Make the bare environment, unless a working one is there already."""
    folder = environment.folder
    is_ours = bool(environment.read_marker())
    is_empty = not folder.exists() or not any(folder.iterdir())
    if (is_ours or not is_chosen) and environment.works():
        return
    if not is_empty and not is_ours:
        raise Refusal(
            f"{folder} exists already and is not an environment that this script made for this Python. "
            "Delete it, or give another folder: --env FOLDER"
        )
    with Step(f"Making an environment in {folder}"):
        clear = [] if is_empty else ["--clear"]
        command = [sys.executable, "-m", "venv", *clear, str(folder)]
        done = subprocess.run(
            command, env=child_variables(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False
        )
        if done.returncode != 0:
            said = done.stdout.decode(errors="replace").strip()
            raise Refusal(f"The environment could not be made in {folder}. Python said:\n{said}")


def _install(environment: Environment, wheels: Path | None, *, with_tools: bool) -> None:
    """Install the libraries, then catchscreen itself."""
    project = _pyproject()["project"]
    tools = project["optional-dependencies"]["dev"] if with_tools else BUILD_TOOLS
    source = ["--no-index", "--find-links", str(wheels)] if wheels else []
    binary = [*source, "--only-binary", ":all:"]
    with Step("Installing the libraries (some 250 MB to fetch, some minutes the first time)"):
        _pip(environment, [*binary, "--constraint", str(CONSTRAINTS), *project["dependencies"], *tools], wheels)
        if with_tools:
            _pip(environment, [*binary, "--no-deps", *obstacles.WITHOUT_DEPENDENCIES], wheels)
    with Step("Installing catchscreen from this folder"):
        _pip(environment, ["--no-index", "--no-deps", "--no-build-isolation", "--editable", str(ROOT)], wheels)


def _pip(environment: Environment, arguments: list[str], wheels: Path | None) -> None:
    """Run pip install, keep all that it says in a file, show what it fetches."""
    log = environment.folder / "install.log"
    command = [str(environment.python), "-m", "pip", "install", "--disable-pip-version-check", "--no-input"]
    command += ["--progress-bar", "off", *arguments]
    settings: dict[str, Any] = {"cwd": str(ROOT), "env": child_variables(), "encoding": "utf-8", "errors": "replace"}
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT}
    said = []
    with log.open("a", encoding="utf-8") as kept, subprocess.Popen(command, **pipes, **settings) as process:
        for line in process.stdout or ():
            kept.write(line)
            said.append(line)
            fetched = re.match(r"\s*(?:Downloading|Using cached|Processing) (\S+\.whl)", line)
            if fetched:
                print("   ", re.split(r"[\\/]", fetched.group(1))[-1], flush=True)
    if process.returncode != 0:
        raise Refusal(obstacles.explain_pip("".join(said), wheels, log))


class Step:
    """A line on the screen for something that takes time."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.started = 0.0

    def __enter__(self) -> None:
        """Say what starts."""
        print(self.text + " ...", flush=True)
        self.started = time.monotonic()

    def __exit__(self, kind: object, value: object, trace: object) -> None:
        """Say how long it took, unless it failed."""
        if kind is None:
            print(f"    done in {time.monotonic() - self.started:.0f} s", flush=True)


def quoted(words: list[str]) -> str:
    """Return a command as it is typed on this system."""
    return subprocess.list2cmdline(words) if os.name == "nt" else shlex.join(words)


def guarded(main: Callable[[], int]) -> int:
    """Run a script's main function; refusals and Ctrl-C become a sentence and an exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        return main()
    except Refusal as refusal:
        print(f"\n{refusal}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("\nStopped. Start the same command again to go on.", file=sys.stderr)
        return 130

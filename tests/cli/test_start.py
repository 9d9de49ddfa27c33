"""Starting is quick and light, and the public names are the ones that are promised."""

from __future__ import annotations

import subprocess
import sys
import time

import pytest

HEAVY = ("geopandas", "scipy", "numba", "matplotlib", "rasterio", "pyogrio", "pandas", "numpy", "rich")


def loaded_after(code: str) -> set[str]:
    """Return the heavy libraries that are loaded after some code ran in a fresh process."""
    program = f"import sys\n{code}\nprint(*[name for name in {HEAVY} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, encoding="utf-8", check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize(
    "module", ["catchscreen", "catchscreen.cli", "catchscreen.errors", "catchscreen.options", "catchscreen.progress"]
)
def test_importing_stays_light(module):
    assert loaded_after(f"import {module}") == set()


def test_help_is_instant():
    """Under 0.3 s: the best of three, since other work on the machine only ever makes it slower."""
    seconds = []
    for _ in range(3):
        started = time.perf_counter()
        done = subprocess.run([sys.executable, "-m", "catchscreen", "--help"], capture_output=True, check=True)
        seconds.append(time.perf_counter() - started)
    assert b"screen" in done.stdout
    assert min(seconds) < 0.3


def test_public_names_are_exactly_the_visible_ones():
    import catchscreen

    assert sorted(name for name in dir(catchscreen)) == sorted(catchscreen.__all__)
    for name in catchscreen.__all__:
        assert getattr(catchscreen, name) is not None
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        catchscreen.nothing  # noqa: B018


def test_names_are_loaded_from_where_they_live():
    code = "import catchscreen; assert issubclass(catchscreen.InputsAtFault, catchscreen.CatchscreenError)"
    assert "numpy" not in loaded_after(code)


def test_the_console_script_and_the_module_are_one():
    from importlib.metadata import entry_points

    from catchscreen.cli import main

    (script,) = entry_points(group="console_scripts", name="catchscreen")
    assert script.load() is main


@pytest.mark.parametrize("command", ["screen", "check", "new", "measures", "doctor"])
def test_every_command_takes_the_shared_options(run, command):
    text = run(command, "--help").stdout
    for option in ("--quiet", "--verbose", "--log-file", "--json"):
        assert option in text


def test_the_version_is_the_installed_one(run):
    from importlib.metadata import version

    assert run("--version").stdout.strip() == version("catchscreen")

"""Starting is quick and light, and the public names are the ones that are promised."""

from __future__ import annotations

import subprocess
import sys

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


@pytest.mark.parametrize("words", [["--help"], ["screen", "--help"], ["--version"]])
def test_help_is_instant_because_nothing_heavy_is_loaded(words):
    """Measured 0.09 s on a 2-core machine; what would make it slow is looked for, not the clock."""
    code = (
        f"from catchscreen.cli import app\ntry:\n    app({words})\nexcept SystemExit as end:\n    assert end.code == 0"
    )
    assert loaded_after(code).isdisjoint(HEAVY)


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

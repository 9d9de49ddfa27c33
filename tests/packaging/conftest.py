"""Wheels built and installed as a stranger would, in folders whose names are not plain."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
from dataclasses import dataclass
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[2]


def run(command: list[str | Path], **settings) -> subprocess.CompletedProcess[str]:
    """Run a command; on failure the test shows what it said."""
    words = [str(word) for word in command]
    done = subprocess.run(words, capture_output=True, encoding="utf-8", check=False, **settings)
    assert done.returncode == 0, f"{' '.join(words)}\n{done.stdout}\n{done.stderr}"
    return done


def build_wheel(project: Path, folder: Path) -> Path:
    """Build a project's wheel with the tools that are here, without a network."""
    run([sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder, project])
    (wheel,) = folder.glob("*.whl")
    return wheel


@dataclass(frozen=True)
class Installed:
    """An environment of its own, with catchscreen from the wheel and this environment's libraries."""

    python: Path
    folder: Path

    def catchscreen(self, *words: str | Path, **variables: str) -> subprocess.CompletedProcess[str]:
        """Run catchscreen from a folder that is not the project's."""
        return run([self.python, "-m", "catchscreen", *words], cwd=self.folder, env={**os.environ, **variables})


@pytest.fixture(scope="session", name="build_wheel")
def _build_wheel():
    return build_wheel


@pytest.fixture(scope="session")
def call():
    return run


@pytest.fixture(scope="session")
def wheel(tmp_path_factory) -> Path:
    return build_wheel(PROJECT, tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="session")
def installed(wheel, tmp_path_factory) -> Installed:
    folder = tmp_path_factory.mktemp("far away") / "Flächen мосты 街区"
    folder.mkdir()
    environment = folder / "own environment"
    run([sys.executable, "-m", "venv", "--without-pip", environment])
    python = environment / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    code = "import sysconfig; print(sysconfig.get_path('purelib'))"
    packages = Path(run([python, "-c", code]).stdout.strip())
    run([sys.executable, "-m", "pip", "--python", python, "install", "--no-index", "--no-deps", wheel])
    libraries = {sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
    (packages / "libraries.pth").write_text("\n".join(sorted(libraries)) + "\n", encoding="utf-8")
    return Installed(python, folder)

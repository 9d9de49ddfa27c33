"""What may be in the way of an environment, each as a plain sentence with its cure.

Only the standard library, and only syntax that an older Python can read, so that it too gets its sentence.
"""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import struct
import sys
from collections.abc import Callable
from pathlib import Path

OLDEST, NEWEST = (3, 11), (3, 14)
"""Pythons for which every version in the constraints file has wheels."""

WITHOUT_DEPENDENCIES = ("momepy==0.11.0", "gdal-utils==3.13.3.0")
"""For tests only: momepy's sample data are read, gdal-utils' GeoPackage validator is run as a script."""

NEEDED_BYTES = 1_500_000_000
LONGEST_WINDOWS_PATH = 100
"""Characters; libraries add up to about 150, and Windows stops at 260."""

SYNCED = (
    "onedrive",
    "dropbox",
    "google drive",
    "googledrive",
    "my drive",
    "icloud",
    "icloud drive",
    "mobile documents",
    "nextcloud",
)
"""Folders, in small letters, that are copied to other computers."""

GOOD = f"{OLDEST[0]}.{OLDEST[1]} to {NEWEST[0]}.{NEWEST[1]}"


class Refusal(Exception):
    """A plain sentence that says what is in the way, and the cure."""


def check_python(version: tuple[int, ...] = sys.version_info[:2], bits: int = struct.calcsize("P") * 8) -> None:
    """Refuse a Python for which the libraries have no wheels."""
    found = ".".join(map(str, version))
    if not OLDEST <= tuple(version) <= NEWEST:
        raise Refusal(
            f"This is Python {found}; catchscreen is set up for Python {GOOD}, and its libraries may not exist for "
            f"others. Install one of these beside it and start the script with it, for example: {_example_command()}"
        )
    if bits != 64:
        raise Refusal(
            f"This is a {bits}-bit Python; the libraries exist for 64 bit only. Install a 64-bit Python {GOOD}."
        )


def _example_command() -> str:
    """Return how to start the running script with a fitting Python on this system."""
    script = Path(sys.argv[0]).name or "demo.py"
    fitting = f"{NEWEST[0]}.{NEWEST[1] - 1}"
    return f"py -{fitting} scripts\\{script}" if os.name == "nt" else f"python{fitting} scripts/{script}"


def check_modules(find: Callable[[str], object] = importlib.util.find_spec) -> None:
    """Refuse a Python that cannot make environments (some systems ship these modules apart)."""
    missing = [name for name in ("venv", "ensurepip") if find(name) is None]
    if missing:
        package = f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"
        raise Refusal(
            f"This Python cannot make environments: its module {' and '.join(missing)} is missing. "
            f"On Debian or Ubuntu: sudo apt install {package}. Elsewhere: install Python with its standard modules."
        )


def check_folder(folder: str, *, windows: bool = os.name == "nt") -> None:
    """Refuse a place where an environment does not work or does harm: synced, on a network share, too long a path."""
    cure = "Give another folder on this computer's own disk: --env FOLDER"
    if folder.startswith(("\\\\", "//")):
        raise Refusal(f"The environment cannot be on a network share ({folder}). {cure}")
    parts = [part.lower() for part in re.split(r"[\\/]", folder)]
    synced = [part for part in parts if any(part == name or part.startswith(name + " - ") for name in SYNCED)]
    if synced:
        raise Refusal(
            f"{folder} is in a folder that is copied to other computers ({synced[0]}); "
            f"thousands of library files would be copied along, and may be locked while in use. {cure}"
        )
    if windows and len(folder) > LONGEST_WINDOWS_PATH:
        raise Refusal(
            f"The path of the environment is too long for Windows ({len(folder)} characters, at most "
            f"{LONGEST_WINDOWS_PATH}): {folder}. {cure}, for example --env C:\\catchscreen-env"
        )


def check_space(folder: Path, free_bytes: Callable[[Path], int] | None = None) -> None:
    """Refuse a disk without room for the libraries."""
    place = next(parent for parent in (folder, *folder.parents) if parent.exists())
    free = free_bytes(place) if free_bytes else shutil.disk_usage(str(place)).free
    if free < NEEDED_BYTES:
        raise Refusal(
            f"The libraries need about {NEEDED_BYTES / 1e9:.1f} GB, but only {free / 1e9:.1f} GB are free at {place}. "
            "Make room, or give a folder on another disk: --env FOLDER"
        )


def check_wheels(folder: Path) -> None:
    """Refuse a folder of wheels that has none."""
    if not folder.is_dir() or not any(folder.glob("*.whl")):
        raise Refusal(f"{folder} has no wheels in it. {_how_to_fill(folder)}")


def _how_to_fill(folder: Path) -> str:
    """Say how a folder of wheels is made on a computer that has a network."""
    return (
        "On a computer with a network, the same kind of system and the same Python, fill it with: "
        f'python3 -m pip download --only-binary :all: --dest "{folder.name}" -r scripts/constraints.txt '
        f"(for scripts/test.py also, with --no-deps: {' '.join(WITHOUT_DEPENDENCIES)})."
    )


def explain_pip(said: str, wheels: Path | None, log: Path) -> str:
    """Turn what pip said into a plain sentence with the cure."""
    missing = re.search(r"(?:No matching distribution found for|satisfies the requirement|\(constraint\)) (\S+)", said)
    if "No space left" in said:
        return "The disk is full. Make room, or give a folder on another disk: --env FOLDER"
    if wheels and missing:
        return f"The folder {wheels} has no fitting wheel of {missing.group(1)}. {_how_to_fill(wheels)}"
    if re.search(r"CERTIFICATE_VERIFY_FAILED|SSLError|SSLCertVerificationError", said):
        return (
            "The package registry's certificate was not accepted, as happens behind a company's proxy. Ask your IT "
            f"department for its certificate file and set PIP_CERT to its path, then start again. Details: {log}"
        )
    if re.search(
        r"ConnectionError|ConnectTimeout|ProxyError|Max retries|Temporary failure|NameResolution|timed out", said
    ):
        return (
            "The package registry cannot be reached. Behind a proxy, set HTTPS_PROXY (or pip's own proxy and index "
            "settings). Without a network, install from a folder of wheels: --wheels FOLDER. "
            f"{_how_to_fill(Path('wheels'))} Details: {log}"
        )
    if missing:
        return (
            f"The package registry has no fitting wheel of {missing.group(1)} for Python {sys.version.split()[0]} on "
            f"this system ({sys.platform}). Try another Python ({GOOD}). Details: {log}"
        )
    last = "".join(said.splitlines(keepends=True)[-12:])
    return f"pip could not install the libraries. Its last lines (all of them: {log}):\n{last}"

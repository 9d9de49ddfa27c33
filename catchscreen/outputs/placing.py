"""Put a finished result in place without losing anything of the user's: build aside, then replace file by file."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable
from pathlib import Path

from catchscreen.errors import ResultNotWritten
from catchscreen.outputs.manifest import MANIFEST_NAME, changed_files, read_manifest


def place_result(built: Path, target: Path, files: Iterable[str]) -> None:
    """Move built files into the target folder, the manifest last.

    A result file that the user edited since is kept beside it as ``<stem>.edited-N<suffix>``; files that the manifest
    does not list are left alone; files of the previous result that this one does not have are removed.

    Raises
    ------
    ResultNotWritten
        When a file cannot be replaced (open elsewhere, no rights, no room); the message says where the new one is.
    """
    names = [name for name in files if name != MANIFEST_NAME] + [MANIFEST_NAME]
    try:
        target.mkdir(parents=True, exist_ok=True)
        previous = read_manifest(target)
        if previous is not None:
            _keep_edited(target, changed_files(target, previous))
            (target / MANIFEST_NAME).unlink(missing_ok=True)
        for name in names:
            _replace(built / name, target / name)
        if previous is not None:
            _remove_stale(target, set(previous.get("files", {})) - set(names))
    except OSError as cause:
        kept = target.parent / f"{target.name}.unplaced-{os.getpid()}"
        shutil.copytree(built, kept, dirs_exist_ok=True)
        raise ResultNotWritten(
            f"{target}: the result could not be put in place ({cause.strerror or cause}). "
            f"The finished files are in {kept}. Close the programs that have the old result open, then run again."
        ) from cause


def _keep_edited(target: Path, names: Iterable[str]) -> None:
    """Rename files that differ from what was written, under the first free number."""
    for name in names:
        path = target / name
        if not path.is_file():
            continue
        number = 1
        while (kept := path.with_name(f"{path.stem}.edited-{number}{path.suffix}")).exists():
            number += 1
        path.rename(kept)


def _replace(source: Path, target: Path) -> None:
    """Copy beside the target, flush to disk, then swap in one step."""
    target.parent.mkdir(parents=True, exist_ok=True)
    aside = target.with_name(f"{target.stem}.tmp-{os.getpid()}{target.suffix}")
    try:
        shutil.copyfile(source, aside)
        with aside.open("rb+") as stream:
            os.fsync(stream.fileno())
        aside.replace(target)
    finally:
        aside.unlink(missing_ok=True)


def _remove_stale(target: Path, names: Iterable[str]) -> None:
    for name in names:
        (target / name).unlink(missing_ok=True)

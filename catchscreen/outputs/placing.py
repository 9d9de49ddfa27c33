"""Put a finished result in place without losing anything of the user's: build aside, then replace file by file."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from catchscreen.errors import ResultNotWritten
from catchscreen.outputs.manifest import MANIFEST_NAME, changed_files, read_manifest


def place_result(built: Path, target: Path, files: Iterable[str]) -> tuple[str, ...]:
    """Move built files into the target folder, the manifest last.

    Everything is copied beside first, so that want of room or rights leaves the old result as it was; then one file
    after the other is swapped in. A result file that the user edited since is kept beside it as
    ``<stem>.edited-N<suffix>``; files that the manifest does not list are left alone; files of the previous result
    that this one does not have are removed.

    Returns
    -------
    Names, relative to the folder, under which edited files were kept.

    Raises
    ------
    ResultNotWritten
        When a file cannot be replaced (open elsewhere, no rights, no room); the message says where the new one is.
    """
    names = [name for name in files if name != MANIFEST_NAME] + [MANIFEST_NAME]
    try:
        kept = _swap_in(built, target, names)
    except OSError as cause:
        raise ResultNotWritten(_keep_unplaced(built, target, names, cause)) from cause
    _remove_unplaced(target)
    return kept


def _swap_in(built: Path, target: Path, names: Sequence[str]) -> tuple[str, ...]:
    """Copy beside, keep what was edited, swap, and drop what is no longer part of the result."""
    target.mkdir(parents=True, exist_ok=True)
    asides = {name: _aside(target / name) for name in names}
    try:
        # Waiting for the disk is most of it; the order of the copies does not matter, that of the swaps does.
        with ThreadPoolExecutor(max_workers=4, thread_name_prefix="catchscreen-place") as pool:
            for copied in [pool.submit(_copy_flushed, built / name, aside) for name, aside in asides.items()]:
                copied.result()
        previous = read_manifest(target)
        kept: list[str] = []
        if previous is not None:
            kept = _keep_edited(target, changed_files(target, previous))
            # From here on the folder reads as unfinished, until the new manifest stands in it.
            (target / MANIFEST_NAME).unlink(missing_ok=True)
        for name in names[:-1]:
            asides[name].replace(target / name)
        if previous is not None:
            _remove_stale(target, set(previous.get("files", {})) - set(names))
        asides[MANIFEST_NAME].replace(target / MANIFEST_NAME)
    finally:
        for aside in asides.values():
            aside.unlink(missing_ok=True)
    return tuple(kept)


def _aside(path: Path) -> Path:
    """Name the copy beside a file that will take its place."""
    return path.with_name(f"{path.stem}.tmp-{os.getpid()}{path.suffix}")


def _copy_flushed(source: Path, aside: Path) -> None:
    """Copy a file and flush it to disk."""
    aside.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(source, aside)
    with aside.open("rb+") as stream:
        os.fsync(stream.fileno())


def _keep_edited(target: Path, names: Iterable[str]) -> list[str]:
    """Rename files that differ from what was written, under the first free number; return the new names."""
    kept = []
    for name in names:
        path = target / name
        if not path.is_file():
            continue
        number = 1
        while (free := path.with_name(f"{path.stem}.edited-{number}{path.suffix}")).exists():
            number += 1
        path.rename(free)
        kept.append(free.relative_to(target).as_posix())
    return kept


def _remove_stale(target: Path, names: Iterable[str]) -> None:
    for name in names:
        (target / name).unlink(missing_ok=True)


def _unplaced(target: Path) -> Path:
    """Name the one folder beside the target where a result waits that could not be put in place."""
    return target.with_name(f"{target.name}.unplaced")


def _keep_unplaced(built: Path, target: Path, names: Sequence[str], cause: OSError) -> str:
    """Keep the finished files of a result beside its folder; say what happened, where they are and what to do."""
    said = f"{target}: the result could not be put in place ({cause.strerror or cause})."
    waiting = _unplaced(target)
    cure = "Close the programs that have the old result open, see that the folder can be written to, then run again."
    if waiting.exists() and not _is_ours(waiting):
        return f"{said} {waiting} holds other files, so nothing was kept. {cure}"
    try:
        shutil.rmtree(waiting, ignore_errors=True)
        for name in names:
            (waiting / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(built / name, waiting / name)
    except OSError:
        shutil.rmtree(waiting, ignore_errors=True)
        return (
            f"{said} It could not be kept beside that folder either: give it write permission and room, then run again."
        )
    return f"{said} The finished files are in {waiting}; the next run that succeeds removes them. {cure}"


def _remove_unplaced(target: Path) -> None:
    """Remove a result that waited beside the folder: this one has taken its place."""
    waiting = _unplaced(target)
    if waiting.is_dir() and _is_ours(waiting):
        shutil.rmtree(waiting, ignore_errors=True)


def _is_ours(waiting: Path) -> bool:
    """Say whether a folder holds an untouched result and nothing else."""
    manifest = read_manifest(waiting)
    if manifest is None or changed_files(waiting, manifest):
        return False
    there = {path.relative_to(waiting).as_posix() for path in waiting.rglob("*") if path.is_file()}
    return there == {*manifest.get("files", {}), MANIFEST_NAME}

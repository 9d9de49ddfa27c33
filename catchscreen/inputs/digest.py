"""What the inputs contain, as hashes: the run id and the manifest are made of content, never of dates or places."""

from __future__ import annotations

import glob
import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from catchscreen.brief import Brief
from catchscreen.brief_sources import Source

SIDE_SUFFIXES: Final = frozenset({".shx", ".dbf", ".prj", ".cpg", ".tfw", ".wld", ".aux", ".ovr", ".msk"})
"""Endings of files that belong to another of the same stem."""


def digest_files(brief: Brief) -> dict[str, str]:
    """Return the SHA-256 of every input file, by its path as the brief names it.

    Files that belong together (a shapefile's parts, a raster's world file) are all in it. A file that cannot be found
    is left out here: reading the inputs says so.
    """
    found: dict[str, Path] = {}
    for source in brief.sources():
        if source.path is not None and source.file is not None:
            for path in _files_of(source.path):
                found.setdefault(_label(source, path), path)
    return {label: _hash(found[label]) for label in sorted(found)}


def _files_of(path: Path) -> Iterator[Path]:
    """Yield the files behind a path: itself and its sides, a folder's content, a pattern's, or the archive it is in."""
    if path.is_dir():
        yield from (inner for inner in path.rglob("*") if inner.is_file())
    elif path.is_file():
        yield path
        for side in path.parent.glob(glob.escape(path.stem) + ".*"):
            if side != path and side.suffix.lower() in SIDE_SUFFIXES and side.is_file():
                yield side
    elif any(mark in path.name for mark in "*?["):
        yield from (inner for inner in path.parent.glob(path.name) if inner.is_file())
    else:
        yield from [parent for parent in path.parents if parent.is_file()][:1]


def _label(source: Source, path: Path) -> str:
    """Name a file by what the brief says, never by where the brief lies."""
    try:
        return path.relative_to(source.folder).as_posix()
    except ValueError:
        return path.name if path == source.path else f"{source.file}: {path.name}"


def _hash(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()

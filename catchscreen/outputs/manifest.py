"""The manifest: what made a result, and the hash of each file. Written last: without it a result is unfinished."""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from catchscreen.outputs.schema import SCHEMA_VERSION
from catchscreen.outputs.wording import CAUTIONS

MANIFEST_NAME = "manifest.json"
UNFINISHED = "unfinished: run again"


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def build_manifest(
    folder: Path, files: Iterable[str], provenance: Mapping[str, Any], seconds: Mapping[str, float]
) -> dict[str, Any]:
    """Return the manifest of the named files under ``folder``. Clock, host and seconds stand here and nowhere else."""
    return {
        "schema_version": SCHEMA_VERSION,
        **provenance,
        "cautions": list(CAUTIONS),
        "files": {name: hash_file(folder / name) for name in sorted(files)},
        "made": {
            "at": datetime.now(tz=UTC).isoformat(timespec="seconds"),
            "python": platform.python_version(),
            "system": platform.system(),
            "seconds": {name: round(value, 3) for name, value in seconds.items()},
        },
    }


def write_manifest(path: Path, manifest: Mapping[str, Any]) -> None:
    """Write the manifest as readable JSON."""
    path.write_text(json.dumps(manifest, indent=2, ensure_ascii=False) + "\n", encoding="utf-8", newline="\n")


def read_manifest(folder: Path) -> dict[str, Any] | None:
    """Return the manifest of a result, or None where there is none that can be read."""
    try:
        content = json.loads((folder / MANIFEST_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return content if isinstance(content, dict) else None


def changed_files(folder: Path, manifest: Mapping[str, Any]) -> list[str]:
    """Return the files of a result that are missing or no longer have the hash in the manifest."""
    files: Mapping[str, str] = manifest.get("files", {})
    return [name for name, known in files.items() if not (folder / name).is_file() or hash_file(folder / name) != known]


def find_state(folder: Path) -> str:
    """Say how a result folder reads: "none", "finished", or "unfinished: run again".

    Unfinished is a folder with files of a result but no manifest that can be read, or with a file that is missing or
    differs from the manifest (interrupted, or edited since).
    """
    manifest = read_manifest(folder)
    if manifest is None:
        return UNFINISHED if (folder / "screening.gpkg").exists() else "none"
    return UNFINISHED if changed_files(folder, manifest) else "finished"


def is_unchanged(folder: Path, run_id: str) -> bool:
    """Say whether the folder holds the finished result of this very run, with every file as it was written."""
    manifest = read_manifest(folder)
    return manifest is not None and manifest.get("run_id") == run_id and not changed_files(folder, manifest)

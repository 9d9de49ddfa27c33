"""How the records of a brief are made from TOML values and Python values, and how their content is hashed."""

from __future__ import annotations

import difflib
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from catchscreen.brief_faults import FaultList, KeyPath
from catchscreen.brief_sources import MANY_ROLES, REQUIRED_ROLES, ROLES, Source, exists, is_remote
from catchscreen.options import Options


def plain(record: BaseModel) -> dict[str, Any]:
    """Return a record as values that JSON can hold."""
    values: dict[str, Any] = record.model_dump(mode="json")
    return values


def checked(model: type[BaseModel], values: Mapping[str, Any], path: KeyPath, faults: FaultList) -> Any:
    """Make a record from plain values, strictly: no text for a number.

    Returns None, and keeps the faults, when it cannot be made.
    """
    try:
        return model.model_validate_json(json.dumps(dict(values), default=str), strict=True)
    except ValidationError as error:
        faults.add_invalid(error, model, path)
        return None


def option_record(model: type[Options], value: Any, path: KeyPath, faults: FaultList) -> Options | None:
    """Make the options of one stage."""
    if value is None:
        return model()
    if isinstance(value, model):
        return value
    if not isinstance(value, Mapping):
        faults.add("wrong-type", path, f"Found {value!r}.", f"Allowed: a table [{path[0]}].")
        return None
    record: Options | None = checked(model, value, path, faults)
    return record


def role_sources(role: str, value: Any, folder: Path, faults: FaultList) -> Source | tuple[Source, ...] | None:
    """Make the source or sources of one role."""
    if role not in MANY_ROLES:
        if value is None:
            if role in REQUIRED_ROLES:
                cure = f'Add [{role}] with file = "...".'
                faults.add("missing-key", (role,), f"{role} is missing: every screening needs it.", cure)
            return None
        if isinstance(value, list):
            faults.add("wrong-type", (role,), "Found an array of tables.", f"Allowed: one table [{role}].")
            return None
        return _source(role, value, folder, (role,), faults)
    given = [] if value is None else list(value) if isinstance(value, list | tuple) else [value]
    made = [
        _source(role, item, folder, (role, place) if isinstance(value, list) else (role,), faults)
        for place, item in enumerate(given)
    ]
    return tuple(source for source in made if source is not None)


def _source(role: str, value: Any, folder: Path, path: KeyPath, faults: FaultList) -> Source | None:
    """Make one source from a table, a path, a `Source` or data given straight in."""
    model = ROLES[role]
    data: Any = None
    if isinstance(value, Source):
        folder = value.folder if value.role else folder
        data, value = value.data, _plain_given(value)
    elif isinstance(value, str | Path):
        value = {"file": str(value)}
    elif not isinstance(value, Mapping):
        if isinstance(value, bool | int | float):
            faults.add("wrong-type", path, f"Found {value!r}.", f"Allowed: a table [{role}] or a path.")
            return None
        data, value = value, {}
    source: Source | None = checked(model, value, path, faults)
    if source is None:
        return None
    placed = source.placed(role=role, folder=folder, line=faults.lines.get(path), data=data)
    _check_place(placed, path, faults)
    return placed


def _plain_given(source: Source) -> dict[str, Any]:
    """Return what was said in a source, without the defaults."""
    given: dict[str, Any] = source.model_dump(mode="json", exclude_unset=True)
    return given


def _check_place(source: Source, path: KeyPath, faults: FaultList) -> None:
    """Keep a fault when a source names nothing, something remote or something that is not there."""
    inline = getattr(source, "depths_mm", None) or getattr(source, "monthly_mm_per_day", None)
    if source.data is not None or (source.file is None and inline):
        return
    where = (*path, "file")
    if not source.file:
        faults.add("missing-key", where, f"[{source.role}] names no file.", 'Add file = "...".')
    elif is_remote(source.file):
        cure = "Copy it to this computer and name the copy: a screening never uses the network."
        faults.add("remote-path", where, f'Found "{source.file}", which is not a local file.', cure)
    elif source.path is not None and not exists(source.path):
        faults.add("missing-file", where, f'There is no "{source.file}" in {source.folder}.', _nearest_file(source))


def _nearest_file(source: Source) -> str:
    """Name the file that was probably meant, or where to look."""
    path = source.path
    if path is None or not path.parent.is_dir():
        return "Check the folder's name; paths start from the brief's folder."
    names = sorted(entry.name for entry in path.parent.iterdir())
    near = difflib.get_close_matches(path.name, names, n=1, cutoff=0.6)
    said = Path(source.file or "").parent
    if near:
        return f'Did you mean "{(said / near[0]).as_posix()}"?'
    return "Check the name; paths start from the brief's folder."


def fingerprint(data: Any) -> str:
    """Return a SHA-256 of data given straight in, "" for none."""
    if data is None:
        return ""
    digest = hashlib.sha256()
    _feed(digest, data)
    return digest.hexdigest()


def _feed(digest: Any, data: Any) -> None:
    """Feed the content of a frame, series, array, raster or tuple of these to a digest."""
    if hasattr(data, "to_wkb") and hasattr(data, "columns"):
        data = data.to_wkb(hex=True)
    if hasattr(data, "to_numpy"):
        # Loaded only for frames given straight in: a brief from a file must be quick to read.
        from pandas.util import hash_pandas_object  # noqa: PLC0415

        columns = [str(name) for name in data.columns] if hasattr(data, "columns") else [str(data.name)]
        digest.update(json.dumps(columns).encode())
        digest.update(hash_pandas_object(data.astype(str)).to_numpy().tobytes())
    elif hasattr(data, "tobytes") and hasattr(data, "dtype"):
        digest.update(f"{data.shape}{data.dtype}".encode())
        digest.update(data.tobytes())
    elif isinstance(data, tuple | list):
        for part in data:
            _feed(digest, part)
    elif hasattr(data, "grid") and hasattr(data, "values"):
        _feed(digest, (data.grid.transform[:6], data.grid.crs.to_wkt(), data.values, data.valid))
    else:
        digest.update(str(data).encode())

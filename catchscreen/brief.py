"""The brief: everything that decides a run, read from TOML or made in Python, checked when made, frozen after.

brief = Brief.from_toml("town/brief.toml")
brief = Brief(parcels="parcels.gpkg", elevation="dtm.tif", terrain={"cell_m": 2})
other = brief.with_(ranking={"benefit_weight": 0.6})
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, Self

from pydantic import BaseModel, ConfigDict, Field

from catchscreen.brief_faults import FaultList, KeyPath, key_lines, said_key
from catchscreen.brief_making import checked, fingerprint, option_record, plain, role_sources
from catchscreen.brief_sources import ROLES, Source
from catchscreen.errors import Fault, InputsAtFault
from catchscreen.options import (
    MeasureOptions,
    Options,
    RainOptions,
    RankingOptions,
    RunoffOptions,
    SurfaceOptions,
    TerrainOptions,
)

OPTION_TABLES: Final[Mapping[str, type[Options]]] = MappingProxyType(
    {
        "terrain": TerrainOptions,
        "surfaces": SurfaceOptions,
        "rain": RainOptions,
        "runoff": RunoffOptions,
        "measures": MeasureOptions,
        "ranking": RankingOptions,
    }
)
"""Each option table of the brief and the record that holds it."""


READ_FOR_KIND: Final = 4096
"""Bytes looked at to tell a text from another file."""


class _Heading(BaseModel):
    """The keys at the top of a brief."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = ""
    description: str = ""
    prepared_by: str = ""
    interest: str = ""
    keep_columns: tuple[str, ...] = Field(default=())


class Brief:
    """What is screened, with what data and by which settings.

    Parameters
    ----------
    **values
        Keys of the brief. A role takes a path, a `Source`, a table (dict), a GeoDataFrame, and for rasters also a
        ``records.Raster`` or ``(array, transform, crs)``; ``constraints`` and ``evidence`` also take a list of
        these. An option table takes a dict or its record. Also ``name``, ``description``, ``prepared_by``,
        ``interest``, ``keep_columns``, and ``folder``, which relative paths start from (by default the working folder).

    Raises
    ------
    InputsAtFault
        With every fault: unknown keys, wrong types, values out of range, files that are missing.

    Attributes
    ----------
    parcels, elevation : Source
    constraints, evidence : tuple[Source, ...]
    district, buildings, ... : Source | None
        One attribute for each other role of ``brief_sources.ROLES``.
    terrain, surfaces, rain, runoff, measures, ranking
        The options of each stage.
    file : Path | None
        The TOML file, if it came from one. ``folder`` : Path. ``name``, ``stem`` : str.
    """

    name: str
    description: str
    prepared_by: str
    interest: str
    keep_columns: tuple[str, ...]
    parcels: Source
    elevation: Source
    constraints: tuple[Source, ...]
    evidence: tuple[Source, ...]
    terrain: TerrainOptions
    surfaces: SurfaceOptions
    rain: RainOptions
    runoff: RunoffOptions
    measures: MeasureOptions
    ranking: RankingOptions
    folder: Path
    file: Path | None

    def __init__(self, **values: Any) -> None:
        folder = Path(values.pop("folder", None) or Path.cwd()).absolute()
        _fill(self, values, folder, None, {})

    @classmethod
    def from_toml(cls, path: str | Path) -> Self:
        """Read a brief from a TOML file; relative paths in it start from its folder.

        Raises
        ------
        InputsAtFault
            With every fault and its line.
        """
        file = Path(path).absolute()
        text = _read_text(file)
        try:
            values = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise InputsAtFault([_syntax_fault(file, error, text)]) from error
        brief = cls.__new__(cls)
        _fill(brief, values, file.parent, file, key_lines(text))
        return brief

    def with_(self, **changes: Any) -> Self:
        """Return a brief with some keys changed; a dict for an option table changes only the keys that it holds.

        Raises
        ------
        InputsAtFault
            As on making a brief.
        """
        values: dict[str, Any] = {key: getattr(self, key) for key in (*_Heading.model_fields, *ROLES, *OPTION_TABLES)}
        for key, change in changes.items():
            if key in OPTION_TABLES and isinstance(change, Mapping):
                values[key] = {**plain(values[key]), **change}
            else:
                values[key] = change
        brief = type(self).__new__(type(self))
        _fill(brief, values, self.folder, self.file, {})
        return brief

    def placed(self, faults: Iterable[Fault]) -> list[Fault]:
        """Return faults about keys of this brief with its file and the line of each key; other faults as they are."""
        if self.file is None or not self.file.is_file():
            return list(faults)
        lines = {said_key(path): line for path, line in key_lines(_read_text(self.file)).items()}
        return [
            replace(fault, file=str(self.file), line=_nearest_line(fault.key, lines))
            if fault.file is None and fault.key
            else fault
            for fault in faults
        ]

    def sources(self) -> Iterator[Source]:
        """Yield every source that was given, in the order of ``brief_sources.ROLES``."""
        for role in ROLES:
            yield from self.sources_of(role)

    def sources_of(self, role: str) -> tuple[Source, ...]:
        """Return the sources of one role: none, one, or several for the roles that allow it."""
        value: Source | tuple[Source, ...] | None = getattr(self, role)
        return value if isinstance(value, tuple) else () if value is None else (value,)

    @property
    def stem(self) -> str:
        """Return what the result folder is named after: the brief file, else the brief's name made safe for a file."""
        if self.file is not None:
            return self.file.stem
        return re.sub(r"[^\w.-]+", "_", self.name).strip("._") or "screening"

    @property
    def digest(self) -> str:
        """Return a SHA-256 of the brief's content: what was said and what was given straight in, not the files."""
        said = {key: getattr(self, key) for key in _Heading.model_fields}
        for table in OPTION_TABLES:
            said[table] = plain(getattr(self, table))
        said["sources"] = [[source.role, _said(source), fingerprint(source.data)] for source in self.sources()]
        text = json.dumps(said, sort_keys=True, ensure_ascii=True)
        return hashlib.sha256(text.encode("ascii")).hexdigest()

    def __getattr__(self, key: str) -> Any:
        """Reached only for a name that does not exist."""
        raise AttributeError(f"a brief has no {key!r}")

    def __setattr__(self, key: str, value: object) -> None:
        raise AttributeError(f"a brief is frozen: use with_({key}=...)")

    def __delattr__(self, key: str) -> None:
        raise AttributeError("a brief is frozen")

    def __reduce__(self) -> tuple[Any, ...]:
        return _restored, (type(self), dict(self.__dict__))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Brief) and (self.folder, self.digest) == (other.folder, other.digest)

    def __hash__(self) -> int:
        return hash((self.folder, self.digest))

    def __repr__(self) -> str:
        roles = ", ".join(dict.fromkeys(source.role for source in self.sources()))
        return f"Brief({self.name!r}: {roles})"


def _fill(
    brief: Brief, values: Mapping[str, Any], folder: Path, file: Path | None, lines: Mapping[KeyPath, int]
) -> None:
    """Check all values and set a new brief's attributes, or raise every fault at once."""
    faults = FaultList(str(file) if file is not None else None, lines, _homes())
    fields: dict[str, Any] = {}
    known = {*_Heading.model_fields, *ROLES, *OPTION_TABLES}
    for key in values:
        if key not in known:
            faults.add_unknown((key,), known)
    heading = {key: values[key] for key in _Heading.model_fields if key in values}
    fields.update(dict(checked(_Heading, heading, (), faults) or _Heading()))
    for table, model in OPTION_TABLES.items():
        fields[table] = option_record(model, values.get(table), (table,), faults)
    for role in ROLES:
        fields[role] = role_sources(role, values.get(role), folder, faults)
    if faults.faults:
        raise InputsAtFault(faults.faults)
    fields["folder"], fields["file"] = folder, file
    fields["name"] = fields["name"] or (file.stem if file is not None else "screening")
    for key, value in fields.items():
        object.__setattr__(brief, key, value)


def _nearest_line(key: str, lines: Mapping[str, int]) -> int | None:
    """Give the line of a dotted key, or of the closest table around it."""
    while key and key not in lines:
        key = key.rpartition(".")[0]
    return lines.get(key)


def _restored(kind: type[Brief], fields: Mapping[str, Any]) -> Brief:
    """Make a brief anew from its fields, for pickle and copy."""
    brief = kind.__new__(kind)
    for key, value in fields.items():
        object.__setattr__(brief, key, value)
    return brief


def _said(source: Source) -> dict[str, Any]:
    """Return what a source says, its path relative to the folder so that a moved folder makes the same digest."""
    values = plain(source)
    if source.path is not None and source.path.is_relative_to(source.folder):
        values["file"] = source.path.relative_to(source.folder).as_posix()
    return values


def _homes() -> dict[str, list[str]]:
    """Return each table of the brief with its keys."""
    models: dict[str, type[BaseModel]] = {**ROLES, **OPTION_TABLES}
    return {table: list(model.model_fields) for table, model in models.items()}


def _read_text(file: Path) -> str:
    """Return the text of a brief, whatever mark an editor put before it."""
    try:
        content = file.read_bytes()
        if b"\0" in content[:READ_FOR_KIND] and not content.startswith((b"\xff\xfe", b"\xfe\xff")):
            message = "This is no brief: it holds something else than text."
            cure = "Name a brief (a .toml file); the command `new` writes one for a folder of geodata."
            raise InputsAtFault([Fault("brief-syntax", message, cure, file=str(file))])
        return content.decode("utf-8-sig")
    except FileNotFoundError as error:
        near = sorted(entry.name for entry in file.parent.glob("*.toml")) if file.parent.is_dir() else []
        cure = f"Briefs in that folder: {', '.join(near)}." if near else "Give the path of a brief (a .toml file)."
        raise InputsAtFault([Fault("missing-file", "There is no such brief.", cure, file=str(file))]) from error
    except UnicodeDecodeError as error:
        message = f"Byte {error.start} is not UTF-8."
        raise InputsAtFault(
            [Fault("brief-syntax", message, "Save the brief with the encoding UTF-8.", file=str(file))]
        ) from error
    except OSError as error:
        message = f"The brief cannot be read: {error.strerror}."
        raise InputsAtFault([Fault("unreadable-file", message, "Name a .toml file.", file=str(file))]) from error


def _syntax_fault(file: Path, error: tomllib.TOMLDecodeError, text: str) -> Fault:
    """Turn a TOML syntax error into a fault with its line."""
    found = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
    line = int(found.group(1)) if found else text.count("\n") + 1
    written = text.splitlines()[line - 1].strip() if line <= text.count("\n") + 1 and text else ""
    message = f"Not valid TOML: {re.sub(r' *[(]at .*[)]', '', str(error))}: {written[:60]}"
    cure = 'Texts need quotes, as in file = "parcels.gpkg"; in paths write / or double each \\; a key stands once.'
    return Fault("brief-syntax", message, cure, file=str(file), line=line)

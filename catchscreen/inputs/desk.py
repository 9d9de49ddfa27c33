"""The desk at which inputs are read: what was asked for, where results lie, and what was found wrong so far."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Literal

from pyproj import CRS

from catchscreen.brief import Brief
from catchscreen.brief_sources import Source
from catchscreen.errors import Fault, InputsAtFault
from catchscreen.progress import DataIssue, Run, Severity

Bounds = tuple[float, float, float, float]


@dataclass(slots=True)
class Desk:
    """State of one reading.

    crs : the result's CRS once the elevation's is known to fit. area : bounds (min x, min y, max x, max y) in it that
    layers are read within. kept_columns : columns that measures read and that pass through untouched.
    whole : False when only checking: very large rasters are then not read. layers : of each dataset, once it was opened
    systems : the CRS of the layer read last from a dataset.
    """

    brief: Brief
    run: Run
    whole: bool = True
    crs: CRS | None = None
    area: Bounds | None = None
    kept_columns: frozenset[str] = frozenset()
    faults: list[Fault] = field(default_factory=list)
    layers: dict[str, list[tuple[str, str]]] = field(default_factory=dict)
    systems: dict[str, CRS] = field(default_factory=dict)

    def fault(self, code: str, source: Source, message: str, cure: str, feature: str | None = None) -> None:
        """Keep one fault of a source."""
        self.faults.append(make_fault(code, source, message, cure, feature))

    def note(
        self, severity: Severity, code: str, source: Source | str, message: str, *, cure: str = "", **place: Any
    ) -> None:
        """Keep a repair, an unknown or a note; ``place`` may hold ``feature`` and ``geometry``."""
        role = source if isinstance(source, str) else source.role
        file = None if isinstance(source, str) else source.file
        self.run.note(DataIssue(severity, code, role, message, cure, file, **place))

    @contextmanager
    def gathering(self) -> Iterator[None]:
        """Keep the faults raised inside and go on, so that all layers are looked at."""
        self.run.check_stop()
        try:
            yield
        except InputsAtFault as error:
            self.faults.extend(error.faults)


def make_fault(code: str, source: Source, message: str, cure: str, feature: str | None = None) -> Fault:
    """Make a fault that names the source's file and layer and its role as key."""
    file = str(source.path) if source.path is not None else None
    return Fault(code, message, cure, file=file, line=None, key=source.role, layer=source.layer, feature=feature)


def refuse(code: str, source: Source, message: str, cure: str) -> InputsAtFault:
    """Return the error for one fault that ends the reading of its layer."""
    return InputsAtFault([make_fault(code, source, message, cure)])


def listed(names: list[str], most: int = 5) -> str:
    """Join names with commas, shortened to the first few and the count of the rest."""
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"


GeometryKind = Literal["polygon", "line", "point"]

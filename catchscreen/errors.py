"""The error tree, and the fault: one thing wrong with an input, with its cure.

    CatchscreenError
    ├── InputsAtFault      (also ValueError)   exit code 3: the brief or a file must be mended
    ├── MeasureFailed      (also RuntimeError) exit code 4: a measure plugin raised, named with its distribution
    ├── ResultNotWritten   (also OSError)      exit code 4: the computation is whole, the files could not be replaced
    └── ScreeningStopped   (also RuntimeError) exit code 130: the caller asked to stop

Faults are gathered and raised once, so that a user mends everything in one go.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass


class CatchscreenError(Exception):
    """Base of every error that catchscreen raises on purpose."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that stops a run, said so that the reader can mend it.

    ``code`` is stable (scripts may test it), ``message`` says what was found, ``cure`` what to do.
    The other fields say where: they stay None when they do not apply.
    """

    code: str
    message: str
    cure: str
    file: str | None = None
    line: int | None = None
    key: str | None = None
    layer: str | None = None
    feature: str | None = None

    def __str__(self) -> str:
        """One line: where, what, cure."""
        place = self.file or ""
        if self.line is not None:
            place = f"{place}:{self.line}"
        parts = [place, self.key, self.layer and f"layer {self.layer}", self.feature and f"feature {self.feature}"]
        where = ": ".join(part for part in parts if part)
        return f"{where + ': ' if where else ''}{self.message} {self.cure}".strip()

    def as_dict(self) -> dict[str, str | int | None]:
        """Return the fault as plain values for ``--json``."""
        return asdict(self)


class InputsAtFault(CatchscreenError, ValueError):
    """The brief or the inputs cannot be used as they are; ``faults`` lists every reason."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class MeasureFailed(CatchscreenError, RuntimeError):
    """A measure plugin raised or broke its contract; the message names its distribution."""


class ResultNotWritten(CatchscreenError, OSError):
    """The result could not be put in place; the message says where the finished files lie."""


class ScreeningStopped(CatchscreenError, RuntimeError):
    """The caller's ``cancelled`` said yes; nothing was written."""

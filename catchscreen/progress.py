"""The run at hand: stage names for a progress line, the stop check, and the notes that stages leave for the reader."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from time import perf_counter
from typing import Any, Literal

from catchscreen.errors import ScreeningStopped

logger = logging.getLogger("catchscreen")

Progress = Callable[[str, float], None]
"""Called with a stage's plain name and the fraction 0..1 of the whole run that is done."""

Severity = Literal["repair", "unknown", "note"]

STAGES: tuple[tuple[str, float], ...] = (
    ("reading inputs", 0.15),
    ("terrain", 0.20),
    ("surfaces", 0.25),
    ("storms now", 0.10),
    ("measures", 0.10),
    ("stores", 0.10),
    ("ranking", 0.02),
    ("writing", 0.08),
)
"""Stage names in order, each with its usual share of the time."""


@dataclass(frozen=True, slots=True)
class DataIssue:
    """One row of the layer ``data_issues``: something repaired, unknown or worth knowing in the data.

    ``geometry`` is a shapely geometry in the result's CRS, or None where the matter has no place.
    """

    severity: Severity
    code: str
    role: str
    message: str
    cure: str = ""
    file: str | None = None
    feature: str | None = None
    geometry: Any = None


@dataclass(slots=True)
class Run:
    """What a stage may say while it works. Made once per screening and handed down, never global."""

    progress: Progress | None = None
    cancelled: Callable[[], bool] | None = None
    issues: list[DataIssue] = field(default_factory=list)
    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Announce a stage, time it, and stop before or after it when the caller asked to."""
        self.check_stop()
        names = [stage for stage, _ in STAGES]
        place = names.index(name) if name in names else len(names)
        done = sum(share for _, share in STAGES[:place])
        logger.info("%s", name)
        if self.progress is not None:
            self.progress(name, done)
        started = perf_counter()
        yield
        self.seconds[name] = self.seconds.get(name, 0.0) + perf_counter() - started
        self.check_stop()

    def check_stop(self) -> None:
        """Raise if the caller asked to stop.

        Raises
        ------
        ScreeningStopped
            When ``cancelled`` returns True.
        """
        if self.cancelled is not None and self.cancelled():
            raise ScreeningStopped("stopped at the caller's request; nothing was written")

    def note(self, issue: DataIssue) -> None:
        """Keep an issue for the layer ``data_issues`` and the log."""
        self.issues.append(issue)
        logger.debug("%s: %s: %s", issue.severity, issue.role, issue.message)

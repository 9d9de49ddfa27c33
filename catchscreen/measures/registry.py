"""The one door through which measures come in, ours included: the entry-point group ``catchscreen.measures``."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass, replace
from difflib import get_close_matches
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points

import pandas as pd

from catchscreen.errors import Fault, InputsAtFault, MeasureFailed
from catchscreen.measures.contract import Measure
from catchscreen.options import MeasureOptions
from catchscreen.progress import DataIssue, Run

logger = logging.getLogger("catchscreen")

GROUP = "catchscreen.measures"
OWN_DISTRIBUTION = "catchscreen"
BUILT_IN = {
    name: EntryPoint(name=name, value=f"catchscreen.measures.{name}:measure", group=GROUP)
    for name in ("green_roof", "permeable_paving", "sports_turf")
}
"""For a checkout that is not installed; an installed package brings the same by its metadata."""


@dataclass(frozen=True, slots=True)
class FoundMeasure:
    """An entry point in the group; where it cannot be used, ``measure`` is None and ``fault`` says why."""

    name: str
    distribution: str
    measure: Measure | None
    fault: str = ""


def find_measures() -> tuple[FoundMeasure, ...]:
    """Open every installed measure, ours first, the others by name; a broken one carries its fault.

    Raises
    ------
    MeasureFailed
        When two distributions offer a measure of the same name; the message names both.
    """
    points: dict[str, tuple[str, EntryPoint]] = {name: (OWN_DISTRIBUTION, point) for name, point in BUILT_IN.items()}
    for point in sorted(entry_points(group=GROUP), key=lambda point: (point.name, _distribution(point), point.value)):
        distribution = _distribution(point)
        if point.name in points and (distribution, point.value) != _identity(points[point.name]):
            raise MeasureFailed(
                f"two measures are called {point.name!r}: one from {points[point.name][0]}, one from {distribution}. "
                "Uninstall one of them, or ask its maker for another name."
            )
        points[point.name] = (distribution, point)
    ordered = sorted(points.items(), key=lambda item: (item[1][0] != OWN_DISTRIBUTION, item[0]))
    return tuple(_open(name, distribution, point) for name, (distribution, point) in ordered)


def _not_installed(name: str, found: Iterable[str]) -> Fault:
    """Return the fault for a name in [measures] use that nothing answers to."""
    there = list(found)
    near = get_close_matches(name, there, n=1)
    meant = f"Did you mean {near[0]!r}? " if near else ""
    text = f"no measure {name!r} is installed."
    return Fault("unknown-measure", text, f"{meant}There are {', '.join(there)}.", key="measures.use")


def open_measures(options: MeasureOptions, run: Run | None = None) -> tuple[Measure, ...]:
    """Return the measures that the brief asks for, in the order in which they are named (all, if it names none).

    A broken measure is left out, and noted in ``run``, unless the brief says ``on_plugin_error = "stop"``.

    Raises
    ------
    InputsAtFault
        When measures are named that are not installed.
    MeasureFailed
        When one is broken and the brief says ``on_plugin_error = "stop"``.
    """
    found = {entry.name: entry for entry in find_measures()}
    if strange := [name for name in options.use if name not in found]:
        raise InputsAtFault([_not_installed(name, found) for name in strange])
    chosen = [found[name] for name in (options.use or tuple(found))]
    for entry in chosen:
        if entry.measure is None:
            if options.on_plugin_error == "stop" or entry.distribution == OWN_DISTRIBUTION:
                raise MeasureFailed(entry.fault)
            logger.warning("%s The run goes on without it.", entry.fault)
            if run is not None:
                cure = f"Mend or uninstall {entry.distribution}."
                run.note(DataIssue("note", "measure_left_out", "measures", entry.fault, cure))
    return tuple(entry.measure for entry in chosen if entry.measure is not None)


def requirements(measures: tuple[Measure, ...]) -> pd.DataFrame:
    """List the site columns that the measures read: measure, column, unit, meaning, when_unknown."""
    rows = [
        (measure.name, column.name, column.unit, column.meaning, column.when_unknown)
        for measure in measures
        for column in measure.columns
    ]
    return pd.DataFrame(rows, columns=["measure", "column", "unit", "meaning", "when_unknown"])


def _distribution(point: EntryPoint) -> str:
    return point.dist.name if point.dist is not None else OWN_DISTRIBUTION


def _identity(known: tuple[str, EntryPoint]) -> tuple[str, str]:
    return known[0], known[1].value


def _open(name: str, distribution: str, point: EntryPoint) -> FoundMeasure:
    """Import one measure; whatever a stranger's module raises becomes a named fault."""
    where = f"the measure {name!r} of the package {distribution}"
    try:
        module_name, _, attribute = point.value.partition(":")
        measure = getattr(import_module(module_name), attribute or "measure")
    except Exception as cause:
        logger.debug("import of %s failed", point.value, exc_info=True)
        return FoundMeasure(name, distribution, None, f"{where} could not be opened: {type(cause).__name__}: {cause}.")
    if not isinstance(measure, Measure):
        return FoundMeasure(name, distribution, None, f"{where} is a {type(measure).__name__}, not a Measure.")
    if measure.name != name:
        fault = f"{where} calls itself {measure.name!r}; the entry point and the measure must have one name."
        return FoundMeasure(name, distribution, None, fault)
    return FoundMeasure(name, distribution, replace(measure, distribution=distribution))

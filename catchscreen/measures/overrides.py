"""The user's numbers laid over a measure's defaults: thresholds, further numbers, grades."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from difflib import get_close_matches

from catchscreen.errors import Fault, InputsAtFault
from catchscreen.measures.contract import Measure
from catchscreen.options import MeasureOptions


def apply_overrides(measures: Sequence[Measure], options: MeasureOptions) -> tuple[Measure, ...]:
    """Return the measures with the brief's own numbers in place.

    Raises
    ------
    InputsAtFault
        When a key names nothing; each fault gives the nearest valid key.
    """
    known_thresholds = {f"{measure.name}.{rule.name}" for measure in measures for rule in measure.thresholds}
    known_numbers = {f"{measure.name}.{name}" for measure in measures for name in measure.extra}
    known_grades = {f"{measure.name}.{rule.name}" for measure in measures for rule in measure.grades}
    faults = [
        *_strangers("thresholds", options.thresholds, known_thresholds),
        *_strangers("numbers", options.numbers, known_numbers),
        *_strangers("grades", options.grades, known_grades),
        *_misfits(measures, options),
    ]
    if faults:
        raise InputsAtFault(faults)
    return tuple(_override(measure, options) for measure in measures)


def _override(measure: Measure, options: MeasureOptions) -> Measure:
    thresholds = tuple(
        replace(rule, value=options.thresholds[key], source="the brief")
        if (key := f"{measure.name}.{rule.name}") in options.thresholds
        else rule
        for rule in measure.thresholds
    )
    grades = tuple(
        replace(rule, zero_at=options.grades[key][0], one_at=options.grades[key][1], source="the brief")
        if (key := f"{measure.name}.{rule.name}") in options.grades
        else rule
        for rule in measure.grades
    )
    extra = {name: options.numbers.get(f"{measure.name}.{name}", value) for name, value in measure.extra.items()}
    return replace(measure, thresholds=thresholds, grades=grades, extra=extra)


def _strangers(table: str, given: Iterable[str], known: set[str]) -> list[Fault]:
    faults = []
    for key in given:
        if key in known:
            continue
        near = get_close_matches(key, sorted(known), n=1)
        cure = f"Did you mean {near[0]!r}?" if near else f"The keys are {', '.join(sorted(known))}."
        faults.append(Fault("unknown_measure_key", f"no measure has {key!r}.", cure, key=f"measures.{table}"))
    return faults


def _misfits(measures: Sequence[Measure], options: MeasureOptions) -> list[Fault]:
    """Refuse words where a number belongs, and the other way round; refuse scaling a criterion made of classes."""
    faults = []
    for measure in measures:
        for rule in measure.thresholds:
            given = options.thresholds.get(f"{measure.name}.{rule.name}")
            if given is not None and isinstance(given, tuple) != isinstance(rule.value, tuple):
                wanted = "a list of words" if isinstance(rule.value, tuple) else "a number"
                faults.append(
                    Fault(
                        "wrong_threshold_type",
                        f"{measure.name}.{rule.name} is {given!r}.",
                        f"Give {wanted}.",
                        key="measures.thresholds",
                    )
                )
        for grade in measure.grades:
            key = f"{measure.name}.{grade.name}"
            if key in options.grades and grade.classes:
                faults.append(
                    Fault(
                        "grade_of_classes",
                        f"{key} is graded by classes, not by two numbers.",
                        "Leave it out.",
                        key="measures.grades",
                    )
                )
            elif key in options.grades and options.grades[key][0] == options.grades[key][1]:
                faults.append(
                    Fault(
                        "grade_without_span",
                        f"{key} has one value for 0 and for 1.",
                        "Give two different values.",
                        key="measures.grades",
                    )
                )
    return faults

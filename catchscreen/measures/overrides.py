"""The user's numbers laid over a measure's defaults: thresholds, further numbers, grades."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches

from catchscreen.errors import Fault, InputsAtFault
from catchscreen.measures.contract import Measure
from catchscreen.options import MeasureOptions

BRIEF = "the brief"
"""Source of a number that the user has set."""


def apply_overrides(measures: Sequence[Measure], options: MeasureOptions) -> tuple[Measure, ...]:
    """Return the measures with the brief's own numbers and rules in place, each with the brief as its source.

    Raises
    ------
    InputsAtFault
        When a key names nothing; each fault gives the nearest valid key.
    """
    known = {
        "thresholds": {f"{measure.name}.{rule.name}" for measure in measures for rule in measure.thresholds},
        "numbers": {f"{measure.name}.{name}" for measure in measures for name in measure.extra},
        "grades": {f"{measure.name}.{rule.name}" for measure in measures for rule in measure.grades},
    }
    names = [measure.name for measure in measures]
    faults = [fault for table in known for fault in _strangers(table, getattr(options, table), known, names)]
    faults += _misfits(measures, options)
    if faults:
        raise InputsAtFault(faults)
    return tuple(_override(measure, options) for measure in measures)


def _override(measure: Measure, options: MeasureOptions) -> Measure:
    thresholds = tuple(
        replace(rule, value=options.thresholds[key], source=BRIEF)
        if (key := f"{measure.name}.{rule.name}") in options.thresholds
        else rule
        for rule in measure.thresholds
    )
    grades = tuple(
        replace(rule, zero_at=options.grades[key][0], one_at=options.grades[key][1], source=BRIEF)
        if (key := f"{measure.name}.{rule.name}") in options.grades
        else rule
        for rule in measure.grades
    )
    constraints = tuple(
        replace(rule, rule=options.constraint_rules[rule.kind], source=BRIEF)
        if rule.kind in options.constraint_rules
        else rule
        for rule in measure.constraints
    )
    given = {
        name: options.numbers[key] for name in measure.extra if (key := f"{measure.name}.{name}") in options.numbers
    }
    return replace(
        measure,
        thresholds=thresholds,
        constraints=constraints,
        grades=grades,
        extra={**measure.extra, **given},
        extra_sources={**measure.extra_sources, **dict.fromkeys(given, BRIEF)},
    )


def _strangers(
    table: str, given: Iterable[str], known: Mapping[str, set[str]], names: Sequence[str]
) -> Iterator[Fault]:
    for key in given:
        if key not in known[table]:
            yield Fault(
                "unknown_measure_key",
                f"no measure in use has {key!r} among its {table}.",
                _cure(key, table, known, names),
                key=f"measures.{table}.{key}",
            )


def _cure(key: str, table: str, known: Mapping[str, set[str]], names: Sequence[str]) -> str:
    """Name the table that the key belongs to, else the nearest key, else the keys of its measure or the measures."""
    elsewhere = [other for other in known if key in known[other]]
    if elsewhere:
        return f"It belongs in [measures.{elsewhere[0]}]."
    measure = key.partition(".")[0]
    own = sorted(name for name in known[table] if name.startswith(f"{measure}."))
    near = get_close_matches(key, own or sorted(known[table]), n=1)
    if near:
        return f"Did you mean {near[0]!r}?"
    if own:
        return f"The keys are {', '.join(own)}."
    return f"A key starts with a measure in use: {', '.join(names)}; `catchscreen measures` lists what each has."


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
                        key=f"measures.thresholds.{measure.name}.{rule.name}",
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
                        key=f"measures.grades.{key}",
                    )
                )
            elif key in options.grades and options.grades[key][0] == options.grades[key][1]:
                faults.append(
                    Fault(
                        "grade_without_span",
                        f"{key} has one value for 0 and for 1.",
                        "Give two different values.",
                        key=f"measures.grades.{key}",
                    )
                )
    return faults

"""What a measure says about itself, as rows: the command ``measures`` and the documentation are rendered from them."""

from __future__ import annotations

import re
from collections.abc import Sequence

import pandas as pd

from catchscreen.measures.contract import Measure, Threshold
from catchscreen.records import GradeRule

COMMON = "common practice"
VALUE = re.compile(r"\{value[^}]*\}")
"""Where a site's own value stands in a reason."""
DECIDING = ("variant", "gate", "switch", "flag", "constraint", "grade", "number")
"""Kinds of rows that hold a number or a rule, each with its source."""
DESCRIBED = ["kind", "name", "column", "rule", "applies_to", "reason", "when_unknown", "source"]


def describe(measure: Measure) -> pd.DataFrame:
    """Return everything that decides about a measure, one row each.

    Returns
    -------
    DataFrame
        kind ("variant", "column", "gate", "switch", "flag", "constraint", "grade", "number", "caution"), name, column,
        rule, applies_to, reason, when_unknown, source.
    """
    rows: list[tuple[str, ...]] = []
    for variant in measure.variants:
        depths = ", ".join(f"{depth:g}" for depth in variant.depths_mm)
        rule = f"store depths {depths} mm, {variant.void_fraction:.0%} voids"
        rows.append(("variant", variant.name, "", rule, variant.name, variant.title, "", variant.source))
    for column in measure.columns:
        unit = f"[{column.unit}]" if column.unit else ""
        rows.append(("column", column.name, column.name, unit, "", column.meaning, column.when_unknown, ""))
    rows.extend(_threshold_row(threshold) for threshold in measure.thresholds)
    for place in measure.constraints:
        rule = f"{place.rule}: " + (f"nearer than {place.distance_m:g} m" if place.distance_m > 0 else "touches")
        rows.append(("constraint", place.kind, "", rule, "", place.reason, "", place.source))
    rows.extend(_grade_row(grade) for grade in measure.grades)
    rows.extend(
        ("number", name, "", f"{value:g}", "", "", "", measure.extra_sources.get(name, COMMON))
        for name, value in measure.extra.items()
    )
    rows.extend(("caution", "", "", "", "", text, "", "") for text in measure.cautions)
    return pd.DataFrame(rows, columns=DESCRIBED)


def list_rules(measures: Sequence[Measure]) -> pd.DataFrame:
    """List every rule and number that decides about the measures as they are used, overrides in place, with its source.

    Returns
    -------
    DataFrame
        Index rule_id (measure, kind, name); measure and the columns of ``describe``.
    """
    frames = [describe(measure).assign(measure=measure.name) for measure in measures]
    table = pd.concat(frames or [pd.DataFrame(columns=[*DESCRIBED, "measure"])], ignore_index=True)
    table = table[table["kind"].isin(DECIDING)].copy()
    named = table["measure"] + "." + table["kind"] + "." + table["name"]
    again = named.groupby(named).cumcount()
    table["reason"] = table["reason"].str.replace(VALUE, "[value]", regex=True)
    ids = named.where(again == 0, named + "." + (again + 1).astype(str))
    return table.set_index(pd.Index(ids, name="rule_id"))[["measure", *DESCRIBED]]


def _threshold_row(threshold: Threshold) -> tuple[str, ...]:
    value = ", ".join(threshold.value) if isinstance(threshold.value, tuple) else f"{threshold.value:g}"
    applies = ", ".join(threshold.variants) or "all"
    applies += f" -> {threshold.to_variant}" if threshold.to_variant else ""
    rule = f"{threshold.comparison} {value}"
    rule += ", unless its store half-empties in time" if threshold.unless_half_empty else ""
    unknown = f"{threshold.unknown_text}: {threshold.unknown_check}" if threshold.unknown_text else ""
    return (
        threshold.kind, threshold.name, threshold.column, rule, applies, threshold.reason, unknown, threshold.source,
    )  # fmt: skip


def _grade_row(grade: GradeRule) -> tuple[str, ...]:
    if grade.classes:
        scale = ", ".join(f"{name} {value:g}" for name, value in grade.classes.items())
    else:
        top = "the 95th percentile of the sites that gain" if grade.one_at is None else f"{grade.one_at:g}"
        scale = f"0 at {grade.zero_at:g}, 1 at {top}" + (", log scale" if grade.scale == "log" else "")
    unknown = "median of the known sites" if grade.when_unknown == "median" else f"{grade.when_unknown:g}"
    weight = f"{grade.index}, weight {grade.weight:g}"
    return "grade", grade.name, grade.column, scale, weight, grade.title, unknown, grade.source


def describe_as_markdown(measure: Measure) -> str:
    """Return the description as a Markdown section with one table."""
    frame = describe(measure)
    lines = [f"## {measure.title}", "", "| " + " | ".join(DESCRIBED) + " |", "|" + " --- |" * len(DESCRIBED)]
    lines += ["| " + " | ".join(str(cell).replace("|", "/") for cell in row) + " |" for row in frame.to_numpy()]
    return "\n".join(lines) + "\n"

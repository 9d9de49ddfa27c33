"""The brief's own numbers for measures, looked over before anything is computed: strange keys, rows without numbers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from difflib import get_close_matches
from functools import partial

from catchscreen.errors import Fault, InputsAtFault
from catchscreen.measures.catalogue import load_prices, load_products
from catchscreen.measures.contract import Measure
from catchscreen.measures.overrides import apply_overrides
from catchscreen.options import MeasureOptions
from catchscreen.records.catalogue import Table


def find_faults(
    measures: Sequence[Measure], options: MeasureOptions, tables: Mapping[str, Table | None]
) -> tuple[Fault, ...]:
    """Find every fault of the brief's own numbers, prices and layers.

    Parameters
    ----------
    measures : the measures in use, as installed.
    tables : the user's own ``layer_catalogue`` and ``unit_costs`` as read; None or absent where there is none.

    Returns
    -------
    tuple of Fault
        Each with the key or the file and line, the nearest valid key, and the cure.
    """
    looks: tuple[Callable[[], object], ...] = (
        partial(apply_overrides, measures, options),
        partial(load_products, options, tables.get("layer_catalogue")),
        partial(load_prices, options, tables.get("unit_costs")),
    )
    faults: list[Fault] = []
    for look in looks:
        try:
            look()
        except InputsAtFault as error:
            faults.extend(error.faults)
    return (*faults, *_strange_kinds(measures, options))


def _strange_kinds(measures: Sequence[Measure], options: MeasureOptions) -> list[Fault]:
    """Refuse a rule for a kind of constraint that no measure heeds: a gate that never closes would be believed."""
    known = sorted({rule.kind for measure in measures for rule in measure.constraints})
    faults = []
    for kind in options.constraint_rules:
        if kind not in known:
            near = get_close_matches(kind, known, n=1)
            cure = f"Did you mean {near[0]!r}?" if near else f"The kinds are {', '.join(known)}."
            text = f"no measure heeds constraints of the kind {kind!r}."
            faults.append(Fault("unknown_constraint_kind", text, cure, key=f"measures.constraint_rules.{kind}"))
    return faults

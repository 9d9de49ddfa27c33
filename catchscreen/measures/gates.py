"""Gates, switches, flags and unknowns, applied to a table of options: all vectorised, each strike with its reason."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.measures.contract import Measure, Threshold
from catchscreen.measures.texts import Notes, join_texts, say_each

Mask = NDArray[np.bool_]
VERDICTS = ("gates", "switches", "conditions", "flags", "unknowns", "checks")


@dataclass(slots=True)
class _Verdicts:
    """Sentences gathered per option, in the order in which the rules stand; and which switches rest on knowledge."""

    gates: Notes
    switches: Notes
    conditions: Notes
    flags: Notes
    unknowns: Notes
    checks: Notes
    known_switch: Mask


def judge_options(options: pd.DataFrame, measure: Measure, constraints: pd.DataFrame) -> pd.DataFrame:
    """Apply every rule of a measure to its options.

    Parameters
    ----------
    options : index option_id; candidate_id, variant and every column that the rules name (absent: unknown).
    constraints : the table of ``constraints.find_constraints``.

    Returns
    -------
    DataFrame
        Same index; admissible (bool), gates, switches, conditions (what the run of the store has to refute), flags,
        unknowns, checks (texts, "; " between), reason, and waits_for_test (bool): only an unknown keeps the option out,
        so that it bounds the range.
    """
    count = len(options)
    notes = {name: Notes(count) for name in VERDICTS}
    verdicts = _Verdicts(**notes, known_switch=np.zeros(count, bool))
    for rule in measure.thresholds:
        _apply_threshold(options, rule, verdicts)
    _apply_constraints(options, measure, constraints, verdicts)
    frame = pd.DataFrame(
        {name: pd.Series(getattr(verdicts, name).joined(), index=options.index, dtype=object) for name in VERDICTS}
    )
    gated, switched = verdicts.gates.any(), verdicts.switches.any()
    frame["admissible"] = ~gated & ~switched
    frame["waits_for_test"] = ~gated & switched & ~verdicts.known_switch
    frame["reason"] = write_verdict(frame)
    return frame


def write_verdict(frame: pd.DataFrame) -> pd.Series:
    """Say in one sentence what gates, switches and flags amount to."""
    gates, switches = frame["gates"].to_numpy(dtype=object), frame["switches"].to_numpy(dtype=object)
    mind = join_texts(frame["conditions"], frame["flags"]).to_numpy(dtype=object)
    choices = [gates != "", switches != "", mind != ""]
    texts = ["excluded: " + gates, "another variant instead: " + switches, "possible; mind: " + mind]
    said = np.select(choices, texts, "possible; no rule speaks against it")
    return pd.Series(said, index=frame.index, dtype=object)


def strikes(values: pd.Series, rule: Threshold) -> tuple[Mask, Mask]:
    """Tell where a rule strikes and where its column is unknown; < and > exclude the limit itself."""
    if isinstance(rule.value, tuple):
        codes, texts = pd.factorize(values.to_numpy(dtype=object))
        unknown = np.append([str(text) == "" for text in texts], [True])[codes].astype(bool)
        inside = np.append([str(text) in rule.value for text in texts], [False])[codes].astype(bool)
        return (inside if rule.comparison == "in" else ~inside) & ~unknown, unknown
    number = pd.to_numeric(values, errors="coerce").to_numpy(float)
    unknown = np.isnan(number)
    compare = {"<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal}[rule.comparison]
    with np.errstate(invalid="ignore"):
        return np.asarray(compare(number, rule.value)) & ~unknown, unknown


def _apply_threshold(options: pd.DataFrame, rule: Threshold, verdicts: _Verdicts) -> None:
    concerned = options["variant"].isin(rule.variants).to_numpy() if rule.variants else np.ones(len(options), bool)
    values = options[rule.column] if rule.column in options else pd.Series(np.nan, index=options.index)
    struck, unknown = strikes(values, rule)
    store = {"gate": verdicts.gates, "switch": verdicts.switches, "flag": verdicts.flags}[rule.kind]
    rows = np.flatnonzero(struck & concerned)
    if rule.unless_half_empty:
        verdicts.conditions.add(rows, say_each(np.asarray(values, dtype=object)[rows], _sentence(rule.reason, "")))
        rows = rows[:0]
    end = f" (so {rule.to_variant})" if rule.kind == "switch" else ""
    store.add(rows, say_each(np.asarray(values, dtype=object)[rows], _sentence(rule.reason, end)))
    if rule.kind == "switch":
        verdicts.known_switch[rows] = True
    if not rule.unknown_text:
        return
    rows = np.flatnonzero(unknown & concerned)
    verdicts.unknowns.add(rows, rule.unknown_text)
    if rule.unknown_check:
        verdicts.checks.add(rows, rule.unknown_check)
    if rule.unknown_switches:
        verdicts.switches.add(rows, f"{rule.unknown_text} unknown (so {rule.to_variant} until it is tested)")


def _sentence(reason: str, end: str) -> Callable[[object], str]:
    """Give what writes a rule's reason with the site's own value in it."""

    def say(value: object) -> str:
        return reason.format(value=value.replace("_", " ") if isinstance(value, str) else value) + end

    return say


def _apply_constraints(options: pd.DataFrame, measure: Measure, constraints: pd.DataFrame, verdicts: _Verdicts) -> None:
    """Lay mapped constraints on the options: a switch concerns those that soak, and names the variant that does not."""
    soaking = {variant.name for variant in measure.variants if variant.soaks != "none"}
    dry = next((variant.name for variant in measure.variants if variant.soaks == "none"), "")
    places = pd.DataFrame({"candidate_id": options["candidate_id"].to_numpy(), "row": np.arange(len(options))})
    met = constraints.reset_index(drop=True).rename_axis("order").reset_index().merge(places, on="candidate_id")
    met = met.sort_values(["order", "row"], kind="stable")
    row, rule, reason = met["row"].to_numpy(np.int64), met["rule"].to_numpy(), met["reason"].to_numpy(dtype=object)
    gate = rule == "gate"
    switch = (rule == "switch") & options["variant"].isin(soaking).to_numpy()[row]
    flag = ~gate & ~switch & ((rule == "flag") | met["also_flag"].to_numpy(bool))
    verdicts.gates.add(row[gate], reason[gate])
    verdicts.switches.add(row[switch], reason[switch] + f" (so {dry})" if dry else reason[switch])
    verdicts.known_switch[row[switch]] = True
    verdicts.flags.add(row[flag], reason[flag])

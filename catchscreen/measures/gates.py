"""Gates, switches, flags and unknowns, applied to a table of options: all vectorised, each strike with its reason."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.measures.contract import Measure, Threshold

Mask = NDArray[np.bool_]
SEPARATOR = "; "


@dataclass(slots=True)
class _Verdicts:
    """Texts gathered per option, in the order in which the rules stand."""

    gates: list[list[str]]
    switches: list[list[str]]
    flags: list[list[str]]
    unknowns: list[list[str]]
    checks: list[list[str]]
    known_switches: list[int]


def judge_options(options: pd.DataFrame, measure: Measure, constraints: pd.DataFrame) -> pd.DataFrame:
    """Apply every rule of a measure to its options.

    Parameters
    ----------
    options : index option_id; candidate_id, variant and every column that the rules name (absent: unknown).
    constraints : the table of ``constraints.find_constraints``.

    Returns
    -------
    DataFrame
        Same index; admissible (bool), gates, switches, flags, unknowns, checks (texts, "; " between), reason, and
        waits_for_test (bool): only an unknown keeps the option out, so that it bounds the range.
    """
    count = len(options)
    verdicts = _empty_verdicts(count)
    for rule in measure.thresholds:
        _apply_threshold(options, rule, verdicts)
    _apply_constraints(options, measure, constraints, verdicts)
    frame = pd.DataFrame(index=options.index)
    for name in ("gates", "switches", "flags", "unknowns", "checks"):
        joined = [SEPARATOR.join(dict.fromkeys(texts)) for texts in getattr(verdicts, name)]
        frame[name] = pd.Series(joined, index=options.index, dtype=object)
    gated = np.array([bool(texts) for texts in verdicts.gates], dtype=bool)
    switched = np.array([bool(texts) for texts in verdicts.switches], dtype=bool)
    frame["admissible"] = ~gated & ~switched
    frame["waits_for_test"] = ~gated & switched & (np.array(verdicts.known_switches, dtype=np.int64) == 0)
    frame["reason"] = [_reason(*row) for row in zip(frame["gates"], frame["switches"], frame["flags"], strict=True)]
    return frame


def strikes(values: pd.Series, rule: Threshold) -> tuple[Mask, Mask]:
    """Tell where a rule strikes and where its column is unknown; < and > exclude the limit itself."""
    if isinstance(rule.value, tuple):
        text = values.astype(object).where(values.notna(), "").astype(str)
        unknown = (text == "").to_numpy()
        inside = text.isin(rule.value).to_numpy()
        return (inside if rule.comparison == "in" else ~inside) & ~unknown, unknown
    number = pd.to_numeric(values, errors="coerce").to_numpy(float)
    unknown = np.isnan(number)
    compare = {"<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal}[rule.comparison]
    with np.errstate(invalid="ignore"):
        return np.asarray(compare(number, rule.value)) & ~unknown, unknown


def _empty_verdicts(count: int) -> _Verdicts:
    def texts() -> list[list[str]]:
        return [[] for _ in range(count)]

    return _Verdicts(texts(), texts(), texts(), texts(), texts(), [0] * count)


def _apply_threshold(options: pd.DataFrame, rule: Threshold, verdicts: _Verdicts) -> None:
    concerned = options["variant"].isin(rule.variants).to_numpy() if rule.variants else np.ones(len(options), bool)
    values = options[rule.column] if rule.column in options else pd.Series(np.nan, index=options.index)
    struck, unknown = strikes(values, rule)
    listed = values.to_numpy()
    store = {"gate": verdicts.gates, "switch": verdicts.switches, "flag": verdicts.flags}[rule.kind]
    for row in np.flatnonzero(struck & concerned):
        value = listed[row].replace("_", " ") if isinstance(listed[row], str) else listed[row]
        text = rule.reason.format(value=value)
        store[row].append(f"{text} (so {rule.to_variant})" if rule.kind == "switch" else text)
        verdicts.known_switches[row] += rule.kind == "switch"
    if not rule.unknown_text:
        return
    for row in np.flatnonzero(unknown & concerned):
        verdicts.unknowns[row].append(rule.unknown_text)
        if rule.unknown_check:
            verdicts.checks[row].append(rule.unknown_check)
        if rule.unknown_switches:
            verdicts.switches[row].append(f"{rule.unknown_text} unknown (so {rule.to_variant} until it is tested)")


def _apply_constraints(options: pd.DataFrame, measure: Measure, constraints: pd.DataFrame, verdicts: _Verdicts) -> None:
    """Lay mapped constraints on the options: a switch concerns those that soak, and names the variant that does not."""
    soaks = {variant.name: variant.soaks != "none" for variant in measure.variants}
    dry = next((variant.name for variant in measure.variants if variant.soaks == "none"), "")
    rows = pd.Series(np.arange(len(options)), index=options["candidate_id"].to_numpy())
    own = constraints[constraints["candidate_id"].isin(rows.index)]
    positions = rows.groupby(level=0).agg(list).to_dict()
    variants = options["variant"].to_numpy()
    for candidate, rule, reason, also_flag in zip(
        own["candidate_id"], own["rule"], own["reason"], own["also_flag"], strict=True
    ):
        for row in positions[candidate]:
            if rule == "gate":
                verdicts.gates[row].append(reason)
            elif rule == "switch" and soaks[variants[row]]:
                verdicts.switches[row].append(f"{reason} (so {dry})" if dry else reason)
                verdicts.known_switches[row] += 1
            elif rule == "flag" or also_flag:
                verdicts.flags[row].append(reason)


def join_texts(*columns: pd.Series) -> pd.Series:
    """Join texts row by row, empty ones left out."""
    texts = [SEPARATOR.join(str(cell) for cell in cells if cell) for cells in zip(*columns, strict=True)]
    return pd.Series(texts, index=columns[0].index, dtype=object)


def _reason(gates: str, switches: str, flags: str) -> str:
    if gates:
        return f"excluded: {gates}"
    if switches:
        return f"another variant instead: {switches}"
    return f"possible; mind: {flags}" if flags else "possible; no rule speaks against it"

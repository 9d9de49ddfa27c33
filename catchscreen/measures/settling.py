"""What the runs of the stores decide about an option: a slow soil takes all only if its store is empty in time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from catchscreen.measures.contract import Measure
from catchscreen.measures.gates import write_verdict
from catchscreen.measures.texts import SEPARATOR, join_texts
from catchscreen.records import Proposals, Sizes

HALF_EMPTYING_KEY = "half_emptying_max_h"
OVERFLOWS = "does not hold the sizing storm"
HALF_EMPTYING_MAX_H = 24.0
"""Greatest time to half empty after the sizing storm: a county's design standard for soakaways (24 h after 1-in-30)."""


def find_dropped(proposals: Proposals, chosen: pd.DataFrame, half_emptying_h: pd.Series) -> pd.DataFrame:
    """Find options that were possible only if their store half-empties in time, and does not.

    A slow soil has to do so at the low end of its rate: where only the ground empties the store, the time goes with
    1/q (t = n h / 2 q), so the run's time is stretched by the rate used over the low one.

    Parameters
    ----------
    chosen : index option_id; passes (bool), the stores chosen.
    half_emptying_h : by option, the longest over the sizing storms (inf: never).

    Returns
    -------
    DataFrame
        Index option_id; switches: why another variant takes its place.
    """
    options = proposals.options.reindex(chosen.index)
    asked = options["conditions"].fillna("").to_numpy(dtype=object)
    limit_h = options["measure"].map(half_emptying_limits(proposals.measures)).to_numpy(float)
    stretch = (options["q_used_m_s"] / options["q_low_m_s"]).clip(lower=1.0).fillna(1.0)
    half_h = half_emptying_h.reindex(chosen.index).to_numpy(float) * stretch.to_numpy(float)
    late = ~(half_h <= limit_h)
    rows = np.flatnonzero((asked != "") & (late | ~chosen["passes"].to_numpy(bool)))
    texts = [
        f"{asked[row]}, and its store {_say_failure(half_h[row], limit_h[row]) if late[row] else OVERFLOWS}"
        for row in rows
    ]
    return pd.DataFrame({"switches": pd.Series(texts, dtype=object)}).set_index(chosen.index[rows])


def half_emptying_limits(measures: Sequence[Measure]) -> dict[str, float]:
    """Give each measure's greatest time to half empty [h]."""
    return {measure.name: measure.extra.get(HALF_EMPTYING_KEY, HALF_EMPTYING_MAX_H) for measure in measures}


def settle(proposals: Proposals, sizes: Sizes) -> Proposals:
    """Return the proposals with the options that the runs have dropped, each with its reason.

    A parcel that has no option of a measure left is set aside with that reason. What stays but is not half empty in
    time carries that as a flag, with its hours: a full store is no store for the next storm.
    """
    dropped, late = sizes.dropped, _say_late(proposals, sizes)
    if len(dropped) == 0 and len(late) == 0:
        return proposals
    table = proposals.options.copy()
    if len(late):
        table["flags"] = join_texts(table["flags"], late.reindex(table.index).fillna(""))
    table["admissible"] = table["admissible"] & ~table.index.isin(dropped.index)
    if len(dropped):
        table["switches"] = join_texts(table["switches"], dropped["switches"].reindex(table.index).fillna(""))
    table["reason"] = write_verdict(table)
    set_aside = _set_aside_more(proposals, table, dropped) if len(dropped) else proposals.set_aside
    return replace(proposals, options=table, set_aside=set_aside)


def _say_late(proposals: Proposals, sizes: Sizes) -> pd.Series:
    """Say by option_id which stores on the ground, of those that stay, are not half empty in time, with their hours."""
    options = proposals.options.reindex(sizes.options.index)
    limit_h = options["measure"].map(half_emptying_limits(proposals.measures)).to_numpy(float)
    half_h = sizes.options["sizing_half_emptying_h"].to_numpy(float)
    with np.errstate(invalid="ignore"):
        late = (half_h > limit_h) & (options["ground"] != "roof").to_numpy()
    rows = np.flatnonzero(late)
    texts = [
        f"its store {_say_hours(half_h[row])} after the sizing storm (at most {limit_h[row]:.0f} h)" for row in rows
    ]
    return pd.Series(texts, index=sizes.options.index[rows], dtype=object)


def _set_aside_more(proposals: Proposals, table: pd.DataFrame, dropped: pd.DataFrame) -> pd.DataFrame:
    lost = table.loc[dropped.index]
    able = table[table["admissible"]]
    possible = set(zip(able["parcel_id"], able["measure"], strict=True))
    said: dict[tuple[str, str], list[str]] = {}
    for parcel, measure, text in zip(lost["parcel_id"], lost["measure"], dropped["switches"], strict=True):
        if (parcel, measure) not in possible:
            said.setdefault((parcel, measure), []).append(text)
    rows = [(*key, "excluded: " + SEPARATOR.join(dict.fromkeys(texts))) for key, texts in said.items()]
    frame = pd.concat([proposals.set_aside, pd.DataFrame(rows, columns=["parcel_id", "measure", "reason"])])
    return frame.sort_values(["parcel_id", "measure"], kind="stable").reset_index(drop=True)


def _say_failure(half_h: float, limit_h: float) -> str:
    return f"{_say_hours(half_h)} at the low end of its rate (at most {limit_h:.0f} h)"


def _say_hours(half_h: float) -> str:
    return f"takes {half_h:.0f} h to half-empty" if np.isfinite(half_h) else "never half-empties"

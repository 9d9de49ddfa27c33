"""The critical duration: a pointer to the storm that is worst for a target, at each return period and climate."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

COLUMNS = (
    "level",
    "unit_id",
    "quantity",
    "return_period_years",
    "climate",
    "uplift",
    "season",
    "storm_id",
    "duration_min",
    "value",
    "note",
)

ROUNDING = 1e-9
"""Flows that a sewer's capacity cuts off are equal but for rounding."""
ALIKE = ("return_period_years", "climate", "uplift", "season")
"""Storms that agree in these differ in duration only."""


def point_at_critical(
    level: str, units: Sequence[str], quantity: str, values: NDArray[np.float64], storms: pd.DataFrame
) -> pd.DataFrame:
    """Name each unit's worst storm among those that differ in duration only; the shorter wins a tie, as a note says.

    Parameters
    ----------
    values : (units, storms) the quantity in the order of ``storms``; NaN is never the worst, and where nothing
    flows in any storm there is none.
    storms : ``Storms.storms``; plain depths carry no return period and have one duration, so they are not compared.
    """
    ranked = storms.assign(at=np.arange(len(storms)))
    ranked = ranked[ranked["return_period_years"].notna()].sort_values(["duration_min", "at"], kind="stable")
    names = np.array(units, object)
    parts = []
    for key, group in ranked.groupby(list(ALIKE), sort=True):
        part = values[:, group["at"].to_numpy()]
        part = np.where(np.isnan(part), -np.inf, part)
        worst = part >= part.max(axis=1, keepdims=True) * (1.0 - ROUNDING)
        best = worst.argmax(axis=1)
        value = part[np.arange(len(best)), best]
        some = np.isfinite(value) & (value > 0.0)
        told = {"level": level, "unit_id": names[some], "quantity": quantity, **dict(zip(ALIKE, key, strict=True))}
        told["storm_id"] = group.index.to_numpy(object)[best[some]]
        told["duration_min"] = group["duration_min"].to_numpy(np.float64)[best[some]]
        told["note"] = _notes(worst[some], best[some])
        parts.append(pd.DataFrame({**told, "value": value[some]}, columns=list(COLUMNS)))
    parts = [part for part in parts if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(COLUMNS))


def _notes(worst: NDArray[np.bool_], best: NDArray[np.int64]) -> NDArray[np.object_]:
    """Say where the worst duration is not the only one, or may not have been tried; durations rise along the rows."""
    alike, tried = worst.sum(axis=1), worst.shape[1]
    notes = np.full(len(worst), "", object)
    if tried > 1:
        notes[best == tried - 1] = "the longest duration tried: a longer one may be worse"
    tied = alike > 1
    notes[tied] = [
        f"the same in {count} durations (a full sewer passes no more): the shortest is named" for count in alike[tied]
    ]
    return notes


def name_critical(rows: pd.DataFrame, pointers: pd.DataFrame, storms: pd.DataFrame) -> NDArray[np.object_]:
    """Name the critical storm of each row's unit among the storms that differ from the row's in duration only.

    Parameters
    ----------
    rows : level, unit_id, storm_id; pointers : what ``point_at_critical`` returned for these units, one quantity for
    each level; storms : ``Storms.storms``.

    Returns
    -------
    (rows,) storm ids, "" where there is none (plain depths, unknown values).
    """
    if pointers.empty:
        return np.full(len(rows), "", object)
    keys = rows[["level", "unit_id", "storm_id"]].join(storms[list(ALIKE)], on="storm_id")
    told = pointers[["level", "unit_id", *ALIKE, "storm_id"]].rename(columns={"storm_id": "critical"})
    found = keys.merge(told, on=["level", "unit_id", *ALIKE], how="left")["critical"]
    return found.astype(object).where(found.notna(), "").to_numpy(object)

"""Sums over the ledger and the water balance for the rows of a layer. Nothing is counted anywhere else."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from catchscreen.records import Cover, Storms

REFERENCE_RETURN_PERIOD_YEARS: Final = 30.0
REFERENCE_DURATION_MIN: Final = 60.0
REFERENCE_DEPTH_MM: Final = 30.0

_KIND_COLUMNS: Final = {
    "roof": "roof_m2",
    "road": "paved_m2",
    "paved": "paved_m2",
    "planted": "planted_m2",
    "unknown": "unknown_cover_m2",
}


def reference_storm(storms: Storms) -> str:
    """Return the storm whose volumes stand in the rows of the layers: now, nearest to 1-in-30 and one hour.

    Where storms are plain depths, the one nearest to 30 mm. Rows carry the storm's id; figures of different storms are
    never added.
    """
    frame = storms.storms
    frame = frame[frame["climate"] == "now"] if (frame["climate"] == "now").any() else frame
    if frame["return_period_years"].notna().any():
        distance = np.abs(np.log(frame["return_period_years"] / REFERENCE_RETURN_PERIOD_YEARS)) + 0.1 * np.abs(
            np.log(frame["duration_min"] / REFERENCE_DURATION_MIN)
        )
    else:
        distance = np.abs(frame["depth_mm"] - REFERENCE_DEPTH_MM)
    return str(distance.sort_values(kind="stable").index[0])


def areas_by(cover: Cover, column: str) -> pd.DataFrame:
    """Sum areas by cover and permeability for each value of a ledger column.

    Returns
    -------
    DataFrame
        Index the column's values; area_m2, roof_m2, paved_m2, planted_m2, unknown_cover_m2, impermeable_low_m2,
        impermeable_m2, impermeable_high_m2, connected_impermeable_m2.
    """
    ledger = cover.ledger
    area = ledger["area_m2"]
    terms = pd.DataFrame({"area_m2": area})
    for target in dict.fromkeys(_KIND_COLUMNS.values()):
        kinds = [kind for kind, name in _KIND_COLUMNS.items() if name == target]
        terms[target] = area.where(ledger["kind"].isin(kinds), 0.0)
    for level in ("impermeable_low", "impermeable", "impermeable_high"):
        terms[f"{level}_m2"] = area * ledger[f"{level}_fraction"]
    terms["connected_impermeable_m2"] = terms["impermeable_m2"] * ledger["piped_fraction"]
    return terms.groupby(ledger[column].to_numpy(), sort=True).sum()


def balance_of(balance: pd.DataFrame, level: str, storm_id: str) -> pd.DataFrame:
    """Return the balance rows of one level and storm, indexed by unit."""
    rows = balance[(balance["level"] == level) & (balance["storm_id"] == storm_id)]
    return rows.set_index("unit_id")

"""Sums over the ledger and the water balance for the rows of a layer. Nothing is counted anywhere else."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.outputs.findings import Findings
from catchscreen.records import Cover, Storms

REFERENCE_RETURN_PERIOD_YEARS: Final = 30.0
REFERENCE_DURATION_MIN: Final = 60.0
REFERENCE_DEPTH_MM: Final = 30.0
WIDE_RANGE: Final = 0.25
"""A range narrower than a quarter of its middle is not worth another layer."""

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
    return balance[is_word(balance["level"], level) & is_word(balance["storm_id"], storm_id)].set_index("unit_id")


def is_word(values: pd.Series, word: str) -> NDArray[np.bool_]:
    """Mark the rows that hold a word: a balance has a row for each unit, level and storm."""
    return np.asarray(values.to_numpy(dtype=object) == word, dtype=np.bool_)


def narrowing_layer(found: Findings) -> str:
    """Name the one absent layer that would narrow the result most, or "" where no range is wide.

    Two ranges run through every figure: how much ground is impermeable (settled by land cover and buildings), and how
    much of the water would soak away (settled by soils). The wider one, as a share of its middle, decides.
    """
    ledger = found.cover.ledger
    inside = ledger[ledger["parcel_id"].astype(str) != ""]
    area = inside["area_m2"]
    ends = [float((area * inside[f"{level}_fraction"]).sum()) for level in ("impermeable_low", "impermeable_high")]
    cover = _spread(*ends)
    rows = found.ranked.option_scores
    retained = rows["retained_m3"].groupby(rows["candidate_id"])
    unproven = rows.groupby("candidate_id")["is_unproven"].any()
    soak = _spread(float(retained.min()[unproven].sum()), float(retained.max()[unproven].sum()))
    wide: list[tuple[float, str]] = []
    if found.data.land_cover is None:
        wide.append((cover, "land cover" if found.data.buildings is not None else "land cover, with buildings"))
    if found.data.soils is None:
        wide.append((soak, "soils"))
    worth = [pair for pair in wide if pair[0] >= WIDE_RANGE]
    return max(worth)[1] if worth else ""


def _spread(low: float, high: float) -> float:
    """Return the width of a range as a share of its middle."""
    return 2.0 * (high - low) / (high + low) if high + low > 0.0 else 0.0

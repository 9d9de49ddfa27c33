"""Evidence: tests and surveys at points, in one set of units, each with how far it holds."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from catchscreen.brief_sources import EvidenceSource, Source
from catchscreen.inputs.columns import as_text, number, our_word, pick_columns, set_ids, text, words
from catchscreen.inputs.desk import Desk
from catchscreen.inputs.vector import read_layer
from catchscreen.units import MM_H_PER_M_S, MM_PER_INCH

KINDS: Final = (
    "infiltration", "groundwater", "roof_structure", "sewer_connection", "utility", "outfall_level", "reuse_tank",
    "other",
)  # fmt: skip
KIND_WORDS: Final = {
    "infiltration_test": "infiltration", "soakaway_test": "infiltration", "percolation_test": "infiltration",
    "test_pit": "infiltration", "trial_pit": "infiltration", "groundwater_level": "groundwater",
    "groundwater_depth": "groundwater", "borehole": "groundwater", "roof": "roof_structure",
    "roof_survey": "roof_structure", "utilities": "utility", "utility_survey": "utility",
    "connection": "sewer_connection",
    "drain_survey": "sewer_connection", "dye_test": "sewer_connection", "outfall": "outfall_level",
    "reuse": "reuse_tank", "rainwater_tank": "reuse_tank",
}  # fmt: skip
ANSWERS: Final = {"confirmed": "1", "yes": "1", "found": "1", "connected": "1", "refused": "0", "no": "0", "none": "0",
                  "existing": "1", "planned": "0.5"}  # fmt: skip
"""What a survey may have found, in words."""
PLAUSIBLE_M_S: Final = (1e-8, 1e-3)
UNIT_TO_M_S: Final = {"m_s": 1.0, "mm_h": 1.0 / MM_H_PER_M_S, "mm_hr": 1.0 / MM_H_PER_M_S, "cm_s": 0.01, "mm_s": 0.001,
                      "m_d": 1.0 / 86400.0, "m_day": 1.0 / 86400.0, "in_h": MM_PER_INCH / MM_H_PER_M_S,
                      "in_hr": MM_PER_INCH / MM_H_PER_M_S}  # fmt: skip
UNIT_TO_M: Final = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048}

COLUMNS: Final = (
    words("kind", KINDS, otherwise="", also=KIND_WORDS),
    number("value"),
    text("unit"),
    number("depth_m", 0, 100),
    text("date"),
    text("method"),
    number("reach_m", 0.1, 5000),
    text("document"),
    text("tester_role"),
)


def read_evidence(desk: Desk) -> gpd.GeoDataFrame | None:
    """Read every evidence layer into one frame; later layers win where ids are the same."""
    frames = []
    for source in desk.brief.evidence:
        with desk.gathering():
            frames.append(_read_one(source, desk))
    if not frames:
        return None
    joined = pd.concat(frames)
    twice = joined.index.duplicated(keep="last")
    if twice.any():
        desk.note(
            "note", "replaced-evidence", "evidence", f"{int(twice.sum())} records are replaced by a later layer's."
        )
    return gpd.GeoDataFrame(joined[~twice].sort_index(kind="stable"), geometry="geometry", crs=desk.crs)


def _read_one(source: Source, desk: Desk) -> gpd.GeoDataFrame:
    """Read one layer of tests and surveys."""
    layer = read_layer(source, desk, ("point",))
    value = source.columns.get("value", "value")
    if value in layer.columns:
        layer[value] = as_text(layer[value]).map(lambda word: ANSWERS.get(our_word(word), word))
    frame = pick_columns(layer, source, desk, COLUMNS)
    frame.loc[frame["kind"] == "", "kind"] = "other"
    general = desk.brief.measures.evidence_reach_m
    reach = source.reach_m if isinstance(source, EvidenceSource) and source.reach_m else general
    assumed = frame["reach_m"].isna()
    frame["reach_m"] = frame["reach_m"].fillna(reach)
    if assumed.any():
        message = f"{int(assumed.sum())} records do not say how far they hold; {reach:g} m is taken."
        desk.note("note", "assumed-reach", source, message, cure="Give reach_m.")
    _one_unit(frame, "infiltration", "m/s", UNIT_TO_M_S, source, desk)
    _one_unit(frame, "groundwater", "m", UNIT_TO_M, source, desk)
    _one_unit(frame, "outfall_level", "m", UNIT_TO_M, source, desk)
    _check_rates(frame, source, desk)
    return set_ids(frame, layer, source, desk)


def _one_unit(
    frame: gpd.GeoDataFrame, kind: str, unit: str, factors: dict[str, float], source: Source, desk: Desk
) -> None:
    """Bring the values of one kind to one unit; a unit that we do not know makes the value unknown."""
    rows = (frame["kind"] == kind).to_numpy()
    keys = frame["unit"].map(lambda word: our_word(word) or our_word(unit))
    factor = keys.map(factors).to_numpy(dtype=np.float64)
    strange = rows & np.isnan(factor)
    if strange.any():
        message = (
            f"{int(strange.sum())} values of {kind} have a unit that we do not know: {frame['unit'][strange].iloc[0]}."
        )
        desk.note("repair", "unknown-unit", source, message, cure=f"Use {unit}.")
    frame.loc[rows, "value"] = (frame["value"].to_numpy() * factor)[rows]
    frame.loc[rows, "unit"] = unit


def _check_rates(frame: gpd.GeoDataFrame, source: Source, desk: Desk) -> None:
    """Take infiltration rates out of all proportion for unknown."""
    low, high = PLAUSIBLE_M_S
    odd = (frame["kind"] == "infiltration") & ((frame["value"] < low) | (frame["value"] > high))
    if odd.any():
        message = f"{int(odd.sum())} infiltration rates lie outside {low:g} to {high:g} m/s and count as unknown."
        desk.note("repair", "implausible-value", source, message, cure="Check the unit.")
        frame.loc[odd, "value"] = np.nan

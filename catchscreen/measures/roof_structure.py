"""What is known of a roof's structure: never a "yes" from age alone, a likelihood and a named check."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from catchscreen.measures.evidence import lowest_by_host
from catchscreen.options import MeasureOptions
from catchscreen.records import Inputs

DECK_LIKELIHOOD = {
    "concrete": 0.65,
    "timber": 0.30,
    "steel": 0.30,
    "light_steel": 0.10,
    "fibre_cement": 0.02,
    "asbestos_cement": 0.02,
}
"""Chance that the structure carries an extensive build-up, by deck, without a survey (from memory)."""
UNKNOWN_LIKELIHOOD = 0.35
BALLAST_BONUS = 0.20
"""Gravel or slabs that can be traded one for one raise the chance (from memory)."""
GREATEST_UNPROVEN = 0.85
BALLAST_KN_M2 = {"gravel": 0.9, "slabs": 1.6}
"""Least load of ballast that a build-up may replace: 90-150 and 160-220 kg/m2 (Scottish Green Infrastructure Forum)."""
GREATEST_PLANE_ERROR_M = 0.3
TIMBER_SOUND_FROM_YEAR = 1920.0


def add_roofs(hosts: gpd.GeoDataFrame, data: Inputs, matches: pd.DataFrame, options: MeasureOptions) -> None:
    """Add what the building says of the roof: deck, ballast, age, spare load, re-roofing, state and likelihood."""
    numbers = {name: _of_building(hosts, data, name) for name in ("year_built", "spare_load_kn_m2", "reroof_year")}
    hosts["year_built"] = numbers["year_built"].astype(float)
    hosts["years_to_reroof"] = (numbers["reroof_year"].astype(float) - options.current_year).clip(lower=0.0)
    height = _of_building(hosts, data, "height_m").astype(float)
    hosts["height_m"] = pd.to_numeric(hosts["height_m"], errors="coerce").astype(float).fillna(height)
    for name in ("pitch_deg", "plane_error_m", "usable_area_m2", "area_m2"):
        hosts[name] = pd.to_numeric(hosts[name], errors="coerce").astype(float)
    # A surface model that scatters about its own planes does not tell the pitch.
    hosts["pitch_deg"] = hosts["pitch_deg"].where(~(hosts["plane_error_m"] > GREATEST_PLANE_ERROR_M))
    hosts["usable_fraction"] = (hosts["usable_area_m2"] / hosts["area_m2"]).where(hosts["ground"] == "roof")
    hosts["deck"] = _of_building(hosts, data, "deck").fillna("").astype(str).replace("unknown", "")
    hosts["ballast"] = _of_building(hosts, data, "ballast").fillna("").astype(str).replace("unknown", "")
    survey = lowest_by_host(matches, "roof_structure", hosts.index)
    hosts["structure_state"] = np.select([survey == 0.0, survey > 0.0], ["refused", "confirmed"], "")
    # A survey that gives a load instead of a yes or no replaces the attribute; ballast is traded on top of either.
    measured = lowest_by_host(matches[matches["unit"] == "kN/m2"], "roof_structure", hosts.index)
    spare = measured.fillna(numbers["spare_load_kn_m2"].astype(float))
    hosts["spare_load_kn_m2"] = spare + hosts["ballast"].map(BALLAST_KN_M2).fillna(0.0)
    hosts["doubtful_deck"] = _doubtful_deck(hosts)
    hosts["structure_likelihood"] = estimate_likelihood(hosts).where(hosts["ground"] == "roof")


def estimate_likelihood(roofs: pd.DataFrame) -> pd.Series:
    """Give the chance that the structure carries an extensive build-up.

    A survey decides; without one it comes from the deck and the ballast and never exceeds ``GREATEST_UNPROVEN``. Age by
    itself neither raises nor lowers it.
    """
    base = roofs["deck"].map(DECK_LIKELIHOOD).fillna(UNKNOWN_LIKELIHOOD).astype(float)
    base = base + roofs["ballast"].isin(list(BALLAST_KN_M2)).astype(float) * BALLAST_BONUS
    unproven = base.clip(upper=GREATEST_UNPROVEN)
    return unproven.mask(roofs["structure_state"] == "confirmed", 0.95).mask(roofs["structure_state"] == "refused", 0.0)


def _doubtful_deck(hosts: pd.DataFrame) -> pd.Series:
    old = (hosts["deck"] == "timber") & (hosts["year_built"] < TIMBER_SOUND_FROM_YEAR)
    deck = hosts["deck"].mask(old, "timber_before_1920")
    return deck.mask(hosts["structure_state"] == "confirmed", "confirmed by survey")


def _of_building(hosts: gpd.GeoDataFrame, data: Inputs, column: str) -> pd.Series:
    if data.buildings is None or column not in data.buildings:
        return pd.Series(np.nan, index=hosts.index, dtype=object)
    values = data.buildings[column]
    lookup = pd.Series(values.to_numpy(dtype=object), index=data.buildings.index.astype(str))
    return pd.Series(lookup.reindex(hosts["building_id"]).to_numpy(), index=hosts.index, dtype=object)

"""Re-use: a tank that takes the water before ground, watercourse or sewer, where somebody says that there is one.

It goes first in what receives the water; no volume and no area is credited for it, since nobody knows here how full the
tank is when it rains.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from catchscreen.measures.evidence import lowest_by_host
from catchscreen.measures.texts import join_texts
from catchscreen.records import Inputs

KIND = "reuse_tank"
EXISTING, PLANNED, NONE = 1.0, 0.5, 0.0
"""Values of the evidence."""
SURVEYED, STATED = "surveyed on site", "stated for the parcel"
FIRST = "re-use, then "
NO_CREDIT = "no volume is credited for re-use"


def add_reuse(hosts: gpd.GeoDataFrame, data: Inputs, matches: pd.DataFrame) -> None:
    """Add what is known of a tank for re-use, and how sure: evidence at the place goes before the parcel's word."""
    found = lowest_by_host(matches, KIND, hosts.index).to_numpy(float)
    surveyed = np.select([found >= EXISTING, found >= PLANNED, found >= NONE], ["existing", "planned", "none"], "")
    stated = pd.Series("", index=hosts.index)
    if "reuse" in data.parcels:
        stated = data.parcels["reuse"].fillna("").astype(str).replace("unknown", "").reindex(hosts["parcel_id"])
    word = np.where(surveyed != "", surveyed, stated.fillna("").to_numpy(dtype=object))
    source = np.where(surveyed != "", SURVEYED, STATED)
    texts = [f"{state}, {said}" if state else "" for state, said in zip(word, source, strict=True)]
    hosts["reuse"] = pd.Series(texts, index=hosts.index, dtype=object)


def put_reuse_first(hosts: gpd.GeoDataFrame, table: pd.DataFrame) -> None:
    """Put re-use before what receives the water now (hosts) and after (options), with its certainty.

    A parcel's own word speaks of roofs, and if planned also of what a store drains; evidence speaks of all that it
    meets. What soaks away whole comes to no tank.
    """
    now = _counts(hosts, "existing")
    hosts["receiving_now"] = np.where(now, FIRST + _named(hosts["receiving_now"]), hosts["receiving_now"])
    said = hosts["reuse"].to_numpy(dtype=object)
    known = hosts["reuse"].str.startswith(("existing", "planned")).to_numpy(bool)
    sure = hosts["receiving_certainty"].to_numpy(dtype=object)
    hosts["receiving_certainty"] = np.where(known, sure + "; re-use " + said, sure)
    own = pd.DataFrame({name: hosts[name].reindex(table["candidate_id"]).to_numpy() for name in ("reuse", "ground")})
    before = _counts(own, "existing")
    table["receiving_now"] = np.where(before, FIRST + _named(table["receiving_now"]), table["receiving_now"])
    after = (before | _counts(own, "planned") | own["reuse"].eq(f"planned, {STATED}").to_numpy()) & (
        table["soaks"] != "all"
    ).to_numpy()
    texts = table["receiving_after"].astype(str)
    first = texts.str.replace("slowed to ", f"slowed to {FIRST}", n=1, regex=False)
    first = first.str.replace(f"{FIRST}{FIRST}", FIRST, regex=False)
    table["receiving_after"] = np.where(after, first, texts)
    table["notes"] = join_texts(table["notes"], pd.Series(np.where(before | after, NO_CREDIT, ""), index=table.index))


def _counts(frame: pd.DataFrame, state: str) -> np.ndarray:
    """Tell where a tank of that state takes the water: surveyed there, or stated for the roofs of the parcel."""
    surveyed = frame["reuse"].eq(f"{state}, {SURVEYED}")
    return np.asarray(surveyed | (frame["reuse"].eq(f"{state}, {STATED}") & frame["ground"].eq("roof")), dtype=bool)


def _named(receiving: pd.Series) -> pd.Series:
    return receiving.where(receiving != "", "unknown")

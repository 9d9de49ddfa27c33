"""Why a parcel has no host at all: what ground or roof it has, and what keeps it from being looked at."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.records import Cover

KINDS = {"paved": ("paved", "road"), "roof": ("roof",)}
NOTHING = {"paved": "no paved ground", "roof": "no roof", "pitch": "no pitch"}
STEEP_DEG = 30.0
"""Planes steeper than this are not usable; the surfaces leave them out of the usable area."""


def say_no_host(parcels: NDArray[np.object_], ground: str, cover: Cover) -> NDArray[np.object_]:
    """Say for each parcel what a measure of that ground finds there if it finds no host.

    Nothing of the kind; parts too small or narrow for a patch; or roofs of which nothing is usable, with the reason.
    """
    said = pd.Series(NOTHING[ground], index=pd.Index(parcels), dtype=object)
    if ground not in KINDS:
        return said.to_numpy(dtype=object)
    surfaces = cover.surfaces[cover.surfaces["kind"].isin(KINDS[ground])]
    area = surfaces.groupby("parcel_id")["area_m2"].sum()
    area = area[area.index.isin(said.index) & (area >= 1.0)]
    small = "paved ground, no part of it wide and large enough" if ground == "paved" else "roof, in parts too small"
    said.loc[area.index] = np.array([f"{value:,.0f} m2 of {small}" for value in area.tolist()], dtype=object)
    if ground == "roof":
        patches = cover.patches[cover.patches["ground"] == "roof"]
        why = _why_unusable(patches)
        of_parcel = pd.DataFrame({"parcel": patches["parcel_id"].to_numpy(), "why": why, "m2": patches["area_m2"]})
        of_parcel = of_parcel.sort_values(["parcel", "m2"], ascending=[True, False], kind="stable")
        largest = of_parcel.drop_duplicates("parcel").set_index("parcel")
        largest = largest[largest.index.isin(said.index)]
        m2 = area.reindex(largest.index).fillna(largest["m2"]).tolist()
        unusable = [
            f"{value:,.0f} m2 of roof, none of it usable: {reason}"
            for value, reason in zip(m2, largest["why"].tolist(), strict=True)
        ]
        said.loc[largest.index] = np.array(unusable, dtype=object)
    return said.to_numpy(dtype=object)


def _why_unusable(patches: pd.DataFrame) -> NDArray[np.object_]:
    """Say of roof patches why nothing of them is usable."""
    pitch = patches["pitch_deg"].to_numpy(float)
    reasons = patches["roof_reason"].fillna("").to_numpy(dtype=object)
    steep = np.array([f"it pitches {value:.0f} degrees" for value in pitch.tolist()], dtype=object)
    rest = "edge strips, plant and what stands on no plane leave nothing"
    return np.select([reasons != "", pitch > STEEP_DEG], [reasons, steep], np.full(len(patches), rest, dtype=object))

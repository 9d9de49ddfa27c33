"""What rain and runoff leave behind as tables: depths, peaks, critical storms, greenfield rates."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from catchscreen.outputs.findings import Findings
from catchscreen.records import Storms

MEAN_ANNUAL: Final = "mean"


def rain_frames(found: Findings) -> dict[str, pd.DataFrame]:
    """Return the tables of rain and flows by name, each with its id as index."""
    return {
        "peak_flows": _flows(found),
        "critical_storms": _critical(found),
        "greenfield_rates": _greenfield(found),
        "rain_depths": _depths(found),
        "rain_maxima": _keyed(found.storms.maxima, "maximum_id", ["duration_min", "year"]),
    }


NO_ZONE: Final = "(no zone)"
"""Ground that lies in no sewer zone, where its runoff is taken to be piped all the same."""


def _flows(found: Findings) -> pd.DataFrame:
    """Return both peaks of every unit and storm."""
    frame = with_storm(found.now.peaks, found.storms)
    frame = frame.assign(unit_id=frame["unit_id"].where(frame["unit_id"] != "", NO_ZONE))
    return _keyed(frame, "peak_id", ["level", "unit_id", "storm_id"])


def with_storm(frame: pd.DataFrame, storms: Storms, role: str = "") -> pd.DataFrame:
    """Add the storm in plain words beside ``storm_id``, and what it is to the layer where it has such a role."""
    if "storm_id" not in frame:
        return frame
    words = storms.storms["label"]
    if role:
        words = role + ": " + words
    return frame.assign(storm=frame["storm_id"].map(words))


def _critical(found: Findings) -> pd.DataFrame:
    """Return the pointers to the worst durations."""
    frame = with_storm(found.now.critical, found.storms)
    frame = frame.assign(unit_id=frame["unit_id"].where(frame["unit_id"] != "", NO_ZONE))
    key = ["level", "unit_id", "quantity", "return_period_years", "climate", "uplift", "season"]
    return _keyed(frame, "critical_id", key)


def _greenfield(found: Findings) -> pd.DataFrame:
    """Return the greenfield rates; the mean annual flood has no return period."""
    frame = found.now.greenfield
    if frame.empty:
        return frame.set_axis(pd.Index([], name="greenfield_id"))
    years = frame["return_period_years"].to_numpy(np.float64)
    period = [MEAN_ANNUAL if one else f"1in{t:g}" for one, t in zip(np.isnan(years), years, strict=True)]
    return _keyed(frame.assign(period=period), "greenfield_id", ["level", "unit_id", "period"])


def _depths(found: Findings) -> pd.DataFrame:
    """Return the depths that storms are made of, and those that the record gives."""
    return _keyed(found.storms.depth_table, "depth_id", ["kind", "duration_min", "return_period_years"])


def _keyed(frame: pd.DataFrame, key: str, parts: list[str]) -> pd.DataFrame:
    """Give rows an id made of some columns."""
    columns = (frame[part].tolist() for part in parts) if len(frame) else ()
    ids = [":".join(said for value in row if (said := _said(value))) for row in zip(*columns, strict=True)]
    return frame.set_axis(pd.Index(ids, name=key, dtype=object))


def _said(value: object) -> str:
    """Write a part of an id: numbers without needless zeros, padded so that they sort; nothing for what is missing."""
    if not isinstance(value, float):
        return str(value)
    if np.isnan(value):
        return ""
    whole, _, rest = f"{value:g}".partition(".")
    return whole.zfill(4) + (f".{rest}" if rest else "")

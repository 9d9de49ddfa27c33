"""Candidates and options as layers: what each place would be, hold, cost and weigh, from the stages' frames."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from catchscreen.outputs.findings import Findings

EVENT_COLUMNS: Final = (
    "inflow_m3",
    "retained_m3",
    "slowed_m3",
    "overflow_m3",
    "second_storm_overflow_m3",
    "half_emptying_h",
)


def candidate_frame(found: Findings) -> gpd.GeoDataFrame:
    """Return one row per candidate with what its chosen option does.

    The chosen option's columns come from its row among the options, its size, its take-off, its run in the storm that
    it was sized on and its years; where two say the same, the later word holds.
    """
    hosts = found.proposals.hosts
    ranked = found.ranked.candidates.reindex(hosts.index)
    chosen = ranked["option_id"]
    by_option = _option_rows(found)
    own = by_option.reindex(pd.Index(chosen)).set_axis(hosts.index)
    own = own.drop(columns=["candidate_id", "measure", "geometry"], errors="ignore")
    frame = hosts.drop(columns=[*own.columns, *ranked.columns], errors="ignore")
    own = own.drop(columns=list(ranked.columns), errors="ignore")
    frame = frame.join(own).join(ranked).copy()
    names = found.data.parcels["name"] if "name" in found.data.parcels else pd.Series(dtype=object)
    frame["parcel_name"] = frame["parcel_id"].map(names)
    return gpd.GeoDataFrame(_worded(frame, found), geometry="geometry", crs=hosts.crs)


def option_frame(found: Findings) -> pd.DataFrame:
    """Return one row per option, chosen or not, admissible or not."""
    frame = _option_rows(found)
    chosen = set(found.ranked.candidates["option_id"].dropna())
    return frame.assign(is_admissible=frame["admissible"], is_chosen=frame.index.isin(chosen))


def _option_rows(found: Findings) -> pd.DataFrame:
    """Join what is known of each option: verdict, size, take-off, event, years."""
    frame = pd.DataFrame(found.proposals.options)
    sized = found.sized.options
    for extra in (sized, found.taken_off, _sizing_events(found), _years(found)):
        frame = frame.drop(columns=extra.columns, errors="ignore").join(extra)
    return frame


def _sizing_events(found: Findings) -> pd.DataFrame:
    """Return each option's run in the storm that decided its size."""
    sized = found.sized.options
    key = pd.MultiIndex.from_frame(sized[["store_id", "storm_id"]])
    events = found.events.events.set_index(["store_id", "storm_id"])[list(EVENT_COLUMNS)]
    return events.reindex(key).set_axis(sized.index)


def _years(found: Findings) -> pd.DataFrame:
    """Return each option's yearly figures, without columns where there is no series."""
    sized = found.sized.options
    years = found.years.years
    return years.reindex(sized["store_id"]).set_axis(sized.index) if len(years) else pd.DataFrame(index=sized.index)


def _worded(frame: pd.DataFrame, found: Findings) -> pd.DataFrame:
    """Give the schema's names and say in words what a number cannot."""
    frame = frame.copy()
    hours = frame["half_emptying_h"]
    frame["half_emptying"] = np.select(
        [hours.isna(), np.isinf(hours)], ["", "never"], default=hours.map("{:.1f} h".format)
    )
    frame["infiltration_m_s"] = frame["q_m_s"]
    frame["infiltration_source"] = frame["q_source"]
    frame["roof_pitch_deg"] = frame.get("pitch_deg", np.nan)
    frame["connected_impermeable_m2"] = frame["captured_connected_m2"]
    without = frame["option_id"].isna()
    frame["reasons_against"] = frame["reasons_against"].where(~without, frame["no_option_reason"])
    frame["retained_low_m3"], frame["retained_high_m3"] = _retained_range(frame, found)
    return frame


def _retained_range(frame: pd.DataFrame, found: Findings) -> tuple[pd.Series, pd.Series]:
    """Return what is retained at least and at most: over the variants that bound an unproven site, else the value."""
    rows = _option_rows(found)
    bounding = rows[rows["is_range_only"].astype(bool) | rows["admissible"].astype(bool)]
    spread = bounding.groupby("candidate_id")["retained_m3"].agg(["min", "max"]).reindex(frame.index)
    unproven = frame["is_unproven"].fillna(value=False).astype(bool) & frame["ground"].ne("roof")
    low = frame["retained_m3"].where(~unproven, np.fmin(spread["min"], frame["retained_m3"]))
    high = frame["retained_m3"].where(~unproven, np.fmax(spread["max"], frame["retained_m3"]))
    return low, high

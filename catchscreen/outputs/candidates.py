"""Candidates and options as layers: what each place would be, hold, cost and weigh, from the stages' frames."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import geopandas as gpd
import numpy as np
import pandas as pd

from catchscreen.outputs.candidate_columns import CANDIDATES, OPTIONS
from catchscreen.outputs.findings import Findings


def candidate_frame(found: Findings) -> gpd.GeoDataFrame:
    """Return one row per candidate with what its chosen option does.

    The ranking has laid the chosen option's facts over the host's; the years of its store come beside them.
    """
    hosts, ranked = found.proposals.hosts, found.ranked.candidates
    stores = found.sized.options["store_id"].reindex(pd.Index(ranked["option_id"]))
    years = found.years.years
    yearly = years.reindex(pd.Index(stores)).set_axis(ranked.index) if len(years) else pd.DataFrame(index=ranked.index)
    wanted = [column.name for column in CANDIDATES[1:]]
    helpers = ("option_id", "no_option_reason", "q_m_s", "q_source", "pitch_deg", "captured_connected_m2")
    frame = _lay_out([*wanted, *helpers], hosts.index, [ranked, yearly, pd.DataFrame(hosts)])
    names = found.data.parcels["name"] if "name" in found.data.parcels else pd.Series(dtype=object)
    frame["parcel_name"] = frame["parcel_id"].map(names)
    return gpd.GeoDataFrame(_worded(frame), geometry=hosts.geometry, crs=hosts.crs)


def option_frame(found: Findings) -> pd.DataFrame:
    """Return one row per option, chosen or not, admissible or not; sized where it was, in its sizing storm."""
    options, scored = pd.DataFrame(found.proposals.options), found.ranked.option_scores
    wanted = [column.name for column in OPTIONS[1:]]
    frame = _lay_out([*wanted, "admissible"], options.index, [options, scored])
    chosen = set(found.ranked.candidates["option_id"].dropna())
    frame["is_admissible"] = frame["admissible"].astype("boolean")
    frame["is_chosen"] = frame.index.isin(chosen)
    return frame


def criteria_frame(found: Findings) -> pd.DataFrame:
    """Return one row per measure and criterion: how it grades, the weight asked for and the one used."""
    rules = {f"{name}.{rule.name}": rule for name, own in found.proposals.grade_rules.items() for rule in own}
    told = {
        key: {
            "title": rule.title,
            "graded_by": rule.column,
            "zero_at": rule.zero_at,
            "one_at": rule.one_at,
            "variants": ", ".join(rule.variants),
            "scale": "classes" if rule.classes else rule.scale,
            "classes": ", ".join(f"{name}: {grade:g}" for name, grade in rule.classes.items()),
            "when_unknown": "median of the known" if rule.when_unknown == "median" else f"{rule.when_unknown:g}",
            "source": rule.source,
        }
        for key, rule in rules.items()
    }
    weights = found.ranked.weights.rename_axis("criterion_id")
    return weights.join(pd.DataFrame.from_dict(told, orient="index"))


def _lay_out(names: Iterable[str], index: pd.Index, frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Lay the named columns side by side, each from the first frame that has it; rows that a frame lacks are empty."""
    owner = {name: next((place for place, frame in enumerate(frames) if name in frame), -1) for name in names}
    parts = []
    for place, frame in enumerate(frames):
        own = frame[[name for name, holder in owner.items() if holder == place]]
        parts.append(own if own.index is index else own.reindex(index))
    absent = pd.DataFrame(np.nan, index=index, columns=[name for name, holder in owner.items() if holder < 0])
    return pd.concat([*parts, absent], axis=1)[list(owner)]


def _worded(frame: pd.DataFrame) -> pd.DataFrame:
    """Give the schema's names and say in words what a number cannot."""
    frame = frame.copy()
    hours = frame["half_emptying_h"].astype(float)
    frame["half_emptying"] = ["" if np.isnan(h) else "never" if np.isinf(h) else f"{h:.1f} h" for h in hours.tolist()]
    frame["infiltration_m_s"] = frame["q_m_s"]
    frame["infiltration_source"] = frame["q_source"]
    frame["roof_pitch_deg"] = frame["pitch_deg"]
    frame["connected_impermeable_m2"] = frame["captured_connected_m2"]
    on_roof = frame["ground"] == "roof"
    for name in ("overflow_shut_m3", "base_area_m2", "check_dams"):
        frame[name] = frame[name].mask(on_roof)
    without = frame["option_id"].isna()
    frame["reasons_against"] = frame["reasons_against"].where(~without, frame["no_option_reason"])
    return frame

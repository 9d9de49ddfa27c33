"""Evidence placed by coordinates: a test or a survey overrides the map on every host within its reach."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.options import MeasureOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs
from catchscreen.units import MM_H_PER_M_S

KINDS = (
    "infiltration", "roof_structure", "sewer_connection", "groundwater", "utility", "outfall_level", "reuse_tank",
)  # fmt: skip
PAVED_KINDS = ("infiltration", "groundwater", "utility", "outfall_level")
ROOF_KINDS = ("roof_structure",)
ANY_KINDS = ("sewer_connection", "reuse_tank")
KIND_WORDS = {
    "infiltration": "infiltration test",
    "groundwater": "groundwater reading",
    "roof_structure": "survey of the roof structure",
    "sewer_connection": "sewer connection traced",
    "utility": "service found",
    "outfall_level": "level of the outfall",
    "reuse_tank": "tank for re-use",
}
DAYS_PER_YEAR = 365.25
CONTRADICTION_FACTOR = 10.0


def match_evidence(hosts: gpd.GeoDataFrame, data: Inputs, options: MeasureOptions, run: Run) -> pd.DataFrame:
    """List which piece of evidence speaks for which host; a piece that meets none is noted as a fault line.

    Returns
    -------
    DataFrame
        candidate_id, evidence_id, kind, value (SI: m/s, m, 1 or 0), unit, depth_m, document, said (kind, date, document
        and tester's role in words), caution; sorted.
    """
    columns = ["candidate_id", "evidence_id", "kind", "value", "unit", "depth_m", "document", "said", "caution"]
    if data.evidence is None or len(data.evidence) == 0:
        return pd.DataFrame(columns=columns)
    evidence = _normalise(data.evidence, options)
    matches = []
    for kinds, ground in ((PAVED_KINDS, ("paved", "pitch")), (ROOF_KINDS, ("roof",)), (ANY_KINDS, None)):
        pieces = evidence[evidence["kind"].isin(kinds)]
        chosen = hosts if ground is None else hosts[hosts["ground"].isin(ground)]
        matches.append(_within_reach(chosen, pieces))
    table = pd.concat(matches, ignore_index=True)
    table = table.join(evidence.drop(columns="geometry"), on="evidence_id")[columns]
    _note_strays(evidence, set(table["evidence_id"]), run)
    return table.sort_values(["candidate_id", "kind", "evidence_id"], kind="stable").reset_index(drop=True)


def summarise_infiltration(matches: pd.DataFrame, index: pd.Index) -> pd.DataFrame:
    """Give each host its lowest tested rate, the spread of its tests and their cautions.

    Returns
    -------
    DataFrame
        Index candidate_id; test_m_s (the lowest rules), test_high_m_s, test_count, test_text, test_depth_m.
    """
    tests = matches[(matches["kind"] == "infiltration") & (matches["value"] > 0.0)]
    frame = pd.DataFrame(index=index)
    grouped = tests.groupby("candidate_id")
    frame["test_m_s"] = grouped["value"].min().reindex(index)
    frame["test_high_m_s"] = grouped["value"].max().reindex(index)
    frame["test_count"] = grouped.size().reindex(index, fill_value=0)
    lowest = tests.sort_values(["candidate_id", "value", "evidence_id"], kind="stable").drop_duplicates("candidate_id")
    lowest = lowest.set_index("candidate_id")
    frame["test_depth_m"] = lowest["depth_m"].reindex(index)
    frame["test_caution"] = lowest["caution"].reindex(index).fillna("")
    frame["test_document"] = lowest["document"].reindex(index).fillna("")
    return frame


def lowest_by_host(matches: pd.DataFrame, kind: str, index: pd.Index) -> pd.Series:
    """Give the lowest value of one kind of evidence per host: the cautious reading for rates, depths and yes or no."""
    chosen = matches[matches["kind"] == kind]
    return chosen.groupby("candidate_id")["value"].min().reindex(index).astype(float)


def describe_tests(tests: pd.DataFrame, mapped_m_s: pd.Series, full_min_m_s: float) -> pd.Series:
    """Say what a reader must know of each host's tests: spread, age, and a contradiction of the map.

    A test contradicts the map when it lies on the other side of the limit for full infiltration or off by a factor of
    ten.
    """
    texts = []
    for tested, high, count, caution, mapped in zip(
        tests["test_m_s"],
        tests["test_high_m_s"],
        tests["test_count"],
        tests["test_caution"],
        mapped_m_s,
        strict=True,
    ):
        parts = []
        if count > 1:
            parts.append(f"{count:.0f} tests from {tested:.1e} to {high:.1e} m/s, the lowest rules")
        if caution:
            parts.append(caution)
        if not np.isnan(tested) and not np.isnan(mapped) and contradicts(tested, mapped, full_min_m_s):
            parts.append(f"the test ({tested:.1e} m/s) contradicts the soil map ({mapped:.1e} m/s) and rules")
        texts.append("; ".join(parts))
    return pd.Series(texts, index=tests.index, dtype=object)


def contradicts(tested_m_s: float, mapped_m_s: float, full_min_m_s: float) -> bool:
    """Tell whether a test disagrees with the map: other side of the limit, or off by ten."""
    across = (tested_m_s < full_min_m_s) != (mapped_m_s < full_min_m_s)
    ratio = tested_m_s / mapped_m_s
    return bool(across or not 1.0 / CONTRADICTION_FACTOR < ratio < CONTRADICTION_FACTOR)


def _normalise(evidence: gpd.GeoDataFrame, options: MeasureOptions) -> gpd.GeoDataFrame:
    frame = evidence.copy()
    for name in ("unit", "document", "date", "kind", "value", "tester_role"):
        if name not in frame:
            frame[name] = ""
    for name in ("depth_m", "reach_m"):
        frame[name] = pd.to_numeric(frame[name], errors="coerce") if name in frame else np.nan
    text = frame["value"].astype(str).str.strip().str.lower()
    words = {"confirmed": 1.0, "yes": 1.0, "found": 1.0, "existing": 1.0, "planned": 0.5}
    words |= {"refused": 0.0, "no": 0.0, "none": 0.0}
    frame["value"] = pd.to_numeric(frame["value"], errors="coerce").fillna(text.map(words)).astype(float)
    in_mm_h = frame["unit"].fillna("").astype(str).str.replace(" ", "").eq("mm/h") & frame["kind"].eq("infiltration")
    frame["value"] = frame["value"].where(~in_mm_h, frame["value"] / MM_H_PER_M_S)
    frame["reach_m"] = frame["reach_m"].fillna(options.evidence_reach_m)
    frame["unit"] = frame["unit"].fillna("").astype(str)
    frame["document"] = frame["document"].fillna("").astype(str)
    frame["said"] = _say_evidence(frame)
    frame["caution"] = _age_cautions(pd.to_datetime(frame["date"], errors="coerce", utc=True), options)
    return frame.sort_index()


def _say_evidence(frame: gpd.GeoDataFrame) -> list[str]:
    """Say of each piece what it is, of which day, in which document, and by whom, a role and never a name."""
    texts = frame[["kind", "date", "document", "tester_role"]].fillna("").astype(str)
    return [
        f"{KIND_WORDS.get(kind, kind.replace('_', ' '))}{f' of {date}' if date else ''}: "
        f"{document or 'no document named'}, {f'by a {role}' if role else 'nobody named who tested'}"
        for kind, date, document, role in texts.itertuples(index=False)
    ]


def _age_cautions(dates: pd.Series, options: MeasureOptions) -> pd.Series:
    asked = pd.to_datetime(options.evidence_date, utc=True) if options.evidence_date else dates.max()
    age = (asked - dates).dt.days / DAYS_PER_YEAR
    limit = options.evidence_max_age_years
    texts = [f"the evidence is {years:.0f} years old" if years > limit else "" for years in age]
    return pd.Series(texts, index=dates.index, dtype=object)


def _within_reach(hosts: gpd.GeoDataFrame, pieces: gpd.GeoDataFrame) -> pd.DataFrame:
    shapes = hosts.geometry.to_numpy()
    known = np.flatnonzero(~shapely.is_missing(shapes))
    if known.size == 0 or len(pieces) == 0:
        return pd.DataFrame({"candidate_id": [], "evidence_id": []}, dtype=object)
    tree = shapely.STRtree(shapes[known])
    piece, host = tree.query(pieces.geometry.to_numpy(), predicate="dwithin", distance=pieces["reach_m"].to_numpy())
    return pd.DataFrame({"candidate_id": hosts.index[known[host]], "evidence_id": pieces.index[piece]}, dtype=object)


def _note_strays(evidence: gpd.GeoDataFrame, met: set[str], run: Run) -> None:
    for name, kind, reach, shape in zip(
        evidence.index, evidence["kind"], evidence["reach_m"], evidence.geometry, strict=True
    ):
        known = kind in KINDS
        if name in met and known:
            continue
        message = (
            f"evidence {name} ({kind}) meets no host within its reach of {reach:.0f} m"
            if known
            else f"evidence {name} is of the unknown kind {kind!r}"
        )
        cure = "mend its place or its reach" if known else f"the kinds are {', '.join(KINDS)}"
        code = "evidence_without_host" if known else "evidence_of_unknown_kind"
        run.note(DataIssue("note", code, "evidence", message, cure, feature=str(name), geometry=shape))

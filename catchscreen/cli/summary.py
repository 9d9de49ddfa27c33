"""A screening in a few lines: the first sites, where to look, the cautions. Rows are picked, nothing is computed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from catchscreen.cli.speaking import Answer

if TYPE_CHECKING:
    import pandas as pd

    from catchscreen.outputs.screening import Screening, Written

FIRST_SITES: Final = 10

_SITE_COLUMNS: Final = (
    "measure",
    "variant",
    "host_area_low_m2",
    "host_area_m2",
    "host_area_high_m2",
    "retained_low_m3",
    "retained_m3",
    "retained_high_m3",
    "slowed_m3",
    "storm_id",
    "storm",
    "cost_low",
    "cost_high",
    "currency",
    "price_year",
    "is_unproven",
    "passes_sizing_storm",
    "overflow_m3",
    "passes_return_period",
    "feasibility_low",
    "feasibility_high",
    "score_low",
    "score_high",
    "score_rests_on",
    "next_check",
)
"""Columns of the best candidate that go into the summary."""

_WIDEST_NAME: Final = 28
_WIDE_SCORE: Final = 5.0
"""Ends of a score that lie this far apart are shown beside it."""


def summarise(screening: Screening, written: Written) -> Answer:
    """Return the summary of a written result, for a reader and for ``--json``."""
    sites = first_sites(screening)
    severities = Counter(screening.data_issues["severity"].astype(str))
    able = int(screening.candidates["variant"].notna().sum())
    numbers = {
        "parcels": len(screening.parcels),
        "candidates": able,
        "places_set_aside": len(screening.candidates) - able,
    }
    counted = {severity: severities.get(severity, 0) for severity in ("repair", "unknown", "note")}
    aside = numbers["places_set_aside"]
    found = f"{numbers['parcels']} parcels screened, {able} candidates found, {aside} places set aside"
    repairs = f"{counted['repair']} repair{'s' if counted['repair'] != 1 else ''}"
    unknowns = f"{counted['unknown']} unknown{'s' if counted['unknown'] != 1 else ''}"
    data_state = f"in the data {repairs} and {unknowns} (layer data_issues)"
    narrowing = screening.frame("run")["value"].get("narrowed_most_by") or ""
    lines = [
        f"{found}; {data_state}.",
        *([f"One more layer would narrow the ranges most: {narrowing}."] if narrowing else []),
        "",
        *_site_lines(sites),
        "",
        *[f"Your edited file of the result before is kept as {name}." for name in written.kept],
        f"The result is in {written.folder}",
        "  overview.png     the district in one picture",
        "  screening.gpkg   all layers, for any GIS",
        "  tables           the same as spreadsheets",
        "",
        screening.cautions[0],
        f"{len(screening.cautions) - 1} more cautions stand in the result (table run); read them before you act on it.",
    ]
    data = {
        "folder": str(written.folder),
        "files": list(written.files),
        "kept_edited_files": list(written.kept),
        "run_id": screening.run_id,
        "numbers": numbers,
        "data_issues": counted,
        "narrowed_most_by": narrowing,
        "first_sites": sites,
        "cautions": list(screening.cautions),
        "faults": [],
    }
    return Answer(lines=lines, data=data)


def first_sites(screening: Screening, number: int = FIRST_SITES) -> list[dict[str, Any]]:
    """Return the first parcels by rank, each with its best candidate, as plain values (unknown is None)."""
    ranked = screening.parcels.dropna(subset=["rank"])
    ranked = ranked.sort_index(kind="stable").sort_values("rank", kind="stable").head(number)
    candidates = screening.candidates
    columns = (*screening.layers["parcels"].columns, *screening.layers["candidates"].columns)
    decimals = {column.name: column.decimals for column in columns}
    sites = []
    for parcel_id, parcel in ranked.iterrows():
        best = candidates.loc[parcel["best_candidate"]]
        site = {"rank": parcel["rank"], "parcel_id": parcel_id, "name": parcel["name"], "score": parcel["score"]}
        site |= {"candidate_id": parcel["best_candidate"]}
        site |= {name: best.get(name) for name in _SITE_COLUMNS}
        sites.append({key: _plain(value, decimals.get(key, 0)) for key, value in site.items()})
    return sites


def _plain(value: Any, decimals: int) -> Any:
    """Turn a cell of a frame into a value that JSON knows, rounded as in the written result."""
    import pandas as pd

    if pd.isna(value) or value == "":
        return None
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        rounded = round(value, decimals)
        return int(rounded) if rounded.is_integer() else rounded
    return value if isinstance(value, bool | int) else str(value)


def _site_lines(sites: list[dict[str, Any]]) -> list[str]:
    """Set the first sites as a table in plain characters."""
    if not sites:
        return ["No parcel has a candidate; the reasons stand in layer parcels, column no_candidate_reason."]
    currency, year = sites[0]["currency"] or "unknown currency", sites[0]["price_year"] or "an unknown year"
    heads = ("rank", "parcel", "measure, variant", "score", "host m2", "retained m3", "slowed m3", f"cost {currency}")
    rows = [_site_row(site) for site in sites]
    notes = [
        "host: where the measure can be put. retained: soaks away, evaporates or stays below the outlet. slowed:",
        "leaves later through the outlet. Retained and slowed are never added; nor are sites, each reckoned alone.",
        _storms_said(sites),
        f"cost: a band in {currency} at prices of {year}, not a quotation.",
    ]
    if any(_has_wide_score(site) for site in sites):
        notes.append("score in brackets: with the unknown at its worst and at its best (column score_rests_on).")
    if any(site["is_unproven"] for site in sites):
        notes.append("* sized on a property of the ground or structure that is not proven: read the range in brackets.")
    if any(_overflows(site) for site in sites):
        notes.append("! even the deepest store that fits overflows in the storm it is sized on (column overflow_m3).")
    return [*_table(heads, rows), "", *notes]


def _storms_said(sites: list[dict[str, Any]]) -> str:
    """Name the storm of the volumes; where sites were sized on different ones, say so."""
    storms = sorted({site["storm"] for site in sites if site["storm"]})
    if len(storms) == 1:
        return f"Volumes are those of one storm, {storms[0]}."
    return (
        "Volumes are those of the storm that each site was sized on (layer candidates, column storm): do not add them."
    )


def _site_row(site: dict[str, Any]) -> tuple[str, ...]:
    """Word one site."""
    name = f"{site['parcel_id']} {site['name']}" if site["name"] else str(site["parcel_id"])
    way = f"{site['measure']}, {site['variant']}".replace("_", " ")
    way += (" *" if site["is_unproven"] else "") + (" !" if _overflows(site) else "")
    cost = f"{_number(site['cost_low'])} to {_number(site['cost_high'])}"
    amounts = [_range_of(site, "host_area", "m2"), _range_of(site, "retained", "m3"), _number(site["slowed_m3"])]
    return (_number(site["rank"]), name[:_WIDEST_NAME], way, _score(site), *amounts, cost)


def _overflows(site: dict[str, Any]) -> bool:
    """Tell whether its store does not hold its sizing storm; what is not known is no mark."""
    return site["passes_sizing_storm"] is not None and not site["passes_sizing_storm"]


def _has_wide_score(site: dict[str, Any]) -> bool:
    low, high = site["score_low"], site["score_high"]
    return low is not None and high is not None and high - low >= _WIDE_SCORE


def _score(site: dict[str, Any]) -> str:
    """Write a score, with its ends in whole points where the unknown could move it far."""
    ends = f" ({site['score_low']:.0f} to {site['score_high']:.0f})" if _has_wide_score(site) else ""
    return _number(site["score"]) + ends


def _range_of(site: dict[str, Any], stem: str, unit: str) -> str:
    """Write a figure, with its range in brackets where it has one."""
    low, value, high = (site[f"{stem}_{end}{unit}"] for end in ("low_", "", "high_"))
    is_range = value is not None and low is not None and high is not None and low != high
    return f"{_number(value)} ({_number(low)} to {_number(high)})" if is_range else _number(value)


def _number(value: float | None) -> str:
    """Write a number as a reader wants it; a large one without decimals."""
    if value is None:
        return "unknown"
    return f"{value:,.0f}" if isinstance(value, int) or abs(value) >= 1000 else f"{value:.1f}"


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Align columns: words to the left, numbers to the right."""
    widths = [max(len(row[column]) for row in (heads, *rows)) for column in range(len(heads))]
    lines = []
    for row in (heads, *rows):
        cells = [
            cell.ljust(width) if column in (1, 2) else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    lines.insert(1, "  ".join("-" * width for width in widths))
    return lines


def issues_of(frame: pd.DataFrame) -> list[Any]:
    """Return the rows of layer ``data_issues`` as issues again."""
    from catchscreen.progress import DataIssue

    names = ("severity", "code", "role", "message", "cure", "file", "feature")
    rows = frame.loc[:, list(names)].astype(object).where(frame.loc[:, list(names)].notna(), None)
    return [DataIssue(**dict(zip(names, row, strict=True))) for row in rows.itertuples(index=False, name=None)]

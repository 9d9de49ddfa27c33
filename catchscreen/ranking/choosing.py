"""Which option stands for each candidate, and the candidates in order with what speaks for and against them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from catchscreen.options import RankingOptions
from catchscreen.ranking.reasons import CHECK_COLUMNS, SEPARATOR, choose_next_check, gather_texts
from catchscreen.ranking.scoring import rank_scores
from catchscreen.records import Proposals

DRAINAGE_ORDER = {"all": 0, "part": 1, "none": 2}
"""All water to the ground before part of it, before none; the rest goes the same way from all variants of a host."""
OVERFLOWS_MUCH = 0.25
"""Share of its sizing storm that a variant may overflow and still go before one further down the order (our choice)."""


def choose_options(scored: pd.DataFrame, proposals: Proposals, options: RankingOptions) -> pd.Index:
    """Choose one option for each candidate that has an admissible one.

    The first in the drainage order that holds its sizing storm, unless the brief asks for the highest score; within one
    place of that order the highest score; of equals the higher benefit index, then the lower cost, then the first in
    the measure's order. A score does not decide between a soaking and a lined variant, since each is judged by criteria
    that do not concern the other.

    Returns
    -------
    Index of option_id, in the order of the candidates.
    """
    order = {(m.name, v.name): place for m in proposals.measures for place, v in enumerate(m.variants)}
    columns = ["candidate_id", "measure", "variant", "ground", "soaks", "load_margin_kn_m2", "score", "benefit_index"]
    columns += ["cost", "inflow_m3", "overflow_m3"]
    able = scored.loc[scored["admissible"].astype(bool), columns]
    able["place"] = [order[key] for key in zip(able["measure"].tolist(), able["variant"].tolist(), strict=True)]
    able = able[_is_lightest_where_unproven(able)]
    by_order = options.variant_choice == "drainage_order"
    keys = able.assign(
        score=-able["score"].round(6),
        benefit_index=-able["benefit_index"].round(6),
        yields=_overflows_much(able) if by_order else False,
        soaks=able["soaks"].map(DRAINAGE_ORDER) if by_order else 0,
    )
    by = ["candidate_id", "yields", "soaks", "score", "benefit_index", "cost", "place"]
    return keys.sort_values(by, kind="stable").drop_duplicates("candidate_id").index


def _overflows_much(able: pd.DataFrame) -> pd.Series:
    """Mark options of which every one alike in the order overflows much: the order goes by what works."""
    holds = ~(able["overflow_m3"] > OVERFLOWS_MUCH * able["inflow_m3"])
    return ~holds.groupby([able["candidate_id"], able["soaks"]]).transform("any")


def _is_lightest_where_unproven(able: pd.DataFrame) -> pd.Series:
    """Mark the options to choose from: where nobody knows what a roof carries, its first (lightest) variant alone."""
    unproven = able["ground"].eq("roof") & able["load_margin_kn_m2"].isna()
    first = able.groupby("candidate_id")["place"].transform("min")
    return ~unproven | able["place"].eq(first)


ONLY = "the only variant that can be built here"
LIGHTEST = "the lightest build-up, since nobody knows what the roof carries"
HIGHEST = "the highest score of its variants"
MOST = "soaks away most of the variants that can be built here"
YIELDS = "holds its sizing storm, of which those that soak away more overflow over a quarter"


def rank_candidates(
    proposals: Proposals, chosen: pd.DataFrame, words: pd.DataFrame, options: RankingOptions
) -> pd.DataFrame:
    """Rank the chosen options within their measure, and give candidates without option the reason.

    Parameters
    ----------
    chosen : index option_id, one row for each candidate that has an option.
    words : index option_id; reasons_for, reasons_against, unknowns, unknown_checks.

    Returns
    -------
    DataFrame
        Index candidate_id, all of ``proposals.hosts``.
    """
    table = chosen.drop(columns=list(words.columns), errors="ignore").join(words)
    table = table.copy().rename_axis("option_id").reset_index().set_index("candidate_id")
    known = [name for name in CHECK_COLUMNS if name in table]
    added: dict[str, Any] = {
        "variant_reason": _variant_reasons(table, proposals, options),
        "rank": table.groupby("measure")["score"].transform(rank_scores).astype("Int64"),
        "standing": pd.Series(pd.NA, index=table.index, dtype="string"),
        "next_check": [choose_next_check(row) for row in table[known].to_dict("records")],
        "q_m_s": table["q_used_m_s"],
    }
    joined = _lay_over(pd.DataFrame(proposals.hosts.drop(columns="geometry")), table.assign(**added))
    none = joined["option_id"].isna()
    barred = proposals.options[proposals.options["candidate_id"].isin(set(joined.index[none]))]
    reasons = gather_texts(barred["candidate_id"].tolist(), barred["reason"].tolist())
    joined["no_option_reason"] = [
        reasons.get(candidate) if bare else "" for candidate, bare in zip(joined.index, none, strict=True)
    ]
    return joined.sort_index(kind="stable")


def _lay_over(hosts: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """Lay the chosen option's columns over the host's; a host without option keeps its own."""
    there = hosts.index.isin(table.index)
    laid = table.reindex(hosts.index)
    both = [name for name in hosts if name in laid]
    kept = {name: laid[name].where(there, hosts[name]) for name in both}
    order = [*hosts.columns, *(name for name in laid if name not in hosts)]
    parts = [hosts.drop(columns=both), pd.DataFrame(kept, index=hosts.index), laid.drop(columns=both)]
    return pd.concat(parts, axis=1)[order]


def _variant_reasons(table: pd.DataFrame, proposals: Proposals, options: RankingOptions) -> list[str]:
    """Say why this variant: what moved the others away, or why it goes before them; and how it was sized."""
    able = proposals.options["admissible"].astype(bool)
    moved = proposals.options.loc[~able, ["candidate_id", "switches"]]
    moved = moved[moved["candidate_id"].isin(set(table.index))]
    # Part by part: what moved two variants away is said once.
    parts = moved["switches"].str.split(SEPARATOR).explode()
    switches = gather_texts(moved["candidate_id"].reindex(parts.index).tolist(), parts.tolist())
    rivals = proposals.options.loc[able, ["candidate_id", "soaks"]]
    place = rivals["soaks"].map(DRAINAGE_ORDER).groupby(rivals["candidate_id"])
    first, last, number = (part.reindex(table.index) for part in (place.min(), place.max(), place.size()))
    own = table["soaks"].map(DRAINAGE_ORDER)
    yields = own.gt(first).to_numpy()
    by_score = (first.eq(last) | (options.variant_choice == "score")).to_numpy()
    untold = (table["ground"].eq("roof") & table["load_margin_kn_m2"].isna()).to_numpy()
    cases = [number.eq(1).to_numpy(), untold, by_score, yields]
    said = np.select(cases, [ONLY, LIGHTEST, HIGHEST, YIELDS], MOST)
    rows = zip(table.index, said.tolist(), yields.tolist(), table["size_reason"].tolist(), strict=True)
    return [
        "; ".join(part for part in (moved, "" if moved and not late else reason, size) if part)
        for moved, reason, late, size in (
            (switches.get(name, ""), reason, late, size) for name, reason, late, size in rows
        )
    ]

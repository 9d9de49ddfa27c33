"""The ranking: options scored, one chosen for each candidate, candidates and parcels put in order."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from catchscreen.options import RankingOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.ranking.reasons import choose_next_check, join_texts, write_reasons
from catchscreen.ranking.results import add_hollow_gain, add_ranges, choose_storm, gather_results
from catchscreen.ranking.scoring import (
    DROPPED,
    check_weights,
    find_states,
    grade_options,
    rank_scores,
    score_options,
    weigh_criteria,
)
from catchscreen.records import (
    Cover,
    GradeRule,
    Inputs,
    Proposals,
    Ranking,
    Sizes,
    StoreEvents,
    StoreYears,
    StormRuns,
)


def rank(  # noqa: PLR0913, PLR0917 (the story's last stage reads what all the others left)
    proposals: Proposals,
    chosen: Sizes,
    take_off: pd.DataFrame,
    events: StoreEvents,
    years: StoreYears,
    now: StormRuns,
    cover: Cover,
    data: Inputs,
    options: RankingOptions,
    run: Run,
) -> Ranking:
    """Put candidates and parcels in order.

    Of a candidate's admissible options the one with the highest score is chosen; of equals, the one with the higher
    benefit index, then the lower cost, then the first in the measure's own order. A parcel's score for a measure is
    that of
    its best candidate, its overall score the higher of its measures' scores, never a sum.

    Parameters
    ----------
    events, years : runs of the chosen stores, events in all storms.
    now : the water ledger of today, for what is kept from hollows.

    Returns
    -------
    Ranking

    Raises
    ------
    InputsAtFault
        When the brief weighs a criterion that no measure has.
    """
    rules = dict(proposals.grade_rules)
    check_weights(rules, options)
    storm_id = choose_storm(chosen.storms, options)
    results = gather_results(proposals, chosen, events, years, storm_id)
    results = add_ranges(add_hollow_gain(results, proposals, now, cover, storm_id), proposals)
    facts = _facts(proposals, results, take_off)
    parts = [
        _score_measure(measure, facts[facts["measure"] == measure], own, options) for measure, own in rules.items()
    ]
    scored = pd.concat([part[0] for part in parts if len(part[0])] or [parts[0][0]])
    weights = pd.concat([part[1] for part in parts], ignore_index=True)
    _note_dropped(weights[weights["measure"].isin(set(facts["measure"]))], run)
    candidates = _rank_candidates(proposals, scored)
    scored = scored.copy().assign(is_chosen=scored.index.isin(set(candidates["option_id"].dropna())))
    grades = pd.concat([part[2] for part in parts], ignore_index=True)
    return Ranking(
        candidates=candidates,
        parcels=_rank_parcels(proposals, candidates, list(rules), data.parcels.index),
        weights=weights.set_index(pd.Index(weights["measure"] + "." + weights["criterion"], name="weight_id")),
        option_scores=scored.sort_index(kind="stable"),
        grades=grades[grades["option_id"].isin(set(candidates["option_id"].dropna()))].reset_index(drop=True),
    )


def _facts(proposals: Proposals, results: pd.DataFrame, take_off: pd.DataFrame) -> pd.DataFrame:
    """Lay options, results and quantities side by side; q as it is known, not as it sizes."""
    facts = proposals.options.loc[results.index]
    facts = facts.drop(columns=[name for name in results if name in facts]).join(results)
    extra = take_off.drop(columns=[name for name in take_off if name in facts])
    facts = facts.join(extra)
    for name in proposals.grades:
        facts[name] = proposals.grades[name].reindex(facts.index)
    held = facts["retained_m3"] + facts["slowed_m3"]
    facts["cost_per_m3_held"] = (facts["cost"] / held).where(held > 0.0)
    return facts.sort_index(kind="stable")


def _score_measure(
    measure: str, facts: pd.DataFrame, rules: tuple[GradeRule, ...], options: RankingOptions
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Grade, weigh and score the options of one measure; give scored facts, weights and the long table of grades."""
    able = facts["admissible"].astype(bool)
    grades, filled = grade_options(facts, rules, able)
    weights = weigh_criteria(measure, rules, find_states(facts, grades, rules, able), options)
    scored = facts.join(score_options(filled, weights, options)).join(write_reasons(facts, grades, rules, weights))
    costly = (
        scored["cost_per_m3_held"]
        > options.costly_factor * scored.loc[scored["admissible"].astype(bool), "cost_per_m3_held"].median()
    )
    price = [
        f"a cubic metre held costs {cost:,.0f}, far above the median" if dear else ""
        for cost, dear in zip(scored["cost_per_m3_held"], costly, strict=True)
    ]
    scored["reasons_against"] = join_texts(
        pd.Series(price, index=scored.index), scored["reasons_against"], scored["flags"]
    )
    scored["unknowns"] = join_texts(scored["unknowns"], scored["unknown_criteria"])
    return scored, weights, _long_grades(facts, grades, filled, rules)


def _long_grades(
    facts: pd.DataFrame, grades: pd.DataFrame, filled: pd.DataFrame, rules: Sequence[GradeRule]
) -> pd.DataFrame:
    parts = []
    for rule in rules:
        values = facts[rule.column] if rule.column in facts else pd.Series(np.nan, index=facts.index)
        unknown = grades[rule.name].isna().to_numpy()
        treatment = "median of the known" if rule.when_unknown == "median" else f"{rule.when_unknown:g}"
        state = np.where(unknown, f"unknown: {treatment}", "known")
        state = np.where(filled[rule.name].isna(), DROPPED, state)
        parts.append(
            pd.DataFrame(
                {
                    "candidate_id": facts["candidate_id"].to_numpy(),
                    "option_id": facts.index,
                    "criterion": rule.name,
                    "index": rule.index,
                    "column": rule.column,
                    "value": values.astype(str).to_numpy(),
                    "grade": filled[rule.name].to_numpy(float),
                    "state": state,
                }
            )
        )
    columns = ["candidate_id", "option_id", "criterion", "index", "column", "value", "grade", "state"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _note_dropped(weights: pd.DataFrame, run: Run) -> None:
    for measure, criterion in weights.loc[weights["state"] == DROPPED, ["measure", "criterion"]].itertuples(
        index=False
    ):
        message = f"{measure}: the criterion {criterion!r} is dropped: no site has data for it"
        run.note(DataIssue("unknown", "criterion_dropped", "ranking", message, "give the input that it reads"))


def _rank_candidates(proposals: Proposals, scored: pd.DataFrame) -> pd.DataFrame:
    """Choose each candidate's option, rank within the measure, and give those without option the reason."""
    order = {(m.name, v.name): place for m in proposals.measures for place, v in enumerate(m.variants)}
    able = scored[scored["admissible"].astype(bool)].copy()
    able["place"] = [order[key] for key in zip(able["measure"], able["variant"], strict=True)]
    able = able[_is_lightest_where_unproven(able)]
    keys = able.assign(score=-able["score"].round(6), benefit_index=-able["benefit_index"].round(6))
    by = ["candidate_id", "score", "benefit_index", "cost", "place"]
    best = keys.sort_values(by, kind="stable").drop_duplicates("candidate_id").index
    table = able.loc[best].drop(columns="place").rename_axis("option_id").reset_index().set_index("candidate_id").copy()
    table["variant_reason"] = _variant_reasons(table, proposals)
    table["rank"] = table.groupby("measure")["score"].transform(rank_scores).astype("Int64")
    table["standing"] = pd.Series(pd.NA, index=table.index, dtype="string")
    table["next_check"] = [choose_next_check({str(key): row[key] for key in row}) for row in table.to_dict("records")]
    table["q_m_s"] = table["q_used_m_s"]
    joined = _lay_over(pd.DataFrame(proposals.hosts.drop(columns="geometry")), table)
    without = proposals.options.groupby("candidate_id")["reason"].agg(lambda texts: "; ".join(dict.fromkeys(texts)))
    none = joined["option_id"].isna()
    joined["no_option_reason"] = without.reindex(joined.index).where(none, "")
    return joined.sort_index(kind="stable")


def _is_lightest_where_unproven(able: pd.DataFrame) -> pd.Series:
    """Mark the options to choose from: where nobody knows what a roof carries, its first (lightest) variant alone."""
    unproven = able["ground"].eq("roof") & able["load_margin_kn_m2"].isna()
    first = able.groupby("candidate_id")["place"].transform("min")
    return ~unproven | able["place"].eq(first)


def _lay_over(hosts: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """Lay the chosen option's columns over the host's; a host without option keeps its own."""
    there = pd.Series(hosts.index.isin(table.index), index=hosts.index)
    laid = {str(name): hosts[name] for name in hosts}
    for name in table:
        values = table[name].reindex(hosts.index)
        laid[str(name)] = values.where(there, hosts[name]) if name in hosts else values
    return pd.DataFrame(laid, index=hosts.index)


def _variant_reasons(table: pd.DataFrame, proposals: Proposals) -> list[str]:
    """Say why this variant: what moved the others away, or that it scores highest; and how it was sized."""
    moved = proposals.options[~proposals.options["admissible"]]
    switches = moved.groupby("candidate_id")["switches"].agg(
        lambda texts: "; ".join(dict.fromkeys(filter(None, texts)))
    )
    reasons = switches.reindex(table.index).fillna("")
    return [
        "; ".join(part for part in (switch or "the highest score of its variants", size) if part)
        for switch, size in zip(reasons, table["size_reason"], strict=True)
    ]


def _rank_parcels(
    proposals: Proposals, candidates: pd.DataFrame, measures: Sequence[str], parcels: pd.Index
) -> pd.DataFrame:
    """Give each parcel its best candidate by measure and overall, ranks made from these scores, and reasons."""
    frame = pd.DataFrame(index=pd.Index(parcels.astype(str), name="parcel_id"))
    ranked = candidates[candidates["score"].notna()]
    order = ranked.assign(minus=-ranked["score"].round(6)).rename_axis("candidate_id").reset_index()
    order = order.sort_values(["minus", "candidate_id"], kind="stable")
    for measure in measures:
        best = (
            order[order["measure"] == measure].drop_duplicates("parcel_id").set_index("parcel_id").reindex(frame.index)
        )
        frame[f"score_{measure}"] = best["score"].astype(float)
        frame[f"rank_{measure}"] = rank_scores(frame[f"score_{measure}"])
        frame[f"standing_{measure}"] = pd.Series(pd.NA, index=frame.index, dtype="string")
        frame[f"best_{measure}"] = best["candidate_id"].fillna("")
        frame[f"reasons_{measure}"] = _both_sides(best)
    best = order.drop_duplicates("parcel_id").set_index("parcel_id").reindex(frame.index)
    frame["score"] = best["score"].astype(float)
    frame["rank"] = rank_scores(frame["score"])
    frame["standing"] = pd.Series(pd.NA, index=frame.index, dtype="string")
    frame["best_candidate"] = best["candidate_id"].fillna("")
    frame["reasons"] = _both_sides(best)
    aside = proposals.set_aside
    said = [
        f"{measure.replace('_', ' ')}: {reason}"
        for measure, reason in zip(aside["measure"], aside["reason"], strict=True)
    ]
    texts = pd.Series(said, index=aside["parcel_id"], dtype=object).groupby(level=0).agg("; ".join)
    none = frame["score"].isna()
    frame["no_candidate_reason"] = texts.reindex(frame.index).where(none, "").fillna("")
    return frame.sort_index(kind="stable")


def _both_sides(best: pd.DataFrame) -> pd.Series:
    texts = [
        "; ".join(
            part
            for part in (
                f"for: {good}" if isinstance(good, str) and good else "",
                f"against: {bad}" if isinstance(bad, str) and bad else "",
            )
            if part
        )
        for good, bad in zip(best["reasons_for"], best["reasons_against"], strict=True)
    ]
    return pd.Series(texts, index=best.index, dtype=object)

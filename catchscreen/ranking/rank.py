"""The ranking: options scored, one chosen for each candidate, candidates and parcels put in order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import pandas as pd

from catchscreen.options import RankingOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.ranking.bounds import THIN, bound_scores, say_what_it_rests_on
from catchscreen.ranking.choosing import choose_options, rank_candidates
from catchscreen.ranking.depths import find_base_depths, say_test_depths
from catchscreen.ranking.kept_out import add_kept_out
from catchscreen.ranking.parcels import rank_parcels
from catchscreen.ranking.reasons import join_texts, write_reasons
from catchscreen.ranking.results import add_hollow_gain, add_ranges, choose_storm, gather_results
from catchscreen.ranking.scoring import (
    DROPPED,
    check_weights,
    find_states,
    grade_options,
    index_weights,
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

THIN_TEXT = "hardly judged yet: its score rests on"
LEAST_SAID_M3 = 0.05
"""An overflow below this would be printed as 0.0 m3."""


class Scored(NamedTuple):
    """The options of one measure: rules, facts with indices and score, weights, grades as known (NaN: not)."""

    rules: tuple[GradeRule, ...]
    facts: pd.DataFrame
    weights: pd.DataFrame
    grades: pd.DataFrame


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

    Of a candidate's admissible options the one is chosen that soaks away most and holds its storm
    (``choosing.choose_options``). A parcel's score for a measure is that of its best candidate, its overall score the
    higher of its measures' scores, never a sum.

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
    results = add_kept_out(results, proposals, options)
    facts = _facts(proposals, results, take_off)
    parts = [
        _score_measure(measure, facts[facts["measure"] == measure], own, options) for measure, own in rules.items()
    ]
    scored = pd.concat([part.facts for part in parts if len(part.facts)] or [parts[0].facts])
    weights = pd.concat([part.weights for part in parts], ignore_index=True)
    _note_dropped(weights[weights["measure"].isin(set(facts["measure"]))], rules, run)
    best = choose_options(scored, proposals, options)
    words = pd.concat([_explain(part, best, options) for part in parts])
    candidates = rank_candidates(proposals, scored.loc[best], words, options)
    return Ranking(
        candidates=candidates,
        parcels=rank_parcels(proposals, candidates, list(rules), data.parcels.index),
        weights=weights.set_index(pd.Index(weights["measure"] + "." + weights["criterion"], name="weight_id")),
        option_scores=scored.assign(is_chosen=scored.index.isin(best)).sort_index(kind="stable"),
    )


def _facts(proposals: Proposals, results: pd.DataFrame, take_off: pd.DataFrame) -> pd.DataFrame:
    """Lay options, results and quantities side by side; q as it is known, not as it sizes."""
    facts = proposals.options.loc[results.index]
    facts = facts.drop(columns=[name for name in results if name in facts]).join(results)
    extra = take_off.drop(columns=[name for name in take_off if name in facts])
    facts = facts.join(extra)
    sites = proposals.grades.reindex(facts.index)
    taken = facts["inflow_m3"] - facts["overflow_m3"]
    sites["cost_per_m3_taken"] = (facts["cost"] / taken).where(taken > 0.0)
    facts = pd.concat([facts.drop(columns=list(sites), errors="ignore"), sites], axis=1).copy()
    facts["base_depth_m"] = find_base_depths(facts, proposals.measures)
    facts["test_depth_said"] = say_test_depths(facts)
    return facts.sort_index(kind="stable")


def _score_measure(measure: str, facts: pd.DataFrame, rules: tuple[GradeRule, ...], options: RankingOptions) -> Scored:
    """Grade, weigh and score the options of one measure."""
    able = facts["admissible"].astype(bool)
    grades, filled = grade_options(facts, rules, able)
    weights = weigh_criteria(measure, rules, find_states(facts, grades, rules, able), options)
    added = [score_options(filled, weights, options), bound_scores(facts, grades, rules, weights, options)]
    scored = pd.concat([facts, *added], axis=1).copy()  # in one block: more columns follow
    costs = scored["cost_per_m3_taken"]
    scored["usual_cost_per_m3_taken"] = usual = costs[able].median()
    scored["is_costly"] = costs > options.costly_factor * usual
    return Scored(rules, scored, weights, grades)


def _explain(part: Scored, chosen: pd.Index, options: RankingOptions) -> pd.DataFrame:
    """Word what speaks for and against the chosen options of one measure, and what is not known about them."""
    rows = part.facts[part.facts.index.isin(chosen)]
    words = write_reasons(rows, part.grades.loc[rows.index], part.rules, part.weights, index_weights(options))
    columns = (
        rows[name].tolist() for name in ("cost_per_m3_taken", "currency", "usual_cost_per_m3_taken", "is_costly")
    )
    price = [
        f"a cubic metre taken in without overflow costs {cost:,.0f} {currency}, "
        f"the median of the measure is {usual:,.0f}"
        if dear
        else ""
        for cost, currency, usual, dear in zip(*columns, strict=True)
    ]
    spilt = [
        f"{amount:,.1f} m3 of its sizing storm overflow" if amount >= LEAST_SAID_M3 else ""
        for amount in rows["overflow_m3"].tolist()
    ]
    words["score_rests_on"] = pd.Series(say_what_it_rests_on(rows), index=rows.index, dtype=object)
    thin = [
        f"{THIN_TEXT} {rests}" if share < THIN else ""
        for rests, share in zip(words["score_rests_on"].tolist(), rows["known_weight_fraction"].tolist(), strict=True)
    ]
    words["reasons_against"] = join_texts(
        pd.Series(spilt, index=rows.index),
        pd.Series(price, index=rows.index),
        pd.Series(thin, index=rows.index),
        words["reasons_against"],
        rows["test_depth_said"],
        rows["flags"],
    )
    words["unknowns"] = join_texts(rows["unknowns"], words["unknown_criteria"])
    return words


def _note_dropped(weights: pd.DataFrame, rules: Mapping[str, tuple[GradeRule, ...]], run: Run) -> None:
    """Note each criterion that no site has data for, in words, with the check or the input that would bring them."""
    known = {(measure, rule.name): rule for measure, own in rules.items() for rule in own}
    dropped = weights.loc[weights["state"] == DROPPED, ["measure", "criterion"]]
    for measure, criterion in dropped.itertuples(index=False):
        rule = known[measure, criterion]
        title = rule.title or criterion
        message = f"{measure.replace('_', ' ')}: {title} counts for no site, since none has data on it"
        cure = f"Give {rule.unknown_text or 'the input that it reads'}"
        cure += f", or {rule.unknown_check}." if rule.unknown_check else "."
        run.note(DataIssue("unknown", "criterion_dropped", "ranking", message, cure))

"""Indices and scores: weighted means joined by a weighted product, so that a near-zero cannot be bought back."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches

import numpy as np
import pandas as pd

from catchscreen.errors import Fault, InputsAtFault
from catchscreen.options import RankingOptions
from catchscreen.ranking.grading import concerns, district_value, fill_unknown, grade_values
from catchscreen.records import Floats, GradeRule

INDICES = ("benefit", "feasibility", "delivery")
USED, DROPPED, IDLE = "used", "dropped: no data for any site", "dropped: nothing to gain at any site"
BRIEF, DEFAULT = "the brief", "default of the measure"
UNASKED = "dropped: concerns no variant that can be built here"


def weighted_product(values: Floats, weights: Floats) -> Floats:
    """Give the weighted geometric mean of each row, prod(v^(w/sum w)), over the values that the row has.

    Parameters
    ----------
    values : (n, k) not negative; a NaN is left out of its row's mean. A row of NaN stays NaN.
    weights : (k,) not negative, not all zero. A weight of zero leaves its column out, also where it is zero.
    """
    used = weights > 0.0
    there = ~np.isnan(values[:, used])
    weight = weights[used] / weights.sum()
    with np.errstate(divide="ignore"):
        logs = np.log(np.where(there, values[:, used], 1.0))
    total = there @ weight
    return np.exp(np.divide(logs @ weight, total, out=np.full(len(values), np.nan), where=total > 0.0))


def weighted_mean(grades: Floats, weights: Floats) -> Floats:
    """Give the weighted mean of each row of grades (0..1) over the columns that weigh and that the row has.

    A NaN is left out and the row's other weights count for more; NaN where nothing is left.
    """
    used = weights > 0.0
    there = ~np.isnan(grades[:, used])
    weight = weights[used] / max(weights.sum(), 1e-300)
    total = there @ weight
    mean = np.where(there, grades[:, used], 0.0) @ weight
    return np.clip(np.divide(mean, total, out=np.full(len(grades), np.nan), where=total > 0.0), 0.0, 1.0)


def find_faults(rules: Mapping[str, tuple[GradeRule, ...]], options: RankingOptions) -> tuple[Fault, ...]:
    """Find weights for criteria that no measure has, and three indices that all weigh nothing."""
    known = {rule.name for own in rules.values() for rule in own}
    known |= {f"{measure}.{rule.name}" for measure, own in rules.items() for rule in own}
    faults = []
    for name in options.weights:
        if name not in known:
            near = get_close_matches(name, sorted(known), n=1)
            cure = f"Did you mean {near[0]!r}?" if near else f"The criteria are {', '.join(sorted(known))}."
            faults.append(Fault("unknown_criterion", f"no criterion {name!r}.", cure, key=f"ranking.weights.{name}"))
    if options.benefit_weight + options.feasibility_weight + options.delivery_weight <= 0.0:
        text = "benefit, feasibility and delivery all weigh nothing."
        faults.append(Fault("no_weight", text, "Give at least one of them a weight.", key="ranking"))
    return tuple(faults)


def check_weights(rules: Mapping[str, tuple[GradeRule, ...]], options: RankingOptions) -> None:
    """Refuse what ``find_faults`` finds.

    Raises
    ------
    InputsAtFault
    """
    faults = find_faults(rules, options)
    if faults:
        raise InputsAtFault(faults)


def weigh_criteria(
    measure: str, rules: tuple[GradeRule, ...], states: dict[str, str], options: RankingOptions
) -> pd.DataFrame:
    """Make the table of weights of one measure: the weight asked for, the one used, and what was dropped.

    The weights of each index are brought to a sum of 100 over the criteria that some site has data for.

    Returns
    -------
    DataFrame
        measure, index, criterion, weight, used_weight, state, weight_source.
    """
    rows = []
    for rule in rules:
        given = options.weights.get(f"{measure}.{rule.name}", options.weights.get(rule.name))
        weight = float(rule.weight if given is None else given)
        state = states[rule.name]
        used = weight if state == USED else 0.0
        rows.append((measure, rule.index, rule.name, weight, used, state, DEFAULT if given is None else BRIEF))
    columns = ["measure", "index", "criterion", "weight", "used_weight", "state", "weight_source"]
    frame = pd.DataFrame(rows, columns=columns)
    total = frame.groupby("index")["used_weight"].transform("sum")
    frame["used_weight"] = (100.0 * frame["used_weight"] / total.where(total > 0.0)).fillna(0.0)
    return frame


def grade_options(
    facts: pd.DataFrame, rules: tuple[GradeRule, ...], is_ranked: pd.Series
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Grade every option by every rule.

    Parameters
    ----------
    facts : index option_id; the columns that the rules read (absent: unknown), candidate_id.
    is_ranked : options that may be chosen; the district's percentile and median are taken over these.

    Returns
    -------
    grades, filled : DataFrame
        option_id x criterion; NaN where unknown or not concerned, and the same with the stated treatment of the unknown
        in place: what does not concern a variant stays NaN, so that a lined store neither gains nor loses by its soil.
    """
    grades, filled = {}, {}
    able = is_ranked.to_numpy(bool)
    for rule in rules:
        asked = concerns(facts, rule)
        reference = able & asked
        values = facts[rule.column] if rule.column in facts else pd.Series(np.nan, index=facts.index)
        per_candidate = values[reference]
        top = None
        if rule.one_at is None and not rule.classes:
            best = pd.to_numeric(per_candidate, errors="coerce").groupby(facts["candidate_id"][reference]).max()
            top = district_value(best)
        own = np.where(asked, grade_values(values, rule, top), np.nan)
        if top == 0.0:
            own = np.full(len(values), np.nan)  # nothing to gain anywhere: no reason to call everybody bad
        grades[rule.name] = own
        filled[rule.name] = np.where(asked, fill_unknown(own, rule, own[reference]), np.nan)
    return pd.DataFrame(grades, index=facts.index), pd.DataFrame(filled, index=facts.index)


def find_states(
    facts: pd.DataFrame, grades: pd.DataFrame, rules: tuple[GradeRule, ...], is_ranked: pd.Series
) -> dict[str, str]:
    """Say of each criterion whether it is used, has no data for any site, or has nothing to gain at any."""
    states = {}
    able = is_ranked.to_numpy(bool)
    for rule in rules:
        reference = able & concerns(facts, rule)
        graded = bool(grades.loc[reference, rule.name].notna().any())
        there = rule.column in facts and bool(facts.loc[reference, rule.column].notna().any())
        idle = there and rule.one_at is None and not rule.classes
        unasked = able.any() and not reference.any()
        states[rule.name] = USED if graded else UNASKED if unasked else IDLE if idle else DROPPED
    return states


def score_options(filled: pd.DataFrame, weights: pd.DataFrame, options: RankingOptions) -> pd.DataFrame:
    """Give each option its three indices (0..100) and its score (0..100).

    A criterion that does not concern an option's variant is left out of its means, and the others count for more. An
    index for which no criterion has data is left out of the product, for all alike.
    """
    frame = pd.DataFrame(index=filled.index)
    for index in INDICES:
        own = weights[weights["index"] == index]
        frame[f"{index}_index"] = 100.0 * weighted_mean(
            filled[list(own["criterion"])].to_numpy(np.float64), own["used_weight"].to_numpy(np.float64)
        )
    frame["score"] = join_indices(frame, "_index", options)
    return frame


def join_indices(frame: pd.DataFrame, ending: str, options: RankingOptions) -> Floats:
    """Join the three indices of each row to one score; an index that a row lacks is left out of its product."""
    asked = index_weights(options)
    columns = [f"{index}{ending}" for index in asked]
    return weighted_product(frame[columns].to_numpy(np.float64), np.array(list(asked.values())))


def index_weights(options: RankingOptions) -> dict[str, float]:
    """Give the weight of each of the three indices."""
    return dict(
        zip(INDICES, (options.benefit_weight, options.feasibility_weight, options.delivery_weight), strict=True)
    )


def rank_scores(scores: pd.Series) -> pd.Series:
    """Rank scores from the highest; equal scores share a rank, NaN has none. Equal to six decimals is equal."""
    return scores.round(6).rank(method="min", ascending=False).astype("Int64")

"""What a score rests on: how much of its weight is known, and how far the unknown could move it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from catchscreen.options import RankingOptions
from catchscreen.ranking.grading import concerns
from catchscreen.ranking.scoring import IDLE, UNASKED, index_weights, join_indices
from catchscreen.records import GradeRule

THIN = 0.5
"""Below this share of the weight, that so little is known is said among the reasons against (our choice)."""


def bound_scores(
    facts: pd.DataFrame,
    grades: pd.DataFrame,
    rules: tuple[GradeRule, ...],
    weights: pd.DataFrame,
    options: RankingOptions,
) -> pd.DataFrame:
    """Give each option's indices and score with every unknown at its worst and at its best.

    Other than the score itself, which leaves out what nobody knows for any site, these ends count every criterion that
    concerns the variant, with the weight asked for. A criterion with nothing to gain at any site counts in neither.

    Parameters
    ----------
    facts, grades : options by column and by criterion; a NaN grade is unknown where the criterion concerns the variant.
    weights : of ``scoring.weigh_criteria``.

    Returns
    -------
    DataFrame
        Index option_id; benefit_low, benefit_high, feasibility_low, ... score_low, score_high (0..100); criteria_known,
        criteria_asked (counts), known_weight_fraction (0..1, over the three indices by their weights).
    """
    asked = dict(zip(weights["criterion"], weights["weight"].astype(float), strict=True))
    idle = set(weights["criterion"][weights["state"].isin([IDLE, UNASKED])])
    own = [rule for rule in rules if rule.name not in idle]
    weight = np.array([asked[rule.name] for rule in own])
    shape = (len(facts), len(own))
    asks = np.column_stack([concerns(facts, rule) for rule in own]) if own else np.zeros(shape, bool)
    grade = np.column_stack([grades[rule.name].to_numpy(np.float64) for rule in own]) if own else np.zeros(shape)
    asks &= weight > 0.0
    known = asks & ~np.isnan(grade)
    frame = pd.DataFrame(index=facts.index)
    index_of = np.array([rule.index for rule in own], dtype=object)
    shares, heavy = [], []
    for index, index_weight in index_weights(options).items():
        mine = index_of == index
        total = asks[:, mine] @ weight[mine]
        there = total > 0.0
        low = np.where(known, grade, 0.0)[:, mine] @ weight[mine]
        open_weight = (asks & ~known)[:, mine] @ weight[mine]
        low = np.divide(low, total, out=np.full(len(facts), np.nan), where=there)
        unknown = np.divide(open_weight, total, out=np.full(len(facts), np.nan), where=there)
        frame[f"{index}_low"] = 100.0 * np.clip(low, 0.0, 1.0)
        frame[f"{index}_high"] = 100.0 * np.clip(low + unknown, 0.0, 1.0)
        shares.append(np.where(there, (1.0 - unknown) * index_weight, 0.0))
        heavy.append(np.where(there, index_weight, 0.0))
    frame["score_low"] = join_indices(frame, "_low", options)
    frame["score_high"] = join_indices(frame, "_high", options)
    frame["criteria_known"], frame["criteria_asked"] = known.sum(axis=1), asks.sum(axis=1)
    part, whole = np.sum(shares, axis=0), np.sum(heavy, axis=0)
    frame["known_weight_fraction"] = np.divide(part, whole, out=np.full(len(facts), np.nan), where=whole > 0.0)
    return frame


def say_what_it_rests_on(scored: pd.DataFrame) -> list[str]:
    """Word how many criteria are known of each option, and how much they weigh; equal ones are worded once."""
    columns = ["criteria_known", "criteria_asked", "known_weight_fraction"]
    rows = scored[columns].to_numpy(np.float64)
    kinds, which = np.unique(rows, axis=0, return_inverse=True)
    said = [
        f"{known:.0f} of {asked:.0f} criteria, {_percent(share)} of the weight" if asked > 0 else "no criterion"
        for known, asked, share in kinds.tolist()
    ]
    return [said[kind] for kind in which.ravel().tolist()]


def _percent(share: float) -> str:
    """Write a share in whole per cent, rounded down: 100 % means all."""
    return f"{int(100.0 * share + 1e-6)} %"

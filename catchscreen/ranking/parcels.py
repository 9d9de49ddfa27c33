"""Parcels in order: the best candidate by measure and overall, never a sum."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from catchscreen.ranking.reasons import EXCLUDED, gather_texts
from catchscreen.ranking.scoring import rank_scores
from catchscreen.records import Proposals

RESTS = ("score_low", "score_high", "score_rests_on")
"""What stands beside the overall score: its ends, and how much of it is known."""


def rank_parcels(
    proposals: Proposals, candidates: pd.DataFrame, measures: Sequence[str], parcels: pd.Index
) -> pd.DataFrame:
    """Give each parcel its best candidate by measure and overall, ranks made from these scores, and reasons."""
    frame = pd.DataFrame(index=pd.Index(parcels.astype(str), name="parcel_id"))
    ranked = candidates[candidates["score"].notna()]
    columns = ["parcel_id", "measure", "score", "reasons_for", "reasons_against", *RESTS]
    order = ranked[columns].assign(minus=-ranked["score"].round(6)).rename_axis("candidate_id").reset_index()
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
    frame["score_low"], frame["score_high"] = best["score_low"].astype(float), best["score_high"].astype(float)
    frame["rank"] = rank_scores(frame["score"])
    frame["score_rests_on"] = best["score_rests_on"].fillna("")
    frame["standing"] = pd.Series(pd.NA, index=frame.index, dtype="string")
    frame["best_candidate"] = best["candidate_id"].fillna("")
    frame["reasons"] = _both_sides(best)
    aside = proposals.set_aside
    said = [
        f"{measure.replace('_', ' ')}: {reason.removeprefix(EXCLUDED)}"
        for measure, reason in zip(aside["measure"].tolist(), aside["reason"].tolist(), strict=True)
    ]
    texts = pd.Series(gather_texts(aside["parcel_id"].tolist(), said), dtype=object)
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

"""Which option stands for a candidate, and how candidates and parcels are put in order: small tables by hand."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from catchscreen.ranking.choosing import choose_options, rank_candidates
from catchscreen.ranking.parcels import rank_parcels

MEASURES = (
    SimpleNamespace(name="paving", variants=[SimpleNamespace(name=name) for name in ("full", "partial", "lined")]),
    SimpleNamespace(name="roof", variants=[SimpleNamespace(name=name) for name in ("light", "deep")]),
)


def scored(*rows):
    """Rows of candidate, measure, variant, ground, load margin, score, benefit, cost; all of them admissible."""
    names = ["candidate_id", "measure", "variant", "ground", "load_margin_kn_m2", "score", "benefit_index", "cost"]
    frame = pd.DataFrame(rows, columns=names)
    more = {
        "admissible": True,
        "size_reason": "80 mm holds it",
        "q_used_m_s": 1e-6,
        "soaks": "all",
        "q_source": "soil map",
        "reasons_against": "",
    }
    return frame.assign(**more).set_index(pd.Index(frame["candidate_id"] + "." + frame["variant"], name="option_id"))


def chosen_of(frame):
    index = choose_options(frame, SimpleNamespace(measures=MEASURES))
    return dict(zip(frame.loc[index, "candidate_id"], frame.loc[index, "variant"], strict=True))


@pytest.mark.parametrize(
    ("full", "lined", "chosen"),
    [
        ((60.0, 50.0, 9.0), (50.0, 99.0, 1.0), "full"),
        ((60.0, 50.0, 9.0), (60.0, 51.0, 99.0), "lined"),
        ((60.0, 50.0, 9.0), (60.0, 50.0, 8.0), "lined"),
        ((60.0, 50.0, 9.0), (60.0, 50.0, 9.0), "full"),
        ((60.0, 50.0, 9.0), (60.0 + 1e-8, 50.0, 9.0), "full"),
    ],
    ids=["score", "of equals the benefit", "then the cost", "then the measure's order", "equal to six decimals"],
)
def test_the_option_is_chosen_by_score_benefit_cost_and_order(full, lined, chosen):
    rows = [("A", "paving", "lined", "paved", np.nan, *lined), ("A", "paving", "full", "paved", np.nan, *full)]
    assert chosen_of(scored(*rows)) == {"A": chosen}


@pytest.mark.parametrize(("margin", "chosen"), [(np.nan, "light"), (1.5, "deep")])
def test_a_roof_that_nobody_knows_carries_its_lightest(margin, chosen):
    rows = [
        ("R", "roof", "deep", "roof", margin, 90.0, 90.0, 1.0),
        ("R", "roof", "light", "roof", margin, 10.0, 10.0, 9.0),
    ]
    assert chosen_of(scored(*rows)) == {"R": chosen}


@pytest.fixture
def proposals():
    """Four hosts in three parcels; B's second paving is barred for two reasons, one of them said by both variants."""
    hosts = gpd.GeoDataFrame(
        {"parcel_id": ["P1", "P2", "P2", "P3"], "measure": ["paving", "paving", "roof", "paving"]},
        geometry=gpd.GeoSeries([None] * 4),
        index=pd.Index(["A", "B", "C", "D"], name="candidate_id"),
    )
    options = pd.DataFrame(
        {
            "candidate_id": ["A", "A", "B", "C", "D", "D"],
            "admissible": [True, False, True, True, False, False],
            "switches": ["", "the ground takes too little", "", "", "", ""],
            "reason": ["", "another variant", "", "", "excluded: too steep", "excluded: too steep; wet"],
        },
        index=pd.Index(["A.full", "A.lined", "B.full", "C.light", "D.full", "D.lined"], name="option_id"),
    )
    set_aside = pd.DataFrame(
        {
            "parcel_id": ["P3", "P3", "P4"],
            "measure": ["paving", "roof", "roof"],
            "reason": ["excluded: too steep; wet", "no roof", "no roof"],
        }
    )
    return SimpleNamespace(hosts=hosts, options=options, measures=MEASURES, set_aside=set_aside)


@pytest.fixture
def candidates(proposals):
    options = scored(
        ("A", "paving", "full", "paved", np.nan, 70.0, 60.0, 5.0),
        ("B", "paving", "full", "paved", np.nan, 70.0 + 1e-9, 60.0, 5.0),
        ("C", "roof", "light", "roof", np.nan, 80.0, 60.0, 5.0),
    )
    words = pd.DataFrame(
        {
            "reasons_for": ["large", "large", "near"],
            "reasons_against": ["", "owner", "load"],
            "unknowns": ["soil", "", "structure"],
            "unknown_checks": ["", "", ""],
        },
        index=options.index,
    )
    return rank_candidates(proposals, options, words)


def test_candidates_carry_rank_standing_reasons_unknowns_and_next_check(candidates):
    assert candidates["rank"].tolist()[:3] == [1, 1, 1], "A and B tie in paving, C is alone among roofs"
    assert candidates["standing"].isna().all()
    assert candidates.loc["B", ["reasons_for", "reasons_against", "unknowns"]].tolist() == ["large", "owner", ""]
    assert candidates["next_check"].tolist()[0].startswith("infiltration test")
    assert candidates.at["A", "variant_reason"] == "the ground takes too little; 80 mm holds it"
    assert candidates.at["B", "variant_reason"] == "the highest score of its variants; 80 mm holds it"


def test_a_candidate_without_option_has_no_rank_and_says_each_reason_once(candidates):
    assert pd.isna(candidates.at["D", "rank"])
    assert pd.isna(candidates.at["D", "score"])
    assert candidates.at["D", "no_option_reason"] == "excluded: too steep; wet"
    assert candidates.loc[["A", "B", "C"], "no_option_reason"].tolist() == ["", "", ""]


@pytest.fixture
def parcels(proposals, candidates):
    return rank_parcels(proposals, candidates, ["paving", "roof"], pd.Index(["P4", "P3", "P2", "P1"]))


def test_parcels_carry_score_rank_standing_best_and_reasons_for_each_measure(parcels):
    for measure in ("paving", "roof"):
        for column in ("score", "rank", "standing", "best", "reasons"):
            assert f"{column}_{measure}" in parcels
    assert parcels.loc["P2", ["best_paving", "best_roof"]].tolist() == ["B", "C"]
    assert parcels.at["P2", "reasons_roof"] == "for: near; against: load"
    assert parcels.at["P1", "reasons_paving"] == "for: large"
    assert parcels.filter(like="standing").isna().all(axis=None)


def test_the_overall_score_is_the_highest_never_a_sum(parcels):
    assert parcels.at["P2", "score"] == pytest.approx(80.0)
    assert parcels.at["P2", "score"] == max(parcels.at["P2", "score_paving"], parcels.at["P2", "score_roof"])
    assert parcels.at["P2", "best_candidate"] == "C"
    assert parcels.at["P2", "reasons"] == parcels.at["P2", "reasons_roof"]


def test_of_several_candidates_of_a_measure_the_highest_counts(proposals, candidates):
    both = candidates.assign(parcel_id=candidates["parcel_id"].replace({"P1": "P2"}))
    both.loc["A", "score"] = 75.0
    frame = rank_parcels(proposals, both, ["paving", "roof"], pd.Index(["P1", "P2"]))
    assert frame.at["P2", "score_paving"] == 75.0
    assert frame.at["P2", "best_paving"] == "A"
    assert pd.isna(frame.at["P1", "rank"])


def test_ranks_come_from_the_scores_ties_share_one_and_the_order_follows_the_parcel_id(parcels):
    assert parcels.index.tolist() == ["P1", "P2", "P3", "P4"]
    assert parcels["rank_paving"].tolist()[:2] == [1, 1]
    assert parcels["rank"].tolist()[:2] == [2, 1]


def test_a_parcel_without_candidate_has_null_rank_and_the_reason(parcels):
    assert parcels.loc[["P3", "P4"], ["rank", "rank_paving", "rank_roof", "score"]].isna().all(axis=None)
    assert parcels.at["P3", "no_candidate_reason"] == "paving: too steep; wet; roof: no roof"
    assert parcels.at["P4", "no_candidate_reason"] == "roof: no roof"
    assert parcels.loc[["P1", "P2"], "no_candidate_reason"].tolist() == ["", ""]
    assert (parcels.loc[["P3", "P4"], ["best_candidate", "reasons"]] == "").all(axis=None)

"""Which option stands for a candidate, and how candidates and parcels are put in order: small tables by hand."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from catchscreen.options import RankingOptions
from catchscreen.ranking.choosing import choose_options, rank_candidates
from catchscreen.ranking.parcels import rank_parcels

PLAIN = RankingOptions()
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
        "inflow_m3": 100.0,
        "overflow_m3": 0.0,
        "score_low": 10.0,
        "score_high": 90.0,
        "score_rests_on": "3 of 4 criteria",
        "size_reason": "80 mm holds it",
        "q_used_m_s": 1e-6,
        "soaks": "all",
        "q_source": "soil map",
        "reasons_against": "",
    }
    return frame.assign(**more).set_index(pd.Index(frame["candidate_id"] + "." + frame["variant"], name="option_id"))


def chosen_of(frame, options=PLAIN):
    index = choose_options(frame, SimpleNamespace(measures=MEASURES), options)
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


def rivals(*rows):
    """Variants of one paved place: variant, what soaks, score, overflow of 100 m3."""
    frame = scored(*(("A", "paving", variant, "paved", np.nan, score, 50.0, 9.0) for variant, _, score, _ in rows))
    return frame.assign(soaks=[row[1] for row in rows], overflow_m3=[row[3] for row in rows])


@pytest.mark.parametrize(
    ("overflows", "chosen"),
    [
        ((0.0, 0.0, 0.0), "full"),
        ((25.0, 0.0, 0.0), "full"),
        ((26.0, 25.0, 0.0), "partial"),
        ((26.0, 26.0, 0.0), "lined"),
        ((90.0, 90.0, 26.0), "full"),
        ((np.nan, 0.0, 0.0), "full"),
    ],
    ids=["ground first", "a quarter may go", "more may not", "nor of the next", "unless all do", "unknown is no fault"],
)
def test_the_drainage_order_decides_between_soaking_and_lined_whatever_their_scores(overflows, chosen):
    """The lined store scores highest, since fewer criteria concern it; the order goes before that."""
    full, partial, lined = overflows
    frame = rivals(("lined", "none", 90.0, lined), ("partial", "part", 80.0, partial), ("full", "all", 70.0, full))
    assert chosen_of(frame) == {"A": chosen}
    assert chosen_of(frame, RankingOptions(variant_choice="score")) == {"A": "lined"}


@pytest.mark.parametrize(
    ("chosen", "choice", "words"),
    [
        ("full", "drainage_order", "soaks away most of the variants that can be built here"),
        ("lined", "drainage_order", "holds its sizing storm, of which those that soak away more overflow"),
        ("lined", "score", "the highest score of its variants"),
    ],
)
def test_the_reason_of_a_variant_says_what_put_it_first(chosen, choice, words):
    frame = rivals(("lined", "none", 90.0, 0.0), ("full", "all", 70.0, 0.0))
    hosts = gpd.GeoDataFrame(
        {"parcel_id": ["P"], "measure": ["paving"]}, geometry=gpd.GeoSeries([None]), index=pd.Index(["A"])
    )
    proposals = SimpleNamespace(hosts=hosts, options=frame.assign(switches="", reason=""), measures=MEASURES)
    texts = pd.DataFrame(
        dict.fromkeys(("reasons_for", "reasons_against", "unknowns", "unknown_checks"), ""), index=frame.index
    )
    row = rank_candidates(proposals, frame.loc[[f"A.{chosen}"]], texts, RankingOptions(variant_choice=choice))
    assert row.at["A", "variant_reason"].startswith(words)


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
            "soaks": ["all", "none", "all", "none", "all", "none"],
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
    return rank_candidates(proposals, options, words, RankingOptions())


def test_candidates_carry_rank_standing_reasons_unknowns_and_next_check(candidates):
    assert candidates["rank"].tolist()[:3] == [1, 1, 1], "A and B tie in paving, C is alone among roofs"
    assert candidates["standing"].isna().all()
    assert candidates.loc["B", ["reasons_for", "reasons_against", "unknowns"]].tolist() == ["large", "owner", ""]
    assert candidates["next_check"].tolist()[0].startswith("infiltration test")
    assert candidates.at["A", "variant_reason"] == "the ground takes too little; 80 mm holds it"
    assert candidates.at["B", "variant_reason"] == "the only variant that can be built here; 80 mm holds it"


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
    assert (parcels.loc[["P3", "P4"], ["best_candidate", "reasons", "score_rests_on"]] == "").all(axis=None)
    assert parcels.loc[["P1", "P4"], "score_low"].tolist() == pytest.approx([10.0, np.nan], nan_ok=True)
    assert parcels.at["P1", "score_rests_on"] == "3 of 4 criteria"


@pytest.mark.parametrize(("margin", "words"), [(np.nan, "the lightest build-up"), (1.5, "the highest score")])
def test_a_roof_of_unknown_strength_says_that_its_build_up_is_the_lightest(margin, words):
    frame = scored(
        ("R", "roof", "light", "roof", margin, 90.0, 90.0, 1.0), ("R", "roof", "deep", "roof", margin, 10.0, 10.0, 9.0)
    ).assign(soaks="none", switches="", reason="")
    hosts = gpd.GeoDataFrame(
        {"parcel_id": ["P"], "measure": ["roof"]}, geometry=gpd.GeoSeries([None]), index=pd.Index(["R"])
    )
    proposals = SimpleNamespace(hosts=hosts, options=frame, measures=MEASURES)
    names = ("reasons_for", "reasons_against", "unknowns", "unknown_checks")
    texts = pd.DataFrame(dict.fromkeys(names, ""), index=frame.index)
    row = rank_candidates(proposals, frame.loc[["R.light"]], texts, PLAIN)
    assert row.at["R", "variant_reason"].startswith(words)

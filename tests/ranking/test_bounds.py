"""How much of a score is known, and how far the unknown could move it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catchscreen.options import RankingOptions
from catchscreen.ranking.bounds import bound_scores, say_what_it_rests_on
from catchscreen.ranking.scoring import find_states, grade_options, score_options, weigh_criteria
from catchscreen.records import GradeRule

RULES = (
    GradeRule("area", "benefit", "area", 0.0, 1.0, 3.0),
    GradeRule("spills", "benefit", "spills", 0.0, 1.0, 1.0),
    GradeRule("slope", "feasibility", "slope", 0.0, 1.0, 2.0),
    GradeRule("soil", "feasibility", "soil", 0.0, 1.0, 6.0, variants=("full",)),
    GradeRule("owner", "delivery", "owner", 0.0, 1.0, 1.0),
)
PLAIN = RankingOptions()


def bounded(frame, options=PLAIN, rules=RULES):
    able = pd.Series(data=True, index=frame.index)
    grades, filled = grade_options(frame, rules, able)
    weights = weigh_criteria("m", rules, find_states(frame, grades, rules, able), options)
    return score_options(filled, weights, options).join(bound_scores(frame, grades, rules, weights, options))


def facts(**columns):
    count = len(columns["area"])
    columns = {"candidate_id": [f"C{number}" for number in range(count)], "variant": "full", **columns}
    return pd.DataFrame(columns, index=[f"C{number}.full" for number in range(count)])


def test_what_nobody_knows_cannot_make_a_place_look_feasible():
    """Slope 1.0 weighs 2, the soil 6, unknown for every site: the index is 100, and lies between 2/8 and 1.

    Score: (0.8^.5 x 0.25^.3 x 1) to (0.8^.5 x 1 x 1); known weight 0.5 + 0.3 x 2/8 + 0.2 = 0.775.
    """
    row = bounded(facts(area=[1.0], spills=[0.2], slope=[1.0], soil=[np.nan], owner=[1.0])).iloc[0]
    assert row["feasibility_index"] == pytest.approx(100.0)
    assert (row["feasibility_low"], row["feasibility_high"]) == pytest.approx((25.0, 100.0))
    assert (row["benefit_low"], row["benefit_high"]) == pytest.approx((80.0, 80.0))
    assert (row["score_low"], row["score_high"]) == pytest.approx((100 * 0.8**0.5 * 0.25**0.3, 100 * 0.8**0.5))
    assert (row["criteria_known"], row["criteria_asked"]) == (4, 5)
    assert row["known_weight_fraction"] == pytest.approx(0.775)
    assert say_what_it_rests_on(row.to_frame().T) == ["4 of 5 criteria, 77 % of the weight"]


def test_where_all_is_known_the_ends_meet_and_100_percent_means_all():
    row = bounded(facts(area=[0.5], spills=[0.2], slope=[1.0], soil=[0.3], owner=[1.0])).iloc[0]
    assert row["score_low"] == pytest.approx(row["score"])
    assert row["score_high"] == pytest.approx(row["score"])
    assert say_what_it_rests_on(row.to_frame().T) == ["5 of 5 criteria, 100 % of the weight"]
    heavy = RankingOptions(weights={"spills": 0.001})
    row = bounded(facts(area=[0.5], spills=[np.nan], slope=[1.0], soil=[0.3], owner=[1.0]), heavy)
    assert say_what_it_rests_on(row) == ["4 of 5 criteria, 99 % of the weight"]


def test_what_does_not_concern_a_variant_is_neither_known_nor_unknown():
    frame = facts(area=[0.5], spills=[0.2], slope=[1.0], soil=[np.nan], owner=[1.0]).assign(variant="lined")
    row = bounded(frame).iloc[0]
    assert (row["criteria_known"], row["criteria_asked"], row["known_weight_fraction"]) == (4, 4, 1.0)
    assert (row["feasibility_low"], row["feasibility_high"]) == pytest.approx((100.0, 100.0))


def test_a_criterion_without_weight_or_without_gain_anywhere_is_not_counted():
    rules = (*RULES, GradeRule("hollow", "benefit", "hollow", 0.0, None, 9.0))
    frame = facts(area=[0.5], spills=[np.nan], slope=[1.0], soil=[0.3], owner=[1.0], hollow=[0.0])
    row = bounded(frame, RankingOptions(weights={"spills": 0.0}), rules).iloc[0]
    assert (row["criteria_known"], row["criteria_asked"]) == (4, 4)
    assert row["benefit_low"] == pytest.approx(50.0)


grade = st.one_of(st.none(), st.floats(0.0, 1.0))


@settings(max_examples=60)
@given(st.lists(st.tuples(grade, grade, grade, grade, grade, st.booleans()), min_size=1, max_size=5))
def test_index_and_score_lie_between_their_ends(rows):
    columns = {
        rule.name: [np.nan if row[place] is None else row[place] for row in rows] for place, rule in enumerate(RULES)
    }
    frame = facts(**columns).assign(variant=["full" if row[5] else "lined" for row in rows])
    found = bounded(frame)
    for name, shown in (("benefit", "benefit_index"), ("feasibility", "feasibility_index"), ("score", "score")):
        there = found[shown].notna()
        assert (found.loc[there, f"{name}_low"] <= found.loc[there, shown] + 1e-9).all()
        assert (found.loc[there, shown] <= found.loc[there, f"{name}_high"] + 1e-9).all()

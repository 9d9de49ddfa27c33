"""Grades, weights, indices and ranks: published weighted products, hand-made tables, and what the unknown does."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchscreen.errors import InputsAtFault
from catchscreen.options import RankingOptions
from catchscreen.ranking.grading import district_value, fill_unknown, grade_values
from catchscreen.ranking.scoring import (
    check_weights,
    find_states,
    grade_options,
    rank_scores,
    score_options,
    weigh_criteria,
    weighted_mean,
    weighted_product,
)
from catchscreen.records import GradeRule


def rule(name="r", index="benefit", column="x", zero_at=0.0, one_at=10.0, weight=1.0, **more):
    return GradeRule(name, index, column, zero_at, one_at, weight, **more)


def test_weighted_product_of_the_published_example():
    """Weighted product model, three alternatives by four criteria (table of the encyclopedia article on the method, as
    tested in scikit-criteria): sum-normalised, log10 of the products, ranks 1 2 3.
    """
    table = np.array([[25.0, 20, 15, 30], [10, 30, 20, 30], [30, 10, 30, 10]])
    weights = np.array([20.0, 15, 40, 25])
    scores = np.log10(weighted_product(table / table.sum(axis=0), weights))
    assert scores == pytest.approx([-0.50128589, -0.50448471, -0.52947246], abs=1e-7)
    assert list(rank_scores(pd.Series(scores))) == [1, 2, 3]


def test_weighted_mean_of_the_published_walls():
    """Weighted sum model of Kracka et al. 2010, Engineering Economics 21(4): six walls by seven criteria, of
    which the first four and the sixth are minimised (inverted first), sum-normalised, equal weights: ranks 6 1 3 4 5 2.
    """
    walls = np.array(
        [
            [33.95, 23.78, 11.45, 39.97, 29.44, 167.10, 3.852],
            [38.9, 4.17, 6.32, 0.01, 4.29, 132.52, 25.184],
            [37.59, 9.36, 8.23, 4.35, 10.22, 136.71, 10.845],
            [30.44, 37.59, 13.91, 74.08, 45.10, 198.34, 2.186],
            [36.21, 14.79, 9.17, 17.77, 17.06, 148.3, 6.610],
            [37.8, 8.55, 7.97, 2.35, 9.25, 134.83, 11.935],
        ]
    )
    lower = [0, 1, 2, 3, 5]
    walls[:, lower] = 1.0 / walls[:, lower]
    scores = weighted_mean(walls / walls.sum(axis=0), np.full(7, 1.0 / 7.0))
    expected = [0.12040426, 0.3458235, 0.13838192, 0.12841246, 0.12346084, 0.14351701]
    assert scores == pytest.approx(expected, abs=1e-7)
    assert list(rank_scores(pd.Series(scores))) == [6, 1, 3, 4, 5, 2]


def test_a_zero_cannot_be_bought_back_and_a_zero_weight_takes_it_out():
    values = np.array([[0.0, 100.0, 100.0], [50.0, 50.0, 50.0]])
    assert weighted_product(values, np.array([0.5, 0.3, 0.2])) == pytest.approx([0.0, 50.0])
    assert weighted_product(values, np.array([0.0, 0.3, 0.2])) == pytest.approx([100.0, 50.0])


@pytest.mark.parametrize(
    ("value", "grade"),
    [(-1.0, 0.0), (0.0, 0.0), (2.5, 0.25), (10.0, 1.0), (11.0, 1.0), (np.nan, np.nan)],
)
def test_linear_grade_below_at_between_above_and_unknown(value, grade):
    assert grade_values(pd.Series([value]), rule())[0] == pytest.approx(grade, nan_ok=True)


@pytest.mark.parametrize(("value", "grade"), [(6.0, 0.0), (5.0, 0.0), (3.0, 0.5), (1.0, 1.0), (0.0, 1.0)])
def test_less_is_better_where_zero_stands_above_one(value, grade):
    assert grade_values(pd.Series([value]), rule(zero_at=5.0, one_at=1.0))[0] == pytest.approx(grade)


@pytest.mark.parametrize(
    ("value", "grade"),
    [(0.0, 0.0), (99.0, 0.0), (100.0, 0.0), (np.sqrt(100.0 * 5000.0), 0.5), (5000.0, 1.0), (9e9, 1.0)],
)
def test_log_grade_rises_by_ratios(value, grade):
    """100 to 5,000 m2: the geometric mean, 707 m2, is half-way."""
    own = rule(zero_at=100.0, one_at=5000.0, scale="log")
    assert grade_values(pd.Series([value]), own)[0] == pytest.approx(grade)


def test_infiltration_from_ten_to_the_minus_seven():
    """log10 q from -7 to -4.5: 1e-5 gives 0.8, 1e-6 gives 0.4."""
    own = rule(zero_at=1e-7, one_at=10**-4.5, scale="log")
    assert grade_values(pd.Series([1e-5, 1e-6]), own) == pytest.approx([0.8, 0.4])


def test_classes_and_an_unknown_class():
    own = rule(zero_at=None, one_at=None, classes={"council": 1.0, "private_many": 0.0})
    assert grade_values(pd.Series(["council", "private_many", ""]), own) == pytest.approx(
        [1.0, 0.0, np.nan], nan_ok=True
    )


def test_the_district_s_percentile_is_one():
    """1, 2, ... 101 beside sites that gain nothing: the 95th percentile of those that gain is 96."""
    values = pd.Series([*np.arange(102.0), *np.zeros(5000), np.nan])
    top = district_value(values)
    assert top == pytest.approx(96.0)
    assert district_value(pd.Series([0.0, np.nan])) == 0.0
    own = rule(one_at=None)
    assert grade_values(pd.Series([48.0, 99.0]), own, top) == pytest.approx([0.5, 1.0])
    assert grade_values(pd.Series([0.0, np.nan]), own, 0.0) == pytest.approx([0.0, np.nan], nan_ok=True)


def test_unknown_takes_the_median_or_the_stated_grade_and_stays_when_nobody_knows():
    grades = np.array([0.2, np.nan, 0.6, 1.0])
    assert fill_unknown(grades, rule(), grades) == pytest.approx([0.2, 0.6, 0.6, 1.0])
    assert fill_unknown(grades, rule(when_unknown=0.1), grades)[1] == pytest.approx(0.1)
    nobody = np.array([np.nan, np.nan])
    assert np.isnan(fill_unknown(nobody, rule(), nobody)).all()


def facts(**columns):
    count = len(next(iter(columns.values())))
    names = [f"C{number}" for number in range(count)]
    return pd.DataFrame({"candidate_id": names, **columns}, index=[f"{name}.a" for name in names])


def score(frame, rules, options):
    everyone = pd.Series(data=True, index=frame.index)
    grades, filled = grade_options(frame, rules, everyone)
    weights = weigh_criteria("m", rules, find_states(frame, grades, rules, everyone), options)
    return score_options(filled, weights, options), weights


RULES = (
    rule("area", "benefit", "area", 0.0, 10.0, 3.0),
    rule("spills", "benefit", "spills", 0.0, 10.0, 1.0),
    rule("slope", "feasibility", "slope", 5.0, 1.0, 1.0),
    rule("owner", "delivery", "owner", 0.0, 1.0, 1.0),
)


def test_indices_and_score_by_hand():
    """Benefit (3 x 0.8 + 1 x 0.4)/4 = 70, feasibility 50, delivery 100; 70^.5 50^.3 100^.2 = 67.95."""
    frame = facts(area=[8.0], spills=[4.0], slope=[3.0], owner=[1.0])
    scored, weights = score(frame, RULES, RankingOptions())
    assert list(scored.iloc[0, :3]) == pytest.approx([70.0, 50.0, 100.0])
    assert scored.iloc[0]["score"] == pytest.approx(70.0**0.5 * 50.0**0.3 * 100.0**0.2)
    assert weights["used_weight"].tolist() == pytest.approx([75.0, 25.0, 100.0, 100.0])


def test_a_criterion_without_data_is_dropped_for_all_and_listed():
    frame = facts(area=[8.0, 2.0], spills=[np.nan, np.nan], slope=[3.0, 3.0], owner=[1.0, 1.0])
    scored, weights = score(frame, RULES, RankingOptions())
    assert scored["benefit_index"].tolist() == pytest.approx([80.0, 20.0])
    row = weights.set_index("criterion").loc["spills"]
    assert (row["weight"], row["used_weight"], row["state"]) == (1.0, 0.0, "dropped: no data for any site")


def test_an_index_without_data_is_left_out_of_the_product():
    frame = facts(area=[8.0], spills=[8.0], slope=[np.nan], owner=[1.0])
    scored, _ = score(frame, RULES, RankingOptions())
    assert scored.iloc[0]["score"] == pytest.approx((80.0**0.5 * 100.0**0.2) ** (1.0 / 0.7))


SOIL = rule("soil", "feasibility", "soil", 0.0, 1.0, 3.0, variants=("full",))


@pytest.mark.parametrize("soil", [0.0, 0.4, 1.0, np.nan])
def test_a_criterion_that_does_not_concern_a_variant_neither_counts_nor_weighs(soil):
    """Slope grades 0.5 with weight 1. The full store's feasibility is (3 soil + 0.5)/4; the lined one's stays 50,
    whatever its soil: the weight of what does not concern it goes to the rest.
    """
    frame = facts(area=[8.0, 8.0], spills=[4.0, 4.0], slope=[3.0, 3.0], owner=[1.0, 1.0], soil=[0.8, soil])
    frame["variant"] = ["full", "lined"]
    scored, weights = score(frame, (*RULES, SOIL), RankingOptions())
    assert scored["feasibility_index"].tolist() == pytest.approx([100.0 * (3 * 0.8 + 0.5) / 4, 50.0])
    assert weights.set_index("criterion").at["soil", "state"] == "used"


def test_the_unknown_of_a_variant_takes_the_median_of_those_that_it_concerns():
    """Known full stores grade 0.2 and 0.4: the third takes 0.3; the lined one's 1.0 is no part of that median."""
    frame = facts(soil=[0.2, 0.4, np.nan, 1.0])
    frame["variant"] = ["full", "full", "full", "lined"]
    grades, filled = grade_options(frame, (SOIL,), pd.Series(data=True, index=frame.index))
    assert filled["soil"].tolist() == pytest.approx([0.2, 0.4, 0.3, np.nan], nan_ok=True)
    assert grades["soil"].isna().tolist() == [False, False, True, True]


def test_a_criterion_that_concerns_no_variant_there_is_is_dropped_for_that_reason():
    frame = facts(area=[8.0], spills=[4.0], slope=[3.0], owner=[1.0], soil=[1.0]).assign(variant="lined")
    _, weights = score(frame, (*RULES, SOIL), RankingOptions())
    row = weights.set_index("criterion").loc["soil"]
    assert (row["used_weight"], row["state"]) == (0.0, "dropped: concerns no variant that can be built here")


def test_the_brief_s_weights_rule_and_the_longer_name_wins():
    frame = facts(area=[10.0], spills=[0.0], slope=[3.0], owner=[1.0])
    scored, _ = score(frame, RULES, RankingOptions(weights={"spills": 9.0, "area": 1.0}))
    assert scored.iloc[0]["benefit_index"] == pytest.approx(10.0)
    scored, _ = score(frame, RULES, RankingOptions(weights={"spills": 9.0, "m.spills": 0.0}))
    assert scored.iloc[0]["benefit_index"] == pytest.approx(100.0)


def test_weights_for_nothing_are_faults():
    with pytest.raises(InputsAtFault, match="no criterion 'beauty'"):
        check_weights({"m": RULES}, RankingOptions(weights={"beauty": 1.0}))
    with pytest.raises(InputsAtFault, match="weigh nothing"):
        check_weights({"m": RULES}, RankingOptions(benefit_weight=0, feasibility_weight=0, delivery_weight=0))
    check_weights({"m": RULES}, RankingOptions(weights={"area": 1.0, "m.area": 2.0}))


def test_equal_scores_share_a_rank_and_none_has_none():
    ranks = rank_scores(pd.Series([50.0, 70.0, 70.0 + 1e-9, np.nan, 10.0]))
    assert ranks.tolist()[:3] == [3, 1, 1]
    assert ranks.isna().tolist() == [False, False, False, True, False]
    assert ranks.tolist()[4] == 4


@given(st.lists(st.floats(0.0, 100.0), min_size=3, max_size=3), st.integers(0, 2), st.floats(0.0, 50.0))
def test_a_score_stays_between_its_indices_and_rises_with_each(values, place, more):
    weights = np.array([0.5, 0.3, 0.2])
    before = weighted_product(np.array([values]), weights)[0]
    assert min(values) - 1e-9 <= before <= max(values) + 1e-9
    better = list(values)
    better[place] += more
    assert weighted_product(np.array([better]), weights)[0] >= before - 1e-9


@given(st.permutations(range(5)))
def test_the_order_of_the_sites_changes_no_score(order):
    frame = facts(
        area=[8.0, 2.0, 5.0, np.nan, 9.0],
        spills=[1.0, 2.0, 3.0, 4.0, 5.0],
        slope=[1.0, 2.0, 3.0, 4.0, 5.0],
        owner=[0.0, 1.0, 0.5, 0.2, 0.1],
    )
    straight, _ = score(frame, RULES, RankingOptions())
    turned, _ = score(frame.iloc[order], RULES, RankingOptions())
    pd.testing.assert_series_equal(turned["score"].sort_index(), straight["score"].sort_index(), rtol=1e-12)


def test_a_criterion_with_nothing_to_gain_anywhere_is_dropped_not_held_against_everybody():
    """No site keeps anything from a hollow: the other criterion carries the benefit, and the list says why."""
    rules = (*RULES[:1], rule("hollow", "benefit", "kept", 0.0, None, 9.0), *RULES[2:])
    frame = facts(area=[8.0, 2.0], kept=[0.0, 0.0], slope=[3.0, 3.0], owner=[1.0, 1.0])
    scored, weights = score(frame, rules, RankingOptions())
    assert scored["benefit_index"].tolist() == pytest.approx([80.0, 20.0])
    assert weights.set_index("criterion").at["hollow", "state"] == "dropped: nothing to gain at any site"


@pytest.mark.parametrize(
    "absurd",
    [
        {"benefit_weight": -1.0},
        {"delivery_weight": float("nan")},
        {"weights": {"area": -2.0}},
        {"weights": {"area": 1e9}},
        {"hollow_return_period_years": 0.0},
        {"hollow_duration_min": 1e6},
        {"costly_factor": 1.0},
        {"costly_factor": 1e6},
        {"hollow": "x"},
    ],
)
def test_absurd_options_are_refused(absurd):
    with pytest.raises(ValueError, match=next(iter(absurd))):
        RankingOptions(**absurd)


def test_a_weight_says_whether_the_brief_has_set_it():
    frame = facts(area=[8.0], spills=[4.0], slope=[3.0], owner=[1.0])
    _, weights = score(frame, RULES, RankingOptions(weights={"spills": 2.0, "m.slope": 1.0, "other.owner": 5.0}))
    assert weights.set_index("criterion")["weight_source"].to_dict() == {
        "area": "default of the measure",
        "spills": "the brief",
        "slope": "the brief",
        "owner": "default of the measure",
    }

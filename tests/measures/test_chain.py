"""From hosts to ranks with the real store and storm runs: what a reader sees, on the district worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from catchscreen import ranking, runoff
from catchscreen.errors import InputsAtFault
from catchscreen.measures import choose_size, open_measures, propose, settle, store_trials, take_off
from catchscreen.options import MeasureOptions, RainOptions, RankingOptions, RunoffOptions
from catchscreen.progress import Run
from catchscreen.records.catalogue import Table

SCHOOL = "P1-paved-permeable_paving-14_7"
SCHOOL_ROOF = "P1-roof-green_roof-5_5"
CAR_PARK = "P3-paved-permeable_paving-50_10"
TABLE = pd.DataFrame(
    {2.0: [7.5, 10.0, 13.0, 19.0], 30.0: [17.0, 23.0, 30.0, 41.0], 100.0: [22.0, 30.0, 38.0, 51.0]},
    index=pd.Index([15.0, 30.0, 60.0, 180.0], name="duration_min"),
)


def run_chain(district, options=None):
    """Run every stage from storms to quantities; ranking is left to the test."""
    data, land, cover = district
    options, run = options or MeasureOptions(), Run()
    storms = runoff.prepare_rain(TABLE, None, RainOptions(durations_min=(15.0, 60.0, 180.0)), run)
    now = runoff.run_storms(cover.ledger, land, data.sewer_zones, storms, RunoffOptions(), run, soils=data.soils)
    proposals = propose(data, land, cover, open_measures(options), options, run)

    def events_of(stores, storm_ids):
        inflow = runoff.gather_run_on(stores, proposals.options["candidate_id"], proposals.run_on, cover.ledger, now)
        return runoff.run_store_events(stores, inflow, storms, run, storm_ids=storm_ids)

    trials = store_trials(proposals, options)
    sizing = list(storms.storms.index[storms.storms["is_sizing"].astype(bool)])
    sizes = choose_size(proposals, trials, events_of(trials, sizing), storms, options)
    proposals = settle(proposals, sizes)
    return SimpleNamespace(
        data=data,
        cover=cover,
        now=now,
        proposals=proposals,
        sizes=sizes,
        events=events_of(sizes.stores, None),
        years=runoff.run_stores(sizes.stores, None, None, run),
        quantities=take_off(proposals, sizes, options),
        storms=storms,
    )


def rank_chain(chain, options=None, run=None):
    return ranking.rank(
        chain.proposals,
        chain.sizes,
        chain.quantities,
        chain.events,
        chain.years,
        chain.now,
        chain.cover,
        chain.data,
        options or RankingOptions(),
        run or Run(),
    )


@pytest.fixture(scope="module")
def chain(full_district):
    return run_chain(full_district)


@pytest.fixture(scope="module")
def ranked(chain):
    return rank_chain(chain)


def test_the_school_comes_before_the_car_park_and_the_depot_has_no_rank(ranked):
    assert ranked.parcels.at["P1", "rank"] == 1
    assert ranked.parcels.at["P3", "rank"] == 2
    assert pd.isna(ranked.parcels.at["P2", "rank"])
    assert "light steel" in ranked.parcels.at["P2", "no_candidate_reason"]
    assert ranked.parcels.at["P1", "no_candidate_reason"] == ""


def test_a_parcel_has_the_best_of_its_candidates_never_a_sum(ranked):
    best = ranked.candidates.groupby(["parcel_id", "measure"])["score"].max()
    for parcel in ("P1", "P3"):
        scores = [best.get((parcel, name), np.nan) for name in ("permeable_paving", "green_roof")]
        assert ranked.parcels.at[parcel, "score"] == pytest.approx(np.nanmax(scores))
        assert ranked.parcels.at[parcel, "score_permeable_paving"] == pytest.approx(best[(parcel, "permeable_paving")])


def test_the_chosen_option_has_the_highest_score_then_the_lower_cost(chain, ranked):
    options = ranked.option_scores
    for candidate, own in options[options["admissible"]].groupby("candidate_id"):
        chosen = own[own["is_chosen"]]
        assert len(chosen) == 1
        assert chosen["score"].iloc[0] >= own["score"].max() - 1e-6
        equal = own[
            np.isclose(own["score"], own["score"].max()) & np.isclose(own["benefit_index"], chosen["benefit_index"])
        ]
        assert chosen["cost"].iloc[0] == equal["cost"].min()
        assert ranked.candidates.at[candidate, "option_id"] == chosen.index[0]


def test_soil_that_soaks_and_groundwater_that_forbids_it_choose_the_variant(ranked):
    assert ranked.candidates.at[SCHOOL, "variant"] == "full-infiltration"
    assert ranked.candidates.at[CAR_PARK, "variant"] == "lined"
    assert "groundwater" in ranked.candidates.at[CAR_PARK, "variant_reason"]
    assert ranked.candidates.at[SCHOOL_ROOF, "variant"] == "extensive"


def test_the_lined_car_park_costs_more_per_cubic_metre_held(ranked):
    cost = ranked.candidates["cost_per_m3_taken"]
    assert cost[CAR_PARK] > 1.5 * cost[SCHOOL]


def test_indices_and_scores_stay_between_0_and_100(ranked):
    for name in ("benefit_index", "feasibility_index", "delivery_index", "score"):
        known = ranked.option_scores[name].dropna()
        assert known.between(0.0, 100.0).all()
        assert len(known)


def test_reasons_speak_for_and_against_and_name_the_next_check(ranked):
    school = ranked.candidates.loc[SCHOOL]
    assert "captures 2,610 m2 of connected impermeable area" in school["reasons_for"]
    assert school["next_check"].startswith("infiltration test")
    assert "structural survey" in ranked.candidates.at[SCHOOL_ROOF, "next_check"]
    assert "many private owners" in ranked.candidates.at[CAR_PARK, "reasons_against"]
    assert ranked.candidates["standing"].isna().all()


def test_weights_are_listed_and_the_dropped_ones_share_their_part(ranked):
    weights = ranked.weights
    assert weights.at["permeable_paving.roots", "state"].startswith("dropped")
    paving = weights[weights["measure"] == "permeable_paving"]
    assert paving.groupby("index")["used_weight"].sum().to_numpy() == pytest.approx([100.0] * 3)


def test_dropped_criteria_are_noted_once(chain):
    run = Run()
    rank_chain(chain, run=run)
    noted = [issue.message for issue in run.issues if issue.code == "criterion_dropped"]
    assert any("overlap with root areas counts for no site" in message for message in noted)
    assert len(noted) == len(set(noted))


def test_kept_from_a_hollow_is_the_overland_water_taken_off_the_hollow(chain):
    """Today's 1-in-30 hour: all that host and run-on shed overland, as the full-infiltration store does not overflow.

    The ground gathers in H1 (no properties); with H1 spilling freely it all counts for H2 and its 10 properties.
    """
    balance = chain.now.balance.copy()
    storm = "1in030-0060min-now"
    spill = pd.DataFrame(
        {"level": ["hollow"] * 2, "unit_id": ["H1", "H2"], "storm_id": storm, "leaving_m3": [1e6, 0.0]}
    )
    now = replace(chain.now, balance=pd.concat([balance[balance["level"] != "hollow"], spill]))
    ranked = rank_chain(SimpleNamespace(**{**vars(chain), "now": now}))
    ledger = chain.cover.ledger
    taken = ledger["surface_id"].isin(["S1", "S2"]).to_numpy()
    expected = float(np.asarray(chain.now.overland_m3[storm])[taken].sum())
    row = ranked.option_scores.loc[f"{SCHOOL}.full-infiltration"]
    assert row["hollow_storm_id"] == storm
    assert row["hollow_overflow_m3"] == pytest.approx(0.0, abs=1e-9)
    assert expected > 1.0
    assert row["hollow_kept_m3"] == pytest.approx(expected, rel=1e-9)
    assert row["hollow_kept_m3_properties"] == pytest.approx(10.0 * expected, rel=1e-9)


def test_nothing_passes_a_hollow_that_does_not_spill(ranked):
    assert ranked.option_scores.at[f"{SCHOOL}.full-infiltration", "hollow_kept_m3"] == 0.0


def test_a_heavier_weight_on_hollows_raises_the_one_that_eases_them(chain):
    spill = pd.DataFrame(
        {"level": ["hollow"], "unit_id": ["H1"], "storm_id": "1in030-0060min-now", "leaving_m3": [1e6]}
    )
    changed = SimpleNamespace(**{**vars(chain), "now": replace(chain.now, balance=spill)})
    light = rank_chain(changed, RankingOptions(weights={"hollow_kept": 1.0}))
    heavy = rank_chain(changed, RankingOptions(weights={"hollow_kept": 90.0}))
    gain = heavy.candidates["benefit_index"] - light.candidates["benefit_index"]
    assert gain[SCHOOL] > 0.0
    assert gain[CAR_PARK] < 0.0


def test_an_unproven_site_shows_the_range_from_lined_to_full(make_district, layers):
    layers.pop("soils")
    chain = run_chain(make_district(**layers))
    ranked = rank_chain(chain)
    school = ranked.candidates.loc[SCHOOL]
    own = ranked.option_scores[ranked.option_scores["candidate_id"] == SCHOOL].set_index("variant")["retained_m3"]
    assert school["variant"] == "partial-infiltration"
    assert school["is_unproven"]
    assert school["retained_low_m3"] == pytest.approx(own["lined"])
    assert school["retained_high_m3"] == pytest.approx(own["full-infiltration"])
    assert own["lined"] <= own["partial-infiltration"] <= own["full-infiltration"]
    assert "infiltration" in school["next_check"]


def test_passes_up_to_the_greatest_return_period_without_overflow(chain, ranked):
    events = chain.events.events.merge(
        chain.storms.storms.reset_index()[["storm_id", "return_period_years", "climate"]]
    )
    events = events[events["climate"] == "now"]
    for option in (f"{SCHOOL}.full-infiltration", f"{CAR_PARK}.lined"):
        own = events[events["store_id"] == ranked.option_scores.at[option, "store_id"]]
        passed = own.groupby("return_period_years")["overflow_m3"].max() <= 1e-3
        expected = max((period for period in passed.index if passed[:period].all()), default=np.nan)
        found = ranked.option_scores.at[option, "passes_return_period_years"]
        assert found == pytest.approx(expected, nan_ok=True)


def test_a_district_without_any_candidate_is_ranked_empty(make_district, layers):
    data, land, cover = make_district(**layers)
    bare = replace(cover, patches=cover.patches.iloc[:0], links=cover.links.iloc[:0])
    ranked = rank_chain(run_chain((data, land, bare)))
    assert len(ranked.candidates) == 0
    assert ranked.parcels["rank"].isna().all()
    assert (ranked.parcels["no_candidate_reason"] != "").all()


def test_an_unknown_weight_is_a_fault(chain):
    with pytest.raises(InputsAtFault, match="beauty"):
        rank_chain(chain, RankingOptions(weights={"beauty": 1.0}))


def test_ranking_twice_gives_the_same(chain, ranked):
    again = rank_chain(chain)
    pd.testing.assert_frame_equal(again.candidates, ranked.candidates)
    pd.testing.assert_frame_equal(again.parcels, ranked.parcels)


def test_a_named_supplier_moves_no_rank_and_no_score(full_district, ranked):
    """A supplier's rock of a tenth of the weight: every ranked figure stays, the words stand beside."""
    data, land, cover = full_district
    row = {"void_fraction": 0.9, "density_kg_m3": 160.0, "waste_fraction": 0.0, "carbon_kg_t": 0.06}
    row |= {"recycled_fraction": 1.0, "strength_kpa": 9.0, "supplier": "a maker", "stands_for": "open_graded_rock"}
    own = replace(data, layer_catalogue=Table({"light_rock": row}))
    chain = run_chain((own, land, cover))
    again = rank_chain(chain)
    assert chain.quantities["supplier_layers"].str.contains("light rock of a maker").any()
    shown = again.candidates.drop(columns="supplier_layers", errors="ignore")
    pd.testing.assert_frame_equal(shown, ranked.candidates.drop(columns="supplier_layers", errors="ignore"))
    pd.testing.assert_frame_equal(again.parcels, ranked.parcels)


def test_what_moves_two_variants_away_is_said_once(make_district, layers):
    """A slow soil bars full infiltration; walls that leave 12 of the yard's 40 m bar both ways of soaking run-on."""
    layers["soils"]["infiltration_m_s"] = 5e-7
    layers["buildings"].loc["B1", "geometry"] = box(55, 10, 59, 60)
    layers["buildings"].loc["B2", "geometry"] = box(75, 10, 79, 60)
    ranked = rank_chain(run_chain(make_district(**layers)))
    reason = ranked.candidates.at[SCHOOL, "variant_reason"]
    assert ranked.candidates.at[SCHOOL, "variant"] == "lined"
    assert reason.count("the soil takes too little water") == 1
    assert reason.count("lies within 5 m of a building") == 1

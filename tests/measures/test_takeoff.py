"""Take-off: tonnes, loads, haul, cost and carbon of sized options, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from catchscreen.errors import InputsAtFault
from catchscreen.measures import list_layers, store_trials, take_off
from catchscreen.measures.catalogue import load_prices, load_products
from catchscreen.measures.takeoff import annuity_factor, diverted_carbon_t
from catchscreen.options import MeasureOptions
from catchscreen.records import Sizes

SCHOOL = "P1-paved-permeable_paving-14_7"


def sizes_at(proposals, depths, options):
    """Take the trials of the given depths as if they had been chosen."""
    trials = store_trials(proposals, options)
    rows = [row for row, name in enumerate(trials.store_id) if name in depths]
    index = pd.Index([trials.option_id[row] for row in rows], name="option_id")
    frame = pd.DataFrame(
        {"store_id": [trials.store_id[row] for row in rows], "store_depth_mm": trials.depth_mm[rows]}, index=index
    )
    return Sizes(trials, frame, pd.DataFrame())


@pytest.fixture
def chosen(proposals, options):
    return sizes_at(proposals, {f"{SCHOOL}.full-infiltration@0300", f"{SCHOOL}.lined@0300"}, options)


def test_a_thousand_square_metres_of_300_mm_weigh_480_tonnes_in_24_loads(proposals, chosen, options):
    """1,000 m2 x 0.30 m x 1.6 t/m3 = 480 t = 24 loads of 20 t; the yard has twice the area."""
    rows = list_layers(proposals, chosen, options).set_index(["option_id", "product"])
    rock = rows.loc[(f"{SCHOOL}.full-infiltration", "open_graded_rock")]
    assert rock["volume_m3"] == pytest.approx(600.0)
    assert rock["tonnes"] / 2.0 == pytest.approx(480.0)
    assert rock["tonnes"] / 2.0 / load_prices(options).lorry_t == pytest.approx(24.0)
    assert rock["void_fraction"] == 0.3


def test_totals_are_the_sums_of_the_layers(proposals, chosen, options):
    rows = list_layers(proposals, chosen, options)
    frame = take_off(proposals, chosen, options)
    for column, total in (("tonnes", "tonnes"), ("load_kn_m2", "load_kn_m2"), ("carbon_kg", "carbon_product_kg")):
        summed = rows.groupby("option_id")[column].sum()
        assert list(frame[total]) == pytest.approx(list(summed.reindex(frame.index)))
    assert list(frame["loads"]) == [np.ceil(tonnes / 20.0) for tonnes in frame["tonnes"]]


def test_sheets_keep_their_own_thickness_whatever_the_depth(proposals, chosen, options):
    rows = list_layers(proposals, chosen, options).set_index(["option_id", "product"])
    assert rows.at[(f"{SCHOOL}.lined", "liner"), "thickness_mm"] == 1.5


def test_haul_and_its_carbon(proposals, chosen, options):
    """The supply point lies 9,930 m from the yard's inner point: x 1.3 = 12.909 km; 0.10 kg a tonne-kilometre."""
    row = take_off(proposals, chosen, options).loc[f"{SCHOOL}.full-infiltration"]
    assert row["haul_km"] == pytest.approx(12.909)
    assert row["carbon_haul_kg"] == pytest.approx(row["tonnes"] * 12.909 * 0.10)


@pytest.mark.parametrize(("km", "kg"), [(30.0, 1440.0), (8.0, 384.0)])
def test_480_tonnes_over_a_long_and_a_short_way(km, kg):
    assert 480.0 * km * load_prices(MeasureOptions()).haul_kg_co2e_t_km == pytest.approx(kg)


def test_cost_is_a_band_with_its_year_and_source(proposals, chosen, options):
    """110, 160, 220 a square metre at 300 mm; surveys 4.5, design 12.5 and contingency 30 % on top: 1.47."""
    row = take_off(proposals, chosen, options).loc[f"{SCHOOL}.full-infiltration"]
    assert [row["cost_low"], row["cost"], row["cost_high"]] == pytest.approx(
        [2000.0 * r * 1.47 for r in (110, 160, 220)]
    )
    assert row["extra_cost_at_renewal"] == pytest.approx(2000.0 * (160.0 - 80.0) * 1.47)
    assert row["upkeep_per_yr"] == pytest.approx(2000.0)
    assert row["whole_life_cost"] == pytest.approx(row["cost"] + 2000.0 * annuity_factor(0.035, 30))
    assert (row["price_year"], row["currency"]) == (2025, "GBP")
    assert "not a quotation" in row["cost_source"]


def test_the_brief_s_own_price_goes_first(proposals, chosen):
    options = MeasureOptions(unit_costs={"permeable_paving": (1.0, 2.0, 3.0)}, unit_cost_price_year=2023)
    row = take_off(proposals, chosen, options).loc[f"{SCHOOL}.full-infiltration"]
    assert row["cost"] == pytest.approx(2000.0 * 2.0 * 1.47)
    assert (row["price_year"], row["cost_source"]) == (2023, "the brief")


def test_a_main_beneath_raises_the_band(proposals, chosen, options):
    from dataclasses import replace

    plain = take_off(proposals, chosen, options)
    over = replace(proposals, options=proposals.options.assign(main_under_host="yes"))
    raised = take_off(over, chosen, options)
    for name, factor in (("cost_low", 1.3), ("cost", 1.65), ("cost_high", 2.0)):
        assert list(raised[name]) == pytest.approx(list(plain[name] * factor))


def test_carbon_states_its_boundary_and_may_be_worse_than_the_rebuild(proposals, chosen, options):
    frame = take_off(proposals, chosen, options)
    row = frame.loc[f"{SCHOOL}.lined"]
    net = row["carbon_product_kg"] + row["carbon_haul_kg"] + row["carbon_works_kg"] - row["carbon_rebuild_kg"]
    assert row["carbon_net_kg"] == pytest.approx(net)
    assert row["carbon_net_kg"] > 0.0
    assert "rebuild" in row["carbon_boundary"]


def test_diverted_plastic_is_off_by_default_and_a_line_of_its_own(proposals, chosen):
    """2 t CO2e a tonne (common practice, no source): 120 t give 240 t, and nothing else changes."""
    on = MeasureOptions(plastic_diversion_t_co2e_per_t=2.0)
    assert diverted_carbon_t(pd.Series([120.0]), MeasureOptions())[0] == 0.0
    assert diverted_carbon_t(pd.Series([120.0]), on)[0] == pytest.approx(240.0)
    quiet, loud = take_off(proposals, chosen, MeasureOptions()), take_off(proposals, chosen, on)
    pd.testing.assert_frame_equal(quiet, loud)


def test_diversion_never_stands_beside_a_recycled_content_factor(proposals, chosen):
    """Recycled plastic counts as new plastic where the diversion line is on: one credit for one tonne."""
    from dataclasses import replace

    from catchscreen.measures.contract import Layer

    measure = proposals.measures[[m.name for m in proposals.measures].index("permeable_paving")]
    plastic = tuple(replace(v, layers=(Layer("recycled_plastic_drainage"),)) for v in measure.variants)
    changed = replace(proposals, measures=(replace(measure, variants=plastic),))
    option = f"{SCHOOL}.full-infiltration"
    off = take_off(changed, chosen, MeasureOptions()).loc[option]
    on = take_off(changed, chosen, MeasureOptions(plastic_diversion_t_co2e_per_t=2.0)).loc[option]
    products = load_products(MeasureOptions())
    assert off["carbon_product_kg"] == pytest.approx(off["tonnes"] * products["recycled_plastic_drainage"].carbon_kg_t)
    assert on["carbon_product_kg"] == pytest.approx(on["tonnes"] * products["plastic_void_former"].carbon_kg_t)
    assert on["plastic_diversion_t_co2e"] == pytest.approx(2.0 * on["tonnes"])


def test_every_layer_and_price_of_the_built_ins_exists(options):
    from catchscreen.measures import open_measures

    products, prices = load_products(options), load_prices(options)
    for measure in open_measures(options):
        for variant in measure.variants:
            assert {layer.product for layer in variant.layers} <= set(products)
            assert variant.cost_item in prices.items
    assert all(product.source for product in products.values())


@pytest.mark.parametrize(
    "changes",
    [{"layers": {"liner": {"colour": 1.0}}}, {"layers": {"my_board": {"void_fraction": 0.9}}}],
)
def test_a_layer_at_fault_is_named(changes):
    with pytest.raises(InputsAtFault, match="layer"):
        load_products(MeasureOptions(**changes))


@pytest.mark.parametrize("costs", [{"gold_paving": (1.0, 2.0, 3.0)}, {"permeable_paving": (3.0, 2.0, 1.0)}])
def test_a_price_at_fault_is_named(costs):
    with pytest.raises(InputsAtFault, match="cost"):
        load_prices(MeasureOptions(unit_costs=costs))


def test_a_layer_of_the_user_s_own(options):
    numbers = {
        "void_fraction": 0.9,
        "density_kg_m3": 70.0,
        "waste_fraction": 0.0,
        "carbon_kg_t": 1000.0,
        "recycled_fraction": 1.0,
        "strength_kpa": 250.0,
    }
    products = load_products(MeasureOptions(layers={"my_board": numbers, "liner": {"density_kg_m3": 900.0}}))
    assert products["my_board"].density_kg_m3 == 70.0
    assert (products["liner"].density_kg_m3, products["liner"].source) == (900.0, "the brief")

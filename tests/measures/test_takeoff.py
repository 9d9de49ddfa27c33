"""Take-off: tonnes, loads, haul, cost and carbon of sized options, by hand."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import date

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import Point

from catchscreen.errors import InputsAtFault
from catchscreen.measures import list_layers, store_trials, take_off
from catchscreen.measures.catalogue import load_prices, load_products, shipped_files
from catchscreen.measures.costing import annuity_factor
from catchscreen.measures.takeoff import diverted_carbon_t
from catchscreen.options import MeasureOptions
from catchscreen.records import Sizes
from catchscreen.records.catalogue import Table

SCHOOL = "P1-paved-permeable_paving-14_7"
ROOF = "P1-roof-green_roof-5_5"


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
    for column, total in (("tonnes", "tonnes"), ("carbon_kg", "carbon_product_kg")):
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
    """95, 136, 180 a square metre laid at 300 mm; 0.43 m dug out at 12, 20, 35 a m3 and tipped at 10, 18, 35 a tonne of

    1.8 t/m3; surveys 4.5, design 12.5 and contingency 30 % on top: 1.47. 2,000 m2 make 860 m3 and 1,548 t of spoil, 78
    loads. The yard is 40 m wide, 50 m long and falls by 1 %: 4 check dams, 160 m at 25, 50, 100 a metre.
    """
    row = take_off(proposals, chosen, options).loc[f"{SCHOOL}.full-infiltration"]
    prices = ((95, 12, 10, 25), (136, 20, 18, 50), (180, 35, 35, 100))
    bare = [2000.0 * laid + 860.0 * dig + 1548.0 * tip + 160.0 * dam for laid, dig, tip, dam in prices]
    assert [row["cost_low"], row["cost"], row["cost_high"]] == pytest.approx([1.47 * each for each in bare])
    names = ("build", "check_dams", "dig_out", "disposal", "traffic", "over_main", "on_top")
    items = [row[f"cost_{name}"] for name in names]
    assert items == pytest.approx([272_000.0, 8_000.0, 17_200.0, 27_864.0, 0.0, 0.0, 0.47 * bare[1]])
    assert row["spoil_loads"] == 78.0
    assert sum(items) == pytest.approx(row["cost"])
    assert row["dug_out_t"] == pytest.approx(1548.0)
    assert row["extra_cost_at_renewal"] == pytest.approx(1.47 * (bare[1] - 2000.0 * 80.0))
    assert row["upkeep_per_yr"] == pytest.approx(2000.0)
    assert row["whole_life_cost"] == pytest.approx(row["cost"] + 2000.0 * annuity_factor(0.035, 30))
    assert (row["price_year"], row["currency"]) == (2025, "GBP")
    assert "not a quotation" in row["cost_source"]


def test_the_brief_s_own_price_goes_first(proposals, chosen):
    options = MeasureOptions(unit_costs={"permeable_paving": (1.0, 2.0, 3.0)}, unit_cost_price_year=2023)
    row = take_off(proposals, chosen, options).loc[f"{SCHOOL}.full-infiltration"]
    assert row["cost_build"] == pytest.approx(2000.0 * 2.0)
    assert (row["price_year"], row["cost_source"]) == (2023, "the brief")


def test_a_main_beneath_raises_the_band(proposals, chosen, options):
    plain = take_off(proposals, chosen, options)
    over = replace(proposals, options=proposals.options.assign(main_under_host="yes"))
    raised = take_off(over, chosen, options)
    for name, factor in (("cost_low", 1.3), ("cost", 1.65), ("cost_high", 2.0)):
        assert list(raised[name]) == pytest.approx(list(plain[name] * factor))
    items = ["cost_build", "cost_check_dams", "cost_dig_out", "cost_disposal", "cost_traffic"]
    pd.testing.assert_frame_equal(raised[items], plain[items])
    assert list(raised["cost_over_main"]) == pytest.approx(list(0.65 * plain[items].sum(axis=1)))
    assert (plain["cost_over_main"] == 0.0).all()


@pytest.mark.parametrize(("land_use", "ground_use", "charged"), [("highway", "", True), ("highway", "car_park", False)])
def test_traffic_management_is_charged_on_carriageways_not_on_their_car_parks(
    proposals, chosen, options, land_use, ground_use, charged
):
    """2,000 m2 at 20 a square metre."""
    street = replace(proposals, options=proposals.options.assign(land_use=land_use, ground_use=ground_use))
    cost = take_off(street, chosen, options).at[f"{SCHOOL}.full-infiltration", "cost_traffic"]
    assert cost == pytest.approx(40_000.0 if charged else 0.0)


def test_the_cost_band_follows_an_area_that_is_a_range(proposals, chosen, options):
    """0 to 3,000 m2 about 2,000: the low end costs nothing, the high end half as much again at high prices."""
    blind = proposals.options.assign(host_area_low_m2=0.0, host_area_high_m2=3000.0)
    plain = take_off(proposals, chosen, options)
    row, known = (
        frame.loc[f"{SCHOOL}.full-infiltration"]
        for frame in (take_off(replace(proposals, options=blind), chosen, options), plain)
    )
    assert row["cost_low"] == 0.0
    assert row["cost"] == pytest.approx(known["cost"])
    assert row["cost_high"] == pytest.approx(1.5 * known["cost_high"])
    assert (row["upkeep_low_per_yr"], row["upkeep_high_per_yr"]) == (0.0, pytest.approx(3000.0 * 1.5))


def test_the_whole_life_cost_is_a_present_value_at_the_stated_rate(proposals, chosen):
    """Upkeep of 2,000 a year for 3 years at 5 %: 2,000 (1/1.05 + 1/1.1025 + 1/1.157625) = 5,446.50; at 0 %: 6,000."""
    for rate, present in ((0.05, 5446.50), (0.0, 6000.0)):
        options = MeasureOptions(discount_rate=rate, whole_life_years=3)
        row = take_off(proposals, chosen, options).loc[f"{SCHOOL}.full-infiltration"]
        assert row["whole_life_cost"] - row["cost"] == pytest.approx(present, abs=0.01)


def test_deliveries_and_spoil_are_loads_apart(proposals, chosen, options):
    """600 m3 of rock make 960 t; with blocks and grit more. 860 m3 dug out make 1,548 t: 77.4, so 78 loads."""
    row = take_off(proposals, chosen, options).loc[f"{SCHOOL}.full-infiltration"]
    assert (row["loads"], row["spoil_loads"]) == (np.ceil(row["tonnes"] / 20.0), 78.0)
    roof = sizes_at(proposals, {f"{ROOF}.extensive@0080"}, options)
    assert take_off(proposals, roof, options).at[f"{ROOF}.extensive", "spoil_loads"] == 0.0


def test_doubtful_spoil_and_works_on_a_road_cost_more_and_stand_as_items(proposals, chosen, options):
    """1,548 t at 90 a tonne from made ground; 2,000 m2 of road at 20 a square metre; a roof has neither."""
    option = f"{SCHOOL}.full-infiltration"
    doubtful = replace(proposals, options=proposals.options.assign(doubtful_ground="yes"))
    assert take_off(doubtful, chosen, options).at[option, "cost_disposal"] == pytest.approx(1548.0 * 90.0)
    road = replace(proposals, options=proposals.options.assign(adopted_fraction=0.2))
    assert take_off(road, chosen, options).at[option, "cost_traffic"] == pytest.approx(2000.0 * 20.0)
    roof = sizes_at(road, {f"{ROOF}.extensive@0080"}, options)
    row = take_off(road, roof, options).loc[f"{ROOF}.extensive"]
    assert row[["cost_dig_out", "cost_disposal", "cost_traffic", "dug_out_t"]].sum() == 0.0


def test_only_roofs_have_a_load(proposals, chosen, options):
    assert take_off(proposals, chosen, options)["load_kn_m2"].isna().all()
    roof = sizes_at(proposals, {f"{ROOF}.extensive@0080"}, options)
    assert take_off(proposals, roof, options)["load_kn_m2"].between(0.6, 2.0).all()


def with_supplier(table_name="quick_rock"):
    row = {
        "void_fraction": 0.4,
        "density_kg_m3": 1000.0,
        "waste_fraction": 0.0,
        "carbon_kg_t": 2.0,
        "recycled_fraction": 0.0,
        "strength_kpa": 0.0,
        "supplier": "a named quarry",
        "stands_for": "open_graded_rock",
    }
    return Table({table_name: row}, {"source": "declaration of 2025"}, "ours.toml", {table_name: 3})


def test_a_named_supplier_s_layer_stands_beside_the_generic_one_and_moves_nothing(proposals, chosen, options):
    """600 m3 of rock: 960 t generic, 600 t of the supplier's at 2 kg a tonne. Every other column stays as it was."""
    plain = take_off(proposals, chosen, options)
    named = take_off(replace(proposals, layer_catalogue=with_supplier()), chosen, options)
    text = named.at[f"{SCHOOL}.full-infiltration", "supplier_layers"]
    assert text.startswith("quick rock of a named quarry in place of open graded rock: 600 t for 960 t, 1,200 kg CO2e")
    assert (plain["supplier_layers"] == "").all()
    pd.testing.assert_frame_equal(plain.drop(columns="supplier_layers"), named.drop(columns="supplier_layers"))
    assert "open graded rock" in named.at[f"{SCHOOL}.full-infiltration", "layers"]


def test_a_supplier_s_layer_that_stands_for_nothing_is_a_fault(options):
    table = with_supplier()
    table.rows["quick_rock"]["stands_for"] = "gold"
    with pytest.raises(InputsAtFault, match="'gold', which is no generic layer"):
        load_products(options, table)


def test_the_user_s_catalogue_replaces_single_numbers_and_its_faults_say_file_and_line(options):
    own = Table({"liner": {"density_kg_m3": 900.0}}, {"source": "our file"}, "ours.toml", {"liner": 2})
    product = load_products(options, own)["liner"]
    assert (product.density_kg_m3, product.carbon_kg_t, product.source) == (900.0, 2500.0, "our file")
    short = Table({"new_board": {"density_kg_m3": 900.0}}, {}, "ours.toml", {"new_board": 7})
    with pytest.raises(InputsAtFault) as caught:
        load_products(options, short)
    (fault,) = caught.value.faults
    assert (fault.file, fault.line, fault.key) == ("ours.toml", 7, "new_board")
    assert "void_fraction" in fault.message


def test_the_user_s_unit_costs_go_before_the_shipped_ones_and_the_brief_before_both(options):
    own = Table({"liner_works": {}, "sports_turf": {"rebuild_per_m2": 1.0}}, {"currency": "EUR", "price_year": 2021})
    with pytest.raises(InputsAtFault, match="liner_works"):
        load_prices(options, own)
    prices = load_prices(options, Table({"sports_turf": {"rebuild_per_m2": 1.0}}, own.common))
    assert (prices.currency, prices.price_year, prices.item("sports_turf").rebuild_per_m2) == ("EUR", 2021, 1.0)
    brief = MeasureOptions(unit_costs={"sports_turf": (1.0, 2.0, 3.0)}, unit_cost_price_year=2022)
    prices = load_prices(brief, Table({"sports_turf": {"per_m2": [4.0, 5.0, 6.0]}}, own.common))
    assert (prices.price_year, prices.item("sports_turf").per_m2) == (2022, (1.0, 2.0, 3.0))


def test_sources_within_the_haul_cover_a_share_of_the_yearly_tonnes(proposals, chosen, options):
    """Only the school's full-infiltration option counts (the most wished of its candidate): its tonnes over ten years.

    The near source gives 40 t a year, the far one (x 1.3: over 30 km) nothing that counts, the third is no rock.
    """
    supply = pd.DataFrame(
        {
            "x": [5_000.0, 30_000.0, 0.0],
            "y": 0.0,
            "product": ["crushed rock", "crushed rock", "light substrate"],
            "tonnes_per_year": [40.0, 1e6, 1e6],
        },
        index=["A", "B", "C"],
    )
    frame = take_off(replace(proposals, supply=supply), chosen, options)
    row = frame.loc[f"{SCHOOL}.full-infiltration"]
    assert row["supply_tonnes_per_yr"] == pytest.approx(40.0)
    assert row["supply_need_t_per_yr"] == pytest.approx(row["tonnes"] / 10.0)
    assert row["supply_cover_fraction"] == pytest.approx(40.0 / (row["tonnes"] / 10.0))
    wide = take_off(replace(proposals, supply=supply), chosen, MeasureOptions(supply_haul_km=100.0))
    assert wide.at[f"{SCHOOL}.full-infiltration", "supply_cover_fraction"] == 1.0
    unknown = take_off(replace(proposals, supply=supply.assign(tonnes_per_year=np.nan)), chosen, options)
    assert unknown["supply_cover_fraction"].isna().all()


def test_the_nearest_source_that_suits_the_ground_is_taken(make_district, layers, options, run):
    """Substrate at the door does not help a yard, rock at the door does not help a roof."""
    from catchscreen.measures import open_measures, propose

    points = gpd.GeoDataFrame(
        {"product": ["light substrate", "crushed rock"]}, geometry=[Point(70, 35), Point(70, 1035)], crs=32628
    )
    points.index = pd.Index(["Q1", "Q2"], name="supply_id")
    data, land, cover = make_district(**{**layers, "supply_points": points})
    hosts = propose(data, land, cover, open_measures(options), options, run).hosts
    assert (hosts.at[SCHOOL, "supply_id"], hosts.at[ROOF, "supply_id"]) == ("Q2", "Q1")
    assert hosts.at[SCHOOL, "supply_km"] == pytest.approx(1.3)


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


def test_what_is_shipped_is_generic_and_dated(options):
    """No supplier and no single product; the catalogue bears a day, the unit costs a price year and what they are."""
    shipped = {role: tomllib.loads(path.read_text(encoding="utf-8")) for role, path in shipped_files().items()}
    assert date.fromisoformat(shipped["layer_catalogue"]["date"]) <= date(2026, 12, 31)
    assert not any(product.supplier for product in load_products(options).values())
    assert shipped["unit_costs"]["price_year"] == load_prices(options).price_year == 2025
    assert "not a quotation" in shipped["unit_costs"]["source"]

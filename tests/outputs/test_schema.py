"""The schema speaks the words of the trade and says unit and meaning of each column."""

from __future__ import annotations

import re

import pandas as pd

from catchscreen.outputs.columns import Layer, as_markdown
from catchscreen.outputs.conforming import conform
from catchscreen.outputs.schema import LAYERS, layers_for

UNIT_ENDINGS = {
    "m2": "_m2",
    "m3": "_m3",
    "mm": "_mm",
    "m3/yr": "_m3_yr",
    "l/s": "_l_s",
    "m/s": "_m_s",
    "kN/m2": "_kn_m2",
}
FORBIDDEN = re.compile(r"(^|_)(eia|pp|gr|spz|aep|tier|relief|sealed)(_|$)")


def test_names_carry_their_unit() -> None:
    for layer in LAYERS:
        for column in layer.columns:
            ending = UNIT_ENDINGS.get(column.unit)
            assert ending is None or column.name.endswith(ending), (layer.name, column.name)


def test_every_column_has_a_meaning_and_a_name_of_the_vocabulary() -> None:
    for layer in LAYERS:
        assert len(set(layer.names)) == len(layer.names)
        for column in layer.columns:
            assert column.meaning
            assert re.fullmatch(r"[a-z][a-z0-9_]*", column.name)
            assert not FORBIDDEN.search(column.name), column.name


def test_each_measure_adds_its_five_columns_to_parcels() -> None:
    names = layers_for([("green_roof", "Green roof")])["parcels"].names
    assert [name for name in names if name.endswith("_green_roof") or name == "best_green_roof"] == [
        "score_green_roof",
        "rank_green_roof",
        "standing_green_roof",
        "best_green_roof",
        "reasons_green_roof",
    ]


def test_conform_orders_rounds_and_leaves_other_columns_behind() -> None:
    layer = next(layer for layer in LAYERS if layer.name == "storms")
    frame = pd.DataFrame({"depth_mm": [1.26, float("inf")], "secret": ["x", "y"]}, index=["b", "a"])
    shaped = conform(frame, layer)
    assert tuple(shaped.columns) == layer.names
    assert shaped["storm_id"].tolist() == ["a", "b"]
    assert shaped["depth_mm"].isna().tolist() == [True, False]
    assert shaped["depth_mm"].iloc[1] == 1.3


def test_markdown_names_every_column(layers: dict[str, Layer]) -> None:
    text = as_markdown(layers.values())
    for layer in layers.values():
        for column in layer.columns:
            assert f"| `{column.name}` |" in text

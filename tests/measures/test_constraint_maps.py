"""Kinds of constraint that no given layer holds."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import pandas as pd
import pytest
from shapely.geometry import Point

from catchscreen.measures.constraints import kinds_without_map
from catchscreen.measures.registry import open_measures
from catchscreen.options import MeasureOptions


@pytest.mark.parametrize(
    ("given", "missing"), [([], True), (["protection_zone_1"], False), (["protection_zone_3", "railway"], False)]
)
def test_zones_around_a_supply_are_one_map(given, missing):
    frame = gpd.GeoDataFrame({"kind": pd.Series(given, dtype=object)}, geometry=[Point(0, 0)] * len(given))
    measure = next(measure for measure in open_measures(MeasureOptions()) if measure.name == "permeable_paving")
    kinds = kinds_without_map(SimpleNamespace(constraints=frame), measure)
    assert any(kind.startswith("protection_zone") for kind in kinds) == missing
    assert "contaminated" in kinds

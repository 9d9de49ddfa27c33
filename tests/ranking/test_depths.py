"""Where the base lies, and whether the infiltration test was made there."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from catchscreen.ranking.depths import find_base_depths, say_test_depths

MEASURES = (
    SimpleNamespace(name="paving", variants=[SimpleNamespace(name="full", cover_mm=130.0)]),
    SimpleNamespace(name="roof", variants=[SimpleNamespace(name="light", cover_mm=20.0)]),
)


def facts(**changes):
    row = {"measure": "paving", "variant": "full", "ground": "paved", "soaks": "all", "q_source": "test"}
    return pd.DataFrame([{**row, "store_depth_mm": 300.0, "test_depth_m": 0.5, **changes}])


@pytest.mark.parametrize(
    ("changes", "depth_m"),
    [
        ({}, 0.43),
        ({"store_depth_mm": 600.0}, 0.73),
        ({"store_depth_mm": np.nan}, np.nan),
        ({"measure": "roof", "variant": "light", "ground": "roof"}, np.nan),
    ],
)
def test_the_base_lies_below_surface_and_store(changes, depth_m):
    """130 mm of blocks and grit above a store of 300 mm."""
    assert find_base_depths(facts(**changes), MEASURES)[0] == pytest.approx(depth_m, nan_ok=True)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"test_depth_m": 0.92}, ""),
        ({"test_depth_m": 0.94}, "the infiltration test was made at 0.9 m, the base lies at 0.4 m"),
        ({"test_depth_m": 0.94, "store_depth_mm": 600.0}, ""),
        ({"test_depth_m": np.nan}, "the infiltration test does not say at what depth it was made"),
        ({"test_depth_m": 2.0, "soaks": "none"}, ""),
        ({"test_depth_m": 2.0, "q_source": "soil map"}, ""),
    ],
    ids=["near enough", "too deep", "a deeper store", "depth not said", "a lined store", "no test"],
)
def test_a_test_elsewhere_than_at_the_base_is_called_out(changes, said):
    """Half a metre either way of 0.43 m counts as the base."""
    frame = facts(**changes)
    frame["base_depth_m"] = find_base_depths(frame, MEASURES)
    assert say_test_depths(frame) == [said]

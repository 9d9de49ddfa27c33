"""Where the base of each build-up lies, and whether its infiltration test was made there."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from catchscreen.records import Floats

TOLERANCE_M = 0.5
"""A test this far above or below the base still speaks for it (our choice)."""
NOT_SAID = "the infiltration test does not say at what depth it was made"


def find_base_depths(facts: pd.DataFrame, measures: Iterable[Any]) -> Floats:
    """Give the depth [m] of the base of each option's build-up below the surface; NaN on roofs and where not sized."""
    cover_mm = {(measure.name, variant.name): variant.cover_mm for measure in measures for variant in measure.variants}
    keys = pd.MultiIndex.from_frame(facts[["measure", "variant"]])
    cover = pd.Series(cover_mm, dtype=float).reindex(keys).to_numpy(float) if cover_mm else np.full(len(facts), np.nan)
    depth_m = (cover + facts["store_depth_mm"].to_numpy(float)) / 1000.0
    return np.where(facts["ground"].eq("roof"), np.nan, depth_m)


def say_test_depths(facts: pd.DataFrame) -> list[str]:
    """Say where a test was made elsewhere than at the base, or does not say where; "" where it fits or none counts."""
    tested = (facts["q_source"].eq("test") & facts["soaks"].isin(["all", "part"])).to_numpy()
    made, base = facts["test_depth_m"].to_numpy(float), facts["base_depth_m"].to_numpy(float)
    far = np.abs(made - base) > TOLERANCE_M
    texts = np.full(len(facts), "", dtype=object)
    texts[tested & np.isnan(made)] = NOT_SAID
    for row in np.flatnonzero(tested & far):
        texts[row] = f"the infiltration test was made at {made[row]:.1f} m, the base lies at {base[row]:.1f} m"
    return [str(text) for text in texts]

"""Whether works stand in traffic: on the carriageway, not on a car park that belongs to the highway."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

OFF_ROAD = ("car_park", "yard", "goods_yard", "fuel", "playground", "pitch", "driveway")
"""Uses of ground on which no through traffic runs, whatever the parcel; a bay lies in the street."""
LEAST_ADOPTED = 0.02
"""A smaller share of adopted highway is where two maps do not quite meet."""


def on_carriageway(sites: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell which sites on the ground lie on a carriageway: adopted, or in the highway's parcel and not off the road.

    Parameters
    ----------
    sites : ground, land_use, ground_use, adopted_fraction (NaN: not known).
    """
    adopted = (sites["adopted_fraction"] >= LEAST_ADOPTED).to_numpy()
    street = ((sites["land_use"] == "highway") & ~sites["ground_use"].isin(OFF_ROAD)).to_numpy()
    return np.asarray((adopted | street) & (sites["ground"] != "roof").to_numpy(), dtype=bool)

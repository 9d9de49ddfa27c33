"""Check dams in a sloping store: where it needs them, how many, how long, and what a reader is told of them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from catchscreen.measures.contract import Measure
from catchscreen.measures.texts import Notes
from catchscreen.options import MeasureOptions

LOSS_WITHOUT_DAMS = 0.1
"""A store that slope alone would empty by more than this share of its least depth is built with check dams."""


def host_length_m(sites: pd.DataFrame) -> pd.Series:
    """Give the length of each host [m], its area over its width; inf where the width is not known."""
    return (sites["host_area_m2"] / sites["width_m"]).where(sites["width_m"] > 0.0, np.inf)


def add_check_dams(table: pd.DataFrame, measure: Measure, options: MeasureOptions) -> None:
    """Add what is assumed of check dams in each option's store; a roof and a store that slope hardly empties have none.

    A level water surface in a store of depth d and length L on a gradient g loses gL/(2d) of it; where that is more
    than ``LOSS_WITHOUT_DAMS`` of the thinnest store of the variant, and the store is longer than a bay, dams part it.
    The host is taken to fall along its length.

    Columns
    -------
    check_dam_spacing_m (NaN: none), check_dams (0: none; NaN: slope or size not known), check_dam_length_m (of all of
    them), check_dam_slope_fraction (from which slope on this store needs them; NaN on roofs).
    """
    spacing = options.check_dam_spacing_m
    thinnest_m = table["variant"].map({v.name: v.depths_mm[0] / 1000.0 for v in measure.variants}).to_numpy(float)
    length = host_length_m(table).to_numpy(float)
    slope = table["slope_fraction"].to_numpy(float)
    on_ground = (table["ground"] != "roof").to_numpy()
    limit = 2.0 * LOSS_WITHOUT_DAMS * thinnest_m / length
    with np.errstate(invalid="ignore"):
        needed = on_ground & (slope > limit) & (length > spacing)
        number = np.where(needed, np.ceil(length / spacing - 1e-9) - 1.0, 0.0)
    number = np.where(~on_ground | (np.isfinite(slope) & np.isfinite(number)), number, np.nan)
    table["check_dams"] = number
    table["check_dam_spacing_m"] = np.where(needed, spacing, np.nan)
    # Where the shape is not known: as many metres of dam as bays of the spacing would fill the area with.
    by_area = table["host_area_m2"].to_numpy(float) / spacing
    dams_m = np.where(np.isfinite(length), number * table["width_m"].to_numpy(float), by_area)
    table["check_dam_length_m"] = np.where(needed, dams_m, 0.0)
    table["check_dam_slope_fraction"] = np.where(on_ground & np.isfinite(length), limit, np.nan)


def say_check_dams(table: pd.DataFrame) -> pd.Series:
    """Say of each option with check dams how many are assumed, how far apart, and from which slope on."""
    said = Notes(len(table))
    rows = np.flatnonzero(table["check_dam_spacing_m"].notna().to_numpy())
    own = table.iloc[rows]
    columns = (own["check_dams"], own["check_dam_spacing_m"], own["check_dam_slope_fraction"])
    said.add(rows, [_say(*values) for values in zip(*(column.tolist() for column in columns), strict=True)])
    return pd.Series(said.joined(), index=table.index, dtype=object)


def _say(number: float, spacing_m: float, from_slope: float) -> str:
    many = "check dams" if np.isnan(number) else "1 check dam" if number == 1.0 else f"{number:.0f} check dams"
    since = "" if np.isnan(from_slope) else f", which needs them from a slope of {100.0 * from_slope:.2g} % on"
    return f"{many} every {spacing_m:g} m {'is' if number == 1.0 else 'are'} assumed in the store{since}"

"""What a candidate keeps out of the combined sewer that it reaches now, weighed by how often the overflow spills."""

from __future__ import annotations

import numpy as np
import pandas as pd

from catchscreen.options import RankingOptions
from catchscreen.records import Floats, Proposals

VALUE, SAID = "combined_spills_weighted", "combined_sewer_said"
NOWHERE, UNREACHED, OUT, PARTLY, SLOWED = range(5)
ABOVE = "a combined sewer whose overflow spills {spills:.0f} times a year"
WORDS = {
    NOWHERE: "drains to no combined sewer with a known overflow",
    UNREACHED: "no water of it reaches the combined sewer now",
    OUT: f"keeps its water out of {ABOVE}",
    PARTLY: f"keeps {{share:.0f}} % of its water out of {ABOVE}",
    SLOWED: f"only slows the water that it sends back to {ABOVE}",
}


def add_kept_out(results: pd.DataFrame, proposals: Proposals, options: RankingOptions) -> pd.DataFrame:
    """Add the spills a year of the overflow below, times the share of the candidate's water that is kept from it.

    All of it where nothing drains back to the combined sewer. Where the outlet leads back there, the share retained
    over the years (in the sizing storm without a series), or ``slowed_credit`` times the share slowed, whichever is
    greater: retained and slowed water are never added. Nothing where no water of it comes to a combined sewer now. It
    is a weight in a ranking; nobody can tell from it how often an overflow spills afterwards.

    Returns
    -------
    DataFrame
        ``results`` with combined_spills_weighted (NaN: unknown) and combined_sewer_said (in words).
    """
    frame, site = results.copy(), proposals.options.reindex(results.index)
    spills = site["combined_spills_per_year"].to_numpy(float)
    reached = site["captured_connected_m2"].to_numpy(float)
    back = (site["outfall"].eq("combined sewer") & site["soaks"].ne("all") | site["ground"].eq("roof")).to_numpy()
    kept = np.where(back, _share(frame, "retained"), 1.0)
    slowed = np.where(back, options.slowed_credit * _share(frame, "slowed"), 0.0)
    share = np.fmax(kept, slowed)
    here = np.where(reached > 0.0, spills * share, np.where(np.isnan(reached), np.nan, 0.0))
    frame[VALUE] = np.where(spills == 0.0, 0.0, here)
    kinds = np.select(
        [spills == 0.0, reached == 0.0, ~back, np.fmax(kept, 0.0) >= np.nan_to_num(slowed)],
        [NOWHERE, UNREACHED, OUT, PARTLY],
        SLOWED,
    )
    frame[SAID] = _say(kinds, np.round(100.0 * kept), np.round(spills), np.isnan(frame[VALUE].to_numpy(float)))
    return frame


def _share(frame: pd.DataFrame, what: str) -> Floats:
    """Give the share of a year's inflow that is retained or slowed, else that of the sizing storm; NaN: unknown."""
    inflow = frame["inflow_m3"].to_numpy(float)
    storm = np.divide(frame[f"{what}_m3"].to_numpy(float), inflow, out=np.full(len(frame), np.nan), where=inflow > 0.0)
    year = frame[f"{what}_year_fraction"].to_numpy(float)
    return np.where(np.isnan(year), storm, year)


def _say(kinds: Floats, shares: Floats, spills: Floats, unknown: Floats) -> list[str]:
    """Word each row; rows of the same kind and figures are worded once."""
    rows = np.column_stack([kinds, np.where(kinds == PARTLY, shares, 0.0), spills, unknown]).astype(np.float64)
    different, which = np.unique(np.nan_to_num(rows, nan=-1.0), axis=0, return_inverse=True)
    said = [
        "" if blank else WORDS[int(kind)].format(share=share, spills=number)
        for kind, share, number, blank in different.tolist()
    ]
    return [said[place] for place in which.ravel().tolist()]

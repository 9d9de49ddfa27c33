"""Everything the stages found, side by side, on its way out."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from catchscreen.records import (
    Cover,
    Inputs,
    Proposals,
    Ranking,
    Sizes,
    StoreEvents,
    StoreYears,
    StormRuns,
    Storms,
    Terrain,
)


@dataclass(frozen=True, slots=True)
class Findings:
    """The record of each stage.

    ``sized`` has the store chosen for each option; ``taken_off`` (index option_id) its layers, tonnes and costs.
    """

    data: Inputs
    land: Terrain
    cover: Cover
    storms: Storms
    now: StormRuns
    proposals: Proposals
    sized: Sizes
    events: StoreEvents
    years: StoreYears
    taken_off: pd.DataFrame
    ranked: Ranking

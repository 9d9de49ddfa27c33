"""How candidates are weighed."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from catchscreen.options.base import Options

Weight = Annotated[float, Field(ge=0, le=10_000)]
"""Weights count against each other only: any scale will do."""


class RankingOptions(Options):
    """Weights of the three indices and of the criteria within them.

    weights : "criterion" or "measure.criterion" = weight within its index; the longer name wins.
    hollow_storm : storm id in which hollows are judged; empty: the present-day storm nearest to the return period and
    duration below, or the plain depth nearest to 30 mm.
    """

    benefit_weight: Weight = 0.5
    """Weight of what the site would do."""
    feasibility_weight: Weight = 0.3
    """Weight of whether it can be built."""
    delivery_weight: Weight = 0.2
    """Weight of whether it will be built."""
    weights: dict[str, Weight] = Field(default_factory=dict)
    """Criterion, or measure.criterion, = weight within its index; the longer name wins."""
    hollow_storm: str = ""
    """Storm id in which hollows are judged; empty: the present-day one nearest to the two below."""
    hollow_return_period_years: Annotated[float, Field(ge=1, le=10_000)] = 30.0
    """Return period in which hollows are judged."""
    hollow_duration_min: Annotated[float, Field(ge=5, le=20_160)] = 60.0
    """Duration in which hollows are judged."""
    slowed_credit: Annotated[float, Field(ge=0, le=1)] = 0.25
    """Credit at a combined sewer for water that is only slowed and comes back to it, as a share of keeping it out (our
    choice: practice has no agreed figure)."""
    variant_choice: Literal["drainage_order", "score"] = "drainage_order"
    """Of the variants that a place admits: the one that soaks away most and holds its storm, or the highest score."""
    costly_factor: Annotated[float, Field(gt=1, le=100)] = 1.5
    """A candidate is called costly when a cubic metre taken in costs more than this times the median of its measure."""

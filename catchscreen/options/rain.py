"""Which storms are run, and how they fall."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from catchscreen.options.base import Fraction, Options

Years = Annotated[float, Field(ge=0.1, le=10_000)]
Minutes = Annotated[float, Field(ge=1, le=43_200)]
"""From a minute to thirty days."""
Depth = Annotated[float, Field(ge=0.1, le=2000)]
Uplift = Annotated[float, Field(ge=0.5, le=3)]
Formula = tuple[
    Annotated[float, Field(gt=0, le=100_000)],
    Annotated[float, Field(ge=-1, le=1)],
    Annotated[float, Field(ge=0, le=1000)],
    Annotated[float, Field(gt=0, le=2)],
]
MOST_VALUES = 30


class RainOptions(Options):
    """Which storms are run, how they fall and how wet the ground is before them."""

    return_periods_years: tuple[Years, ...] = Field((2.0, 5.0, 30.0, 100.0), min_length=1, max_length=MOST_VALUES)
    """Storms taken from the rain table."""
    durations_min: tuple[Minutes, ...] = Field(
        (15.0, 30.0, 60.0, 180.0, 360.0, 1440.0), min_length=1, max_length=MOST_VALUES
    )
    """Durations taken from the rain table; the longest should exceed the time of concentration."""
    uplift: tuple[Uplift, Uplift] = (1.2, 1.4)
    """Central and upper allowance for a warmer climate: factors on depth (1.4: 40 % more), from your authority."""
    intensity_formula: Formula | None = None
    """k, n, b, m of i = k T^n / (t + b)^m (mm/h, years, minutes), from the local authority; used without a table."""
    plain_depths_mm: tuple[Depth, ...] = Field((5.0, 15.0, 30.0, 50.0), max_length=MOST_VALUES)
    """Used without a rain table: depths, not return periods."""
    plain_duration_min: Minutes = 60.0
    """Duration of the plain depths."""
    sizing_return_period_years: Years = 30.0
    """Stores are sized on this return period times the upper allowance, over all durations."""
    sizing_depth_mm: Depth = 30.0
    """Without a rain table stores are sized on this depth in ``plain_duration_min``."""
    profile: Literal["alternating_block", "symmetrical", "mass_curve", "uniform"] = "alternating_block"
    """How a storm's depth falls over its duration."""
    seasons: tuple[Literal["summer", "winter"], ...] = Field(("summer", "winter"), min_length=1, max_length=2)
    """Only for the symmetrical profile: summer suits sewered ground, winter rural ground and large stores."""
    mass_curve: tuple[tuple[Fraction, Fraction], ...] = ()
    """Share of the duration, share of the depth; from (0, 0) to (1, 1)."""
    longest_step_min: Annotated[float, Field(ge=0.5, le=5)] = 5.0
    """Longest computing step; short storms are divided more finely."""
    areal_factor: Annotated[float, Field(ge=0.3, le=1)] = 1.0
    """Areal reduction of the table's point depths."""
    antecedent: Literal["dry", "normal", "wet", "baked"] = "normal"
    """How wet the soil is before the storm."""
    distribution: Literal["gev", "gumbel"] = "gev"
    """Fitted to annual maxima when depths are made from a rain series."""
    correct_fixed_windows: bool = True
    """Raise maxima of fixed clock windows to those of sliding windows (published factors)."""
    confidence: Annotated[float, Field(ge=0.5, le=0.99)] = 0.9
    """Width of the confidence limits of depths made from a rain series."""

    @model_validator(mode="after")
    def _check_uplift(self) -> Self:
        """Refuse an upper allowance below the central one."""
        central, upper = self.uplift
        if upper < central:
            raise ValueError(f"uplift names the central allowance first: [{upper:g}, {central:g}]")
        return self

    @model_validator(mode="after")
    def _check_mass_curve(self) -> Self:
        """Refuse a mass curve that does not rise from (0, 0) to (1, 1), and a profile without its curve."""
        curve = self.mass_curve
        if self.profile == "mass_curve" and not curve:
            raise ValueError('profile = "mass_curve" needs mass_curve = [[0, 0], ..., [1, 1]]')
        if curve and (tuple(curve[0]) != (0.0, 0.0) or tuple(curve[-1]) != (1.0, 1.0)):
            raise ValueError("mass_curve must run from [0, 0] to [1, 1]")
        for before, after in pairwise(curve):
            if after[0] <= before[0] or after[1] < before[1]:
                raise ValueError("mass_curve must rise: time strictly, depth at least not fall")
        return self

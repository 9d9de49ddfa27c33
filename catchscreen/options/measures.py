"""Which measures are looked at, with which numbers."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Field, field_validator, model_validator

from catchscreen.options.base import Fraction, NotNegative, Options, fill_table

Rate = Annotated[float, Field(gt=0, le=0.1)]
"""An infiltration rate [m/s]; coarse gravel stays below the greatest."""
SafetyFactor = Annotated[float, Field(ge=1, le=100)]
SUPPLY_WORDS: dict[str, tuple[str, ...]] = {
    "paved": ("rock", "stone", "gravel", "aggregate", "paving", "void", "drainage"),
    "roof": ("substrate", "roof", "green"),
    "pitch": ("gravel", "sand", "rock", "stone", "aggregate", "drainage", "pitch"),
}


class MeasureOptions(Options):
    """Which measures are looked at, and every number of theirs that the user may set otherwise than by default.

    thresholds : "measure.threshold" = number (or list of words); numbers : the same for the measures' further numbers.
    grades : "measure.grade" = [value at 0, value at 1]. unit_costs : cost item = [low, mid, high].
    layers : product = {void_fraction = ..., density_kg_m3 = ..., ...}; a new product needs every number.
    constraint_rules : kind = "gate", "switch" or "flag", where the map itself gives no rule.
    """

    use: tuple[str, ...] = ()
    """Measures to run; empty: all installed."""
    on_plugin_error: Literal["go_on", "stop"] = "go_on"
    """Go on without a measure that fails, or stop."""
    thresholds: dict[str, float | tuple[str, ...]] = Field(default_factory=dict)
    """measure.threshold = number or list of words (`catchscreen measures` lists them)."""
    numbers: dict[str, float] = Field(default_factory=dict)
    """measure.number = value, for a measure's further numbers."""
    grades: dict[str, tuple[float, float]] = Field(default_factory=dict)
    """measure.grade = [value at 0, value at 1]."""
    constraint_rules: dict[str, Literal["gate", "switch", "flag"]] = Field(default_factory=dict)
    """Kind of constraint = gate, switch or flag, where the map gives no rule."""
    unit_costs: dict[str, tuple[NotNegative, NotNegative, NotNegative]] = Field(default_factory=dict)
    """Cost item = [low, mid, high], in place of the shipped one."""
    unit_cost_price_year: Annotated[int, Field(ge=1950, le=2200)] | None = None
    """Price year of those unit costs."""
    layers: dict[str, dict[str, float]] = Field(default_factory=dict)
    """Product = { void_fraction = ..., density_kg_m3 = ..., ... }; a new product needs every number."""

    evidence_reach_m: Annotated[float, Field(gt=0, le=5000)] = 50.0
    """How far a test or survey holds where it states no reach of its own."""
    evidence_max_age_years: Annotated[float, Field(gt=0, le=100)] = 10.0
    """Older evidence carries a caution."""
    evidence_date: str = ""
    """Day (YYYY-MM-DD) from which the age of evidence is counted; empty: the newest day in the evidence."""
    current_year: Annotated[int, Field(ge=1950, le=2200)] = 2025
    """Year from which the years to a renewal are counted."""
    map_spread_factor: Annotated[float, Field(ge=1, le=1000)] = 10.0
    """Mapped infiltration rates may be off by this factor either way (common practice: ten)."""
    unknown_infiltration_m_s: tuple[Rate, Rate, Rate] = (1e-7, 1e-6, 1e-5)
    """Low, mid and high rate where neither a map nor a test says anything (from memory)."""
    safety_factors: tuple[SafetyFactor, SafetyFactor, SafetyFactor] = (1.5, 3.0, 5.0)
    """Factors on the infiltration rate for drained areas under 100, to 1,000 and over 1,000 m2 (from memory; Ontario's
    low impact development guide, "Infiltration", gives 1.5 to 2 under 100 m2 and 1.5 to 3 to 1,000 m2)."""
    safety_factor_building: SafetyFactor = 10.0
    """Factor where the overflow would reach a building (10 in the same guide: significant damage to buildings)."""
    base_clearance_m: Annotated[float, Field(ge=0, le=100)] = 5.0
    """Ground nearer to a building takes no run-on into the soil."""
    run_on_ratio_max: Annotated[float, Field(gt=0, le=100)] = 5.0
    """No host is given more run-on area than this times its own area."""
    check_dam_spacing_m: Annotated[float, Field(gt=0, le=1000)] = 10.0
    """Greatest length of a bay between check dams in a sloping store."""
    root_radius_m: Annotated[float, Field(gt=0, le=50)] = 6.0
    """Radius of the root area of a tree whose own is not given (from memory)."""
    mounding_distance_m: Annotated[float, Field(gt=0, le=5000)] = 50.0
    """Infiltration at more than one site within this distance carries the caution on mounding."""
    haul_factor: Annotated[float, Field(ge=1, le=10)] = 1.3
    """Road distance over straight distance to a supply point."""
    supply_haul_km: Annotated[float, Field(gt=0, le=2000)] = 30.0
    """Sources within this haul count for the share of the yearly tonnes that could be covered."""
    supply_years: Annotated[float, Field(gt=0, le=100)] = 10.0
    """Years over which all candidates' tonnes are spread for that share."""
    supply_words: dict[str, tuple[str, ...]] = Field(default_factory=lambda: dict(SUPPLY_WORDS))
    """Ground ("paved", "roof", "pitch") = words of which one stands in the product of a source that suits it."""
    sizing_storms: tuple[str, ...] = ()
    """Storm ids to size by; empty: the storms marked as sizing storms."""
    traffic_class: Literal["foot", "car", "goods"] = "car"
    """Traffic on paved hosts whose use is unknown; sets the structural minimum."""
    design_fraction: Fraction = 0.125
    """Design, as a share of the works (from memory)."""
    survey_fraction: Fraction = 0.045
    """Surveys, as a share of the works (from memory)."""
    contingency_fraction: Fraction = 0.30
    """Contingency, as a share of the works (from memory)."""
    discount_rate: Fraction = 0.035
    """Yearly rate of the whole-life cost."""
    whole_life_years: Annotated[int, Field(ge=1, le=120)] = 30
    """Years of the whole-life cost."""
    plastic_diversion_t_co2e_per_t: Annotated[float, Field(ge=0, le=2)] = 0.0
    """Carbon avoided per tonne of mixed plastic kept from landfill or incineration. Off by default; practice says 2,
    without a source. A line of its own, outside every total and score."""

    @field_validator("supply_words")
    @classmethod
    def _fill_words(cls, given: dict[str, Any]) -> dict[str, Any]:
        """Let the user give the words of one ground only."""
        return fill_table(given, SUPPLY_WORDS)

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        """Refuse rates and factors that do not rise: low, mid, high would be a lie."""
        for name in ("unknown_infiltration_m_s", "safety_factors"):
            values = getattr(self, name)
            if list(values) != sorted(values):
                raise ValueError(f"{name} must rise from the first to the last: {values}")
        return self

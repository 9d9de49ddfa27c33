"""The options of each stage: frozen values with units in their names, checked when made, defaults written once.

The brief is made of these; a stage receives its own and nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Annotated, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator, model_validator

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Fraction = Annotated[float, Field(ge=0, le=1)]
Range = tuple[Fraction, Fraction, Fraction]
Shares = tuple[Fraction, Fraction, Fraction]


class Options(BaseModel):
    """Base of every options record: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class TerrainOptions(Options):
    """How the ground is made ready, routed and divided."""

    cell_m: Positive | None = None
    holes: Literal["outlet", "wall"] = "outlet"
    raise_buildings: bool = True
    building_raise_m: Positive = 0.5
    """How far water stands against a building before it finds a way in or through (common practice 0.15 to 0.5)."""
    outlet_snap_m: NotNegative = 30.0
    time_of_concentration: Literal["kirpich", "velocity", "nrcs_lag", "bransby_williams"] = "kirpich"
    entry_time_min: NotNegative = 3.0
    curve_number: Annotated[float, Field(gt=0, le=100)] = 85.0
    sheet_flow_roughness: Positive = 0.011
    two_year_day_rain_mm: Positive = 40.0
    subcatchment_target_ha: Positive = 25.0
    flow_path_min_ha: Positive = 1.0
    hollow_min_depth_m: NotNegative = 0.10
    hollow_min_area_m2: NotNegative = 25.0
    hollow_min_volume_m3: NotNegative = 5.0
    depressions: Literal["keep", "carve", "mixed"] = "keep"
    carve_longest_m: Positive = 10.0
    carve_deepest_m: Positive = 0.3
    noise_draws: Annotated[int, Field(ge=0, le=1000)] = 0
    noise_sd_m: Positive = 0.1
    noise_range_m: Positive = 30.0
    suspect_min_volume_m3: NotNegative = 100.0
    suspect_min_bank_m: NotNegative = 1.0
    suspect_longest_m: Positive = 60.0


class SurfaceOptions(Options):
    """How ground is counted: which source wins, how impermeable each class is, where its water goes.

    Ranges are (low, middle, high). Impermeable shares of the classes: trade figures from memory (roofs 1.0, asphalt and
    concrete 0.95 to 1.0, block paving 0.8 to 0.95, gravel 0.3 to 0.6, gardens 0.05 to 0.2, grass 0 to 0.1); the rest,
    the land-use table and the connection shares are common practice, to be replaced by local figures.
    """

    precedence: tuple[str, ...] = ("override", "buildings", "roads", "paved", "planted", "unknown")
    """Which source wins where two lie on the same ground, first to last."""
    road_width_m: Positive = 6.0
    patch_min_width_m: Positive = 2.4
    patch_min_area_m2: Positive = 50.0
    class_impermeable: dict[str, Range] = Field(
        default_factory=lambda: {
            "roof": (1.0, 1.0, 1.0),
            "asphalt": (0.95, 0.98, 1.0),
            "concrete": (0.95, 0.98, 1.0),
            "block_paving": (0.80, 0.88, 0.95),
            "gravel": (0.30, 0.45, 0.60),
            "mixed_hard": (0.70, 0.85, 0.95),
            "bare_soil": (0.05, 0.15, 0.40),
            "garden": (0.05, 0.12, 0.20),
            "grass": (0.0, 0.05, 0.10),
            "woodland": (0.0, 0.02, 0.05),
            "water": (0.0, 0.0, 0.0),
        }
    )
    land_use_impermeable: dict[str, Range] = Field(
        default_factory=lambda: {
            "homes": (0.30, 0.50, 0.70),
            "school": (0.30, 0.45, 0.65),
            "offices": (0.50, 0.70, 0.90),
            "retail": (0.60, 0.85, 0.95),
            "industry": (0.60, 0.80, 0.95),
            "depot": (0.70, 0.90, 1.0),
            "health": (0.45, 0.65, 0.85),
            "civic": (0.40, 0.60, 0.85),
            "railway": (0.20, 0.40, 0.70),
            "highway": (0.70, 0.85, 1.0),
            "park": (0.02, 0.10, 0.25),
            "pitch": (0.0, 0.05, 0.20),
            "open": (0.0, 0.05, 0.20),
        }
    )
    """Share of a whole parcel, used for its ground of unknown cover; known roofs and roads are taken off first."""
    district_impermeable: Range = (0.30, 0.50, 0.70)
    """Unknown ground without a land use: the usual span of a town."""
    connection: dict[str, Shares] = Field(
        default_factory=lambda: {
            "roof.combined": (0.95, 0.03, 0.02),
            "roof.separate": (0.90, 0.07, 0.03),
            "roof.none": (0.0, 0.70, 0.30),
            "roof.unknown": (0.80, 0.14, 0.06),
            "road.combined": (0.90, 0.02, 0.08),
            "road.separate": (0.90, 0.02, 0.08),
            "road.none": (0.0, 0.30, 0.70),
            "road.unknown": (0.80, 0.05, 0.15),
            "paved.combined": (0.80, 0.08, 0.12),
            "paved.separate": (0.80, 0.08, 0.12),
            "paved.none": (0.0, 0.35, 0.65),
            "paved.unknown": (0.70, 0.12, 0.18),
            "domestic.combined": (0.55, 0.25, 0.20),
            "domestic.separate": (0.45, 0.35, 0.20),
            "domestic.none": (0.0, 0.60, 0.40),
            "domestic.unknown": (0.45, 0.33, 0.22),
            "gravel.combined": (0.20, 0.50, 0.30),
            "gravel.separate": (0.20, 0.50, 0.30),
            "gravel.none": (0.0, 0.60, 0.40),
            "gravel.unknown": (0.20, 0.50, 0.30),
            "planted.combined": (0.0, 0.0, 1.0),
            "planted.separate": (0.0, 0.0, 1.0),
            "planted.none": (0.0, 0.0, 1.0),
            "planted.unknown": (0.0, 0.0, 1.0),
            "water.combined": (0.0, 0.0, 1.0),
            "water.separate": (0.0, 0.0, 1.0),
            "water.none": (0.0, 0.0, 1.0),
            "water.unknown": (0.0, 0.0, 1.0),
            "unknown.combined": (0.60, 0.20, 0.20),
            "unknown.separate": (0.60, 0.20, 0.20),
            "unknown.none": (0.0, 0.40, 0.60),
            "unknown.unknown": (0.50, 0.25, 0.25),
        }
    )
    """Shares (piped, to ground, overland) of what runs off, by surface and kind of sewer; "domestic" is mixed_hard."""
    connection_spread: Fraction = 0.15
    """Half width of the range of the piped share where no evidence narrows it (common practice)."""
    urban_creep: bool = False
    """Add the usual allowance for gardens that will be paved, by dwellings per hectare."""
    dwellings_per_ha: Positive | None = None
    """Housing density for the allowance where no property points are given."""
    run_on_distance_m: NotNegative = 3.0
    """Ground this near to a patch can drain onto it without a channel."""
    roof_pipe_distance_m: NotNegative = 20.0
    """A downpipe can be led this far to a lower patch."""
    roof_edge_strip_m: NotNegative = 0.5
    roof_plant_fraction: Fraction = 0.25
    """Share of a flat roof taken by plant and rooflights where the surface model cannot tell (common practice)."""
    roof_min_points: Annotated[int, Field(ge=3)] = 30
    roof_max_plane_error_m: Positive = 0.3
    surface_model_year: int | None = None
    """Year of the flight: a roof built later is unknown."""

    @model_validator(mode="after")
    def _check_tables(self) -> Self:
        """Refuse ranges out of order, shares that do not sum to one and an incomplete precedence."""
        known = {"override", "buildings", "roads", "paved", "planted", "unknown"}
        if set(self.precedence) != known or len(self.precedence) != len(known):
            raise ValueError(f"precedence must name each of {', '.join(sorted(known))} once")
        ranges = {**self.class_impermeable, **self.land_use_impermeable, "district": self.district_impermeable}
        for name, (low, middle, high) in ranges.items():
            if not low <= middle <= high:
                raise ValueError(f"{name}: low, middle and high must not fall")
        for name, shares in self.connection.items():
            if abs(sum(shares) - 1.0) > 1e-9:
                raise ValueError(f"connection of {name}: the three shares must sum to 1")
        return self


class RainOptions(Options):
    """Which storms are run, how they fall and how wet the ground is before them."""

    return_periods_years: tuple[Positive, ...] = (2.0, 5.0, 30.0, 100.0)
    durations_min: tuple[Positive, ...] = (15.0, 30.0, 60.0, 180.0, 360.0, 1440.0)
    uplift: tuple[Positive, Positive] = (1.2, 1.4)
    """Central and upper allowance for a warmer climate, as factors on depth. Take them from the local authority."""
    intensity_formula: tuple[Positive, float, NotNegative, Positive] | None = None
    """k, n, b, m of i = k T^n / (t + b)^m (mm/h, years, minutes), from the local authority; used without a table."""
    plain_depths_mm: tuple[Positive, ...] = (5.0, 15.0, 30.0, 50.0)
    """Used without a rain table: depths, not return periods."""
    plain_duration_min: Positive = 60.0
    sizing_return_period_years: Positive = 30.0
    sizing_depth_mm: Positive = 30.0
    """Without a rain table stores are sized on this depth in ``plain_duration_min``."""
    profile: Literal["alternating_block", "symmetrical", "mass_curve", "uniform"] = "alternating_block"
    seasons: tuple[Literal["summer", "winter"], ...] = ("summer", "winter")
    """Only for the symmetrical profile: summer suits sewered ground, winter rural ground and large stores."""
    mass_curve: tuple[tuple[Fraction, Fraction], ...] = ()
    """Share of the duration, share of the depth; from (0, 0) to (1, 1)."""
    longest_step_min: Annotated[float, Field(gt=0, le=5)] = 5.0
    areal_factor: Annotated[float, Field(gt=0, le=1)] = 1.0
    antecedent: Literal["dry", "normal", "wet", "baked"] = "normal"
    distribution: Literal["gev", "gumbel"] = "gev"
    """Fitted to annual maxima when depths are made from a rain series."""
    correct_fixed_windows: bool = True
    confidence: Annotated[float, Field(gt=0, lt=1)] = 0.9

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


DEPRESSIONS_MM: Final = {
    "roof": 1.0,
    "asphalt": 1.0,
    "concrete": 1.0,
    "block_paving": 1.5,
    "gravel": 2.0,
    "mixed_hard": 1.0,
    "bare_soil": 1.0,
    "garden": 1.0,
    "grass": 1.0,
    "woodland": 1.0,
    "water": 0.0,
    "unknown": 1.0,
}
DEFICITS: Final = {"dry": 0.8, "normal": 0.5, "wet": 0.1, "baked": 0.8}
Texture = Literal[
    "sand",
    "loamy_sand",
    "sandy_loam",
    "loam",
    "silt_loam",
    "sandy_clay_loam",
    "clay_loam",
    "silty_clay_loam",
    "sandy_clay",
    "silty_clay",
    "clay",
]


class RunoffOptions(Options):
    """How rain becomes runoff and where it goes."""

    sewer_capacity_mm_h: NotNegative = 12.0
    """Where a zone names none: rate over the connected impermeable area (generic, from memory)."""
    sewer_capacity_low_mm_h: NotNegative = 6.0
    sewer_capacity_high_mm_h: NotNegative = 24.0
    capacity_case: Literal["low", "mid", "high"] = "mid"
    impermeable_case: Literal["low", "mid", "high"] = "mid"
    connection_case: Literal["low", "mid", "high"] = "mid"
    loss_model: Literal["green_ampt", "curve_number"] = "green_ampt"
    abstraction_ratio: float = 0.2
    """Initial abstraction over retention in the curve number: 0.2, or 0.05, which also converts the retention."""
    compaction_factor: Annotated[float, Field(gt=0, le=1)] = 0.5
    """Conductivity of trodden urban ground over that of the soil table (0.2 to 0.5 is common); woodland keeps 1."""
    conductivity_mm_h: dict[Texture, Positive] = Field(default_factory=dict)
    """Conductivity of undisturbed ground by texture, where local figures replace the soil table's."""
    default_texture: Texture = "loam"
    default_hydrologic_group: Literal["A", "B", "C", "D"] = "C"
    depression_mm: dict[str, NotNegative] = Field(default_factory=lambda: dict(DEPRESSIONS_MM))
    """Depression store of the impermeable part by cover class (0.5 to 2 mm is common practice)."""
    deficit_fraction: dict[str, Fraction] = Field(default_factory=lambda: dict(DEFICITS))
    """Share of the soil's effective porosity that is empty before the storm, by antecedent state: an assumption."""
    crust_mm: NotNegative = 10.0
    """Baked ground: rain that meets the crust, an assumption."""
    crust_shed_fraction: Fraction = 0.5
    """Baked ground: share of that rain which runs off before the crust takes water, an assumption."""
    storm_evaporation_mm_h: NotNegative = 0.0
    routing: Literal["unit_hydrograph", "linear_reservoir"] = "unit_hydrograph"
    overland_speed_m_s: Positive = 1.0
    pipe_speed_m_s: Positive = 1.0
    runoff_coefficient: Fraction = 0.75
    """Cv of the rational check only; it never follows another loss."""
    routing_coefficient: Positive = 1.3
    """Cr of the modified rational check."""
    connection_scale: Positive = 1.0
    """Calibration: factor on the piped shares; the rest is divided as it was."""
    capacity_scale: Positive = 1.0
    """Calibration: factor on sewer capacity."""
    calibration_source: str = ""
    """The recorded spills or flow survey behind the two factors; empty means uncalibrated, and the result says so."""
    greenfield_formula_applies: bool = False
    """Only the user can confirm that the regression holds here."""
    annual_rain_mm: Positive | None = None
    soil_index: Annotated[float, Field(gt=0, le=1)] | None = None
    growth_factors: dict[str, Positive] = Field(default_factory=dict)
    """Return period in years -> factor on the mean annual flood, from the local guidance."""

    @field_validator("depression_mm", "deficit_fraction", mode="before")
    @classmethod
    def _fill_table(cls, given: object, info: ValidationInfo) -> object:
        """Let the user give some rows of a table only, and refuse rows that mean nothing."""
        whole = DEPRESSIONS_MM if info.field_name == "depression_mm" else DEFICITS
        if not isinstance(given, Mapping):
            return given
        if odd := sorted(set(given) - set(whole)):
            raise ValueError(f"{', '.join(odd)} not known; use {', '.join(whole)}")
        return {**whole, **given}

    @field_validator("abstraction_ratio")
    @classmethod
    def _check_ratio(cls, given: float) -> float:
        """Refuse ratios for which the curve-number tables were not made."""
        if given not in {0.2, 0.05}:
            raise ValueError("must be 0.2 or 0.05")
        return given

    @field_validator("growth_factors")
    @classmethod
    def _check_periods(cls, given: dict[str, float]) -> dict[str, float]:
        """Refuse growth factors whose key is not a return period."""
        for key in given:
            if not key.replace(".", "", 1).isdigit() or float(key) <= 0.0:
                raise ValueError(f'"{key}" is not a return period in years')
        return given


class MeasureOptions(Options):
    """Which measures are looked at, and every number of theirs that the user may set otherwise than by default.

    thresholds : "measure.threshold" = number (or list of words); numbers : the same for the measures' further numbers.
    grades : "measure.grade" = [value at 0, value at 1]. unit_costs : cost item = [low, mid, high].
    layers : product = {void_fraction = ..., density_kg_m3 = ..., ...}; a new product needs every number.
    constraint_rules : kind = "gate", "switch" or "flag", where the map itself gives no rule.
    """

    use: tuple[str, ...] = ()
    on_plugin_error: Literal["go_on", "stop"] = "go_on"
    thresholds: dict[str, float | tuple[str, ...]] = Field(default_factory=dict)
    numbers: dict[str, float] = Field(default_factory=dict)
    grades: dict[str, tuple[float, float]] = Field(default_factory=dict)
    constraint_rules: dict[str, Literal["gate", "switch", "flag"]] = Field(default_factory=dict)
    unit_costs: dict[str, tuple[NotNegative, NotNegative, NotNegative]] = Field(default_factory=dict)
    unit_cost_price_year: int | None = None
    layers: dict[str, dict[str, float]] = Field(default_factory=dict)

    evidence_reach_m: Positive = 50.0
    evidence_max_age_years: Positive = 10.0
    evidence_date: str = ""
    """Day (YYYY-MM-DD) from which the age of evidence is counted; empty: the newest day in the evidence."""
    current_year: int = 2025
    """Year from which the years to a renewal are counted."""
    map_spread_factor: Annotated[float, Field(ge=1)] = 10.0
    """Mapped infiltration rates may be off by this factor either way (common practice: ten)."""
    unknown_infiltration_m_s: tuple[Positive, Positive, Positive] = (1e-7, 1e-6, 1e-5)
    """Low, mid and high rate where neither a map nor a test says anything (from memory)."""
    safety_factors: tuple[Positive, Positive, Positive] = (1.5, 3.0, 5.0)
    """Factors on the infiltration rate for drained areas under 100, to 1,000 and over 1,000 m2 (from memory)."""
    safety_factor_building: Positive = 10.0
    """Factor where the overflow would reach a building (from memory)."""
    base_clearance_m: NotNegative = 5.0
    """Ground nearer to a building takes no run-on into the soil."""
    run_on_ratio_max: Positive = 5.0
    """No host is given more run-on area than this times its own area."""
    check_dam_spacing_m: Positive = 10.0
    """Greatest length of a bay between check dams in a sloping store."""
    root_radius_m: Positive = 6.0
    """Radius of the root area of a tree whose own is not given (from memory)."""
    mounding_distance_m: Positive = 50.0
    haul_factor: Annotated[float, Field(ge=1)] = 1.3
    """Road distance over straight distance to a supply point."""
    sizing_storms: tuple[str, ...] = ()
    """Storm ids to size by; empty: the storms marked as sizing storms."""
    traffic_class: Literal["foot", "car", "goods", "unknown"] = "unknown"
    design_fraction: Fraction = 0.125
    survey_fraction: Fraction = 0.045
    contingency_fraction: Fraction = 0.30
    discount_rate: Fraction = 0.035
    whole_life_years: Annotated[int, Field(ge=1, le=120)] = 30
    plastic_diversion_t_co2e_per_t: Annotated[float, Field(ge=0, le=2)] = 0.0
    """Carbon avoided per tonne of mixed plastic kept from landfill or incineration. Off by default; practice says 2,
    without a source. A line of its own, outside every total and score."""


class RankingOptions(Options):
    """Weights of the three indices and of the criteria within them.

    weights : "criterion" or "measure.criterion" = weight within its index; the longer name wins.
    hollow_storm : storm id in which hollows are judged; empty: the present-day storm nearest to the return period and
    duration below, or the plain depth nearest to 30 mm.
    """

    benefit_weight: NotNegative = 0.5
    feasibility_weight: NotNegative = 0.3
    delivery_weight: NotNegative = 0.2
    weights: dict[str, NotNegative] = Field(default_factory=dict)
    hollow_storm: str = ""
    hollow_return_period_years: Positive = 30.0
    hollow_duration_min: Positive = 60.0
    costly_factor: Annotated[float, Field(gt=1)] = 1.5
    """A candidate is called costly when a cubic metre held costs more than this times the median of its measure."""

"""How rain becomes runoff."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Final, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from catchscreen.options.base import Fraction, Options, fill_table
from catchscreen.units import L_S_HA_PER_MM_H

Rate = Annotated[float, Field(ge=0, le=1000)]
Conductivity = Annotated[float, Field(ge=0.01, le=5000)]
DepressionDepth = Annotated[float, Field(ge=0, le=50)]
Speed = Annotated[float, Field(ge=0.05, le=10)]
Scale = Annotated[float, Field(ge=0.05, le=20)]
GrowthFactor = Annotated[float, Field(ge=0.1, le=20)]

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


class SurveyedEvent(Options):
    """What a flow survey measured in the sewer in one event; times without an offset are UTC."""

    start: datetime
    end: datetime
    volume_m3: Annotated[float, Field(gt=0, le=1e7)]
    """Storm water at the outfall, what flows in dry weather taken off."""
    zone_id: str = ""
    """The sewer zone that was measured; without it all zones together."""

    @model_validator(mode="after")
    def _check_times(self) -> Self:
        """Refuse an event that does not end after it starts, or lasts longer than a month."""
        hours = (in_utc(self.end) - in_utc(self.start)).total_seconds() / 3600.0
        if not 0.0 < hours <= 744.0:
            raise ValueError("an event ends after its start and within 31 days")
        return self


def in_utc(time: datetime) -> datetime:
    """Return a time in UTC; one without an offset is taken to be in UTC."""
    return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)


class RunoffOptions(Options):
    """How rain becomes runoff and where it goes."""

    sewer_capacity_mm_h: Rate = 12.0
    """Where a zone names none: rate over the connected impermeable area (generic, from memory)."""
    sewer_capacity_low_mm_h: Rate = 6.0
    """Low end of that capacity."""
    sewer_capacity_high_mm_h: Rate = 24.0
    """High end of that capacity."""
    capacity_case: Literal["low", "mid", "high"] = "mid"
    """Which capacity the screening runs with."""
    impermeable_case: Literal["low", "mid", "high"] = "mid"
    """Which impermeable area it runs with."""
    connection_case: Literal["low", "mid", "high"] = "mid"
    """Which connected share it runs with."""
    loss_model: Literal["green_ampt", "curve_number"] = "green_ampt"
    """How planted and bare ground takes in rain."""
    abstraction_ratio: float = 0.2
    """Initial abstraction over retention in the curve number: 0.2, or 0.05, which also converts the retention."""
    compaction_factor: Annotated[float, Field(ge=0.01, le=1)] = 0.5
    """Conductivity of trodden urban ground over that of the soil table (0.2 to 0.5 is common); woodland keeps 1."""
    conductivity_mm_h: dict[Texture, Conductivity] = Field(default_factory=dict)
    """Conductivity of undisturbed ground by texture, where local figures replace the soil table's."""
    default_texture: Texture = "loam"
    """Soil texture where no soil is mapped."""
    default_hydrologic_group: Literal["A", "B", "C", "D"] = "C"
    """Hydrologic soil group where none is mapped (curve_number)."""
    depression_mm: dict[str, DepressionDepth] = Field(default_factory=lambda: dict(DEPRESSIONS_MM))
    """Depression store of the impermeable part by cover class (0.5 to 2 mm is common practice)."""
    deficit_fraction: dict[str, Fraction] = Field(default_factory=lambda: dict(DEFICITS))
    """Share of the soil's effective porosity that is empty before the storm, by antecedent state: an assumption."""
    crust_mm: Annotated[float, Field(ge=0, le=100)] = 10.0
    """Baked ground: rain that meets the crust, an assumption."""
    crust_shed_fraction: Fraction = 0.5
    """Baked ground: share of that rain which runs off before the crust takes water, an assumption."""
    storm_evaporation_mm_h: Annotated[float, Field(ge=0, le=2)] = 0.0
    """Evaporation during a storm."""
    routing: Literal["unit_hydrograph", "linear_reservoir"] = "unit_hydrograph"
    """How a sub-catchment's runoff becomes a peak."""
    overland_speed_m_s: Speed = 1.0
    """Speed of water along the flow path, for travel times."""
    pipe_speed_m_s: Speed = 1.0
    """Speed of water in pipes, for travel times."""
    runoff_coefficient: Fraction = 0.75
    """Cv of the rational check only; it never follows another loss."""
    routing_coefficient: Annotated[float, Field(ge=0.5, le=3)] = 1.3
    """Cr of the modified rational check."""
    connection_scale: Scale = 1.0
    """Calibration: factor on the piped shares; the rest is divided as it was."""
    capacity_scale: Scale = 1.0
    """Calibration: factor on sewer capacity."""
    calibration_source: str = ""
    """The recorded spills or flow survey behind the two factors; empty means uncalibrated, and the result says so."""
    survey: tuple[SurveyedEvent, ...] = Field((), max_length=200)
    """Surveyed events that connection and capacity are fitted to, with the rain of the series."""
    pass_forward_l_s_ha: Annotated[float, Field(ge=0.1, le=1000)] | None = None
    """Rate per hectare drained that is passed on to the sewer: hours with more outflow than this are counted."""
    pass_forward_mm_h: Annotated[float, Field(ge=0.01, le=360)] | None = None
    """The same in mm/h over the ground drained (1 mm/h is 2.78 l/s/ha); give one of the two."""
    greenfield_formula_applies: bool = False
    """Only the user can confirm that the regression holds here."""
    annual_rain_mm: Annotated[float, Field(ge=20, le=13_000)] | None = None
    """Mean annual rain of the greenfield formula."""
    soil_index: Annotated[float, Field(ge=0.05, le=1)] | None = None
    """Soil index of the greenfield formula."""
    growth_factors: dict[str, GrowthFactor] = Field(default_factory=dict)
    """Return period in years -> factor on the mean annual flood, from the local guidance."""

    @field_validator("depression_mm", "deficit_fraction")
    @classmethod
    def _fill_table(cls, given: dict[str, Any], info: ValidationInfo) -> dict[str, Any]:
        """Let the user give some rows of a table only, and refuse rows that mean nothing."""
        return fill_table(given, DEPRESSIONS_MM if info.field_name == "depression_mm" else DEFICITS)

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
            if not key.replace(".", "", 1).isdigit() or not 0.1 <= float(key) <= 10_000.0:
                raise ValueError(f'"{key}" is not a return period of 0.1 to 10,000 years')
        return given

    @model_validator(mode="after")
    def _check_capacities(self) -> Self:
        """Refuse a range of sewer capacity whose ends are not on both sides of its middle."""
        low, mid, high = self.sewer_capacity_low_mm_h, self.sewer_capacity_mm_h, self.sewer_capacity_high_mm_h
        given = self.model_fields_set
        if {"sewer_capacity_low_mm_h", "sewer_capacity_high_mm_h"} & given and not low <= mid <= high:
            raise ValueError(f"sewer_capacity_low_mm_h, _mm_h, _high_mm_h must rise: {low:g}, {mid:g}, {high:g}")
        return self

    @model_validator(mode="after")
    def _check_one_rate(self) -> Self:
        """Refuse a pass-forward rate given twice."""
        if self.pass_forward_l_s_ha is not None and self.pass_forward_mm_h is not None:
            raise ValueError("give pass_forward_l_s_ha or pass_forward_mm_h, not both")
        return self

    @property
    def pass_forward_rate_l_s_ha(self) -> float | None:
        """Return the pass-forward rate, whichever way it was given."""
        if self.pass_forward_mm_h is not None:
            return self.pass_forward_mm_h * L_S_HA_PER_MM_H
        return self.pass_forward_l_s_ha

"""The options of each stage: frozen values with units in their names, checked when made, defaults written once.

The brief is made of these; a stage receives its own and nothing else.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Fraction = Annotated[float, Field(ge=0, le=1)]


class Options(BaseModel):
    """Base of every options record: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class TerrainOptions(Options):
    """How the ground is made ready, routed and divided."""

    cell_m: Positive | None = None
    holes: Literal["outlet", "wall"] = "outlet"
    raise_buildings: bool = True
    building_raise_m: Positive = 5.0
    outlet_snap_m: NotNegative = 30.0
    subcatchment_target_ha: Positive = 25.0
    flow_path_min_ha: Positive = 1.0
    hollow_min_depth_m: NotNegative = 0.10
    hollow_min_area_m2: NotNegative = 25.0
    hollow_min_volume_m3: NotNegative = 5.0


class SurfaceOptions(Options):
    """How ground is counted: which source wins, how impermeable each class is, where its water goes."""

    precedence: tuple[str, ...] = ("override", "buildings", "roads", "paved", "planted", "unknown")
    road_width_m: Positive = 6.0
    patch_min_width_m: Positive = 2.4
    patch_min_area_m2: Positive = 50.0


class RainOptions(Options):
    """Which storms are run."""

    return_periods_years: tuple[Positive, ...] = (2.0, 5.0, 30.0, 100.0)
    durations_min: tuple[Positive, ...] = (15.0, 30.0, 60.0, 180.0, 360.0, 1440.0)
    uplift: tuple[Positive, Positive] = (1.2, 1.4)
    plain_depths_mm: tuple[Positive, ...] = (5.0, 15.0, 30.0, 50.0)


class RunoffOptions(Options):
    """How rain becomes runoff and where it goes."""

    sewer_capacity_mm_h: NotNegative = 12.0


class MeasureOptions(Options):
    """Which measures are looked at and the thresholds that the user sets otherwise than by default."""

    use: tuple[str, ...] = ()
    on_plugin_error: Literal["go_on", "stop"] = "go_on"


class RankingOptions(Options):
    """Weights of the three indices and of the criteria within them."""

    benefit_weight: NotNegative = 0.5
    feasibility_weight: NotNegative = 0.3
    delivery_weight: NotNegative = 0.2
    weights: dict[str, NotNegative] = Field(default_factory=dict)

"""How the ground is made ready, routed and divided."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from catchscreen.options.base import NotNegative, Options, Positive

Height = Annotated[float, Field(gt=0, le=20)]
Depth = Annotated[float, Field(ge=0, le=10)]


class TerrainOptions(Options):
    """How the ground is made ready, routed and divided."""

    cell_m: Positive | None = None
    """A coarser cell for the analysis (area mean of the given cells); empty: the raster's own."""
    holes: Literal["outlet", "wall"] = "outlet"
    """What a hole in the raster is: water leaves through it, or it is a wall."""
    raise_buildings: bool = True
    """Let water flow around buildings."""
    building_raise_m: Positive = 0.5
    """How far water stands against a building before it finds a way in or through (common practice 0.15 to 0.5)."""
    raise_walls: bool = True
    """Let water flow around walls."""
    wall_raise_m: Height = 1.0
    """Height of a wall whose height is not given (an assumption: say yours)."""
    watercourse_lower_m: Depth = 0.0
    """How far the cells of watercourses are lowered; 0: not at all, as most ground models have the water surface."""
    outlet_snap_m: NotNegative = 30.0
    """A given outlet is moved to the strongest flow within this distance."""
    time_of_concentration: Literal["kirpich", "velocity", "nrcs_lag", "bransby_williams"] = "kirpich"
    """Method used; the others give the range."""
    entry_time_min: NotNegative = 3.0
    """Shortest time of concentration, for water to enter the drains."""
    curve_number: Annotated[float, Field(gt=0, le=100)] = 85.0
    """Curve number of the nrcs_lag method."""
    sheet_flow_roughness: Positive = 0.011
    """Manning roughness of the sheet flow at the head of the velocity method."""
    two_year_day_rain_mm: Positive = 40.0
    """1-in-2-year 24 h depth of the velocity method's sheet flow."""
    subcatchments_by: Literal["outlets", "size", "hollows"] = "outlets"
    """What divides the ground: the given outlets (without any, the target size), the target size, or each hollow."""
    subcatchment_target_ha: Positive = 25.0
    """Size aimed at where no outlets divide the ground."""
    flow_path_min_ha: Positive = 1.0
    """Flow paths are drawn from this contributing area."""
    hollow_min_depth_m: NotNegative = 0.10
    """Shallower hollows are filled and hold nothing."""
    hollow_min_area_m2: NotNegative = 25.0
    """Smaller hollows are filled and hold nothing."""
    hollow_min_volume_m3: NotNegative = 5.0
    """Hollows that hold less are filled and hold nothing."""
    depressions: Literal["keep", "carve", "mixed"] = "keep"
    """Keep depressions, carve through all within the limits below, or carve the small and keep the real."""
    carve_longest_m: Positive = 10.0
    """Longest cut."""
    carve_deepest_m: Positive = 0.3
    """Deepest cut."""
    noise_draws: Annotated[int, Field(ge=0, le=1000)] = 0
    """Perturbed grounds to try for each shallow hollow: in what share of them is it still there? 0: not asked."""
    noise_sd_m: Positive = 0.1
    """Standard deviation of the elevation error."""
    noise_range_m: Positive = 30.0
    """Distance over which that error is correlated."""
    suspect_min_volume_m3: NotNegative = 100.0
    """A bank that holds back less is not suspected of a missing culvert."""
    suspect_min_bank_m: NotNegative = 1.0
    """A lower bank is not suspected."""
    suspect_longest_m: Annotated[float, Field(gt=0, le=500)] = 80.0
    """How thick a bank may be, along the shortest line through it: 80 m is a bank of 20 m with slopes of 1 in 1.75."""

"""How ground is counted."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Any, Final, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from catchscreen.options.base import Fraction, NotNegative, Options, Positive, Range, Shares, fill_table

CLASS_IMPERMEABLE: Final[Mapping[str, Range]] = MappingProxyType(
    {
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
LAND_USE_IMPERMEABLE: Final[Mapping[str, Range]] = MappingProxyType(
    {
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
CONNECTION: Final[Mapping[str, Shares]] = MappingProxyType(
    {
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
TABLES: Final[Mapping[str, Mapping[str, object]]] = MappingProxyType(
    {"class_impermeable": CLASS_IMPERMEABLE, "land_use_impermeable": LAND_USE_IMPERMEABLE, "connection": CONNECTION}
)
"""The tables of which a brief may give some rows only."""


class SurfaceOptions(Options):
    """How ground is counted: which source wins, how impermeable each class is, where its water goes.

    Ranges are (low, middle, high). Impermeable shares of the classes: trade figures from memory (roofs 1.0, asphalt and
    concrete 0.95 to 1.0, block paving 0.8 to 0.95, gravel 0.3 to 0.6, gardens 0.05 to 0.2, grass 0 to 0.1); the rest,
    the land-use table and the connection shares are common practice, to be replaced by local figures.
    """

    precedence: tuple[str, ...] = ("override", "buildings", "roads", "paved", "planted", "unknown")
    """Which source wins where two lie on the same ground, first to last."""
    road_width_m: Positive = 6.0
    """Width of a road given as a line without a width."""
    patch_min_width_m: Positive = 2.4
    """A paved patch narrower than this takes no measure (a parking bay is 2.4 m)."""
    patch_min_area_m2: Positive = 50.0
    """A smaller paved patch takes no measure."""
    class_impermeable: dict[str, Range] = Field(default_factory=lambda: dict(CLASS_IMPERMEABLE))
    """Impermeable share of each cover class: low, middle, high."""
    land_use_impermeable: dict[str, Range] = Field(default_factory=lambda: dict(LAND_USE_IMPERMEABLE))
    """Share of a whole parcel, used for its ground of unknown cover; known roofs and roads are taken off first."""
    district_impermeable: Range = (0.30, 0.50, 0.70)
    """Unknown ground without a land use: the usual span of a town."""
    connection: dict[str, Shares] = Field(default_factory=lambda: dict(CONNECTION))
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
    """Strip along a roof's edge that stays free of plants."""
    roof_plant_fraction: Fraction = 0.25
    """Share of a flat roof taken by plant and rooflights where the surface model cannot tell (common practice)."""
    roof_min_points: Annotated[int, Field(ge=3)] = 30
    """Fewer points of the surface model on a roof leave its planes unknown."""
    roof_max_plane_error_m: Positive = 0.3
    """A roof that its planes miss by more is of unknown pitch."""
    derive_buildings: bool = True
    """Where no footprints are given, take what stands on planes high enough in the surface model for buildings."""
    derived_min_height_m: Annotated[float, Field(ge=1.5, le=10.0)] = 2.5
    """Lowest thing that is taken for a building."""
    derived_min_area_m2: Annotated[float, Field(ge=10.0, le=500.0)] = 25.0
    """Smallest thing that is taken for a building."""
    surface_model_year: int | None = None
    """Year of the flight: a roof built later is unknown."""

    @field_validator("class_impermeable", "land_use_impermeable", "connection")
    @classmethod
    def _fill_table(cls, given: dict[str, Any], info: ValidationInfo) -> dict[str, Any]:
        """Let the user give some rows of a table only, and refuse rows that mean nothing."""
        return fill_table(given, TABLES[str(info.field_name)])

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

"""What each role of a brief carries, in words: its shapes, columns and keys, and what it means that it is not given.

The README's table of inputs is written from here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np

from catchscreen.brief_sources import MANY_ROLES, REQUIRED_ROLES, ROLES, Source
from catchscreen.inputs.columns import ID_NAMES, Column
from catchscreen.inputs.cover import COVER_COLUMNS, ROAD_COLUMNS
from catchscreen.inputs.evidence import COLUMNS as EVIDENCE_COLUMNS
from catchscreen.inputs.roles import ABSENT, PARCEL_COLUMNS, PLAIN_ROLES
from catchscreen.inputs.underground import CONSTRAINT_COLUMNS, GROUNDWATER_COLUMNS, SOIL_COLUMNS, ZONE_COLUMNS

SHAPES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "parcels": "polygons", "elevation": "raster", "district": "polygons", "roads": "polygons or lines",
        "land_cover": "polygons or raster", "cover_override": "polygons", "surface_model": "raster",
        "soils": "polygons", "groundwater": "polygons, points or raster",
        "constraints": "polygons, lines or points", "sewer_zones": "polygons", "owners": "table", "renewals": "table",
        "rain_table": "table", "rain_series": "table", "evaporation": "table", "evidence": "points",
        "layer_catalogue": "table", "unit_costs": "table",
    }
)  # fmt: skip
"""Shapes of the roles that are not plain layers."""
_OWN: Final[Mapping[str, tuple[Column, ...]]] = MappingProxyType(
    {
        "parcels": PARCEL_COLUMNS,
        "roads": ROAD_COLUMNS,
        "land_cover": COVER_COLUMNS,
        "cover_override": COVER_COLUMNS,
        "soils": SOIL_COLUMNS,
        "groundwater": GROUNDWATER_COLUMNS,
        "constraints": CONSTRAINT_COLUMNS,
        "sewer_zones": ZONE_COLUMNS,
        "owners": tuple(column for column in PARCEL_COLUMNS if column.name == "owner_class"),
        "renewals": tuple(column for column in PARCEL_COLUMNS if column.name == "renewal_year"),
        "evidence": EVIDENCE_COLUMNS,
    }
)
NOT_GIVEN: Final[Mapping[str, str]] = MappingProxyType(
    {
        "cover_override": "Nothing wins over the other layers.",
        "owners": "The parcels' own column counts.",
        "renewals": "The parcels' own column counts.",
        "layer_catalogue": "The shipped layers are used.",
        "unit_costs": "The shipped prices are used.",
    }
)
"""What it means that a role is absent which leaves nothing unknown."""


@dataclass(frozen=True, slots=True)
class InputRole:
    """One role of the brief.

    columns : name and what it may hold. keys : what its table takes besides file, layer, crs, columns and where.
    """

    name: str
    shapes: str
    is_required: bool
    is_repeatable: bool
    columns: tuple[tuple[str, str], ...]
    keys: tuple[str, ...]
    absent: str


def input_roles() -> Iterator[InputRole]:
    """Go through every role of the brief, in its order."""
    for name, source in ROLES.items():
        plain = PLAIN_ROLES.get(name)
        columns = _OWN.get(name, plain.columns if plain else ())
        said = tuple((column.name, _allowed(column)) for column in columns)
        identity = ((ID_NAMES[name], "its id"),) if name in ID_NAMES else ()
        yield InputRole(
            name,
            " or ".join(f"{kind}s" for kind in plain.kinds) if plain else SHAPES[name],
            name in REQUIRED_ROLES,
            name in MANY_ROLES,
            identity + said,
            tuple(key for key in source.model_fields if key not in Source.model_fields),
            ABSENT.get(name, NOT_GIVEN.get(name, "")),
        )


def _allowed(column: Column) -> str:
    """Say what a column may hold."""
    if column.words:
        return ", ".join(column.words)
    if column.kind == "flag":
        return "yes or no"
    if column.kind == "text":
        return "text"
    ends = (column.low, column.high)
    return "a number" if np.isinf(ends).any() else " to ".join(map(_plain, ends))


def _plain(value: float) -> str:
    """Write a number without an exponent where it is whole."""
    return f"{value:,.0f}" if value == int(value) else f"{value:g}"

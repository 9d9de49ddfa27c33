"""Inputs: everything that a brief names is read, checked, mended, and brought into the elevation's CRS.

All faults of all layers are gathered and raised once; repairs and unknowns are noted on the run.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import geopandas as gpd
import pandas as pd

from catchscreen.brief import Brief
from catchscreen.brief_sources import Source
from catchscreen.errors import Fault, InputsAtFault
from catchscreen.inputs.catalogues import read_catalogue
from catchscreen.inputs.cover import read_cover_polygons, read_land_cover, read_roads
from catchscreen.inputs.desk import Desk
from catchscreen.inputs.digest import digest_files
from catchscreen.inputs.evidence import read_evidence
from catchscreen.inputs.joins import join_social_index
from catchscreen.inputs.parcels import (
    add_ground_fraction,
    check_shapes,
    find_overlaps,
    note_unknown_columns,
    read_district,
    read_parcels,
)
from catchscreen.inputs.rain_series import read_rain_series
from catchscreen.inputs.rain_table import read_rain_table
from catchscreen.inputs.rainfall import read_evaporation
from catchscreen.inputs.raster import Ground, GroundTiles, drop_below_ground, find_ground, read_ground, read_levels
from catchscreen.inputs.roles import PLAIN_ROLES, none_if_empty, note_absent, note_idle_storms, read_plain
from catchscreen.inputs.starting import NewBrief, new_brief_for
from catchscreen.inputs.underground import read_constraints, read_groundwater, read_sewer_zones, read_soils
from catchscreen.progress import Run
from catchscreen.records import Inputs, Raster
from catchscreen.records.catalogue import Table

__all__ = ["NewBrief", "check", "digest_files", "load", "read_catalogues", "write_new_brief"]

CATALOGUES = ("layer_catalogue", "unit_costs")
_Value = TypeVar("_Value")


def load(brief: Brief, requirements: pd.DataFrame | None, run: Run) -> Inputs:
    """Read, check and mend everything that a brief names.

    Parameters
    ----------
    brief : Brief
    requirements : DataFrame or None
        What measures read (column "column"); columns of these names in the user's layers pass through.
    run : Run
        Receives repairs, unknowns and notes.

    Raises
    ------
    InputsAtFault
        With every fault of every layer.
    """
    desk = _desk(brief, requirements, run, whole=True)
    return _read_all(desk)


def check(brief: Brief, requirements: pd.DataFrame | None, run: Run) -> tuple[Fault, ...]:
    """Look at everything that a brief names without the heavy work; return the faults, note the rest on the run.

    Levels of a very large ground model are not read.
    """
    desk = _desk(brief, requirements, run, whole=False)
    try:
        _read_all(desk)
    except InputsAtFault as error:
        return error.faults
    return ()


def read_catalogues(brief: Brief) -> dict[str, Table | None]:
    """Read the user's own layers and unit costs alone; None where there is none to read (``load`` says why)."""
    desk = _desk(brief, None, Run(), whole=False)
    return {role: _role(desk, role, read_catalogue) for role in CATALOGUES}


def write_new_brief(folder: str | Path) -> NewBrief:
    """Write a commented brief for the geodata that lie in a folder; nothing is overwritten.

    Raises
    ------
    InputsAtFault
        When there is no such folder.
    """
    return new_brief_for(folder, check)


def _desk(brief: Brief, requirements: pd.DataFrame | None, run: Run, *, whole: bool) -> Desk:
    columns = frozenset(map(str, requirements["column"])) if requirements is not None else frozenset()
    return Desk(brief, run, whole=whole, kept_columns=columns)


def _read_all(desk: Desk) -> Inputs:
    """Read the ground's place first, since all else is brought to it; then parcels, district, ground, and each role."""
    found = _tried(desk, lambda: find_ground(desk))
    parcels = _tried(desk, lambda: read_parcels(desk))
    ground: Ground | None = None
    with ThreadPoolExecutor(max_workers=1, thread_name_prefix="catchscreen-overlaps") as beside:
        overlaps = None if parcels is None else beside.submit(find_overlaps, parcels.geometry.to_numpy())
        district = _tried(desk, lambda: read_district(parcels, desk))
        if found is not None and district is not None:
            ground = _tried(desk, lambda: read_ground(found, district, desk))
            desk.area = tuple(float(value) for value in district.bounds)  # type: ignore[assignment]
    if parcels is not None and overlaps is not None and desk.crs is not None:
        check_shapes(parcels, overlaps.result(), desk)
        if ground is not None:
            bare, level = parcels, ground
            parcels = _tried(desk, lambda: add_ground_fraction(bare, level, desk))
    layers = _read_roles(desk, found, ground)
    note_absent(desk)
    note_idle_storms(desk)
    if parcels is not None:
        parcels = join_social_index(parcels, layers["social_index"], desk)
        note_unknown_columns(parcels, desk)
    if desk.faults or ground is None or parcels is None or district is None:
        raise InputsAtFault(desk.faults)
    return Inputs(ground.grid.crs, ground.grid, ground.ticks, ground.valid, parcels, district, **layers)


def _tried(desk: Desk, read: Callable[[], _Value]) -> _Value | None:
    """Return what a reader returns, or None with its faults kept."""
    desk.run.check_stop()
    try:
        return read()
    except InputsAtFault as error:
        desk.faults.extend(error.faults)
        return None


def _role(desk: Desk, role: str, read: Callable[[Source], _Value]) -> _Value | None:
    """Read a role that is given once; None when it is not given."""
    sources = desk.brief.sources_of(role)
    return _tried(desk, lambda: read(sources[0])) if sources else None


def _read_roles(desk: Desk, found: GroundTiles | None, ground: Ground | None) -> dict[str, Any]:
    """Read every optional role; faults are kept."""
    grid = ground.grid if ground is not None else None
    layers: dict[str, Any] = {role: _role(desk, role, partial(_plain, role, desk)) for role in PLAIN_ROLES}
    layers["roads"] = _role(desk, "roads", lambda source: read_roads(source, desk))
    cover = _role(desk, "land_cover", lambda source: read_land_cover(source, grid, desk))
    layers["land_cover"], layers["cover_classes"] = cover if cover is not None else (None, {})
    layers["cover_override"] = _role(desk, "cover_override", lambda source: read_cover_polygons(source, desk))
    layers["soils"] = _role(desk, "soils", lambda source: read_soils(source, desk))
    layers["groundwater"] = _role(desk, "groundwater", lambda source: read_groundwater(source, found, grid, desk))
    layers["constraints"] = read_constraints(desk)
    layers["sewer_zones"] = _role(desk, "sewer_zones", lambda source: read_sewer_zones(source, desk))
    layers["evidence"] = read_evidence(desk)
    layers["surface_model"] = _role(desk, "surface_model", lambda source: _surface(source, found, ground, desk))
    layers["rain_table"] = _role(desk, "rain_table", lambda source: read_rain_table(source, desk))
    layers["rain_series"] = _role(desk, "rain_series", lambda source: read_rain_series(source, desk))
    for role in CATALOGUES:
        layers[role] = _role(desk, role, read_catalogue)
    layers["evaporation"] = _role(desk, "evaporation", lambda source: read_evaporation(source, desk))
    return {role: none_if_empty(role, layer) for role, layer in layers.items()}


def _plain(role: str, desk: Desk, source: Source) -> gpd.GeoDataFrame:
    return read_plain(role, source, desk)


def _surface(source: Source, found: GroundTiles | None, ground: Ground | None, desk: Desk) -> Raster | None:
    """Read the surface model, holes where it lies under the ground."""
    if found is None or ground is None:
        return None
    return drop_below_ground(read_levels(source, found, ground.grid, desk), ground, desk)

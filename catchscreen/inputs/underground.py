"""What lies below: soils with infiltration rates or a texture, groundwater, mapped constraints, sewer zones."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from catchscreen.brief_sources import ConstraintSource, Source, ZoneSource
from catchscreen.errors import InputsAtFault
from catchscreen.grid import Grid
from catchscreen.inputs.columns import as_numbers, flag, number, our_word, pick_columns, set_ids, text, words
from catchscreen.inputs.desk import Desk, listed, refuse
from catchscreen.inputs.raster import GroundTiles, read_levels
from catchscreen.inputs.roles import note_if_empty
from catchscreen.inputs.tilesets import is_raster_source
from catchscreen.inputs.vector import read_layer
from catchscreen.records import Raster
from catchscreen.units import MM_H_PER_M_S

TEXTURE_RATES_M_S: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "gravel": (3e-4, 3e-2),
        "sand": (1e-5, 5e-5),
        "loamy_sand": (3e-5, 1e-4),
        "sandy_loam": (1e-7, 1e-5),
        "loam": (1e-7, 5e-6),
        "silt_loam": (1e-7, 1e-5),
        "silty_clay_loam": (1e-8, 1e-6),
        "sandy_clay_loam": (3e-10, 3e-7),
        "clay": (3e-10, 3e-8),
        "till": (3e-9, 3e-6),
    }
)
"""Infiltration rate by texture, low and high [m/s], from memory of CIRIA C753 (2015) table 25.1, after Bettess (1996).

The table gives clay only as under 3e-8; its low end here is ours. Its row for chalk is left out: our copy is in doubt.
"""

RATE_RANGE_M_S: Final = (1e-11, 1e-1)
DEPTH_M: Final = (0.0, 200.0)
"""Depths to groundwater that can be [m]."""
MAP_FACTOR: Final = 3.0
"""A mapped rate without a range is taken as a third to three times its value (our choice: half a decade each way)."""

SOIL_COLUMNS: Final = (
    number("infiltration_m_s", *RATE_RANGE_M_S, usual=(0.5 / MM_H_PER_M_S, 120 / MM_H_PER_M_S)),
    number("infiltration_low_m_s", *RATE_RANGE_M_S),
    number("infiltration_high_m_s", *RATE_RANGE_M_S),
    number("infiltration_mm_h", 0.0, 4e5, usual=(0.5, 120)),
    text("texture"),
    words("hydrologic_group", ("a", "b", "c", "d"), otherwise=""),
)

CONSTRAINT_KINDS: Final = (
    "protection_zone_1", "protection_zone_2", "protection_zone_3", "made_ground", "contaminated", "landfill",
    "unstable_slope", "karst", "mining", "shrink_swell", "cutting", "railway", "retaining_wall", "basement",
    "supply_well", "flood_zone", "other",
)  # fmt: skip
SEWER_KINDS: Final = ("combined", "separate", "none", "unknown")
RULES: Final = ("gate", "switch", "flag")
CAPACITY_COLUMNS: Final = ("capacity_mm_h", "capacity_low_mm_h", "capacity_high_mm_h")
GROUNDWATER_COLUMNS: Final = (number("depth_m", *DEPTH_M, usual=(0, 50), lengths=True), text("season"))
CONSTRAINT_COLUMNS: Final = (
    words("kind", CONSTRAINT_KINDS, otherwise=""),
    words("rule", RULES, otherwise=""),
    text("reason"),
    number("face_height_m", 0, 200),
)
ZONE_COLUMNS: Final = (
    words("sewer_kind", SEWER_KINDS, also={"no_sewer": "none", "surface_water": "separate"}),
    text("outfall"),
    flag("outfall_is_tidal"),
    number("pipe_length_m", 1, 100_000),
    *(number(name, 0, 500) for name in CAPACITY_COLUMNS),
)


def read_soils(source: Source, desk: Desk) -> gpd.GeoDataFrame:
    """Read soils; a rate is the layer's own, else that of its texture, else unknown."""
    layer = read_layer(source, desk, ("polygon",))
    frame = pick_columns(layer, source, desk, SOIL_COLUMNS)
    frame["hydrologic_group"] = frame["hydrologic_group"].str.upper()
    in_mm_h = frame.pop("infiltration_mm_h").to_numpy() / MM_H_PER_M_S
    mid = frame["infiltration_m_s"].fillna(pd.Series(in_mm_h, index=frame.index)).to_numpy(dtype=np.float64)
    low, high = (frame[f"infiltration_{end}_m_s"].to_numpy(dtype=np.float64) for end in ("low", "high"))
    bare = np.isnan(mid) & np.isnan(low) & np.isnan(high)
    by_texture = _texture_rates(frame["texture"].where(bare, ""), source, desk)
    low, high = np.where(bare, by_texture[:, 0], low), np.where(bare, by_texture[:, 1], high)
    mid = np.where(np.isnan(mid), np.sqrt(low * high), mid)
    frame["infiltration_m_s"] = mid
    frame["infiltration_low_m_s"] = np.where(np.isnan(low), mid / MAP_FACTOR, low)
    frame["infiltration_high_m_s"] = np.where(np.isnan(high), mid * MAP_FACTOR, high)
    _check_order(frame, source)
    unknown = int(frame["infiltration_m_s"].isna().sum())
    if unknown:
        message = f"{unknown} of {len(frame)} soils have neither a rate nor a texture that we know."
        desk.note("unknown", "no-rate", source, message, cure="Map infiltration_m_s or texture.")
    return note_if_empty(set_ids(frame, layer, source, desk), source, desk)


def _texture_rates(textures: pd.Series[str], source: Source, desk: Desk) -> np.ndarray:
    """Return (n, 2) low and high rates [m/s] by texture, NaN where it is not in the table."""
    keys = textures.map(our_word)
    strange = sorted(
        {str(word) for word, key in zip(textures, keys, strict=True) if key and key not in TEXTURE_RATES_M_S}
    )
    if strange:
        message = f"Textures without a rate in our table: {listed(strange)}."
        desk.note("unknown", "unknown-word", source, message, cure=f"Known are: {', '.join(TEXTURE_RATES_M_S)}.")
    rates = [TEXTURE_RATES_M_S.get(key, (np.nan, np.nan)) for key in keys]
    return np.array(rates, dtype=np.float64).reshape(-1, 2)


def _check_order(frame: gpd.GeoDataFrame, source: Source) -> None:
    """Refuse rates whose low, mid and high are out of order."""
    low, mid, high = (frame[f"infiltration_{end}m_s"].to_numpy() for end in ("low_", "", "high_"))
    wrong = (low > mid) | (mid > high)
    if wrong.any():
        row = int(np.flatnonzero(wrong)[0])
        message = f"Row {row + 1}: low {low[row]:g}, mid {mid[row]:g}, high {high[row]:g} m/s are out of order."
        raise refuse("out-of-order", source, message, "Check which column is which, and their units.")


def read_groundwater(source: Source, ground: GroundTiles | None, grid: Grid | None, desk: Desk) -> Any:
    """Read the depth to groundwater below ground [m]: polygons, points, or a raster."""
    if is_raster_source(source):
        if ground is None or grid is None:
            return None
        raster = read_levels(source, ground, grid, desk)
        return Raster(
            raster.grid, raster.values, raster.valid & (raster.values >= DEPTH_M[0]) & (raster.values <= DEPTH_M[1])
        )
    layer = read_layer(source, desk, ("polygon", "point"))
    frame = pick_columns(layer, source, desk, GROUNDWATER_COLUMNS)
    if len(frame) and frame["depth_m"].isna().all():
        raise _no_depth(layer, source)
    return note_if_empty(set_ids(frame, layer, source, desk), source, desk)


def _no_depth(layer: gpd.GeoDataFrame, source: Source) -> InputsAtFault:
    """Return the fault for groundwater without any depth: none that can be, or none at all."""
    column = source.columns.get("depth_m", "depth_m")
    found = as_numbers(layer[column]).dropna() if column in layer.columns else pd.Series(dtype=float)
    if len(found):
        span = f"{found.min():g}" if found.min() == found.max() else f"{found.min():g} to {found.max():g}"
        message = f"All {len(found)} values of {column} lie outside {DEPTH_M[0]:g} to {DEPTH_M[1]:g} m: {span}."
        cure = "Give the depth below ground, counted downward, or check vertical_unit: it is no level above a datum."
        return refuse("implausible-value", source, message, cure)
    names = listed([str(name) for name in layer.columns if name != "geometry"], 20)
    cure = f'Map it: columns = {{ depth_m = "..." }}. Columns are: {names}.'
    return refuse("missing-column", source, "No feature has a depth_m.", cure)


def read_constraints(desk: Desk) -> gpd.GeoDataFrame | None:
    """Read every constraint layer into one frame; faults of each are kept and the others still read."""
    frames = []
    for place, source in enumerate(desk.brief.constraints, start=1):
        with desk.gathering():
            frames.append(_read_constraint(source, place, desk))
    if not frames or not desk.brief.constraints:
        return None
    joined = pd.concat(frames)
    return gpd.GeoDataFrame(joined.sort_index(kind="stable"), geometry="geometry", crs=desk.crs)


def _read_constraint(source: Source, place: int, desk: Desk) -> gpd.GeoDataFrame:
    """Read one constraint layer; kind, rule and reason stand in the brief or in its columns."""
    layer = read_layer(source, desk, ("polygon", "line", "point"))
    frame = pick_columns(layer, source, desk, CONSTRAINT_COLUMNS)
    if isinstance(source, ConstraintSource):
        kind = our_word(source.kind) if source.kind else ""
        if kind and kind not in CONSTRAINT_KINDS:
            raise refuse(
                "unknown-word", source, f'kind = "{source.kind}".', f"Kinds are: {', '.join(CONSTRAINT_KINDS)}."
            )
        for column, value in (("kind", kind), ("rule", source.rule or ""), ("reason", source.reason or "")):
            if value:
                frame[column] = value
    if len(frame) and (frame["kind"] == "").all():
        cure = f'Add kind = "..." ({", ".join(CONSTRAINT_KINDS)}).'
        raise refuse("missing-key", source, "Nothing says what kind of constraint this is.", cure)
    frame.loc[frame["kind"] == "", "kind"] = "other"
    frame["source_file"] = source.file or "given in Python"
    frame = set_ids(frame, layer, source, desk)
    frame.index = pd.Index([f"{place:02d}.{name}" for name in frame.index], name="constraint_id", dtype=object)
    return note_if_empty(frame, source, desk)


def read_sewer_zones(source: Source, desk: Desk) -> gpd.GeoDataFrame:
    """Read sewer zones; a capacity is the layer's own, else the brief's for the layer, else the general default."""
    layer = read_layer(source, desk, ("polygon",))
    frame = pick_columns(layer, source, desk, ZONE_COLUMNS)
    general = desk.brief.runoff
    defaults = (general.sewer_capacity_mm_h, general.sewer_capacity_low_mm_h, general.sewer_capacity_high_mm_h)
    own = frame["capacity_mm_h"].notna().to_numpy()
    for name, default in zip(CAPACITY_COLUMNS, defaults, strict=True):
        value = getattr(source, name, None) if isinstance(source, ZoneSource) else None
        # A zone's own capacity without a range keeps the general range in proportion.
        scaled = frame["capacity_mm_h"] * (default / defaults[0] if defaults[0] else 1.0)
        filled = frame[name].fillna(scaled.where(own) if name != "capacity_mm_h" else np.nan)
        frame[name] = filled.fillna(value if value is not None else default)
    frame.loc[frame["sewer_kind"] == "none", list(CAPACITY_COLUMNS)] = 0.0
    if len(frame) and not own.all():
        message = f"{int((~own).sum())} of {len(frame)} zones have no capacity of their own and take the default."
        desk.note("unknown", "default-capacity", source, message, cure="Ask the sewerage company; map capacity_mm_h.")
    return note_if_empty(set_ids(frame, layer, source, desk), source, desk)

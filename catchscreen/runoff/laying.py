"""The ledger, the zones and the storms as arrays: what the kernels read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.options import RunoffOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Storms
from catchscreen.runoff.candidates import sum_at
from catchscreen.runoff.losses import ANTECEDENT

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Ground:
    """The ledger as arrays: rows in their order, places as numbers into sorted lists of ids.

    shares : (3, rows) piped, ground and overland share of the runoff, calibration applied. zone, land : (rows,)
    number of the sewer zone and sub-catchment. capacity_m3_h, pipe_length_m : (zones,), length NaN where unknown.
    group_at : (groups, 3) sub-catchment, zone, class of each group; group : (rows,) group of each row.
    """

    area_m2: Floats
    impermeable_fraction: Floats
    shares: Floats
    zone: Ints
    land: Ints
    zone_ids: tuple[str, ...]
    land_ids: tuple[str, ...]
    capacity_m3_h: Floats
    pipe_length_m: Floats
    group: Ints
    group_at: Ints


@dataclass(frozen=True, slots=True)
class StormArrays:
    """All storms end to end: storm s is ``rain_mm[starts[s]:starts[s + 1]]``; steps (storms, 2) [h], [mm/h to air]."""

    ids: tuple[str, ...]
    rain_mm: Floats
    starts: Ints
    steps: Floats
    state: Ints

    def blocks(self, flat: Floats, rows: int) -> dict[str, Floats]:
        """Cut a flat kernel output into one (rows, steps) view for each storm."""
        out = {}
        for number, storm in enumerate(self.ids):
            first, last = self.starts[number], self.starts[number + 1]
            out[storm] = flat[first * rows : last * rows].reshape(rows, last - first)
        return out


def lay_ground(
    ledger: pd.DataFrame, zones: pd.DataFrame | None, loss_class: Ints, options: RunoffOptions, run: Run
) -> Ground:
    """Turn the ledger and the zones into arrays, group rows that behave alike, and fix the capacities."""
    area = ledger["area_m2"].to_numpy(np.float64)
    piped = ledger["piped_fraction"].to_numpy(np.float64)
    to_ground = ledger["to_ground_fraction"].to_numpy(np.float64)
    overland = ledger["overland_fraction"].to_numpy(np.float64)
    if options.connection_scale != 1.0:
        piped = np.minimum(piped * options.connection_scale, 1.0 - to_ground)
        overland = 1.0 - to_ground - piped
    known = [str(zone) for zone in zones.index] if zones is not None else []
    zone_ids, zone = number_ids(ledger["zone_id"], known)
    land_ids, land = number_ids(ledger["subcatchment_id"])
    connected = sum_at(zone, piped * area, len(zone_ids))
    capacity = _capacities(zones, zone_ids, connected, options, run) * options.capacity_scale
    key = (land * len(zone_ids) + zone) * (int(loss_class.max(initial=0)) + 1) + loss_class
    _, first, group = np.unique(key, return_index=True, return_inverse=True)
    group_at = np.column_stack([land[first], zone[first], loss_class[first]]).astype(np.int64)
    shares = np.ascontiguousarray(np.stack([piped, to_ground, overland]))
    return Ground(
        area_m2=area,
        impermeable_fraction=ledger["impermeable_fraction"].to_numpy(np.float64),
        shares=shares,
        zone=zone,
        land=land,
        zone_ids=zone_ids,
        land_ids=land_ids,
        capacity_m3_h=capacity * connected / 1000.0,
        pipe_length_m=_pipe_lengths(zones, zone_ids),
        group=group.astype(np.int64),
        group_at=group_at,
    )


def _pipe_lengths(zones: pd.DataFrame | None, zone_ids: tuple[str, ...]) -> Floats:
    """Return the longest pipe run of each zone [m] where its layer gives ``pipe_length_m``."""
    out = np.full(len(zone_ids), np.nan)
    if zones is not None and "pipe_length_m" in zones:
        at = [zone_ids.index(str(zone)) for zone in zones.index]
        out[at] = pd.to_numeric(zones["pipe_length_m"], errors="coerce").to_numpy(np.float64)
    return out


def number_ids(ids: pd.Series, more: list[str] | None = None) -> tuple[tuple[str, ...], Ints]:
    """Return the sorted distinct ids (with ``more`` joined in) and each row's place among them."""
    codes, distinct = pd.factorize(ids.astype(str))
    listed = sorted({*(str(name) for name in distinct), *(more or [])})
    place = {name: number for number, name in enumerate(listed)}
    to_listed = np.array([place[str(name)] for name in distinct], np.int64)
    return tuple(listed), to_listed[codes] if len(codes) else np.zeros(0, np.int64)


def _capacities(
    zones: pd.DataFrame | None, zone_ids: tuple[str, ...], connected: Floats, options: RunoffOptions, run: Run
) -> Floats:
    """Return each zone's capacity [mm/h over its connected area]: its own, else the brief's; 0 without a sewer."""
    case = options.capacity_case
    default = {
        "low": options.sewer_capacity_low_mm_h,
        "mid": options.sewer_capacity_mm_h,
        "high": options.sewer_capacity_high_mm_h,
    }[case]
    out = np.full(len(zone_ids), np.nan)
    kinds = dict.fromkeys(zone_ids, "unknown")
    if zones is not None:
        at = [zone_ids.index(str(zone)) for zone in zones.index]
        for column in ("capacity_mm_h", f"capacity_{case}_mm_h"):
            if column in zones and (column == "capacity_mm_h" or case != "mid"):
                given = pd.to_numeric(zones[column], errors="coerce").to_numpy(np.float64)
                out[at] = np.where(np.isnan(given), out[at], given)
        if "sewer_kind" in zones:
            kinds.update(zip((str(z) for z in zones.index), zones["sewer_kind"].astype(str), strict=True))
    out[[kinds[zone] == "none" for zone in zone_ids]] = 0.0
    assumed = [
        zone or "(no zone)" for zone, k, m2 in zip(zone_ids, out, connected, strict=True) if np.isnan(k) and m2 > 0.0
    ]
    if assumed:
        text = f"Sewer capacity unknown in {', '.join(assumed)}: {default:g} mm/h (generic) over the connected area."
        run.note(DataIssue("unknown", "sewer_capacity_assumed", "sewer_zones", text, "Ask the sewerage company."))
    return np.where(np.isnan(out), default, out)


def lay_storms(storms: Storms, options: RunoffOptions) -> StormArrays:
    """Put all storms end to end."""
    ids = tuple(str(storm) for storm in storms.storms.index)
    depths = [np.asarray(storms.depths_mm[storm], np.float64) for storm in ids]
    starts = np.concatenate([[0], np.cumsum([d.size for d in depths])]).astype(np.int64)
    hours = np.array([storms.step_min[storm] / 60.0 for storm in ids])
    states = storms.storms["antecedent"] if "antecedent" in storms.storms else ["normal"] * len(ids)
    state = np.array([ANTECEDENT.index(str(name)) for name in states], np.int64)
    steps = np.column_stack([hours, np.full(len(ids), options.storm_evaporation_mm_h)])
    return StormArrays(ids, np.concatenate(depths) if depths else np.zeros(0), starts, steps, state)

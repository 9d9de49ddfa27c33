"""The ledger, the zones and the storms as arrays: what the kernels read."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

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
class Alike:
    """Rows that behave alike: a mix is one zone and loss class, a group is one mix in one sub-catchment.

    mix : (rows,). mix_at : (mixes, 2) zone, class. group : (rows,). group_at : (groups, 3) sub-catchment, zone, class.
    first_row : (groups,) first row of each group.
    """

    mix: Ints
    mix_at: Ints
    group: Ints
    group_at: Ints
    first_row: Ints


@dataclass(frozen=True, slots=True)
class Ground:
    """The ledger as arrays: rows in their order, places as numbers into sorted lists of ids.

    shares : (3, rows) piped, ground and overland share of the runoff, calibration applied. zone, land : (rows,)
    number of the sewer zone and sub-catchment. capacity_m3_h, pipe_length_m : (zones,), length NaN where unknown.
    outfalls : (zones,) the outfall that a zone names, "" where unknown.
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
    alike: Alike
    outfalls: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StormArrays:
    """All storms end to end: storm s is ``rain_mm[starts[s]:starts[s + 1]]``; steps (storms, 2) [h], [mm/h to air]."""

    ids: tuple[str, ...]
    rain_mm: Floats
    starts: Ints
    steps: Floats
    state: Ints

    def views(self, flat: Floats, rows: int) -> list[Floats]:
        """Cut one array for all storms into a (rows, steps) view for each."""
        out = []
        for first, last in pairwise(self.starts):
            out.append(flat[first * rows : last * rows].reshape(rows, last - first))
        return out

    def blocks(self, flat: Floats, rows: int) -> dict[str, Floats]:
        """Return the views by storm id."""
        return dict(zip(self.ids, self.views(flat, rows), strict=True))


def lay_ground(
    ledger: pd.DataFrame, zones: pd.DataFrame | None, loss_class: Ints, options: RunoffOptions, run: Run
) -> Ground:
    """Turn the ledger and the zones into arrays, group rows that behave alike, and fix the capacities."""
    area = ledger["area_m2"].to_numpy(np.float64)
    piped, to_ground, overland = _shares(ledger, options)
    _check_shares(area, piped, to_ground, overland)
    known = [str(zone) for zone in zones.index] if zones is not None else []
    zone_ids, zone = number_ids(ledger["zone_id"], known)
    land_ids, land = number_ids(ledger["subcatchment_id"])
    connected = sum_at(zone, piped * area, len(zone_ids))
    capacity = _capacities(zones, zone_ids, connected, options, run) * options.capacity_scale
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
        alike=find_alike(land, zone, loss_class),
        outfalls=_outfalls(zones, zone_ids),
    )


def _shares(ledger: pd.DataFrame, options: RunoffOptions) -> tuple[Floats, Floats, Floats]:
    """Return the piped, ground and overland share of each row, for the case and calibration that the brief asks for.

    What is not piped is divided between ground and overland as in the middle case; where nothing was left to divide,
    it goes overland.
    """
    piped, to_ground, overland = (
        ledger[name].to_numpy(np.float64) for name in ("piped_fraction", "to_ground_fraction", "overland_fraction")
    )
    case = f"piped_{options.connection_case}_fraction"
    wanted = ledger[case].to_numpy(np.float64) if options.connection_case != "mid" and case in ledger else piped
    wanted = np.minimum(wanted * options.connection_scale, 1.0)
    if np.array_equal(wanted, piped):
        return piped, to_ground, overland
    rest = to_ground + overland
    soaked = np.divide(to_ground, rest, out=np.zeros_like(rest), where=rest > 0.0)
    return wanted, (1.0 - wanted) * soaked, (1.0 - wanted) * (1.0 - soaked)


def _check_shares(area: Floats, *shares: Floats) -> None:
    """Refuse a ledger that cannot close: unknown or negative areas, shares that do not sum to 1.

    Raises
    ------
    ValueError
        Naming the first row at fault: a mistake of the calling code, not of the user's data.
    """
    wrong = ~((area >= 0.0) & (np.abs(np.sum(shares, axis=0) - 1.0) < 1e-6) & (np.min(shares, axis=0) >= 0.0))
    if wrong.any():
        raise ValueError(
            f"ledger row {int(wrong.argmax())}: area or shares of runoff unknown, negative or not summing to 1"
        )


def find_alike(land: Ints, zone: Ints, loss_class: Ints) -> Alike:
    """Find the rows that share a zone and loss class, and those that share a sub-catchment too."""
    mix, mix_at = _pair(zone, loss_class)
    group, group_at = _pair(land, mix)
    rows = group.size
    first = np.empty(len(group_at), np.int64)
    first[group[::-1]] = np.arange(rows - 1, -1, -1)
    return Alike(mix, mix_at, group, np.column_stack([group_at[:, 0], mix_at[group_at[:, 1]]]), first)


def _pair(left: Ints, right: Ints) -> tuple[Ints, Ints]:
    """Give the pairs that occur numbers, in order; they are few, so they are marked rather than sorted."""
    width = int(right.max(initial=0)) + 1
    key = left * width + right
    present = np.zeros(int(key.max(initial=-1)) + 1, bool)
    present[key] = True
    place = np.cumsum(present, dtype=np.int64) - 1
    keys = np.flatnonzero(present)
    return place[key], np.column_stack([keys // width, keys % width]).astype(np.int64)


def _pipe_lengths(zones: pd.DataFrame | None, zone_ids: tuple[str, ...]) -> Floats:
    """Return the longest pipe run of each zone [m] where its layer gives ``pipe_length_m``."""
    out = np.full(len(zone_ids), np.nan)
    if zones is not None and "pipe_length_m" in zones:
        at = [zone_ids.index(str(zone)) for zone in zones.index]
        out[at] = pd.to_numeric(zones["pipe_length_m"], errors="coerce").to_numpy(np.float64)
    return out


def _outfalls(zones: pd.DataFrame | None, zone_ids: tuple[str, ...]) -> tuple[str, ...]:
    """Return the outfall that each zone names, "" where it names none."""
    if zones is None or "outfall" not in zones:
        return ("",) * len(zone_ids)
    named = {
        str(zone): "" if pd.isna(name) else str(name) for zone, name in zip(zones.index, zones["outfall"], strict=True)
    }
    return tuple(named.get(zone, "") for zone in zone_ids)


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

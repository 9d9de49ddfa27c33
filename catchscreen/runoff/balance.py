"""The balance of every unit of every level: terms added up, each on its own, and the error that is left.

At parcels, sub-catchments and sewer zones the overland flow leaves the unit where it arose. At hollows and the
district it is held in hollows or leaves, so there ``held_in_hollows_m3`` and ``leaving_m3`` take its place in the sum.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.runoff.candidates import CandidateArrays, CandidatePieces, order_upstream_first

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEVELS: Final = ("parcel", "subcatchment", "sewer_zone", "hollow", "district")
RAIN, SEWER, OVERLAND, GROUND, AIR, STORE, STREAM, INFLOW, PASSED = range(9)
COLUMNS: Final = (
    "rain_m3",
    "sewer_m3",
    "overland_m3",
    "infiltration_m3",
    "evaporation_m3",
    "store_change_m3",
    "watercourse_m3",
    "inflow_m3",
    "passed_on_m3",
)


@dataclass(frozen=True, slots=True)
class Units:
    """Units of all levels numbered one after the other: ids of each level, its first number, (levels, rows) numbers."""

    ids: dict[str, tuple[str, ...]]
    first: dict[str, int]
    number: Ints
    count: int

    def part(self, level: str) -> slice:
        """Numbers of one level."""
        return slice(self.first[level], self.first[level] + len(self.ids[level]))


def number_units(ledger: pd.DataFrame, zone_ids: tuple[str, ...], zone: Ints) -> Units:
    """Give every unit a number; "" stays only as the ground outside hollows and the zone of unknown drainage."""
    columns = {"parcel": "parcel_id", "subcatchment": "subcatchment_id", "hollow": "hollow_id"}
    ids: dict[str, tuple[str, ...]] = {}
    first: dict[str, int] = {}
    numbers = []
    count = 0
    for level in LEVELS:
        if level == "sewer_zone":
            names, codes = zone_ids, zone.copy()
        elif level == "district":
            names, codes = ("district",), np.zeros(len(ledger), np.int64)
        else:
            codes, distinct = pd.factorize(ledger[columns[level]].astype(str), sort=True)
            names, codes = tuple(str(name) for name in distinct), codes.astype(np.int64)
            if level != "hollow" and names and names[0] == "":
                names, codes = names[1:], codes - 1
        ids[level], first[level] = names, count
        numbers.append(np.where(codes >= 0, codes + count, -1))
        count += len(names)
    return Units(ids, first, np.ascontiguousarray(np.stack(numbers)), count)


def add_candidates(
    sums: Floats, units: Units, laid: CandidateArrays, terms: tuple[Floats, Floats, Floats], loss_class: Ints
) -> Floats:
    """Widen the sums to all nine terms and add the candidates' share of each to the units of their host rows.

    Water that a candidate takes from, or passes to, ground of another unit is inflow there and passed on here.
    """
    class_sums, totals, host_sums = terms
    out = np.zeros((*sums.shape[:2], 9))
    out[:, :, :6] = sums
    at = laid.host_at[:, 0]
    share = laid.host_share
    if not at.size:
        return out
    own = totals[:, at, :] * share[None, :, :1]
    values = {
        SEWER: own[:, :, 4] + share[:, 1] * host_sums[:, :, 1],
        OVERLAND: share[:, 3] * host_sums[:, :, 0] + share[:, 1] * host_sums[:, :, 2],
        GROUND: own[:, :, 3] + own[:, :, 5] + share[:, 2] * host_sums[:, :, 0],
        AIR: own[:, :, 7],
        STORE: own[:, :, 10],
        STREAM: own[:, :, 6],
    }
    for number in units.number:
        for term, value in values.items():
            _add(out, number[laid.host_row], term, value)
    _add_transfers(out, units, laid, class_sums[:, loss_class[laid.entry_row], 0] * laid.entry_area / 1000.0)
    _add_passed(out, units, laid, totals[:, :, 9])
    return out


def _add(out: Floats, unit: Ints, term: int, value: Floats) -> None:
    """Add (storms, entries) values to their units, in order; -1 is no unit."""
    keep = unit >= 0
    every = np.arange(out.shape[0])[:, None]
    np.add.at(out[:, :, term], (every, unit[keep][None, :]), value[:, keep])


def _add_transfers(out: Floats, units: Units, laid: CandidateArrays, volume: Floats) -> None:
    """Book run-on between units: (storms, entries) volumes from the entry's row to the candidate's host rows."""
    entry, host = _pairs(laid.entry_candidate, laid.host_at[:, 0])
    _book(out, units, (laid.entry_row[entry], laid.host_row[host]), volume[:, entry] * laid.host_share[host, 0])


def _add_passed(out: Floats, units: Units, laid: CandidateArrays, passed: Floats) -> None:
    """Book overflow that one candidate passes to another: from its host rows to the other's."""
    below = laid.store[laid.host_at[:, 0], 13].astype(np.int64)
    giver, taker = _pairs(below, laid.host_at[:, 0])
    shares = laid.host_share[giver, 0] * laid.host_share[taker, 0]
    volume = passed[:, laid.host_at[giver, 0]] * shares
    _book(out, units, (laid.host_row[giver], laid.host_row[taker]), volume)


def _book(out: Floats, units: Units, rows: tuple[Ints, Ints], volume: Floats) -> None:
    """Book volumes that cross from one unit to another of the same level."""
    giver, taker = rows
    for number in units.number:
        crosses = number[giver] != number[taker]
        _add(out, number[giver[crosses]], PASSED, volume[:, crosses])
        _add(out, number[taker[crosses]], INFLOW, volume[:, crosses])


def _pairs(left: Ints, right: Ints) -> tuple[Ints, Ints]:
    """Places of all pairs with equal values; ``right`` is sorted."""
    first = np.searchsorted(right, left, "left")
    last = np.searchsorted(right, left, "right")
    counts = last - first
    lefts = np.repeat(np.arange(left.size), counts)
    within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    return lefts, np.repeat(first, counts) + within


def fill_hollows(overland: Floats, volume_m3: Floats, spills_into: Ints) -> tuple[Floats, Floats, Floats]:
    """Fill hollows with storm totals, upstream first.

    Parameters
    ----------
    overland : (storms, hollows) [m3] that arises on each hollow's ground. volume_m3 : to the spill point. spills_into
    : hollow that takes the spill, -1 for none.

    Returns
    -------
    inflow from above, held, spill : (storms, hollows) [m3]. Where faulty data spill in a ring, the ring is cut.
    """
    above = np.zeros_like(overland)
    held = np.zeros_like(overland)
    spill = np.zeros_like(overland)
    done = np.zeros(volume_m3.size, bool)
    for hollow in order_upstream_first(spills_into):
        inflow = overland[:, hollow] + above[:, hollow]
        held[:, hollow] = np.minimum(inflow, volume_m3[hollow])
        spill[:, hollow] = inflow - held[:, hollow]
        done[hollow] = True
        below = spills_into[hollow]
        if below >= 0 and not done[below]:
            above[:, below] += spill[:, hollow]
    return above, held, spill


def tabulate(
    terms: Floats, units: Units, hollows: pd.DataFrame, storm_ids: tuple[str, ...]
) -> tuple[pd.DataFrame, Floats]:
    """Make the balance table of all levels, and the (storms, hollow units) total inflow of each hollow [m3]."""
    part = units.part("hollow")
    names = units.ids["hollow"]
    volume, below = _hollow_arrays(names, hollows)
    above, held, spill = fill_hollows(terms[:, part, OVERLAND], volume, below)
    leaves = np.array([below[number] < 0 for number in range(len(names))], bool)
    nothing = np.zeros((terms.shape[0], 1))
    inside = np.array([name != "" for name in names], bool)
    blocks = []
    for level in LEVELS:
        values, ids, fate = terms[:, units.part(level)], np.array(units.ids[level], object), (nothing, nothing)
        more = nothing
        if level == "hollow":  # ground outside hollows is no hollow
            values, ids, more = values[:, inside], ids[inside], above[:, inside]
            fate = (held[:, inside], spill[:, inside])
        elif level == "district":
            fate = (held.sum(axis=1, keepdims=True), spill[:, leaves].sum(axis=1, keepdims=True))
        blocks.append((level, ids, values, more, fate))
    return _lay_out(blocks, storm_ids), (terms[:, part, OVERLAND] + above)


def _lay_out(
    blocks: list[tuple[str, NDArray[np.object_], Floats, Floats, tuple[Floats, Floats]]], storm_ids: tuple[str, ...]
) -> pd.DataFrame:
    """Make the frame of all levels, each sorted by unit then storm, every column filled in place: it can be large."""
    count = len(storm_ids)
    total = count * sum(len(ids) for _, ids, *_ in blocks)
    columns = {name: np.empty(total) for name in (*COLUMNS, "held_in_hollows_m3", "leaving_m3", "residual_m3")}
    words = {name: np.empty(total, object) for name in ("level", "unit_id", "storm_id")}
    first = 0
    for level, ids, values, more, fate in blocks:
        rows = slice(first, first + count * len(ids))
        first = rows.stop
        words["level"][rows] = level
        words["unit_id"][rows] = np.repeat(ids, count)
        words["storm_id"][rows] = np.tile(np.array(storm_ids, object), len(ids))
        out = {name: column[rows].reshape(len(ids), count) for name, column in columns.items()}
        _fill_level(out, values, more, fate if level in ("hollow", "district") else None)
    return pd.DataFrame({**words, **columns}, copy=False)


def _fill_level(out: dict[str, Floats], values: Floats, more: Floats, fate: tuple[Floats, Floats] | None) -> None:
    """Fill one level's (units, storms) columns: its terms, what hollows hold and leave, and the residual."""
    for term, column in enumerate(COLUMNS):
        out[column][:] = values[:, :, term].T
    out["inflow_m3"] += more.T
    gone = out["sewer_m3"] + out["watercourse_m3"]
    for column in ("infiltration_m3", "evaporation_m3", "store_change_m3", "passed_on_m3"):
        gone += out[column]
    for place, column in enumerate(("held_in_hollows_m3", "leaving_m3")):
        out[column][:] = np.nan if fate is None else fate[place].T
        if fate is not None:
            gone += out[column]
    if fate is None:
        gone += out["overland_m3"]
    out["residual_m3"][:] = out["rain_m3"] + out["inflow_m3"] - gone


def _hollow_arrays(names: tuple[str, ...], hollows: pd.DataFrame) -> tuple[Floats, Ints]:
    """Return volume and receiver of each hollow that the ledger names; ground outside holds nothing."""
    place = {name: number for number, name in enumerate(names)}
    volume = np.zeros(len(names))
    below = np.full(len(names), -1, np.int64)
    columns = (hollows.index.astype(str), hollows["volume_m3"].tolist(), hollows["spills_into_id"].tolist())
    for name, held, into in zip(*columns, strict=True):
        if name in place:
            volume[place[name]] = held
            target = "" if pd.isna(into) else str(into)
            below[place[name]] = place.get(target, -1) if target else -1
    return volume, below


def tabulate_candidates(
    totals: Floats, order: Ints, candidates: CandidatePieces | None, storm_ids: tuple[str, ...]
) -> pd.DataFrame:
    """Make the table of what each candidate does in each storm [m3], in the order of its stores."""
    names = (
        "rain_m3",
        "run_on_m3",
        "from_candidates_m3",
        "soaked_m3",
        "to_sewer_m3",
        "to_ground_m3",
        "to_watercourse_m3",
        "evaporation_m3",
        "overflow_m3",
        "passed_on_m3",
        "store_change_m3",
    )
    if candidates is None or not order.size:
        return pd.DataFrame(
            {"store_id": pd.Series(dtype=object), "storm_id": pd.Series(dtype=object)}
            | {n: pd.Series(dtype=float) for n in names}
        )
    sorted_totals = np.empty_like(totals)
    sorted_totals[:, order] = totals
    count = len(storm_ids)
    frame = pd.DataFrame(
        {
            "store_id": np.repeat(np.array(candidates.stores.store_id, object), count),
            "storm_id": np.tile(np.array(storm_ids, object), order.size),
        }
    )
    for column, name in enumerate(names):
        frame[name] = sorted_totals[:, :, column].T.ravel()
    return frame

"""Candidates as the water ledger sees them: which ground they replace, which runs on to them, where overflow goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.records import Stores

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OUTLETS = ("sewer", "ground", "watercourse")


@dataclass(frozen=True, slots=True)
class CandidatePieces:
    """Candidates laid on a ledger: one store each, and the ledger rows that it takes ground from.

    stores : one per candidate; candidate c is the store in place c.
    hosts : candidate, row (place in the ledger), area_m2: ground that the candidate replaces.
    run_on : candidate, row, area_m2: ground whose runoff it takes; each m2 in one candidate's list, never also a host.
    passes_to : (candidates,) the candidate that takes its overflow, or -1 where it goes the host's old way.
    passed_fraction : (candidates,) share of the overflow that is passed on so.
    outlet_passed_fraction : (candidates,) share of what the outlet lets go that follows it: a roof's drains to where
    its downpipe leads. None: nothing.
    """

    stores: Stores
    hosts: pd.DataFrame
    run_on: pd.DataFrame
    passes_to: Ints
    passed_fraction: Floats
    outlet_passed_fraction: Floats | None = None


@dataclass(frozen=True, slots=True)
class CandidateArrays:
    """What the ledger kernel reads, candidates sorted upstream first.

    order : (candidates,) place in the stores. store : (candidates, 16). entry_at, entry_row, entry_area : run-on
    entries. host_at : (hosts, 3) candidate, zone, sub-catchment. host_row : ledger row. host_share : (hosts, 4) share
    of the host, piped, ground and overland share of its overflow. host_area, taken_area : (rows,) [m2] replaced, led
    away.
    """

    order: Ints
    store: Floats
    entry_candidate: Ints
    entry_row: Ints
    entry_area: Floats
    host_at: Ints
    host_row: Ints
    host_share: Floats
    host_area: Floats
    taken_area: Floats


def sum_at(place: Ints, values: Floats, count: int) -> Floats:
    """Sum values by place, in their order."""
    return np.asarray(np.bincount(place, values, count), np.float64)


def order_upstream_first(receiver: Ints) -> Ints:
    """Order nodes so that each stands before the one it sends water to; ties by number.

    A ring has no upstream end: its nodes come last, in number order, and the caller decides what that means.
    """
    waiting = np.bincount(receiver[receiver >= 0], minlength=receiver.size)
    free = [int(i) for i in np.flatnonzero(waiting == 0)]
    order: list[int] = []
    for node in free:  # grows while it is read
        order.append(node)
        below = int(receiver[node])
        if below >= 0:
            waiting[below] -= 1
            if waiting[below] == 0:
                free.append(below)
    placed = set(order)
    order.extend(i for i in range(receiver.size) if i not in placed)
    return np.array(order, np.int64)


def lay_candidates(
    pieces: CandidatePieces | None, area_m2: Floats, places: tuple[Ints, Ints], shares: Floats
) -> CandidateArrays:
    """Turn candidates into the kernel's arrays.

    Parameters
    ----------
    area_m2 : (rows,) the ledger's areas. places : zone and sub-catchment number of each row. shares : (3, rows)
    piped, ground and overland share.

    Raises
    ------
    ValueError
        When more ground is taken from a row than it has, or overflow is passed in a ring: a mistake of the calling
        code.
    """
    if pieces is None or not pieces.stores.store_id:
        return _no_candidates(area_m2.size)
    order = order_upstream_first(pieces.passes_to)
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    _check_no_ring(pieces.passes_to, place)
    hosts = pieces.hosts.assign(at=place[pieces.hosts["candidate"].to_numpy(np.int64)])
    hosts = hosts.sort_values(["at", "row"], kind="stable")
    run_on = pieces.run_on.assign(at=place[pieces.run_on["candidate"].to_numpy(np.int64)])
    run_on = run_on.sort_values(["at", "row"], kind="stable")
    host_row, entry_row = hosts["row"].to_numpy(np.int64), run_on["row"].to_numpy(np.int64)
    host_areas, entry_area = hosts["area_m2"].to_numpy(np.float64), run_on["area_m2"].to_numpy(np.float64)
    host_area = sum_at(host_row, host_areas, area_m2.size)
    taken_area = sum_at(entry_row, entry_area, area_m2.size)
    if (host_area + taken_area > area_m2 * (1.0 + 1e-9) + 1e-9).any():
        raise ValueError("candidates take more ground from a ledger row than it has")
    zone, land = places
    at = hosts["at"].to_numpy(np.int64)
    total = sum_at(at, host_areas, order.size)
    store = _store_matrix(pieces, order, place, total, (at, zone[host_row], host_areas))
    return CandidateArrays(
        order=order,
        store=store,
        entry_candidate=run_on["at"].to_numpy(np.int64),
        entry_row=entry_row,
        entry_area=entry_area,
        host_at=np.column_stack([at, zone[host_row], land[host_row]]).astype(np.int64),
        host_row=host_row,
        host_share=np.column_stack([host_areas / total[at], shares[:, host_row].T]),
        host_area=host_area,
        taken_area=taken_area,
    )


def _check_no_ring(passes_to: Ints, place: Ints) -> None:
    """Refuse overflow that would come back to its candidate."""
    passing = np.flatnonzero(passes_to >= 0)
    if (place[passes_to[passing]] <= place[passing]).any():
        raise ValueError("candidates pass their overflow in a ring")


def _store_matrix(
    pieces: CandidatePieces, order: Ints, place: Ints, host_m2: Floats, hosts: tuple[Ints, Ints, Floats]
) -> Floats:
    """Return the (candidates, 16) matrix of the ledger kernel; a sewer outlet joins the zone of most of the host."""
    stores = pieces.stores
    at, zone, areas = hosts
    by_zone = np.zeros((order.size, int(zone.max(initial=0)) + 1))
    np.add.at(by_zone, (at, zone), areas)
    below = pieces.passes_to[order]
    columns = [
        host_m2,
        stores.base_area_m2[order],
        stores.wetting_mm[order],
        stores.intake_mm_h[order],
        stores.substrate_mm[order],
        stores.substrate_start_fraction[order],
        stores.void_mm[order],
        stores.sill_mm[order],
        stores.outlet_mm_h[order],
        stores.outlet_exponent[order],
        stores.soak_design_mm_h[order],
        np.array([OUTLETS.index(stores.outlet_to[c]) for c in order], np.float64),
        by_zone.argmax(axis=1).astype(np.float64),
        np.where(below >= 0, place[below], -1).astype(np.float64),
        pieces.passed_fraction[order],
        np.zeros(order.size) if pieces.outlet_passed_fraction is None else pieces.outlet_passed_fraction[order],
    ]
    return np.ascontiguousarray(np.column_stack(columns), np.float64)


def _no_candidates(rows: int) -> CandidateArrays:
    """Return empty arrays of the right shapes: the state now."""
    none, nothing = np.zeros(0, np.int64), np.zeros(0)
    return CandidateArrays(
        order=none,
        store=np.zeros((0, 16)),
        entry_candidate=none,
        entry_row=none,
        entry_area=nothing,
        host_at=np.zeros((0, 3), np.int64),
        host_row=none,
        host_share=np.zeros((0, 4)),
        host_area=np.zeros(rows),
        taken_area=np.zeros(rows),
    )

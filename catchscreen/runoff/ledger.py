"""The water ledger of every storm: where each litre of rain goes, step by step, closed at every level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.compiled import parallel_lock
from catchscreen.options import RunoffOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import StormRuns, Storms, Terrain
from catchscreen.runoff import _ledger_kernels, _loss_kernels, balance, peaks
from catchscreen.runoff.candidates import CandidateArrays, CandidatePieces, lay_candidates, sum_at
from catchscreen.runoff.critical import point_at_critical
from catchscreen.runoff.laying import Ground, StormArrays, lay_ground, lay_storms
from catchscreen.runoff.losses import LossClasses, classify_losses

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def run_storms(  # noqa: PLR0913  (six records, and two that only some callers have)
    ledger: pd.DataFrame,
    land: Terrain,
    zones: pd.DataFrame | None,
    storms: Storms,
    options: RunoffOptions,
    run: Run,
    *,
    soils: pd.DataFrame | None = None,
    candidates: CandidatePieces | None = None,
) -> StormRuns:
    """Run every storm over the ledger, now or (with candidates) after.

    Parameters
    ----------
    ledger : the rows of ``Cover.ledger``. zones : sewer zones with sewer_kind and capacity, or None. soils : frame
    indexed by soil_id with texture, hydrologic_group, infiltration_m_s, or None (then losses take the default soil,
    and say so). candidates : what has been built; the zones' capacities stay those of the ledger without it.

    Returns
    -------
    StormRuns
        Balances of parcels, sub-catchments, sewer zones, hollows and the district; runoff of each piece; peaks. Where
        K is the capacity that a zone names, else the brief's. Hollows fill on storm totals and do not slow the routed
        peaks.
    """
    _say_if_uncalibrated(options, run)
    classes = classify_losses(ledger, soils, options, run)
    ground = lay_ground(ledger, zones, classes.number, options, run)
    rain = lay_storms(storms, options)
    laid = lay_candidates(candidates, ground.area_m2, (ground.zone, ground.land), ground.shares)
    run.check_stop()
    sums = _run_kernels(ground, rain, classes, laid)
    run.check_stop()
    units = balance.number_units(ledger, ground.zone_ids, ground.zone)
    pieces = _piece_matrix(ground, laid)
    with parallel_lock:
        unit_sums, overland, left = _ledger_kernels.sum_pieces(
            _depths(rain), sums.classes, sums.groups, (classes.number, ground.group, units.number), pieces, units.count
        )
    terms = balance.add_candidates(unit_sums, units, laid, sums.candidate_terms(), classes.number)
    _add_overflow(overland, left, laid, sums)
    table, hollow_inflow = balance.tabulate(terms, units, land.hollows, rain.ids)
    area = np.where(ground.area_m2 > 0.0, ground.area_m2, 1.0)
    summary, critical = peaks.find_peaks(ground, rain, sums.flows(ground, rain), land, storms, options)
    return StormRuns(
        balance=table,
        zones=ground.zone_ids,
        loss_class=classes.number,
        runoff_mm={storm: left[s] * 1000.0 / area for s, storm in enumerate(rain.ids)},
        overland_m3={storm: overland[s] for s, storm in enumerate(rain.ids)},
        runoff_steps_mm=rain.blocks(sums.runoff, len(classes.table)),
        capture_fraction=rain.blocks(sums.fraction, len(ground.zone_ids)),
        peaks=summary,
        critical=pd.concat([critical, _critical_hollows(hollow_inflow, units, storms)], ignore_index=True),
        candidates=balance.tabulate_candidates(sums.candidates, laid.order, candidates, rain.ids),
    )


@dataclass(frozen=True, slots=True)
class LedgerSums:
    """What the kernels return, as named in ``_ledger_kernels``."""

    runoff: Floats
    classes: Floats
    fraction: Floats
    zone_flow: Floats
    land_flow: Floats
    groups: Floats
    candidates: Floats
    hosts: Floats

    def candidate_terms(self) -> tuple[Floats, Floats, Floats]:
        """Return class sums, candidate totals and host sums."""
        return self.classes, self.candidates, self.hosts

    def flows(self, ground: Ground, rain: StormArrays) -> tuple[dict[str, Floats], dict[str, Floats]]:
        """Return overland flow by sub-catchment and piped flow by zone, (units, steps) [m3 per step] for each storm."""
        return (
            rain.blocks(self.land_flow, len(ground.land_ids)),
            rain.blocks(self.zone_flow, len(ground.zone_ids)),
        )


def _run_kernels(ground: Ground, rain: StormArrays, classes: LossClasses, laid: CandidateArrays) -> LedgerSums:
    """Run losses and ledger for all storms."""
    hours = np.ascontiguousarray(rain.steps[:, 0])
    evaporation = float(rain.steps[0, 1]) if rain.ids else 0.0
    own = ground.area_m2 - laid.host_area - laid.taken_area
    own = np.maximum(own, 0.0)
    groups = len(ground.group_at)
    piped = sum_at(ground.group, ground.shares[0] * own, groups)
    overland = sum_at(ground.group, ground.shares[2] * own, groups)
    entry_at = np.column_stack([laid.entry_candidate, classes.number[laid.entry_row]]).astype(np.int64)
    with parallel_lock:
        runoff, class_sums = _loss_kernels.run_losses(
            rain.rain_mm, rain.starts, hours, rain.state, classes.parameters, evaporation
        )
        rest = _ledger_kernels.run_ledger(
            rain.rain_mm,
            rain.starts,
            rain.steps,
            runoff,
            (ground.group_at, np.ascontiguousarray(np.column_stack([piped, overland]))),
            ground.capacity_m3_h,
            (laid.store, entry_at, laid.entry_area, laid.host_at, laid.host_share),
            (len(classes.table), len(ground.land_ids)),
        )
    return LedgerSums(runoff, class_sums, *rest)


def _piece_matrix(ground: Ground, laid: CandidateArrays) -> Floats:
    """Return (6, rows): area, bare area, area whose runoff stays the row's own, and the three shares."""
    bare = np.maximum(ground.area_m2 - laid.host_area, 0.0)
    own = np.maximum(bare - laid.taken_area, 0.0)
    return np.ascontiguousarray(np.vstack([ground.area_m2, bare, own, ground.shares]))


def _depths(rain: StormArrays) -> Floats:
    """Total depth of each storm [mm]."""
    pairs = zip(rain.starts[:-1], rain.starts[1:], strict=True)
    return np.array([rain.rain_mm[first:last].sum() for first, last in pairs])


def _add_overflow(overland: Floats, left: Floats, laid: CandidateArrays, sums: LedgerSums) -> None:
    """Add the candidates' overflow to what leaves their host rows."""
    if not laid.host_row.size:
        return
    every = np.arange(overland.shape[0])[:, None]
    rows = laid.host_row[None, :]
    escaped = laid.host_share[:, 3] * sums.hosts[:, :, 0] + laid.host_share[:, 1] * sums.hosts[:, :, 2]
    np.add.at(overland, (every, rows), escaped)
    np.add.at(left, (every, rows), sums.hosts[:, :, 0])


def _say_if_uncalibrated(options: RunoffOptions, run: Run) -> None:
    """Say whether connection and capacity have been fitted to anything observed."""
    if options.calibration_source:
        text = (
            f"Connection x {options.connection_scale:g} and sewer capacity x {options.capacity_scale:g}, "
            f"after {options.calibration_source}."
        )
        run.note(DataIssue("note", "runoff_calibrated", "sewer_zones", text))
        return
    text = "Runoff and sewer figures are uncalibrated: nothing observed was used to fit connection or capacity."
    cure = "Scale connection and capacity to recorded spills or a flow survey."
    run.note(DataIssue("unknown", "runoff_uncalibrated", "sewer_zones", text, cure))


def _critical_hollows(inflow: Floats, units: balance.Units, storms: Storms) -> pd.DataFrame:
    """Name the duration that brings each hollow the most water, by return period and climate."""
    rows = [(number, name) for number, name in enumerate(units.ids["hollow"]) if name]
    values = inflow[:, [number for number, _ in rows]].T
    return point_at_critical("hollow", [name for _, name in rows], "inflow_m3", values, storms.storms)

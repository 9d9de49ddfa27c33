"""The water ledger of every storm: where each litre of rain goes, step by step, closed at every level."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.options import RunoffOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import StormRuns, Storms, Terrain
from catchscreen.runoff import _ledger_kernels, _loss_kernels, balance, peaks
from catchscreen.runoff.candidates import CandidateArrays, CandidatePieces, lay_candidates, sum_at
from catchscreen.runoff.critical import point_at_critical
from catchscreen.runoff.greenfield import tabulate_rates
from catchscreen.runoff.laying import Ground, StormArrays, lay_ground, lay_storms
from catchscreen.runoff.losses import LossClasses, classify_losses
from catchscreen.runoff.pieces import ByStorm, PieceTotals
from catchscreen.units import M2_PER_HA

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
    calibration = _say_if_uncalibrated(options, run if candidates is None else None)
    if candidates is None:
        _say_if_baked(storms, options, run)
    classes = classify_losses(ledger, soils, options, run)
    ground = lay_ground(ledger, zones, classes.number, options, run)
    rain = lay_storms(storms, options)
    laid = lay_candidates(candidates, ground.area_m2, (ground.zone, ground.land), ground.shares)
    run.check_stop()
    sums = run_kernels(ground, rain, classes, laid)
    run.check_stop()
    units = balance.number_units(ledger, ground.zone_ids, ground.zone)
    areas = lay_areas(ground, laid)
    unit_sums = sum_units(ground, units, classes.number, areas, (rain, sums))
    terms = balance.add_candidates(unit_sums, units, laid, sums.candidate_terms(), classes.number)
    pieces = PieceTotals(classes.number, ground.alike.mix, areas, sums.classes, sums.mixes, sums.hosts, laid)
    table, hollow_inflow = balance.tabulate(terms, units, land.hollows, rain.ids)
    summary, critical = peaks.find_peaks(ground, rain, sums.flows(ground, rain), land, storms, options)
    return StormRuns(
        balance=table,
        zones=ground.zone_ids,
        loss_class=classes.number,
        runoff_mm=ByStorm(rain.ids, pieces.runoff_mm),
        overland_m3=ByStorm(rain.ids, pieces.overland_m3),
        runoff_steps_mm=rain.blocks(sums.runoff, len(classes.table)),
        capture_fraction=rain.blocks(sums.fraction, len(ground.zone_ids)),
        peaks=summary,
        critical=pd.concat([critical, _critical_hollows(hollow_inflow, units, storms)], ignore_index=True),
        candidates=balance.tabulate_candidates(sums.candidates, laid.order, candidates, rain.ids),
        greenfield=_tabulate_greenfield(ground, options),
        calibration=calibration,
    )


@dataclass(frozen=True, slots=True)
class LedgerSums:
    """What the kernels return, as named in ``_ledger_kernels``."""

    runoff: Floats
    classes: Floats
    fraction: Floats
    zone_flow: Floats
    land_flow: Floats
    mixes: Floats
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


def run_kernels(ground: Ground, rain: StormArrays, classes: LossClasses, laid: CandidateArrays) -> LedgerSums:
    """Run losses and ledger for all storms."""
    areas = lay_areas(ground, laid)
    alike = ground.alike
    mixes = (alike.mix_at, sum_at(alike.mix, areas[:, 3], len(alike.mix_at)))
    ways = [sum_at(alike.group, areas[:, column], len(alike.group_at)) for column in (3, 5)]
    groups = (alike.group_at, np.ascontiguousarray(np.column_stack(ways)))
    entry_at = np.column_stack([laid.entry_candidate, classes.number[laid.entry_row]]).astype(np.int64)
    candidates = (laid.store, entry_at, laid.entry_area, laid.host_at, laid.host_share)
    sums = _empty_sums(ground, rain, classes, laid)
    runoff = rain.views(sums.runoff, len(classes.table))
    fraction = rain.views(sums.fraction, len(ground.zone_ids))
    zone_flow = rain.views(sums.zone_flow, len(ground.zone_ids))
    land_flow = rain.views(sums.land_flow, len(ground.land_ids))

    def run_one(s: int) -> None:
        depths, step = rain.rain_mm[rain.starts[s] : rain.starts[s + 1]], rain.steps[s]
        _loss_kernels.run_losses(depths, step, classes.parameters[rain.state[s]], runoff[s], sums.classes[s])
        out = (fraction[s], zone_flow[s], land_flow[s], sums.candidates[s], sums.hosts[s])
        run_storm(depths, step, runoff[s], (mixes, groups, ground.capacity_m3_h, candidates), out)
        _ledger_kernels.sum_mixes(runoff[s], fraction[s], mixes[0], sums.mixes[s])

    for_each_storm(run_one, len(rain.ids))
    return sums


def run_storm(
    rain: Floats,
    step: Floats,
    runoff: Floats,
    ground: tuple[tuple[Ints, Floats], tuple[Ints, Floats], Floats, tuple[Floats, Ints, Floats, Ints, Floats]],
    out: tuple[Floats, Floats, Floats, Floats, Floats],
) -> None:
    """Run one storm through sewers and candidates; kernel by kernel, which compiles in a third of the time of one.

    Parameters
    ----------
    rain : (steps,) [mm]. step : [h], evaporation [mm/h]. runoff : (classes, steps) [mm]. ground : mixes, groups,
    capacities [m3/h], candidates. out : as ``_ledger_kernels.run_steps`` fills it.
    """
    mixes, groups, capacity, candidates = ground
    offered = np.zeros((capacity.size, rain.size))
    _ledger_kernels.offer(runoff, mixes, offered)
    if candidates[0].size:
        _ledger_kernels.run_steps(rain, step, runoff, capacity, candidates, offered, out)
    else:
        _ledger_kernels.capture_steps(capacity, float(step[0]), offered, out[0], out[1])
    _ledger_kernels.flow_over_land(runoff, out[0], groups, out[2])


def _empty_sums(ground: Ground, rain: StormArrays, classes: LossClasses, laid: CandidateArrays) -> LedgerSums:
    """Make room for what the kernels fill."""
    storms, steps, count = len(rain.ids), rain.rain_mm.size, len(classes.table)
    zones, lands = len(ground.zone_ids), len(ground.land_ids)
    return LedgerSums(
        runoff=np.zeros(steps * count),
        classes=np.zeros((storms, count, 4)),
        fraction=np.zeros(steps * zones),
        zone_flow=np.zeros(steps * zones),
        land_flow=np.zeros(steps * lands),
        mixes=np.zeros((storms, len(ground.alike.mix_at), 2)),
        candidates=np.zeros((storms, len(laid.store), 11)),
        hosts=np.zeros((storms, len(laid.host_row), 3)),
    )


def for_each_storm(work: Callable[[int], None], count: int) -> None:
    """Share storms out to threads; each writes only its own part, so the number of threads changes no digit.

    The kernels hold no interpreter lock. Threads of our own compile a fraction of what a parallel kernel does.
    """
    with ThreadPoolExecutor(min(worker_count(), max(count, 1))) as pool:
        for done in [pool.submit(work, number) for number in range(count)]:
            done.result()


def worker_count() -> int:
    """Return how many threads to use: what the user set for compiled code, else the processors of this process."""
    asked = os.environ.get("NUMBA_NUM_THREADS", "")
    if asked.isdigit() and int(asked) > 0:
        return int(asked)
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def lay_areas(ground: Ground, laid: CandidateArrays) -> Floats:
    """Return (rows, 6) areas: all, bare of hosts, that less what is led away, and the last by its three ways."""
    bare = np.maximum(ground.area_m2 - laid.host_area, 0.0)
    own = np.maximum(bare - laid.taken_area, 0.0)
    return np.ascontiguousarray(np.column_stack([ground.area_m2, bare, own, *(ground.shares * own)]))


def sum_units(
    ground: Ground, units: balance.Units, loss_class: Ints, areas: Floats, of: tuple[StormArrays, LedgerSums]
) -> Floats:
    """Add up all units: (storms, units, 6) terms [m3].

    Parcels and hollows are sums over rows; the coarser levels are sums over groups of rows, which are fewer.
    """
    rain, sums = of
    alike = ground.alike
    depth = _depths(rain)
    out = np.zeros((depth.size, units.count, 6))
    fine = [balance.LEVELS.index(level) for level in ("parcel", "hollow")]
    coarse = [number for number in range(len(balance.LEVELS)) if number not in fine]
    ways = [sum_at(alike.group, column, len(alike.group_at)) for column in areas.T]
    grouped = np.ascontiguousarray(np.column_stack(ways))
    rows_at = (loss_class, alike.mix, np.ascontiguousarray(units.number[fine]))
    first = alike.first_row
    groups_at = (loss_class[first], alike.mix[first], np.ascontiguousarray(units.number[coarse][:, first]))

    def sum_one(s: int) -> None:
        terms = (float(depth[s]), sums.classes[s], sums.mixes[s])
        _ledger_kernels.sum_pieces(*terms, rows_at, areas, out[s])
        _ledger_kernels.sum_pieces(*terms, groups_at, grouped, out[s])

    for_each_storm(sum_one, depth.size)
    return out


def _depths(rain: StormArrays) -> Floats:
    """Total depth of each storm [mm]."""
    pairs = zip(rain.starts[:-1], rain.starts[1:], strict=True)
    return np.array([rain.rain_mm[first:last].sum() for first, last in pairs])


def _say_if_uncalibrated(options: RunoffOptions, run: Run | None) -> str:
    """Say whether connection and capacity have been fitted to anything observed, and note it in the run given."""
    if options.calibration_source:
        text = (
            f"Connection x {options.connection_scale:g} and sewer capacity x {options.capacity_scale:g}, "
            f"after {options.calibration_source}."
        )
        issue = DataIssue("note", "runoff_calibrated", "sewer_zones", text)
    else:
        text = "Runoff and sewer figures are uncalibrated: nothing observed was used to fit connection or capacity."
        cure = "Scale connection and capacity to recorded spills or a flow survey."
        issue = DataIssue("unknown", "runoff_uncalibrated", "sewer_zones", text, cure)
    if run is not None:
        run.note(issue)
    return text


def _say_if_baked(storms: Storms, options: RunoffOptions, run: Run) -> None:
    """Say that the crust of baked ground is an assumption, where a storm meets it."""
    if "antecedent" not in storms.storms or not (storms.storms["antecedent"] == "baked").any():
        return
    text = (
        f"Baked ground sheds {100.0 * options.crust_shed_fraction:g} % of the first {options.crust_mm:g} mm and then "
        "takes water: both figures are assumptions."
    )
    cure = "Set crust_mm and crust_shed_fraction, and compare with the dry state."
    run.note(DataIssue("unknown", "baked_ground_assumed", "soils", text, cure))


def _tabulate_greenfield(ground: Ground, options: RunoffOptions) -> pd.DataFrame:
    """Make the table of greenfield rates of the district and its sub-catchments."""
    area_ha = np.bincount(ground.land, ground.area_m2, len(ground.land_ids)) / M2_PER_HA
    units = [("district", "district", float(ground.area_m2.sum()) / M2_PER_HA)]
    units += [("subcatchment", name, float(ha)) for name, ha in zip(ground.land_ids, area_ha, strict=True) if name]
    return tabulate_rates(pd.DataFrame(units, columns=["level", "unit_id", "area_ha"]), options)


def _critical_hollows(inflow: Floats, units: balance.Units, storms: Storms) -> pd.DataFrame:
    """Name the duration that brings each hollow the most water, by return period and climate."""
    rows = [(number, name) for number, name in enumerate(units.ids["hollow"]) if name]
    values = inflow[:, [number for number, _ in rows]].T
    return point_at_critical("hollow", [name for _, name in rows], "inflow_m3", values, storms.storms)

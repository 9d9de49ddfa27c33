"""The whole story on one screen: from a brief to a screening. It calls the stages in order and computes nothing."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from importlib.metadata import version
from typing import Any

from catchscreen import inputs, measures, ranking, runoff, surfaces, terrain
from catchscreen.brief import Brief
from catchscreen.errors import Fault, InputsAtFault
from catchscreen.outputs.findings import Findings
from catchscreen.outputs.gathering import gather
from catchscreen.outputs.screening import Screening
from catchscreen.progress import DataIssue, Progress, Run
from catchscreen.records import Inputs


def screen(brief: Brief, *, progress: Progress | None = None, cancelled: Callable[[], bool] | None = None) -> Screening:
    """Screen a district.

    Nothing is written: ``Screening.write`` does that.

    Parameters
    ----------
    brief : Brief
    progress : callable, optional
        Called with a stage's name and the fraction of the run that is done.
    cancelled : callable, optional
        Asked often; when it returns True the run ends.

    Raises
    ------
    InputsAtFault
        With every fault of the inputs.
    TypeError
        When something else than a brief is given.
    MeasureFailed
        When a measure raises and the brief says to stop then.
    ScreeningStopped
        When ``cancelled`` said yes.
    """
    _require_brief(brief)
    run = Run(progress, cancelled)
    plans = _plans(brief, run)
    with run.stage("reading inputs"):
        terrain.read_kernels_meanwhile()
        data = _load(brief, plans, run)
    with run.stage("terrain"):
        land = terrain.delineate(data, brief.terrain, run)
    with run.stage("surfaces"):
        cover = surfaces.account(data, land, brief.surfaces, run)
        data = surfaces.with_buildings(data, cover)
    with run.stage("storms now"):
        storms = runoff.prepare_rain(data.rain_table, data.rain_series, brief.rain, run)
        ground = (cover.ledger, land, data.sewer_zones)
        drained = runoff.fit_to_survey(*ground, data.rain_series, brief.runoff, run, soils=data.soils)
        now = runoff.run_storms(*ground, storms, drained, run, soils=data.soils)
    with run.stage("measures"):
        proposals = measures.propose(data, land, cover, plans, brief.measures, run)
        trials = measures.store_trials(proposals, brief.measures)
    with run.stage("stores"):
        run_on = runoff.gather_run_on(trials, proposals.options["candidate_id"], proposals.run_on, cover.ledger, now)
        tried = runoff.run_store_events(trials, run_on, storms, run, storm_ids=storms.sizing_ids, only_first=True)
        sized = measures.choose_size(proposals, trials, tried, storms, brief.measures)
        proposals = measures.settle(proposals, sized)
        run_on = runoff.gather_run_on(
            sized.stores, proposals.options["candidate_id"], proposals.run_on, cover.ledger, now
        )
        events = runoff.run_store_events(sized.stores, run_on, storms, run)
        passed_on = brief.runoff.pass_forward_rate_l_s_ha
        weather = (data.rain_series, data.evaporation)
        years = runoff.run_stores(sized.stores, *weather, run, grid=land.grid, pass_forward_l_s_ha=passed_on)
        taken_off = measures.take_off(proposals, sized, brief.measures)
    with run.stage("ranking"):
        ranked = ranking.rank(proposals, sized, taken_off, events, years, now, cover, data, brief.ranking, run)
        found = Findings(data, land, cover, storms, now, proposals, sized, events, years, taken_off, ranked)
        return gather(found, brief, _provenance(brief, plans), run)


def _plans(brief: Brief, run: Run) -> tuple[measures.Measure, ...]:
    """Open the measures that the brief asks for; a name that nothing answers to is a fault of the brief."""
    try:
        return measures.open_measures(brief.measures, run)
    except InputsAtFault as error:
        raise InputsAtFault(brief.placed(error.faults)) from error


def _load(brief: Brief, plans: tuple[measures.Measure, ...], run: Run) -> Inputs:
    """Read the inputs; what is wrong with the brief's own numbers is said with what is wrong with the files."""
    faults = _own_faults(brief, plans)
    try:
        data = inputs.load(brief, measures.requirements(plans), run)
    except InputsAtFault as error:
        raise InputsAtFault([*error.faults, *faults]) from error
    if faults:
        raise InputsAtFault(faults)
    return data


def _own_faults(brief: Brief, plans: tuple[measures.Measure, ...]) -> list[Fault]:
    """Find overrides, prices, layers and weights in the brief and its tables that name nothing or lack a number."""
    own = measures.find_faults(plans, brief.measures, inputs.read_catalogues(brief))
    weighed = ranking.find_faults({plan.name: plan.grades for plan in plans}, brief.ranking)
    return brief.placed((*own, *weighed))


def _require_brief(given: object) -> None:
    """Refuse a path where a brief belongs, in words."""
    if not isinstance(given, Brief):
        makers = "Brief.from_toml(path) or Brief(parcels=..., elevation=...)"
        raise TypeError(f"screen() takes a Brief, not a {type(given).__name__}: {makers}")


def check(brief: Brief, run: Run | None = None) -> list[DataIssue]:
    """Look at every input without running: return repairs, unknowns and notes.

    Raises
    ------
    InputsAtFault
        With every fault of the inputs.
    """
    run = run or Run()
    plans = _plans(brief, run)
    faults = (*inputs.check(brief, measures.requirements(plans), run), *_own_faults(brief, plans))
    if faults:
        raise InputsAtFault(faults)
    return run.issues


def run_id(brief: Brief) -> str:
    """Return the hash of what decides a result: inputs by content, brief, code version."""
    return _run_id(brief, inputs.digest_files(brief))


def _run_id(brief: Brief, files: dict[str, str]) -> str:
    """Hash what decides a result, its input files already hashed: large rasters are read for that once."""
    said = [brief.digest, version("catchscreen"), *(f"{name}={digest}" for name, digest in files.items())]
    return hashlib.sha256("\n".join(said).encode()).hexdigest()


def _provenance(brief: Brief, plans: tuple[measures.Measure, ...]) -> dict[str, Any]:
    """Return what stands in the manifest and in the GeoPackage about how the result was made."""
    files = inputs.digest_files(brief)
    return {
        "run_id": _run_id(brief, files),
        "name": brief.name,
        "description": brief.description,
        "prepared_by": brief.prepared_by,
        "interest": brief.interest,
        "catchscreen": version("catchscreen"),
        "measures": [plan.name for plan in plans],
        "brief_digest": brief.digest,
        "inputs": files,
    }

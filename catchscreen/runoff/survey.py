"""A flow survey run through the water ledger: its events as storms, and connection and capacity fitted to them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from catchscreen.errors import Fault, InputsAtFault
from catchscreen.options import RunoffOptions, SurveyedEvent
from catchscreen.options.runoff import in_utc
from catchscreen.progress import DataIssue, Run
from catchscreen.records import StormRuns, Storms, Terrain
from catchscreen.runoff.calibration import Calibration, calibrate
from catchscreen.runoff.ledger import run_storms
from catchscreen.runoff.rain import COLUMNS
from catchscreen.runoff.statistics import step_minutes

LONGEST_STEP_MIN: Final = 5.0
COARSE_MIN: Final = 15.0
PLAUSIBLE_SCALE: Final = (0.05, 20.0)
FEW_EVENTS: Final = 3


def fit_to_survey(  # noqa: PLR0913  (what run_storms takes, with a rain series in place of storms)
    ledger: pd.DataFrame,
    land: Terrain,
    zones: pd.DataFrame | None,
    rain_series: pd.Series | None,
    options: RunoffOptions,
    run: Run,
    *,
    soils: pd.DataFrame | None = None,
    antecedent: str = "normal",
) -> RunoffOptions:
    """Fit connection and capacity to the surveyed events of the options; without any, return the options as they are.

    Parameters
    ----------
    ledger, land, zones, soils : as for ``run_storms``. rain_series : depth [mm] per step; index UTC starts.

    Returns
    -------
    RunoffOptions
        With both factors and the survey named. An event whose rain is not in the series is passed over and named.

    Raises
    ------
    InputsAtFault
        When a zone is unknown, or the fit is so far off that a unit must be wrong.
    """
    if not options.survey:
        return options
    _check_zones(options.survey, zones)
    used, storms = observe_storms(rain_series, options.survey, antecedent, run)
    if not used:
        text = "No surveyed event has rain in the series: connection and capacity stay as they are."
        run.note(DataIssue("unknown", "survey_without_rain", "rain_series", text, "Give rain of the survey's time."))
        return options
    quiet = Run(cancelled=run.cancelled)
    runs = run_storms(ledger, land, zones, storms, options, quiet, soils=soils)
    found = calibrate(match_events(runs, used))
    _check_fit(found)
    fitted = found.apply(options, _name_survey(options, used))
    again = run_storms(ledger, land, zones, storms, fitted, quiet, soils=soils)
    _say_fit(found, match_events(again, used), run)
    return fitted


def _check_zones(survey: Sequence[SurveyedEvent], zones: pd.DataFrame | None) -> None:
    """Refuse events of zones that do not exist."""
    known = [] if zones is None else [str(zone) for zone in zones.index]
    wrong = sorted({event.zone_id for event in survey if event.zone_id and event.zone_id not in known})
    if wrong:
        text = f"The survey names the zone {', '.join(wrong)}, which is not among the sewer zones."
        cure = f"Zones are: {', '.join(known) or 'none'}. Leave zone_id out for all together."
        raise InputsAtFault([Fault("survey_zone_unknown", text, cure, key="runoff.survey")])


def observe_storms(
    series: pd.Series | None, survey: Sequence[SurveyedEvent], antecedent: str, run: Run
) -> tuple[list[SurveyedEvent], Storms]:
    """Cut the events' rain out of a series, each step divided evenly into steps of at most five minutes.

    Returns
    -------
    The events that have rain, and their storms ``observed-001``, ... in that order.
    """
    used: list[SurveyedEvent] = []
    rows: dict[str, dict[str, object]] = {}
    depths, steps = {}, {}
    for number, event in enumerate(survey, start=1):
        rain = _rain_of(series, event)
        if series is None or not rain.size or np.isnan(rain).any() or not rain.sum() > 0.0:
            text = (
                f"Surveyed event {number} ({event.start:%Y-%m-%d %H:%M}) has no full rain in the series: passed over."
            )
            run.note(DataIssue("note", "survey_event_without_rain", "rain_series", text))
            continue
        step = step_minutes(series)
        parts = math.ceil(step / LONGEST_STEP_MIN - 1e-9)
        used.append(event)
        name = f"observed-{len(used):03d}"
        depths[name], steps[name] = np.repeat(rain / parts, parts), step / parts
        rows[name] = {
            "label": f"observed from {event.start:%Y-%m-%d %H:%M}",
            "return_period_years": np.nan,
            "duration_min": rain.size * step,
            "uplift": 1.0,
            "depth_mm": float(rain.sum()),
            "profile": "observed",
            "season": "",
            "climate": "now",
            "antecedent": antecedent,
            "is_sizing": False,
        }
    if used and series is not None and step_minutes(series) > COARSE_MIN:
        text = f"The survey's rain has steps of {step_minutes(series):g} min: shorter bursts are smoothed away."
        cure = "Give rain of 5 to 15 min for the time of the survey."
        run.note(DataIssue("note", "survey_coarse_rain", "rain_series", text, cure))
    frame = pd.DataFrame.from_dict(rows, orient="index", columns=list(COLUMNS)).rename_axis("storm_id")
    return used, Storms(frame, depths, steps)


def _rain_of(series: pd.Series | None, event: SurveyedEvent) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return the steps that begin within an event; none where the series does not cover it."""
    if series is None or len(series) < 2:
        return np.zeros(0)
    index = pd.DatetimeIndex(series.index)
    start, end = pd.Timestamp(in_utc(event.start)), pd.Timestamp(in_utc(event.end))
    if start < index[0] or end > index[-1] + (index[1] - index[0]):
        return np.zeros(0)
    return series.to_numpy(np.float64)[(index >= start) & (index < end)]


def match_events(runs: StormRuns, events: Sequence[SurveyedEvent]) -> pd.DataFrame:
    """Set surveyed beside computed volumes, as ``calibrate`` reads them; runs are those of ``observe_storms``."""
    balance = runs.balance.set_index(["level", "unit_id", "storm_id"])["sewer_m3"]
    rows = []
    for number, event in enumerate(events, start=1):
        storm = f"observed-{number:03d}"
        unit = ("sewer_zone", event.zone_id) if event.zone_id else ("district", "district")
        taken = runs.capture_fraction[storm]
        least = taken[runs.zones.index(event.zone_id)].min() if event.zone_id else taken.min()
        rows.append((event.volume_m3, float(balance.loc[(*unit, storm)]), float(least)))
    return pd.DataFrame(rows, columns=["surveyed_m3", "sewer_m3", "least_capture_fraction"])


def _check_fit(found: Calibration) -> None:
    """Refuse factors that no survey can mean."""
    low, high = PLAUSIBLE_SCALE
    for name, scale in (("connection", found.connection_scale), ("capacity", found.capacity_scale)):
        if not low <= scale <= high:
            text = f"The survey asks for {name} x {scale:.3g}."
            cure = "Check its volumes (m3, without dry-weather flow), its times (UTC) and its zones."
            raise InputsAtFault([Fault("survey_implausible", text, cure, key="runoff.survey")])


def _name_survey(options: RunoffOptions, events: Sequence[SurveyedEvent]) -> str:
    """Name what stands behind the factors."""
    return f"{options.calibration_source or 'a flow survey'} ({len(events)} events)"


def _say_fit(found: Calibration, after: pd.DataFrame, run: Run) -> None:
    """Say what was fitted to what, and how well the events are met afterwards."""
    error = after["sewer_m3"] / after["surveyed_m3"] - 1.0
    text = (
        f"Fitted to {len(after)} surveyed events, {found.events_below_capacity} below the sewer's capacity and "
        f"{found.events_at_capacity} at it: volumes are met within {100.0 * math.sqrt(float((error**2).mean())):.0f} % "
        f"(root mean square), the worst within {100.0 * float(error.abs().max()):.0f} %."
    )
    cure = ""
    if len(after) < FEW_EVENTS or not found.events_below_capacity or not found.events_at_capacity:
        cure = "More events, small and large ones, would make both factors surer."
    run.note(DataIssue("note", "survey_fitted", "sewer_zones", text, cure))

"""Continuous run: every chosen store through years of rain, with the annual split of what reaches it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.grid import Grid
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Stores, StoreYears
from catchscreen.runoff import _store_kernels as k
from catchscreen.runoff.evaporation import latitude_of, potential_of_steps
from catchscreen.runoff.step_plan import LONG, SHORT, StepPlan, plan_steps, whole_years
from catchscreen.runoff.store_ranges import BOUNDS, at_bound, last_years, open_to_soil
from catchscreen.runoff.stores import Drains, Lanes, Timeline, find_lanes, open_drains, take_stores
from catchscreen.units import L_S_HA_PER_MM_H, MM_PER_M, SECONDS_PER_HOUR

Floats = NDArray[np.float64]

RUN_ON_WETTING_MM: Final = 1.0
"""Depression store of the hard surfaces that run on (between 0.5 and 2 mm, common practice)."""
TRACE_MM: Final = 0.1
"""Outflow, over the ground that drains to the store, which still counts as none."""
LONGEST_STEP_H: Final = 1.0
USUAL_YEARS: Final = 10
MOST_GAPS: Final = 0.05
"""A series with a larger share of unknown steps is not used."""
STEPS_PER_RESPONSE: Final = 3.0
"""Peaks are given only where the step of the rain is at most the response time over this."""

YEAR_COLUMNS: Final = (
    "inflow_m3_yr",
    "to_ground_m3_yr",
    "to_air_m3_yr",
    "outlet_m3_yr",
    "overflow_m3_yr",
    "store_change_m3_yr",
    "retained_fraction",
    "slowed_fraction",
    "first_5mm_summer_fraction",
    "first_5mm_winter_fraction",
    "dry_stress_days_yr",
    "residual_m3_yr",
    "free_store_fraction",
    "hours_above_pass_forward_yr",
    "events_yr",
    "events_with_outflow_yr",
    *(f"peak_{rank}_l_s" for rank in range(1, k.TOP_COUNT + 1)),
)


@dataclass(frozen=True, slots=True)
class Series:
    """A rain series ready to be run: its steps, and what the hard surfaces shed in each of them [mm]."""

    steps: StepPlan
    run_on_mm: Floats


def run_stores(
    stores: Stores,
    rain_series: pd.Series | None,
    evaporation: pd.Series | pd.DataFrame | None,
    run: Run,
    *,
    grid: Grid | None = None,
    pass_forward_l_s_ha: float | None = None,
) -> StoreYears:
    """Run stores through years of rain; the first year warms them up and is left out.

    Hard surfaces that run on have one depression store, which the potential evaporation empties. The ground takes at
    the mean rate q, the outfall is free.

    Parameters
    ----------
    stores : Stores
        n stores.
    rain_series : Series [mm] or None
        As ``Inputs.rain_series``: even steps of at most an hour, more than two years, better eleven or more.
    evaporation : Series [mm/day], DataFrame [C] or None
        As ``Inputs.evaporation``; None: a monthly sine, noted as an assumption.
    run : Run
        Takes the notes.
    grid : Grid, optional
        Says the latitude, which the half-years and evaporation follow; the northern hemisphere where it is not given.
    pass_forward_l_s_ha : float, optional [l/s per ha of drained area]
        Count the hours with more outflow than this.

    Returns
    -------
    StoreYears
        Columns of ``YEAR_COLUMNS``, ``peak_reason`` (why peaks are empty), ``years``, and the retained share at the
        ends of the soil's rate (retained_low_fraction, retained_high_fraction); an empty frame and the reason
        where the series cannot be used. All volumes are means of whole years; peaks are the largest of single events,
        by rank.
    """
    reason = _why_not(rain_series)
    if rain_series is None or reason:
        return StoreYears(_frame(stores, None, []), reason)
    latitude = None if grid is None else latitude_of(grid)
    series = prepare_series(rain_series, evaporation, run, latitude)
    lanes = fill_lanes(stores, series, pass_forward_l_s_ha)
    run.check_stop()
    run_lanes(lanes, stores, series)
    columns = read_lanes(lanes, stores, series)
    reasons = _peak_reasons(stores, series.steps.long_h)
    empty = np.array([bool(text) for text in reasons], dtype=bool)
    for name in YEAR_COLUMNS:
        if name.startswith(("peak_", "hours_above")):
            columns[name] = np.where(empty, np.nan, columns[name])
    if pass_forward_l_s_ha is None:
        columns["hours_above_pass_forward_yr"] = np.full(len(stores.store_id), np.nan)
    frame = _frame(stores, columns, reasons)
    frame["years"] = series.steps.years
    tail = (last_years(rain_series), evaporation, latitude)
    for name, values in _retained_ends(stores, tail, columns["retained_fraction"]).items():
        frame[name] = values
    return StoreYears(frame)


def _retained_ends(
    stores: Stores,
    tail: tuple[pd.Series, pd.Series | pd.DataFrame | None, float | None],
    retained: Floats,
) -> dict[str, Floats]:
    """Return the retained share of the years at the low and the high end of the soil's rate.

    The ends and the store's own rate go through the last years of the series; the ends' shift against it counts.
    ``tail`` is the rain of these years, evaporation and latitude.
    """
    rows = open_to_soil(stores)
    if rows.size == 0:
        return {f"retained_{bound}_fraction": retained.copy() for bound in BOUNDS}
    rain_series, evaporation, latitude = tail
    series = prepare_series(rain_series, evaporation, Run(), latitude)
    own = _run_retained(take_stores(stores, rows), series)
    ends = {}
    for bound in BOUNDS:
        shift = _run_retained(at_bound(stores, rows, bound), series) - own
        values = retained.copy()
        sign = np.fmin(shift, 0.0) if bound == "low" else np.fmax(shift, 0.0)
        values[rows] = np.clip(values[rows] + sign, 0.0, 1.0)
        ends[f"retained_{bound}_fraction"] = values
    return ends


def _run_retained(stores: Stores, series: Series) -> Floats:
    """Run stores through a series and return the share that they retain."""
    lanes = fill_lanes(stores, series)
    run_lanes(lanes, stores, series)
    return read_lanes(lanes, stores, series)["retained_fraction"]


def _why_not(rain_series: pd.Series | None) -> str:
    """Say why a series cannot be used, or nothing."""
    if rain_series is None or rain_series.size < 2:
        return "no rain series is given: annual figures need more than two years of rain by steps of at most an hour"
    step_h = _step_h(rain_series)
    if step_h > LONGEST_STEP_H:
        return f"the rain series has steps of {step_h:g} h: annual figures need steps of at most an hour"
    gaps = float(rain_series.isna().mean())
    if gaps > MOST_GAPS:
        return f"{gaps:.0%} of the rain series is unknown: annual figures need 95 % of it"
    if whole_years(pd.DatetimeIndex(rain_series.index), step_h)[0] == 0:
        return "the rain series is shorter than two years: the first warms the stores up, and no whole year is left"
    return ""


def _step_h(rain_series: pd.Series) -> float:
    """Length of the steps [h]."""
    index = pd.DatetimeIndex(rain_series.index)
    return float((index[1] - index[0]).total_seconds()) / SECONDS_PER_HOUR


def prepare_series(
    rain_series: pd.Series,
    evaporation: pd.Series | pd.DataFrame | None,
    run: Run,
    latitude_deg: float | None = None,
) -> Series:
    """Fill the gaps, spread the evaporation, cut the steps and shed the run-on; say what was wanting."""
    times, step_h = pd.DatetimeIndex(rain_series.index), _step_h(rain_series)
    gaps = float(rain_series.isna().mean())
    if gaps > 0.0:
        run.note(
            DataIssue(
                severity="repair",
                code="rain_gaps_dry",
                role="rain_series",
                message=f"{gaps:.2%} of the rain series is unknown and counted as dry: annual figures are low by that",
                cure="Give a series without gaps, or fill them from a neighbouring gauge.",
            )
        )
    rain = np.nan_to_num(rain_series.to_numpy(dtype=np.float64), nan=0.0)
    potential = potential_of_steps(evaporation, times, step_h, run, latitude_deg)
    is_northern = latitude_deg is None or latitude_deg >= 0.0
    steps = plan_steps(times, rain, potential, step_h, is_northern=is_northern)
    if steps.years < USUAL_YEARS:
        run.note(
            DataIssue(
                severity="note",
                code="rain_series_short",
                role="rain_series",
                message=f"annual figures are means of {steps.years} years; {USUAL_YEARS} or more are usual",
                cure="Give a longer rain series.",
            )
        )
    return Series(steps, k.shed(steps.rain_mm, steps.potential_mm, RUN_ON_WETTING_MM))


def fill_lanes(stores: Stores, series: Series, pass_forward_l_s_ha: float | None = None) -> Lanes:
    """Pack the stores for the series, empty but for a substrate that starts as given."""
    lanes = Lanes(find_lanes(stores, stores.soak_mean_mm_h, _ratio(stores)), 2)
    lanes.set_fixed(stores)
    drains = open_drains(stores, stores.soak_mean_mm_h)
    for number, step_h in ((LONG, series.steps.long_h), (SHORT, series.steps.short_h)):
        lanes.set_step(number, step_h, stores.intake_mm_h, drains)
    drained_share = 1.0 + stores.run_on_area_m2 / stores.host_area_m2
    lanes.set(k.TOLERANCE, TRACE_MM * drained_share)
    if pass_forward_l_s_ha is not None:
        lanes.set(k.LIMIT, pass_forward_l_s_ha / L_S_HA_PER_MM_H * drained_share)
    kept = stores.intake_kept_per_year
    lanes.set(k.INTAKE_KEPT, 1.0 if kept is None else kept)
    lanes.clear()
    return lanes


def run_lanes(lanes: Lanes, stores: Stores, series: Series, rain_scale: float = 1.0) -> None:
    """Run packed stores through the series, its rain times a factor."""
    steps = series.steps
    run_on = series.run_on_mm
    if rain_scale != 1.0:
        run_on = k.shed(steps.rain_mm * rain_scale, steps.potential_mm, RUN_ON_WETTING_MM)
    lanes.run(_ratio(stores), Timeline(steps.drivers(rain_scale), run_on[:, None], steps.plan()))


def _ratio(stores: Stores) -> Floats:
    """Square metres that run on per square metre of host: (stores, 1)."""
    return np.asarray((stores.run_on_area_m2 / stores.host_area_m2)[:, None])


def read_lanes(lanes: Lanes, stores: Stores, series: Series, rain_scale: float = 1.0) -> dict[str, Floats]:
    """Read what the years left, every term on its own."""
    steps = series.steps
    ratio = stores.run_on_area_m2 / stores.host_area_m2
    per_year = stores.host_area_m2 / MM_PER_M / steps.years
    run_on = series.run_on_mm
    if rain_scale != 1.0:
        run_on = k.shed(steps.rain_mm * rain_scale, steps.potential_mm, RUN_ON_WETTING_MM)
    inflow = (steps.rain_mm[steps.start :] * rain_scale).sum() + ratio * run_on[steps.start :].sum()
    ground, air, outlet = lanes.get(k.GROUND), lanes.get(k.AIR), lanes.get(k.OUTLET)
    over = lanes.get(k.OVERFLOW) + lanes.get(k.EXCESS)
    change = lanes.get(k.WET) + lanes.get(k.HELD) + lanes.get(k.STORED) - lanes.get(k.START_STORE)
    safe = np.where(inflow > 0.0, inflow, np.nan)
    room = np.where(stores.substrate_mm + stores.void_mm > 0.0, stores.substrate_mm + stores.void_mm, np.nan)
    columns = {
        "inflow_m3_yr": inflow * per_year,
        "to_ground_m3_yr": ground * per_year,
        "to_air_m3_yr": air * per_year,
        "outlet_m3_yr": outlet * per_year,
        "overflow_m3_yr": over * per_year,
        "store_change_m3_yr": change * per_year,
        "retained_fraction": (ground + air + change) / safe,
        "slowed_fraction": outlet / safe,
        "first_5mm_summer_fraction": _share(lanes.get(k.PASSES_SUMMER), steps.summer_events),
        "first_5mm_winter_fraction": _share(lanes.get(k.PASSES_WINTER), steps.winter_events),
        "dry_stress_days_yr": np.where(stores.substrate_mm > 0.0, lanes.get(k.DRY_DAYS) / steps.years, np.nan),
        "residual_m3_yr": (inflow - (ground + air + outlet + over + change)) * per_year,
        "free_store_fraction": np.minimum(_share(lanes.get(k.FREE_SUM), steps.events) / room, 1.0),
        "hours_above_pass_forward_yr": lanes.get(k.HOURS_ABOVE) / steps.years,
        "events_yr": np.full(ratio.size, steps.events / steps.years),
        "events_with_outflow_yr": lanes.get(k.OUTFLOW_EVENTS) / steps.years,
    }
    litres = stores.host_area_m2 / SECONDS_PER_HOUR
    for rank in range(k.TOP_COUNT):
        columns[f"peak_{rank + 1}_l_s"] = lanes.get(k.TOP + rank) * litres
    return columns


def _share(values: Floats, count: int) -> Floats:
    """Values over a count; NaN where nothing was counted."""
    return values / count if count else np.full(values.size, np.nan)


def response_hours(drains: Drains, stores: Stores) -> Floats:
    """Return how long a full store takes to answer through its outlet: head over outflow; 0 without an outlet."""
    head = np.maximum(stores.void_mm - stores.sill_mm, 0.0)
    root, decay = drains.root_coefficient, drains.decay_per_h
    orifice = np.divide(np.sqrt(head), root, out=np.zeros_like(head), where=root > 0.0)
    linear = np.divide(1.0, decay, out=np.zeros_like(head), where=decay > 0.0)
    return orifice + linear


def _peak_reasons(stores: Stores, step_h: float) -> list[str]:
    """Say for each store why peaks of outflow cannot be had from steps of this length; empty where they can."""
    hours = response_hours(open_drains(stores, stores.soak_mean_mm_h), stores)
    reasons = []
    for response in hours:
        if response <= 0.0:
            reasons.append("no outlet: what overflows follows the rain within minutes, which the series does not show")
        elif step_h > response / STEPS_PER_RESPONSE:
            reasons.append(f"a rain step of {step_h:g} h is over a third of the response time of {response:.2g} h")
        else:
            reasons.append("")
    return reasons


def _frame(stores: Stores, columns: dict[str, Floats] | None, reasons: list[str]) -> pd.DataFrame:
    """Lay the columns out; without them an empty frame that has them all."""
    if columns is None:
        empty = {name: np.zeros(0) for name in YEAR_COLUMNS}
        frame = pd.DataFrame({**empty, "peak_reason": np.zeros(0, dtype=object), "years": np.zeros(0, dtype=np.int64)})
        for bound in BOUNDS:
            frame[f"retained_{bound}_fraction"] = np.zeros(0)
        frame.index = pd.Index([], name="store_id", dtype=object)
        return frame
    index = pd.Index(stores.store_id, name="store_id", dtype=object)
    return pd.DataFrame({**{name: columns[name] for name in YEAR_COLUMNS}, "peak_reason": reasons}, index=index)

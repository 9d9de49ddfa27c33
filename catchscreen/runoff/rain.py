"""Design storms from a depth-duration table, a rain series, or plain depths; never from a table of elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.errors import Fault, InputsAtFault
from catchscreen.options import RainOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Storms
from catchscreen.runoff import depths, statistics
from catchscreen.runoff import storms as profiles
from catchscreen.runoff.depths import DepthEstimate

Floats = NDArray[np.float64]

COLUMNS = (
    "label",
    "return_period_years",
    "duration_min",
    "uplift",
    "depth_mm",
    "profile",
    "season",
    "climate",
    "antecedent",
    "is_sizing",
)

NAMED = 4


@dataclass(frozen=True, slots=True)
class _Storm:
    """One storm's row and its depths per step."""

    storm_id: str
    row: dict[str, object]
    depths_mm: Floats
    step_min: float


def prepare_rain(
    rain_table: pd.DataFrame | None, rain_series: pd.Series | None, options: RainOptions, run: Run
) -> Storms:
    """Make the storms that every later stage uses.

    Parameters
    ----------
    rain_table : depth [mm], index duration_min, columns return period in years, or None.
    rain_series : depth [mm] per step, or None; used for a table when neither a table nor a formula is given, else shown
    beside it.

    Returns
    -------
    Storms
        With a table or a formula: each return period and duration, now and with both climate uplifts, the sizing storms
        marked. Without: plain depths in one duration, named as depths, without a return period.

    Raises
    ------
    InputsAtFault
        When depths do not rise with duration and return period.
    """
    estimate = _estimate(rain_series, options, run) if rain_series is not None else None
    table, shown = _choose_table(rain_table, estimate, options, run)
    made = list(_plain_storms(options, run) if table is None else _table_storms(table, options, run))
    if not made:
        note = "No storm of the brief lies within the rain table: plain depths are used."
        run.note(DataIssue("unknown", "no_storm_in_table", "rain_table", note, "Widen the table or change the brief."))
        made = list(_plain_storms(options, run))
    made.sort(key=lambda storm: storm.storm_id)
    frame = pd.DataFrame(
        [storm.row for storm in made],
        index=pd.Index([s.storm_id for s in made], name="storm_id"),
        columns=list(COLUMNS),
    )
    maxima = pd.DataFrame()
    if estimate is not None and rain_series is not None:
        maxima = depths.list_maxima(estimate.maxima, statistics.step_minutes(rain_series), options)
    steps = {s.storm_id: s.step_min for s in made}
    return Storms(frame, {s.storm_id: s.depths_mm for s in made}, steps, shown, maxima)


def _choose_table(
    given: pd.DataFrame | None, estimate: DepthEstimate | None, options: RainOptions, run: Run
) -> tuple[pd.DataFrame | None, pd.DataFrame]:
    """Return the table that storms are made of (the given one, the formula's, the record's, none) and what is shown.

    What the record says is shown beside a table or a formula, as a check on it.
    """
    table, source = given, "given depth-duration table"
    if table is None and options.intensity_formula is not None:
        periods = sorted({*options.return_periods_years, options.sizing_return_period_years})
        table = profiles.formula_depths_mm(sorted(set(options.durations_min)), periods, options.intensity_formula)
        source = "given intensity formula"
    shown = [] if estimate is None else [estimate.rows]
    if table is None:
        made = None if estimate is None else _table_of_record(estimate, run)
        if made is None:
            shown = [rows.assign(is_used=False) for rows in shown]
        return made, pd.concat(shown) if shown else pd.DataFrame(columns=list(depths.COLUMNS))
    check_table(table)
    shown = [depths.given_rows(table, source), *(rows.assign(is_used=False) for rows in shown if len(rows))]
    odd = [] if estimate is None else depths.outside_limits(shown[0], estimate.rows)
    if odd:
        text = f"Depths of the {source} lie outside the limits fitted to the rain record: {', '.join(odd[:NAMED])}."
        cure = "Check that table and record are of this place; table rain_depths has both."
        run.note(DataIssue("note", "table_against_record", "rain_table", text, cure))
    return table, pd.concat(shown, ignore_index=True)


def check_table(table: pd.DataFrame) -> None:
    """Refuse a table whose depths do not rise with duration and return period.

    Raises
    ------
    InputsAtFault
        With one fault for each way in which the table cannot be used.
    """
    faults = []
    values = table.to_numpy(np.float64)
    durations = table.index.to_numpy(np.float64)
    periods = table.columns.to_numpy(np.float64)
    unusable = ~(np.isfinite(values) & (values > 0.0))
    if not values.size:
        faults.append("The rain table is empty.")
    elif unusable.any():
        faults.append(f"The rain table has missing, zero or negative depths: {_name_cell(table, unusable)}.")
    elif (down := np.diff(values, axis=0) <= 0.0).any():
        where = _name_cell(table, np.vstack([np.zeros_like(values[:1], bool), down]))
        faults.append(f"A depth of the rain table does not rise with duration: {where}.")
    elif (across := np.diff(values, axis=1) <= 0.0).any():
        where = _name_cell(table, np.hstack([np.zeros_like(values[:, :1], bool), across]))
        faults.append(f"A depth of the rain table does not rise with the return period: {where}.")
    if (np.diff(durations) <= 0.0).any() or (durations <= 0.0).any():
        faults.append("Durations of the rain table must be above zero and ascend.")
    if (np.diff(periods) <= 0.0).any() or (periods <= 0.0).any():
        faults.append("Return periods of the rain table must be above zero and ascend.")
    if faults:
        cure = "Check the table against its source, units included."
        raise InputsAtFault([Fault("rain_table_unusable", text, cure, layer="rain_table") for text in faults])


def _name_cell(table: pd.DataFrame, wrong: NDArray[np.bool_]) -> str:
    """Name the first wrong cell by its duration and return period, with what stands there."""
    row, column = (int(place[0]) for place in np.nonzero(wrong))
    depth = table.to_numpy(np.float64)[row, column]
    duration, period = float(table.index[row]), float(table.columns[column])
    return f"{depth:g} mm at {duration:g} min, 1-in-{period:g} years"


def _estimate(series: pd.Series, options: RainOptions, run: Run) -> DepthEstimate:
    """Read depths from a record, and say what it lacks."""
    held = statistics.summarise_record(series)
    if held.missing or held.doubtful:
        text = (
            f"The rain record lacks {held.missing} of {held.steps} steps in {held.gaps} gaps, the longest "
            f"{held.longest_gap_h:g} h, and has {held.doubtful} doubtful values."
        )
        run.note(
            DataIssue("note", "rain_record_gaps", "rain_series", text, "Fill or check the record where it matters.")
        )
    return depths.estimate_depths(series, options)


def _table_of_record(estimate: DepthEstimate, run: Run) -> pd.DataFrame | None:
    """Return the record's own depth table, or say why it cannot be used."""
    for warning in estimate.warnings:
        run.note(DataIssue("note", "depths_from_series", "rain_series", warning, "Give the depth table of your area."))
    if estimate.table is None:
        return None
    try:
        check_table(estimate.table)
    except InputsAtFault:
        text = "Depths fitted to the rain series cross between durations or return periods: they are not used."
        run.note(DataIssue("unknown", "fitted_depths_cross", "rain_series", text, "Give the depth table of your area."))
        return None
    return estimate.table


def _plain_storms(options: RainOptions, run: Run) -> Iterator[_Storm]:
    """Yield the plain depths, evenly spread; the sizing depth is marked, and added where it is not among them."""
    text = "No rain table: plain depths are used, they carry no return period."
    run.note(DataIssue("unknown", "no_rain_table", "rain_table", text, "Give the depth-duration table of your area."))
    duration = options.plain_duration_min
    step = profiles.step_length_min(duration, duration, options.longest_step_min)
    steps = round(duration / step)
    for depth in sorted({*options.plain_depths_mm, options.sizing_depth_mm}):
        row: dict[str, object] = {
            "label": f"{depth:g} mm in {name_duration(duration)}",
            "return_period_years": np.nan,
            "duration_min": duration,
            "uplift": 1.0,
            "depth_mm": depth,
            "profile": "uniform",
            "season": "",
            "climate": "now",
            "antecedent": options.antecedent,
            "is_sizing": depth == options.sizing_depth_mm,
        }
        yield _Storm(f"{_padded(depth)}mm-{_padded(duration, 4)}min", row, np.full(steps, depth / steps), step)


def _table_storms(table: pd.DataFrame, options: RainOptions, run: Run) -> Iterator[_Storm]:
    """Yield every return period x duration x climate (x season), leaving out and naming what the table cannot give."""
    durations = table.index.to_numpy(np.float64)
    sizing = _sizing_period(table, options, run)
    wanted = sorted({*options.return_periods_years, *([sizing] if sizing is not None else [])})
    climates = [("now", 1.0), *(("future", uplift) for uplift in sorted(set(options.uplift)))]
    seasons = options.seasons if options.profile == "symmetrical" else ("",)
    for period in wanted:
        column = profiles.depth_column(table, period)
        if column is None:
            _note_left_out(f"The 1-in-{period:g} storm", run)
            continue
        for duration in sorted(set(options.durations_min)):
            if not durations[0] <= duration <= durations[-1]:
                if period == wanted[0]:
                    _note_left_out(f"The duration of {name_duration(duration)}", run)
                continue
            for climate, uplift in climates:
                is_sizing = period == sizing and climate == "future" and uplift == max(options.uplift)
                if period not in options.return_periods_years and not is_sizing:
                    continue
                for season in seasons:
                    yield _shape((durations, column), (period, duration), (climate, uplift, season, is_sizing), options)


def _sizing_period(table: pd.DataFrame, options: RainOptions, run: Run) -> float | None:
    """Return the sizing return period, or the rarest below it that the table has, saying so."""
    wanted = options.sizing_return_period_years
    if profiles.depth_column(table, wanted) is not None:
        return wanted
    periods = table.columns.to_numpy(np.float64)
    below = periods[periods < wanted]
    taken = float(below.max()) if below.size else float(periods.min())
    text = f"The table has no 1-in-{wanted:g} storm: stores are sized on 1-in-{taken:g}."
    run.note(DataIssue("note", "sizing_storm_replaced", "rain_table", text, f"Give the 1-in-{wanted:g} depths."))
    return taken


def _note_left_out(what: str, run: Run) -> None:
    """Say that a storm of the brief is not within the table."""
    text = f"{what} is outside the rain table and is left out: nothing is extrapolated."
    run.note(DataIssue("note", "storm_left_out", "rain_table", text, "Give a table that covers it."))


def _shape(
    table: tuple[Floats, Floats],
    of: tuple[float, float],
    variant: tuple[str, float, str, bool],
    options: RainOptions,
) -> _Storm:
    """Make one storm: depth, uplift, areal factor, profile, steps."""
    durations, depths = table
    period, duration = of
    climate, uplift, season, is_sizing = variant
    factor = uplift * options.areal_factor
    depth = float(profiles.depth_at(durations, depths, duration)) * factor
    block = profiles.block_length_min(duration, float(durations[0]))
    count = round(duration / block)
    if options.profile == "alternating_block":
        blocks = profiles.alternating_blocks(durations, depths * factor, duration, block)
    elif options.profile == "symmetrical":
        at = np.linspace(0.0, 1.0, count + 1)
        blocks = depth * np.diff(profiles.symmetrical_curve(season, at))
    elif options.profile == "mass_curve":
        times, shares = zip(*options.mass_curve, strict=True)
        blocks = profiles.curve_blocks(times, shares, depth, count)
    else:
        blocks = np.full(count, depth / count)
    step = profiles.step_length_min(block, duration, options.longest_step_min)
    when = climate if climate == "now" else f"{climate}-{_two_decimals(uplift)}"
    ending = f"-{season}" if season else ""
    names = (f"1-in-{period:g}", name_duration(duration), _climate_label(climate, uplift), season)
    row: dict[str, object] = {
        "label": ", ".join(name for name in names if name),
        "return_period_years": period,
        "duration_min": duration,
        "uplift": uplift,
        "depth_mm": depth,
        "profile": options.profile,
        "season": season,
        "climate": climate,
        "antecedent": options.antecedent,
        "is_sizing": is_sizing,
    }
    storm_id = f"1in{_padded(period)}-{_padded(duration, 4)}min-{when}{ending}"
    return _Storm(storm_id, row, profiles.spread_blocks(blocks, round(block / step)), step)


def _two_decimals(value: float) -> str:
    """Write a number with two decimals, or with more where it has more, so that ids stay apart."""
    return f"{value:.2f}" if round(value, 2) == value else f"{value:g}"


def _climate_label(climate: str, uplift: float) -> str:
    """Say the climate in words: now, or the future with its allowance in per cent."""
    return "now" if climate == "now" else f"future +{100.0 * (uplift - 1.0):.0f} %"


def name_duration(duration_min: float) -> str:
    """Say a duration as people do: 15 min, 1 h, 24 h."""
    return f"{duration_min / 60.0:g} h" if duration_min >= 60.0 else f"{duration_min:g} min"


def _padded(value: float, width: int = 3) -> str:
    """Write a number with leading zeros, so that ids sort by it."""
    whole, _, rest = f"{value:g}".partition(".")
    return whole.zfill(width) + (f".{rest}" if rest else "")

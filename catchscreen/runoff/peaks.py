"""Two peaks for each storm, never added: overland by sub-catchment, piped by sewer zone; rational checks beside."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.options import RunoffOptions
from catchscreen.records import Storms, Terrain
from catchscreen.runoff import rational, routing
from catchscreen.runoff.critical import name_critical, point_at_critical
from catchscreen.runoff.laying import Ground, StormArrays
from catchscreen.units import M2_PER_HA

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PIPE_LENGTH_SHARE = 1.5
"""Longest pipe run over the square root of the zone's area where no length is given: an assumption."""

LEAST_CONNECTED_M2 = 1.0
"""Ground outside all zones has a piped peak of its own only from so much connected area."""


def find_peaks(
    ground: Ground,
    rain: StormArrays,
    flows: tuple[dict[str, Floats], dict[str, Floats]],
    land: Terrain,
    storms: Storms,
    options: RunoffOptions,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the table of peaks and the pointers to the critical storms.

    Rows of sub-catchments carry overland peaks, rows of sewer zones piped peaks; the other column is NaN. Each row
    names the storm that is worst for its unit and kind of peak among those of its return period and climate.
    """
    overland, piped = flows
    lands = _land_frame(ground, land, options)
    zones = _zone_frame(ground, options)
    responses = {step: _responses(lands, step, options) for step in sorted(set(storms.step_min.values()))}
    over = np.stack(
        [_overland_peaks(overland[s], lands, storms.step_min[s], responses[storms.step_min[s]]) for s in rain.ids],
        axis=2,
    )
    pipe = np.stack([_piped_peaks(piped[s], zones, storms.step_min[s]) for s in rain.ids], axis=2)
    check = np.stack(
        [_rational_peaks(lands, storms.depths_mm[s], storms.step_min[s], options) for s in rain.ids], axis=2
    )
    named = [number for number, name in enumerate(ground.land_ids) if name]
    connected = np.bincount(ground.zone, ground.shares[0] * ground.area_m2, len(zones))
    piping = [n for n, name in enumerate(ground.zone_ids) if name or connected[n] >= LEAST_CONNECTED_M2]
    table = pd.concat(
        [
            _table("subcatchment", lands.iloc[named], rain.ids, over[:, named], check[:, named]),
            _table("sewer_zone", zones.iloc[piping], rain.ids, pipe[:, piping], np.full_like(pipe[:, piping], np.nan)),
        ],
        ignore_index=True,
    )
    pointers = [
        point_at_critical(
            "subcatchment", [ground.land_ids[n] for n in named], "overland_peak_l_s", over[0, named], storms.storms
        ),
        point_at_critical(
            "sewer_zone", [ground.zone_ids[n] for n in piping], "piped_peak_l_s", pipe[0, piping], storms.storms
        ),
    ]
    worst = pd.concat([p for p in pointers if len(p)] or pointers[:1], ignore_index=True)
    table["critical_storm_id"] = name_critical(table, worst, storms.storms)
    table["is_critical"] = (table["critical_storm_id"] == table["storm_id"]) & (table["critical_storm_id"] != "")
    return table.assign(is_calibrated=bool(options.calibration_source)), worst


def _land_frame(ground: Ground, land: Terrain, options: RunoffOptions) -> pd.DataFrame:
    """Sub-catchments in the ground's order: concentration time, receiver, travel, areas."""
    listed = land.subcatchments
    frame = pd.DataFrame(index=pd.Index(ground.land_ids))
    place = {name: number for number, name in enumerate(ground.land_ids)}
    for column in ("time_of_concentration_min", "longest_path_m"):
        values = pd.to_numeric(listed[column], errors="coerce") if column in listed else pd.Series(dtype=float)
        frame[column] = values.reindex(frame.index).to_numpy(np.float64)
    below = listed["downstream_id"].reindex(frame.index) if "downstream_id" in listed else pd.Series("", frame.index)
    frame["receiver"] = [place.get(str(name), -1) if name and not pd.isna(name) else -1 for name in below]
    frame["travel_min"] = np.nan_to_num(frame["longest_path_m"].to_numpy()) / options.overland_speed_m_s / 60.0
    frame["area_ha"] = np.bincount(ground.land, ground.area_m2, len(frame)) / M2_PER_HA
    frame["impermeable_ha"] = (
        np.bincount(ground.land, ground.area_m2 * ground.impermeable_fraction, len(frame)) / M2_PER_HA
    )
    frame["check_note"] = [
        _say_check(float(minutes), float(area))
        for minutes, area in zip(frame["time_of_concentration_min"], frame["area_ha"], strict=True)
    ]
    return frame


def _say_check(concentration_min: float, area_ha: float) -> str:
    """Say what the rational check is, or why it is refused."""
    if area_ha > rational.LARGEST_HA:
        return f"refused: {area_ha:.0f} ha, the rational formula is not used above {rational.LARGEST_HA:g} ha"
    if np.isnan(concentration_min):
        return "unknown: no time of concentration"
    return "of the impermeable ground of its own, piped or not, at the time of concentration: a check only"


def _zone_frame(ground: Ground, options: RunoffOptions) -> pd.DataFrame:
    """Zones in the ground's order with the travel time of the farthest water by pipe, and what they can carry."""
    area = np.bincount(ground.zone, ground.area_m2, len(ground.zone_ids))
    length = np.where(np.isnan(ground.pipe_length_m), PIPE_LENGTH_SHARE * np.sqrt(area), ground.pipe_length_m)
    return pd.DataFrame(
        {
            "travel_min": length / options.pipe_speed_m_s / 60.0,
            "area_ha": area / M2_PER_HA,
            "outfall": list(ground.outfalls),
            "capacity_l_s": ground.capacity_m3_h / 3.6,
            "check_note": "the rational check is made for sub-catchments",
        },
        index=pd.Index(ground.zone_ids),
    )


def _responses(lands: pd.DataFrame, step_min: float, options: RunoffOptions) -> list[Floats]:
    """Return the response of each sub-catchment to a step of this length."""
    return [_response(float(minutes), step_min, options) for minutes in lands["time_of_concentration_min"]]


def _overland_peaks(flow: Floats, lands: pd.DataFrame, step_min: float, responses: list[Floats]) -> Floats:
    """Return (2, sub-catchments) peak [l/s] and its time [min]; NaN where the time of concentration is unknown."""
    times = lands["time_of_concentration_min"].to_numpy()
    delays = lands["travel_min"].to_numpy() / step_min
    routed = routing.route_down(flow, responses, lands["receiver"].to_numpy(np.int64), delays)
    out = np.array([_peak(hydrograph, step_min) for hydrograph in routed]).T
    out[:, np.isnan(times)] = np.nan
    return out


def _response(concentration_min: float, step_min: float, options: RunoffOptions) -> Floats:
    """Return a sub-catchment's response; where its time is unknown, water passes at once (its own peak is NaN)."""
    if np.isnan(concentration_min):
        return np.ones(1)
    if options.routing == "unit_hydrograph":
        return routing.unit_hydrograph(concentration_min, step_min)
    return routing.linear_reservoir(routing.LAG_SHARE * concentration_min, step_min)


def _piped_peaks(flow: Floats, zones: pd.DataFrame, step_min: float) -> Floats:
    """Return (2, zones) peak [l/s] at the outfall and its time [min]."""
    travel = zones["travel_min"].to_numpy()
    routed = [np.convolve(one, routing.pipe_travel(float(t), step_min)) for one, t in zip(flow, travel, strict=True)]
    return np.array([_peak(hydrograph, step_min) for hydrograph in routed]).T


def _peak(hydrograph_m3: Floats, step_min: float) -> tuple[float, float]:
    """Return the peak [l/s] and the middle of its step [min]; no flow has no time."""
    top = int(hydrograph_m3.argmax())
    flow = float(hydrograph_m3[top]) * 1000.0 / (step_min * 60.0)
    return flow, (top + 0.5) * step_min if flow > 0.0 else float("nan")


def _rational_peaks(lands: pd.DataFrame, depths_mm: Floats, step_min: float, options: RunoffOptions) -> Floats:
    """Return (2, sub-catchments) rational and modified rational peak [l/s] over the impermeable area.

    NaN above 80 ha and where the time of concentration is unknown. The rational peak is the modified one without its
    routing coefficient.
    """
    out = np.full((2, len(lands)), np.nan)
    columns = ("time_of_concentration_min", "area_ha", "impermeable_ha")
    for number, (minutes, area, hard) in enumerate(zip(*(lands[name].tolist() for name in columns), strict=True)):
        if np.isnan(minutes) or area > rational.LARGEST_HA:
            continue
        intensity = rational.greatest_intensity_mm_h(depths_mm, step_min, minutes)
        for row, routed in enumerate((1.0, options.routing_coefficient)):
            out[row, number] = rational.modified_rational_peak_l_s(options.runoff_coefficient, routed, intensity, hard)
    return out


def _table(level: str, units: pd.DataFrame, storm_ids: tuple[str, ...], peaks: Floats, check: Floats) -> pd.DataFrame:
    """Make one half of the table of peaks, sorted by unit then storm."""
    count = len(storm_ids)
    ids = np.repeat(np.array(units.index, object), count)
    blank = np.full(len(ids), "", object)
    nothing = np.full(len(ids), np.nan)
    flow, time = peaks[0].ravel(), peaks[1].ravel()
    is_land = level == "subcatchment"
    return pd.DataFrame(
        {
            "level": np.full(len(ids), level, object),
            "unit_id": ids,
            "subcatchment_id": ids if is_land else blank,
            "zone_id": blank if is_land else ids,
            "outfall": blank if is_land else np.repeat(units["outfall"].to_numpy(object), count),
            "storm_id": np.tile(np.array(storm_ids, object), len(units)),
            "area_ha": np.repeat(units["area_ha"].to_numpy(np.float64), count),
            "overland_peak_l_s": flow if is_land else nothing,
            "piped_peak_l_s": nothing if is_land else flow,
            "time_of_peak_min": time,
            "sewer_capacity_l_s": nothing if is_land else np.repeat(units["capacity_l_s"].to_numpy(), count),
            "rational_check_l_s": check[0].ravel(),
            "modified_rational_check_l_s": check[1].ravel(),
            "check_note": np.repeat(units["check_note"].to_numpy(object), count),
        }
    )

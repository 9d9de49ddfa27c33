"""Two peaks for each storm, never added: overland by sub-catchment, piped by sewer zone; a rational check beside."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.options import RunoffOptions
from catchscreen.records import Storms, Terrain
from catchscreen.runoff import rational, routing
from catchscreen.runoff.critical import point_at_critical
from catchscreen.runoff.laying import Ground, StormArrays
from catchscreen.units import M2_PER_HA

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PIPE_LENGTH_SHARE = 1.5
"""Longest pipe run over the square root of the zone's area where no length is given: an assumption."""


def find_peaks(
    ground: Ground,
    rain: StormArrays,
    flows: tuple[dict[str, Floats], dict[str, Floats]],
    land: Terrain,
    storms: Storms,
    options: RunoffOptions,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the table of peaks and the pointers to the critical storms.

    Rows with a subcatchment_id carry overland peaks, rows with a zone_id piped peaks; the other column is NaN.
    """
    overland, piped = flows
    lands = _land_frame(ground, land, options)
    zones = _zone_frame(ground, options)
    over = np.stack([_overland_peaks(overland[s], lands, storms.step_min[s], options) for s in rain.ids], axis=2)
    pipe = np.stack([_piped_peaks(piped[s], zones, storms.step_min[s]) for s in rain.ids], axis=2)
    check = np.stack(
        [_rational_peaks(lands, storms.depths_mm[s], storms.step_min[s], options) for s in rain.ids], axis=1
    )
    named = [number for number, name in enumerate(ground.land_ids) if name]
    table = pd.concat(
        [
            _table("subcatchment_id", [ground.land_ids[n] for n in named], rain.ids, over[:, named], check[named]),
            _table("zone_id", list(ground.zone_ids), rain.ids, pipe, None),
        ],
        ignore_index=True,
    )
    pointers = [
        point_at_critical(
            "subcatchment", [ground.land_ids[n] for n in named], "overland_peak_l_s", over[0, named], storms.storms
        ),
        point_at_critical("sewer_zone", list(ground.zone_ids), "piped_peak_l_s", pipe[0], storms.storms),
    ]
    return table, pd.concat([p for p in pointers if len(p)] or pointers[:1], ignore_index=True)


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
    return frame


def _zone_frame(ground: Ground, options: RunoffOptions) -> pd.DataFrame:
    """Zones in the ground's order with the travel time of the farthest water by pipe."""
    area = np.bincount(ground.zone, ground.area_m2, len(ground.zone_ids))
    length = np.where(np.isnan(ground.pipe_length_m), PIPE_LENGTH_SHARE * np.sqrt(area), ground.pipe_length_m)
    return pd.DataFrame({"travel_min": length / options.pipe_speed_m_s / 60.0}, index=pd.Index(ground.zone_ids))


def _overland_peaks(flow: Floats, lands: pd.DataFrame, step_min: float, options: RunoffOptions) -> Floats:
    """Return (2, sub-catchments) peak [l/s] and its time [min]; NaN where the time of concentration is unknown."""
    times = lands["time_of_concentration_min"].to_numpy()
    responses = [_response(float(minutes), step_min, options) for minutes in times]
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
    """Return the modified rational peak [l/s] of each sub-catchment; NaN above 80 ha and where the time is unknown."""
    out = np.full(len(lands), np.nan)
    columns = ("time_of_concentration_min", "area_ha", "impermeable_ha")
    for number, (minutes, area, hard) in enumerate(zip(*(lands[name].tolist() for name in columns), strict=True)):
        if np.isnan(minutes) or area > rational.LARGEST_HA:
            continue
        intensity = rational.greatest_intensity_mm_h(depths_mm, step_min, minutes)
        out[number] = rational.modified_rational_peak_l_s(
            options.runoff_coefficient, options.routing_coefficient, intensity, hard
        )
    return out


def _table(key: str, names: list[str], storm_ids: tuple[str, ...], peaks: Floats, check: Floats | None) -> pd.DataFrame:
    """Make one half of the table of peaks, sorted by unit then storm."""
    count = len(storm_ids)
    ids = np.repeat(np.array(names, object), count)
    blank = np.full(len(ids), "", object)
    nothing = np.full(len(ids), np.nan)
    flow, time = peaks[0].ravel(), peaks[1].ravel()
    is_land = key == "subcatchment_id"
    return pd.DataFrame(
        {
            "subcatchment_id": ids if is_land else blank,
            "zone_id": blank if is_land else ids,
            "storm_id": np.tile(np.array(storm_ids, object), len(names)),
            "overland_peak_l_s": flow if is_land else nothing,
            "piped_peak_l_s": nothing if is_land else flow,
            "time_of_peak_min": time,
            "rational_check_l_s": nothing if check is None else check.ravel(),
        }
    )

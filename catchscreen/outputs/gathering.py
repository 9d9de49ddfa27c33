"""Lay the stages' records out as the layers of a result. What is summed is summed in ``summaries``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.brief import Brief
from catchscreen.outputs.candidates import candidate_frame, criteria_frame, option_frame
from catchscreen.outputs.columns import Layer
from catchscreen.outputs.conforming import shape_frame
from catchscreen.outputs.findings import Findings
from catchscreen.outputs.hillshade import shade_ground
from catchscreen.outputs.rain import rain_frames, with_storm
from catchscreen.outputs.schema import layers_for
from catchscreen.outputs.screening import Screening
from catchscreen.outputs.summaries import areas_by, balance_of, is_word, narrowing_layer, reference_storm
from catchscreen.outputs.wording import CAUTIONS
from catchscreen.progress import DataIssue, Run

PEAK_COLUMNS = ("overland_peak_l_s", "critical_storm_id", "is_calibrated")


def gather(found: Findings, brief: Brief, provenance: Mapping[str, Any], run: Run) -> Screening:
    """Make the screening: every layer's frame in the schema's words, and what made it.

    Parameters
    ----------
    found : Findings
        The record of each stage.
    brief : Brief
        Names the result, its folder, and the columns of the caller's parcels that stay.
    provenance : mapping
        What stands in the manifest.
    run : Run
        Its issues become the layer ``data_issues``.
    """
    layers = layers_for([(plan.name, plan.title) for plan in found.proposals.measures], brief.keep_columns)
    return Screening(
        name=brief.name,
        run_id=str(provenance["run_id"]),
        crs=found.land.grid.crs,
        layers=layers,
        frames=_frames(found, layers, run.issues, {**provenance, "index_weights": _index_weights(brief)}),
        hillshade=shade_ground(found.land),
        provenance=provenance,
        seconds=run.seconds,
        default_folder=brief.folder / f"{brief.stem}_result",
    )


_STORM_ROLES: Final = {
    "parcels": "reference storm",
    "subcatchments": "reference storm",
    "hollows": "reference storm",
    "candidates": "sizing storm",
    "options": "sizing storm",
}
"""What the storm of a row is to its layer: volumes of two kinds of storm must not be taken for each other."""


def _index_weights(brief: Brief) -> str:
    """Say what the three indices weigh in the geometric mean that is the score."""
    asked = {index: getattr(brief.ranking, f"{index}_weight") for index in ("benefit", "feasibility", "delivery")}
    return ", ".join(f"{index} {weight:g}" for index, weight in asked.items())


def _frames(
    found: Findings, layers: Mapping[str, Layer], issues: Sequence[DataIssue], provenance: Mapping[str, Any]
) -> dict[str, pd.DataFrame]:
    """Return every layer's frame: the schema's columns, the id as index, numbers not yet rounded."""
    storm_id = reference_storm(found.storms)
    made: dict[str, pd.DataFrame] = {
        "parcels": _parcels(found, storm_id),
        "candidates": candidate_frame(found),
        "subcatchments": _subcatchments(found, storm_id),
        "flow_paths": found.land.flow_paths,
        "outlets": found.land.outlets,
        "hollows": _hollows(found, storm_id),
        "hollows_blocked": _or_none(found.land.blocked),
        "hollow_parts": _or_none(found.land.hollow_parts),
        "hollow_curves": _or_none(found.land.hollow_curves),
        "longest_paths": _or_none(found.land.longest_paths),
        "suspected_culverts": _or_none(found.land.suspects),
        "surfaces": found.cover.surfaces,
        "data_issues": _data_issues(issues, found),
        "terrain_edits": found.land.edits,
        "options": option_frame(found),
        "criteria": criteria_frame(found),
        "rules": _or_none(found.proposals.rules),
        "storms": found.storms.storms,
        "water_balance": _water_balance(found, storm_id),
        "run": _run_table(provenance, storm_id, (narrowing_layer(found), found.now.calibration)),
        **rain_frames(found),
    }
    made = {name: with_storm(frame, found.storms, _STORM_ROLES.get(name, "")) for name, frame in made.items()}
    shaped = {name: shape_frame(made[name], layer, found.land.grid.crs) for name, layer in layers.items()}
    for frame in shaped.values():
        frame.attrs["cautions"] = list(CAUTIONS)
    return shaped


def _parcels(found: Findings, storm_id: str) -> gpd.GeoDataFrame:
    """Parcels with their areas, their water in the reference storm, and their scores."""
    parcels = found.data.parcels
    areas = areas_by(found.cover, "parcel_id").reindex(parcels.index)
    areas["area_m2"] = areas["area_m2"].fillna(parcels.area)
    water = _water(found, "parcel", storm_id).reindex(parcels.index)
    ranked = found.ranked.parcels.reindex(parcels.index)
    frame = parcels.drop(columns=[*areas.columns, *water.columns, *ranked.columns], errors="ignore")
    on_ground = pd.Series(parcels["ground_fraction"] >= 1.0, index=parcels.index, name="is_on_elevation")
    return frame.join([areas, water, ranked, on_ground])


def _subcatchments(found: Findings, storm_id: str) -> gpd.GeoDataFrame:
    """Sub-catchments with their areas, their water and their routed peak."""
    frame = found.land.subcatchments
    areas = areas_by(found.cover, "subcatchment_id")[["impermeable_m2", "connected_impermeable_m2"]]
    peaks = found.now.peaks[found.now.peaks["storm_id"] == storm_id].set_index("subcatchment_id")
    water = _water(found, "subcatchment", storm_id)
    return frame.join(areas).join(water).join(peaks[list(PEAK_COLUMNS)])


def _or_none(layer: pd.DataFrame | None) -> pd.DataFrame:
    """Return a layer, one without rows where there is none."""
    return gpd.GeoDataFrame({"geometry": []}, geometry="geometry") if layer is None else layer


def _water(found: Findings, level: str, storm_id: str) -> pd.DataFrame:
    """Return the reference storm's volumes of one level under the names that the layers use."""
    rows = balance_of(found.now.balance, level, storm_id)
    return pd.DataFrame(
        {
            "storm_id": storm_id,
            "rain_m3": rows["rain_m3"],
            "sewer_now_m3": rows["sewer_m3"],
            "overland_now_m3": rows["overland_m3"],
            "balance_error_m3": rows["residual_m3"],
        },
        index=rows.index,
    )


def _hollows(found: Findings, storm_id: str) -> gpd.GeoDataFrame:
    """Hollows with what reaches them, what they hold and spill, and the property points inside their outline."""
    frame = found.land.hollows
    rows = balance_of(found.now.balance, "hollow", storm_id).reindex(frame.index)
    return frame.assign(
        storm_id=storm_id,
        inflow_m3=rows["overland_m3"] + rows["inflow_m3"],
        held_m3=rows["held_in_hollows_m3"],
        spill_m3=rows["leaving_m3"],
        property_points=_points_inside(frame, found.data.property_points),
    )


def _points_inside(areas: gpd.GeoDataFrame, points: gpd.GeoDataFrame | None) -> NDArray[np.float64]:
    """Count points inside each area; NaN where no points were given."""
    if points is None:
        return np.full(len(areas), np.nan)
    area, _ = points.sindex.query(areas.geometry, predicate="covers")
    return np.bincount(area, minlength=len(areas)).astype(np.float64)


def _water_balance(found: Findings, storm_id: str) -> pd.DataFrame:
    """Return the balance with an id for each row: every level in every storm, but parcels in the reference storm only.

    Parcels times storms would be most of the file; their balances close by the same sums.
    """
    rows = found.now.balance
    rows = rows[~is_word(rows["level"], "parcel") | is_word(rows["storm_id"], storm_id)]
    ids = rows["level"].astype(str) + ":" + rows["unit_id"].astype(str) + ":" + rows["storm_id"].astype(str)
    return rows.set_axis(pd.Index(ids, name="balance_id"))


def _data_issues(issues: Sequence[DataIssue], found: Findings) -> gpd.GeoDataFrame:
    """Give the issues numbers in the order in which they came up."""
    rows = [
        (f"{place:05d}", i.severity, i.code, i.role, i.message, i.cure, i.file, i.feature, i.geometry)
        for place, i in enumerate(issues, start=1)
    ]
    names = ["issue_id", "severity", "code", "role", "message", "cure", "file", "feature", "geometry"]
    frame = pd.DataFrame(rows, columns=names).set_index("issue_id")
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=found.land.grid.crs)


def _run_table(provenance: Mapping[str, Any], storm_id: str, said: tuple[str, str]) -> pd.DataFrame:
    """Return what made the result, key by key, cautions first."""
    rows = [(f"caution_{number}", text) for number, text in enumerate(CAUTIONS, start=1)]
    narrowing, calibration = said
    rows += [("reference_storm", storm_id), ("narrowed_most_by", narrowing), ("calibration", calibration)]
    for key, value in provenance.items():
        if isinstance(value, Mapping):
            rows += [(f"{key}: {name}", str(inner)) for name, inner in value.items()]
        else:
            rows.append((key, ", ".join(value) if isinstance(value, list) else str(value)))
    return pd.DataFrame(rows, columns=["key", "value"]).set_index("key")

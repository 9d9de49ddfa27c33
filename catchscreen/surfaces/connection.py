"""How impermeable each surface is, and where its runoff goes: to a pipe, into the ground, or overland."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.options import SurfaceOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.records import Inputs
from catchscreen.surfaces.overlay import Floats, Shapes
from catchscreen.surfaces.sources import local_shapes

HARD = ("roof", "road", "paved", "unknown")
"""Kinds of surface whose connection a survey of a parcel speaks of."""

RANGE = ("impermeable_low_fraction", "impermeable_fraction", "impermeable_high_fraction")


def impermeable_shares(
    surfaces: pd.DataFrame, parcels: pd.DataFrame, options: SurfaceOptions, run: Run
) -> pd.DataFrame:
    """Return the low, middle and high impermeable share of each surface.

    A stated share has no range. Ground of unknown cover takes its parcel's land use: the
    share of the whole parcel, less what is known to be impermeable, over the unknown ground. Elsewhere the
    district's range.

    Parameters
    ----------
    surfaces : parcel_id, kind, cover_class, area_m2 [m2], impermeable_fraction (stated, or NaN)
    parcels : index parcel_id; land_use where known

    Returns
    -------
    pandas.DataFrame
        impermeable_low_fraction, impermeable_fraction, impermeable_high_fraction, index of ``surfaces``.
    """
    unknown = (surfaces["kind"] == "unknown").to_numpy()
    table = options.class_impermeable
    lost = sorted(set(surfaces.loc[~unknown, "cover_class"].unique()) - set(table))
    if lost:
        run.note(
            DataIssue(
                severity="unknown",
                code="cover_class_without_share",
                role="land_cover",
                message=f"cover classes without an impermeable share: {', '.join(lost)}; the district's range is used",
                cure="Name them in [surfaces] class_impermeable.",
            )
        )
    shares = _looked_up(surfaces["cover_class"], table, options.district_impermeable)
    stated = surfaces["impermeable_fraction"].to_numpy(float)
    shares = np.where(np.isnan(stated)[:, None], shares, stated[:, None])
    shares[unknown] = _unknown_shares(surfaces, parcels, shares, options)[unknown]
    return pd.DataFrame(shares, columns=list(RANGE), index=surfaces.index)


def _looked_up(
    names: pd.Series, table: Mapping[str, tuple[float, float, float]], default: tuple[float, float, float] | None
) -> Floats:
    """Return (n, 3) the table's values for each name, the default where the table has none (None: it must have)."""
    number, found = pd.factorize(names.to_numpy(object), use_na_sentinel=False)
    rows = [table[str(name)] if default is None else table.get(str(name), default) for name in found]
    return np.array(rows, dtype=np.float64).reshape(-1, 3)[number]


def _unknown_shares(surfaces: pd.DataFrame, parcels: pd.DataFrame, shares: Floats, options: SurfaceOptions) -> Floats:
    """Return the share that unknown ground has for its parcel as a whole to have the share of its land use."""
    use = parcels["land_use"].reindex(surfaces["parcel_id"]) if "land_use" in parcels else pd.Series("", surfaces.index)
    table = options.land_use_impermeable
    whole = _looked_up(use, table, options.district_impermeable)
    group = surfaces["parcel_id"].to_numpy(object)
    number, names = pd.factorize(group)
    area = surfaces["area_m2"].to_numpy(float)
    unknown = (surfaces["kind"] == "unknown").to_numpy()
    total = np.bincount(number, weights=area, minlength=names.size)[number]
    rest = np.bincount(number, weights=np.where(unknown, area, 0.0), minlength=names.size)[number]
    result = whole.copy()
    for k in range(3):
        hard = np.bincount(number, weights=np.where(unknown, 0.0, area * shares[:, k]), minlength=names.size)[number]
        with np.errstate(divide="ignore", invalid="ignore"):
            left = np.clip((whole[:, k] * total - hard) / rest, 0.0, 1.0)
        result[:, k] = np.where((group != "") & (rest > 0.0), left, whole[:, k])
    return result


def connection_shares(pieces: pd.DataFrame, options: SurfaceOptions) -> pd.DataFrame:
    """Return where the runoff of each piece goes.

    Parameters
    ----------
    pieces : kind, cover_class, sewer_kind ("" unknown), piped_stated, to_ground_stated (NaN where nobody says)

    Returns
    -------
    pandas.DataFrame
        piped_fraction, to_ground_fraction, overland_fraction (sum 1), piped_low_fraction, piped_high_fraction.
    """
    kind = pieces["kind"].where(~pieces["cover_class"].isin(["gravel"]), "gravel")
    kind = kind.where(~pieces["cover_class"].isin(["mixed_hard"]), "domestic")
    sewer = pieces["sewer_kind"].where(pieces["sewer_kind"].isin(["combined", "separate", "none"]), "unknown")
    default = _looked_up(kind.astype(str) + "." + sewer.astype(str), options.connection, None)
    piped, ground = pieces["piped_stated"].to_numpy(float), pieces["to_ground_stated"].to_numpy(float)
    shares = default.copy()
    for k in np.flatnonzero(~np.isnan(piped) | ~np.isnan(ground)):
        shares[k] = _restated(default[k], piped[k], ground[k])
    spread = np.where(np.isnan(piped) & (default[:, 0] > 0.0), options.connection_spread, 0.0)
    return pd.DataFrame(
        {
            "piped_fraction": shares[:, 0],
            "to_ground_fraction": shares[:, 1],
            "overland_fraction": shares[:, 2],
            "piped_low_fraction": np.clip(shares[:, 0] - spread, 0.0, 1.0),
            "piped_high_fraction": np.clip(shares[:, 0] + spread, 0.0, 1.0),
        },
        index=pieces.index,
    )


def _restated(default: Floats, piped: float, ground: float) -> tuple[float, float, float]:
    """Put stated shares in place of the usual ones; what they leave is divided as usual."""
    if not np.isnan(piped) and not np.isnan(ground):
        piped = min(max(piped, 0.0), 1.0)
        ground = min(max(ground, 0.0), 1.0 - piped)
        return piped, ground, 1.0 - piped - ground
    stated, first, second = (piped, default[1], default[2]) if np.isnan(ground) else (ground, default[0], default[2])
    stated = min(max(stated, 0.0), 1.0)
    left = 1.0 - stated
    share = left * first / (first + second) if first + second > 0.0 else 0.0
    return (stated, share, left - share) if np.isnan(ground) else (share, stated, left - share)


def stated_connection(surfaces: pd.DataFrame, data: Inputs, origin: tuple[float, float], run: Run) -> pd.DataFrame:
    """Return what is known of each surface's connection: from its source, over that the parcel, over that evidence.

    Returns
    -------
    pandas.DataFrame
        piped_stated, to_ground_stated (NaN where nobody says), connection_source ("", "source",
        "parcel" or an evidence id).
    """
    stated = pd.DataFrame(
        {
            "piped_stated": surfaces["piped_fraction"].astype(float),
            "to_ground_stated": surfaces["to_ground_fraction"].astype(float),
        }
    )
    named = stated.notna().any(axis=1)
    stated["connection_source"] = np.where(named, "source", "")
    hard = surfaces["kind"].isin(HARD)
    for name, column in (("piped_fraction", "piped_stated"), ("to_ground_fraction", "to_ground_stated")):
        if name in data.parcels:
            values = pd.to_numeric(data.parcels[name]).reindex(surfaces["parcel_id"]).to_numpy(float)
            said = hard & ~np.isnan(values)
            stated.loc[said, column] = values[said]
            stated.loc[said, "connection_source"] = "parcel"
    if data.evidence is not None and not data.evidence.empty:
        _add_evidence(stated, surfaces, data.evidence, origin, run)
    return stated


def _add_evidence(
    stated: pd.DataFrame, surfaces: pd.DataFrame, evidence: gpd.GeoDataFrame, origin: tuple[float, float], run: Run
) -> None:
    """Write the findings of connection surveys over the rest, in the order of their ids."""
    tests = evidence[evidence["kind"] == "sewer_connection"].sort_index(kind="stable")
    if tests.empty:
        return
    shapes = surfaces["shape"].to_numpy(object)
    tree = shapely.STRtree(shapes)
    points: Shapes = local_shapes(tests, origin)
    reach = pd.to_numeric(tests["reach_m"]).fillna(0.0) if "reach_m" in tests else pd.Series(0.0, tests.index)
    unit = tests["unit"].astype(str) if "unit" in tests else pd.Series("", tests.index)
    for name, point, value, distance, in_unit in zip(tests.index, points, tests["value"], reach, unit, strict=True):
        found = np.sort(tree.query(point, predicate="dwithin", distance=max(float(distance), 0.01)))
        under = surfaces["parcel_id"].iloc[np.sort(tree.query(point, predicate="intersects"))]
        own = found[surfaces["parcel_id"].iloc[found].isin(under).to_numpy()]
        rows = surfaces.index[own[surfaces["kind"].iloc[own].isin(HARD).to_numpy()]]
        if rows.empty:
            run.note(
                DataIssue("note", "evidence_without_surface", "evidence", f"{name} lies on no hard surface: not used")
            )
            continue
        stated.loc[rows, "piped_stated"] = float(value) / (100.0 if in_unit.strip() in {"%", "percent"} else 1.0)
        stated.loc[rows, "to_ground_stated"] = np.nan
        stated.loc[rows, "connection_source"] = str(name)

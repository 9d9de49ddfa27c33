"""Gather what the one picture of a result shows: the district, what runs where, the candidates by measure and rank."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.outputs.overview_margin import FIRST_RANKS, HEAD_IN, KIND_COLOURS, MARGIN_IN
from catchscreen.outputs.sketch import Light, Lines, Outline, Sheet, Sketch

SCORE_STEPS: Final = (0.0, 40.0, 60.0, 100.0)
FOOT_IN, SIDE_IN = 0.62, 3.75
LONGEST_MAP_IN: Final = (10.5, 8.4)
LEAST_HEIGHT_IN: Final = 7.2
NARROWEST: Final = 0.5
"""Shorter over longer side of the map: a corridor shows ground beside it rather than squeeze title and cautions."""


def sketch_overview(frames: Mapping[str, pd.DataFrame], light: Light, title: str, subtitle: str) -> Sketch:
    """Gather what the overview shows.

    Parameters
    ----------
    frames : layer name -> frame
        The layers as written.
    light : ((rows, cols) float32 in 0..1, (min x, min y, max x, max y) [m])
        Light on the ground, NaN outside the data.
    title, subtitle : str
    """
    parcels = gpd.GeoDataFrame(frames["parcels"])
    possible = possible_candidates(frames)
    first = _first_places(parcels)
    names = first["name"].where(first["name"].notna(), first["parcel_id"])
    return Sketch(
        title,
        subtitle,
        plan_sheet(parcels),
        light,
        tuple(_ground(frames["surfaces"])),
        outline_of(parcels.geometry.to_numpy()),
        _flow(gpd.GeoDataFrame(frames["flow_paths"])),
        outline_of(gpd.GeoDataFrame(frames["hollows"]).geometry.to_numpy()),
        tuple(_candidates(possible)),
        shapely.get_coordinates(first.geometry.representative_point().to_numpy()),
        tuple((int(rank), str(name)) for rank, name in zip(first["rank"], names, strict=True)),
        tuple(sorted(set(possible["measure"]))),
        frozenset(frames["surfaces"]["kind"]),
        bool(possible.geometry.isna().any()),
    )


def plan_sheet(parcels: gpd.GeoDataFrame) -> Sheet:
    """Fit the sheet to the district, without blanks beside it."""
    left, bottom, right, top = parcels.total_bounds if len(parcels) else (0.0, 0.0, 1.0, 1.0)
    edge = 0.01 * max(right - left, top - bottom, 1.0)
    across = max(right - left, NARROWEST * (top - bottom)) / 2.0 + edge
    along = max(top - bottom, NARROWEST * (right - left)) / 2.0 + edge
    x, y = (left + right) / 2.0, (bottom + top) / 2.0
    left, bottom, right, top = (float(side) for side in (x - across, y - along, x + across, y + along))
    scale = min(LONGEST_MAP_IN[0] / (right - left), LONGEST_MAP_IN[1] / (top - bottom))
    width, height = scale * (right - left), scale * (top - bottom)
    tall = max(height + HEAD_IN + FOOT_IN, LEAST_HEIGHT_IN)
    return Sheet(width + SIDE_IN + 2 * MARGIN_IN, tall, width, height, left, bottom, right, top)


def possible_candidates(frames: Mapping[str, pd.DataFrame]) -> gpd.GeoDataFrame:
    """Return the candidates with an option that can be built; the others stand in the layer with what spoke against."""
    candidates = gpd.GeoDataFrame(frames["candidates"])
    return candidates[candidates["score"].notna()]


def outline_of(shapes: NDArray[np.object_]) -> Outline | None:
    """Return every ring of the polygons, outer rings one way and holes the other, or None without shapes."""
    rings = shapely.get_rings(shapely.orient_polygons(shapely.get_parts(shapes)))
    if not len(rings):
        return None
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    return Outline(xy, np.flatnonzero(np.diff(ring, prepend=-1)))


def _ground(surfaces: pd.DataFrame) -> Iterator[tuple[str, Outline]]:
    """Yield each kind of surface that is there."""
    shapes = gpd.GeoDataFrame(surfaces).geometry.to_numpy()
    kinds = surfaces["kind"].to_numpy(dtype=object)
    for kind in KIND_COLOURS:
        outline = outline_of(shapes[kinds == kind])
        if outline is not None:
            yield kind, outline


def _flow(paths: gpd.GeoDataFrame) -> Lines | None:
    """Return the flow paths, the wider the larger what they drain."""
    if not len(paths):
        return None
    hectares = paths["contributing_area_m2"].fillna(0.0).to_numpy() / 10_000.0
    lines, owner = shapely.get_parts(paths.geometry.to_numpy(), return_index=True)
    widths = np.clip(0.35 * np.sqrt(hectares), 0.3, 2.6)[owner]
    xy, line = shapely.get_coordinates(lines, return_index=True)
    return Lines(np.split(xy, np.searchsorted(line, np.arange(1, len(lines)))), widths)


def _candidates(possible: gpd.GeoDataFrame) -> Iterator[tuple[str, int, Outline]]:
    """Yield the candidates by measure, those of like score together."""
    third = pd.cut(possible["score"], SCORE_STEPS, labels=False, include_lowest=True)
    for (measure, place), group in possible.groupby([possible["measure"], third], sort=True):
        outline = outline_of(group.geometry.to_numpy())
        if outline is not None:
            yield str(measure), int(place), outline


def _first_places(parcels: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the first twenty parcels by rank, those that have a shape."""
    first = parcels[parcels["rank"].notna() & (parcels["rank"].fillna(0) <= FIRST_RANKS)]
    first = first[first.geometry.notna() & ~first.geometry.is_empty].sort_values(["rank", "parcel_id"])
    return first.head(2 * FIRST_RANKS)  # many equal ranks would bury the map

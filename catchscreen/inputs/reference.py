"""Coordinate systems: which one a result may have, which would fit, and what a transformation costs in accuracy."""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info, query_utm_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from catchscreen.brief_sources import Source
from catchscreen.inputs.desk import Bounds, Desk, refuse

WORST_AREA_SCALE: Final = 0.10
"""A CRS whose areas are off by more than this share here is refused (Web Mercator in middle latitudes: more than 1)."""


def parse_crs(text: str, source: Source) -> CRS:
    """Make a CRS of what a brief or a file says.

    Raises
    ------
    InputsAtFault
        When it means nothing to the CRS database.
    """
    try:
        return CRS.from_user_input(text)
    except CRSError as error:
        cure = 'Give a code, as in crs = "EPSG:27700".'
        raise refuse("unknown-crs", source, f'"{text}" is no known coordinate system.', cure) from error


def source_crs(stored: str | None, source: Source) -> CRS:
    """Return the CRS of a layer: the brief's word if given, else what the file stores.

    Raises
    ------
    InputsAtFault
        When neither says anything usable.
    """
    if source.crs is not None:
        return parse_crs(source.crs, source)
    if not stored and source.file is None:
        cure = f'Give it one with .set_crs("EPSG:..."), or give {source.role} as a file and its crs.'
        raise refuse("no-crs", source, f"The data given as {source.role} carry no coordinate system.", cure)
    if not stored:
        cure = f'Add crs = "EPSG:..." to [{source.role}] (ask whoever supplied the file).'
        raise refuse("no-crs", source, "The file does not say its coordinate system.", cure)
    return parse_crs(stored, source)


def horizontal(crs: CRS) -> tuple[CRS, str]:
    """Split a CRS into its horizontal part and the name of its vertical datum ("" where it has none)."""
    if crs.is_compound:
        parts = crs.sub_crs_list
        return parts[0].to_2d(), parts[1].name
    return (crs.to_2d() if len(crs.axis_info) == 3 else crs), ""


def crs_name(crs: CRS) -> str:
    """Return code and name of a CRS, as far as they exist."""
    code = crs.to_authority(min_confidence=90)
    return f"{':'.join(code)} ({crs.name})" if code else crs.name


def same_system(one: CRS, other: CRS) -> bool:
    """Tell whether two horizontal CRSs give the same coordinates, x first: equal, or known under one EPSG code."""
    if one.equals(other, ignore_axis_order=True):
        return True
    code = one.to_epsg()
    return code is not None and code == other.to_epsg()


def is_web_mercator(crs: CRS) -> bool:
    """Tell whether a CRS is the Mercator of web maps, under whatever code."""
    operation = crs.coordinate_operation
    method = operation.method_name if operation is not None else ""
    names = f"{crs.name} {method}".lower()
    return any(word in names for word in ("pseudo-mercator", "pseudo mercator", "web mercator", "web_mercator"))


def require_metric(crs: CRS, bounds: Bounds, source: Source) -> None:
    """Refuse a CRS in which plan areas and slopes would be wrong.

    Raises
    ------
    InputsAtFault
        With the CRS as stored and one that fits.
    """
    reason = _why_unfit(crs, bounds)
    if reason:
        message = f"Its coordinate system is {crs_name(crs)}: {reason}"
        raise refuse("unfit-crs", source, message, cure_for(crs, bounds, source))


def _why_unfit(crs: CRS, bounds: Bounds) -> str:
    """Say why areas in this CRS would be wrong; "" when they are right."""
    if crs.is_geographic:
        return "degrees are no lengths, so areas and slopes cannot be taken from it."
    if is_web_mercator(crs):
        return "web map coordinates stretch lengths and areas, so neither areas nor slopes are true."
    if not crs.is_projected:
        return "it has no tie to the earth, so other layers cannot be brought to it."
    units = {axis.unit_name for axis in crs.axis_info[:2]}
    if units != {"metre"}:
        return f"its unit is {' and '.join(sorted(units))}; catchscreen works in metres."
    scale = area_scale(crs, bounds)
    if scale is not None and abs(scale - 1.0) > WORST_AREA_SCALE:
        return f"its areas are {scale:.2f} times the true ones here."
    return ""


def area_scale(crs: CRS, bounds: Bounds) -> float | None:
    """Return projected area over true area at the middle of the bounds, None where it cannot be told."""
    middle = _lon_lat(crs, bounds)
    if middle is None:
        return None
    try:
        factors = Proj(crs).get_factors(*middle)
    except (ProjError, CRSError):
        return None
    return float(factors.areal_scale)


def _lon_lat(crs: CRS, bounds: Bounds) -> tuple[float, float] | None:
    """Return longitude and latitude of the middle of some bounds, None where the CRS has no tie to the earth."""
    x, y = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    try:
        lon, lat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y)
    except (ProjError, CRSError):
        return None
    return (lon, lat) if np.isfinite([lon, lat]).all() else None


def cure_for(crs: CRS, bounds: Bounds, source: Source) -> str:
    """Name a CRS that fits, and what to do about it."""
    middle = _lon_lat(crs, bounds)
    if middle is None:
        code = _code_of_like_name(crs.name)
        if code:
            return f'If that is {crs_name(CRS.from_user_input(code))}, add crs = "{code}" to [{source.role}].'
        return f'If you know its code, add crs = "EPSG:..." to [{source.role}]; else save the file with its true CRS.'
    fitting = fitting_crs(*middle)
    return f"Warp it to {fitting} or your national metric grid, or name a ground model that is in one."


def fitting_crs(lon: float, lat: float) -> str:
    """Return code and name of the UTM zone at a place."""
    lat = min(max(lat, -79.9), 83.9)
    area = AreaOfInterest(lon, lat, lon, lat)
    found = query_utm_crs_info(datum_name="WGS 84", area_of_interest=area)
    if not found:
        return "the UTM zone of the place"
    return f"EPSG:{found[0].code} ({found[0].name})"


@lru_cache(maxsize=32)
def _code_of_like_name(name: str) -> str:
    """Return the EPSG code of the projected CRS whose name has the same letters and figures, "" for none."""
    wanted = re.sub(r"[^a-z0-9]", "", name.lower())
    for info in query_crs_info(auth_name="EPSG", pj_types=PJType.PROJECTED_CRS):
        if re.sub(r"[^a-z0-9]", "", info.name.lower()) == wanted:
            return f"EPSG:{info.code}"
    return ""


@dataclass(frozen=True, slots=True)
class Change:
    """A transformation between two CRSs: its name, its stated accuracy [m] (None: not stated), and the doing."""

    name: str
    accuracy_m: float | None
    transformer: Transformer

    def points(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Transform (n, 2) points."""
        x, y = self.transformer.transform(xy[:, 0], xy[:, 1])
        return np.column_stack([x, y])


def find_change(source_system: CRS, target: CRS, source: Source, bounds: Bounds | None = None) -> Change | None:
    """Return the best transformation that is available here; None when the two are the same.

    ``bounds`` in the source's system tell which of a datum's regional transformations holds.

    Raises
    ------
    InputsAtFault
        When there is none, or only a ballpark one, whose error nobody knows.
    """
    if same_system(source_system, target):
        return None
    with warnings.catch_warnings():
        # PROJ warns that a better one needs a grid file; we print the accuracy of the one that is used instead.
        warnings.simplefilter("ignore")
        try:
            group = TransformerGroup(
                source_system, target, always_xy=True, area_of_interest=_interest(source_system, bounds)
            )
        except (ProjError, CRSError) as error:
            raise _no_way(source_system, target, source) from error
    for transformer in group.transformers:
        if not _is_ballpark(transformer):
            accuracy = transformer.accuracy
            return Change(transformer.description, accuracy if accuracy >= 0 else None, transformer)
    raise _no_way(source_system, target, source)


def _interest(system: CRS, bounds: Bounds | None) -> Any:
    """Return the middle of some bounds as an area of interest for PROJ."""
    middle = _lon_lat(system, bounds) if bounds is not None else None
    return AreaOfInterest(middle[0], middle[1], middle[0], middle[1]) if middle is not None else None


def _is_ballpark(transformer: Transformer) -> bool:
    """Tell whether a transformation ignores the difference of the datums."""
    steps = transformer.operations or ()
    return "ballpark" in transformer.description.lower() or any("ballpark" in step.name.lower() for step in steps)


def _no_way(source_system: CRS, target: CRS, source: Source) -> Exception:
    """Return the error for two CRSs with no usable transformation."""
    message = (
        f"There is only a ballpark transformation from {crs_name(source_system)} to {crs_name(target)}: "
        "the layers could lie hundreds of metres apart."
    )
    cure = f'Save it in {crs_name(target)}, or name its true system with crs = "EPSG:..." in [{source.role}].'
    return refuse("ballpark-transformation", source, message, cure)


def bring_to_result(frame: gpd.GeoDataFrame, desk: Desk, source: Source) -> gpd.GeoDataFrame:
    """Transform a layer to the result's CRS and print by which transformation; untouched while that CRS is unknown."""
    if desk.crs is None or frame.crs is None:
        return frame
    system, _ = horizontal(frame.crs)
    change = None if same_system(system, desk.crs) else find_change(system, desk.crs, source, _bounds_of(frame))
    if change is None:
        return frame if frame.crs == desk.crs else frame.set_crs(desk.crs, allow_override=True)
    shapes = shapely.transform(frame.geometry.to_numpy(), change.points)
    note_change(change, desk, source)
    return frame.set_geometry(gpd.GeoSeries(shapes, index=frame.index, crs=desk.crs), crs=desk.crs)


def _bounds_of(frame: gpd.GeoDataFrame) -> Bounds | None:
    """Return a layer's bounds, None where it has none."""
    left, bottom, right, top = (float(value) for value in frame.total_bounds)
    return (left, bottom, right, top) if np.isfinite([left, bottom, right, top]).all() else None


def note_change(change: Change, desk: Desk, source: Source) -> None:
    """Note the name and stated accuracy of a transformation."""
    accuracy = "accuracy not stated" if change.accuracy_m is None else f"stated accuracy {change.accuracy_m:g} m"
    desk.note("note", "transformed", source, f"Transformed by {change.name} ({accuracy}).")


def bounds_in(bounds: Bounds, target: CRS, system: CRS, source: Source) -> Bounds:
    """Return bounds of the result's CRS as bounds in a layer's own system, a little wider."""
    change = find_change(target, system, source, bounds)
    if change is None:
        return bounds
    left, bottom, right, top = change.transformer.transform_bounds(*bounds, densify_pts=21)
    margin_x, margin_y = 0.01 * (right - left), 0.01 * (top - bottom)
    return left - margin_x, bottom - margin_y, right + margin_x, top + margin_y

"""Columns brought in: their names mapped to ours, their values made numbers, flags or our words, ranges checked."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.brief_sources import Source
from catchscreen.errors import Fault, InputsAtFault
from catchscreen.inputs.desk import Desk, listed, make_fault, refuse
from catchscreen.inputs.level_units import METRES

YES: Final = frozenset({"yes", "y", "true", "t", "1", "1.0", "ja", "oui", "si"})
NO: Final = frozenset({"no", "n", "false", "f", "0", "0.0", "nein", "non", "nee"})
ID_NAMES: Final = {
    "parcels": "parcel_id", "owners": "parcel_id", "renewals": "parcel_id", "buildings": "building_id",
    "roads": "road_id", "land_cover": "cover_id", "cover_override": "cover_id", "soils": "soil_id",
    "groundwater": "groundwater_id",
    "constraints": "constraint_id", "sewer_zones": "zone_id", "storm_overflows": "overflow_id", "outlets": "outlet_id",
    "watercourses": "watercourse_id", "culverts": "culvert_id", "walls": "wall_id", "kerbs": "kerb_id",
    "property_points": "property_id",
    "social_index": "social_id", "utilities": "utility_id", "trees": "tree_id", "heritage": "heritage_id",
    "supply_points": "supply_id", "recorded_floods": "flood_id", "evidence": "evidence_id",
}  # fmt: skip
"""The id of each vector role."""
READ_OF_PARCELS: Final = ("land_use", "owner_class", "renewal_year", "social_decile", "reuse")
"""What we read of parcels beside their id: facts, never offered as ids."""
_WHOLE: Final = re.compile(r"^(-?\d+)\.0+$")
NOTHING: Final = frozenset({"", "nan", "none", "null", "<na>", "na", "n/a", "-", "?", "nat"})


@dataclass(frozen=True, slots=True)
class Column:
    """One column that a role carries: what it holds and within what limits.

    words : the words allowed, others become ``otherwise``.
    low, high : plausible range, values outside count as unknown.
    """

    name: str
    kind: Literal["text", "number", "flag"] = "text"
    words: tuple[str, ...] = ()
    otherwise: str = ""
    low: float = -np.inf
    high: float = np.inf
    usual: tuple[float, float] = (-np.inf, np.inf)
    """Outside of this a value is kept but named."""
    lengths: bool = False
    names: tuple[str, ...] = ()
    """Other names that it commonly has."""
    also: Mapping[str, str] = field(default_factory=dict)
    """Their word -> ours, for words that people commonly write."""


def number(
    name: str,
    low: float = -np.inf,
    high: float = np.inf,
    *,
    usual: tuple[float, float] = (-np.inf, np.inf),
    lengths: bool = False,
    names: tuple[str, ...] = (),
) -> Column:
    """Return a column of numbers within a plausible range; ``lengths`` follow the source's vertical unit."""
    return Column(name, "number", low=low, high=high, usual=usual, lengths=lengths, names=names)


def flag(name: str) -> Column:
    """Return a column of yes or no."""
    return Column(name, "flag")


def words(
    name: str, allowed: Iterable[str], otherwise: str = "unknown", also: Mapping[str, str] | None = None
) -> Column:
    """Return a column of our own words."""
    return Column(name, "text", words=tuple(allowed), otherwise=otherwise, also=also or {})


def text(name: str) -> Column:
    """Return a column of free text."""
    return Column(name)


def pick_columns(
    frame: pd.DataFrame, source: Source, desk: Desk, columns: Iterable[Column], keep: Iterable[str] = ()
) -> Any:
    """Return the frame with our columns only (all of them, unknown where absent), what measures read, and ``keep``.

    Raises
    ------
    InputsAtFault
        When the brief maps a column that is not there.
    """
    wanted = tuple(columns)
    _check_mapping(frame, source, {column.name for column in wanted} | desk.kept_columns | _id_names(source))
    picked: dict[str, Any] = {}
    for column in wanted:
        mapped = source.columns.get(column.name)
        names = (mapped,) if mapped is not None else (column.name, *column.names)
        values = next((frame[name] for name in names if name in frame.columns), None)
        picked[column.name] = _bring(values, column, len(frame), source, desk)
    for name in [*sorted(desk.kept_columns), *keep]:
        theirs = source.columns.get(name, name)
        if name not in picked and theirs in frame.columns and theirs != "geometry":
            picked[name] = frame[theirs].to_numpy()
    table = pd.DataFrame(picked, index=frame.index)
    if isinstance(frame, gpd.GeoDataFrame):
        return gpd.GeoDataFrame(table, geometry=frame.geometry, crs=frame.crs)
    return table


def _id_names(source: Source) -> set[str]:
    """Return names under which a brief may map the id."""
    return {ID_NAMES.get(source.role, "id"), "id"}


def _check_mapping(frame: pd.DataFrame, source: Source, ours: set[str]) -> None:
    """Refuse mappings to columns that are not there, and names of ours that do not exist."""
    faults: list[Fault] = []
    there = [str(name) for name in frame.columns]
    for our, theirs in source.columns.items():
        if theirs not in there:
            near = difflib.get_close_matches(theirs, there, n=1)
            cure = (f'Did you mean "{near[0]}"? ' if near else "") + f"Columns are: {listed(there, 20)}."
            faults.append(
                make_fault("missing-column", source, f'columns.{our} names "{theirs}", which is not there.', cure)
            )
        elif our not in ours:
            near = difflib.get_close_matches(our, sorted(ours), n=1)
            cure = (f'Did you mean "{near[0]}"? ' if near else "") + f"Our columns are: {', '.join(sorted(ours))}."
            faults.append(make_fault("unknown-key", source, f"columns.{our} is no column of {source.role}.", cure))
    if faults:
        raise InputsAtFault(faults)


def _bring(values: Any, column: Column, length: int, source: Source, desk: Desk) -> Any:
    """Return one column in our terms."""
    if column.kind == "number":
        return _numbers(values, column, length, source, desk)
    if column.kind == "flag":
        return _flags(values, column, length, source, desk)
    return _texts(values, column, length, source, desk)


def as_text(values: pd.Series[Any]) -> pd.Series[Any]:
    """Turn values into texts of their own, "" for what is missing."""
    if isinstance(values.dtype, pd.StringDtype):
        cells = [cell.strip() if type(cell) is str else "" for cell in values.to_numpy(dtype=object).tolist()]
        return pd.Series(cells, index=values.index, name=values.name, dtype=object)
    return values.astype(object).where(values.notna(), "").map(lambda value: str(value).strip()).astype(object)


def as_numbers(values: pd.Series[Any]) -> pd.Series[float]:
    """Turn values into float64, decimal commas allowed; what is no number becomes NaN."""
    if values.dtype == bool or not pd.api.types.is_numeric_dtype(values):
        plain = as_text(values).str.replace(",", ".", regex=False)
        return pd.to_numeric(plain, errors="coerce").astype(np.float64)
    return values.astype(np.float64)


def _numbers(values: Any, column: Column, length: int, source: Source, desk: Desk) -> Any:
    """Return numbers within the plausible range, NaN elsewhere."""
    if values is None:
        return np.full(length, np.nan)
    found = as_numbers(values)
    if column.lengths:
        found = found * METRES[getattr(source, "vertical_unit", "m")]
    absent = values[found.isna()]
    _list_odd("not-a-number", column, absent[_says_something(absent)], "no number", source, desk)
    outside = (found < column.low) | (found > column.high)
    limits = f"outside {column.low:g} to {column.high:g}"
    _list_odd("implausible-value", column, values[outside], limits, source, desk)
    note_unusual(column.name, found[~outside], column.usual, source, desk)
    return found.where(~outside).to_numpy(dtype=np.float64)


def _says_something(values: pd.Series[Any]) -> NDArray[np.bool_]:
    """Mark values that are more than a way to write that there is none; numbers that are missing never are."""
    if values.dtype != bool and pd.api.types.is_numeric_dtype(values):
        return np.zeros(len(values), dtype=np.bool_)
    return np.array([cell.lower() not in NOTHING for cell in as_text(values).tolist()], dtype=np.bool_)


def note_unusual(what: str, values: pd.Series[float], usual: tuple[float, float], source: Source, desk: Desk) -> None:
    """Name values that are kept but lie outside of what is usual."""
    odd = values[(values < usual[0]) | (values > usual[1])]
    if len(odd):
        span = f"{odd.min():g}" if odd.min() == odd.max() else f"{odd.min():g} to {odd.max():g}"
        message = f"{what}: {len(odd)} values lie outside the usual {usual[0]:g} to {usual[1]:g}: {span}."
        desk.note("note", "unusual-value", source, message, cure="Check their unit.")


def _flags(values: Any, column: Column, length: int, source: Source, desk: Desk) -> Any:
    """Return True, False or NA."""
    if values is None:
        return pd.array([pd.NA] * length, dtype="boolean")
    low = as_text(values).str.lower()
    result = pd.array([True if word in YES else False if word in NO else pd.NA for word in low], dtype="boolean")
    odd = ~low.isin(YES | NO | NOTHING)
    _list_odd("unknown-word", column, values[odd], "neither yes nor no", source, desk)
    return result


@lru_cache(maxsize=4096)
def our_word(word: str) -> str:
    """Write a word the way ours are written: small letters, underscores."""
    return re.sub(r"[^a-z0-9]+", "_", word.strip().lower()).strip("_")


def _texts(values: Any, column: Column, length: int, source: Source, desk: Desk) -> Any:
    """Return texts; "" or the column's other word where nothing is known."""
    if values is None:
        return np.full(length, column.otherwise, dtype=object)
    # "none" says nothing in most columns, but is one of our words in some.
    nothing = NOTHING - set(column.words)
    plain = ["" if cell.lower() in nothing else cell for cell in as_text(values).tolist()]
    if not column.words:
        return np.array(plain, dtype=object)
    ours = {cell: column.also.get(our_word(cell), our_word(cell)) for cell in set(plain)}
    known = {cell: ours[cell] in column.words for cell in ours}
    odd = np.array([not known[cell] and ours[cell] != "" for cell in plain], dtype=np.bool_)
    _list_odd("unknown-word", column, values[odd], f"none of {', '.join(column.words)}", source, desk)
    return np.array([ours[cell] if known[cell] else column.otherwise for cell in plain], dtype=object)


def _list_odd(code: str, column: Column, values: Any, what: str, source: Source, desk: Desk) -> None:
    """List values that were taken for unknown, in one issue."""
    if len(values):
        shown = listed(sorted({str(value) for value in values}))
        message = f"{column.name}: {len(values)} values are {what} and count as unknown: {shown}."
        cure = "Correct them, or map the right column in columns."
        desk.note("repair", code, source, message, cure=cure)


def set_ids(frame: gpd.GeoDataFrame, original: pd.DataFrame, source: Source, desk: Desk) -> gpd.GeoDataFrame:
    """Index a frame by its ids, sorted; ids are made from the place where there are none.

    Raises
    ------
    InputsAtFault
        When parcels share an id: results could not be told apart.
    """
    name = ID_NAMES[source.role]
    theirs = source.columns.get(name, source.columns.get("id", name))
    if theirs in original.columns:
        ids = clean_ids(original[theirs])
    else:
        ids = _made_ids(frame, source)
        message = f"There is no column {name}: ids were made from each feature's place."
        desk.note("note", "made-ids", source, message, cure=f'Name one: columns = {{ {name} = "..." }}.')
    empty = ids == ""
    if empty.any():
        ids = ids.where(~empty, _made_ids(frame, source))
        desk.note("repair", "empty-id", source, f"{int(empty.sum())} features have no id: made from their place.")
    ids = _unlike(ids, original, (name, int(empty.sum())), source, desk)
    indexed = frame.set_index(pd.Index(ids.to_numpy(dtype=object), name=name)).sort_index(kind="stable")
    return gpd.GeoDataFrame(indexed)


def clean_ids(values: pd.Series[Any]) -> pd.Series[str]:
    """Write ids as text, 12.0 as 12, nothing as ""."""
    plain = [_WHOLE.sub(r"\1", cell) if "." in cell else cell for cell in as_text(values).tolist()]
    cells = ["" if cell.lower() in NOTHING else cell for cell in plain]
    return pd.Series(cells, index=values.index, name=values.name, dtype=object)


def _made_ids(frame: gpd.GeoDataFrame, source: Source) -> pd.Series[str]:
    """Make ids from the inner point of each feature on a grid of 1 m; like ones get a number in order of place."""
    points = shapely.point_on_surface(frame.geometry.to_numpy())
    xy = shapely.get_coordinates(points)
    base = [f"{source.role[0]}{int(x)}_{int(y)}" for x, y in np.floor(xy)]
    order = np.lexsort((xy[:, 0], xy[:, 1]))
    seen: dict[str, int] = {}
    made = [""] * len(base)
    for row in order:
        seen[base[row]] = seen.get(base[row], 0) + 1
        made[row] = base[row] if seen[base[row]] == 1 else f"{base[row]}_{seen[base[row]]}"
    return pd.Series(made, index=frame.index, dtype=object)


def _id_like(original: pd.DataFrame, source: Source) -> list[str]:
    """Return columns that could hold ids: a value in each row, no two the same, and not a fact that we read."""
    facts = {*READ_OF_PARCELS, *(theirs for our, theirs in source.columns.items() if our in READ_OF_PARCELS)}
    found = []
    for column in original.columns:
        if column == "geometry" or column in facts or pd.api.types.is_float_dtype(original[column]):
            continue
        ids = clean_ids(original[column])
        if (ids != "").all() and ids.is_unique:
            found.append(str(column))
    return found


def _unlike(
    ids: pd.Series[str], original: pd.DataFrame, of: tuple[str, int], source: Source, desk: Desk
) -> pd.Series[str]:
    """Return ids of which no two are the same.

    of : the name of the id, and how many features have none.
    """
    name, empty = of
    twice = ids[ids.duplicated(keep=False)]
    if twice.empty:
        return ids
    shown = listed(sorted(set(twice)))
    if source.role == "parcels":
        single = _id_like(original, source)
        cure = "Give each parcel an id of its own"
        cure += f", or use another column as {name}: {listed(single)}." if single else "."
        message = f"{len(twice)} parcels share ids: {shown}."
        if empty:
            message += f" {empty} more {'has' if empty == 1 else 'have'} no id."
        raise refuse("duplicate-id", source, message, cure)
    place = ids.groupby(ids).cumcount()
    desk.note("repair", "duplicate-id", source, f"{len(twice)} features share ids, which got a number each: {shown}.")
    return ids.where(place == 0, ids + "_" + (place + 1).map(str))

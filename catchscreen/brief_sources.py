"""Where each input comes from: one small record per role, made from a brief's table or from a Python value.

A role's record holds only what the user said; nothing is opened here except to see whether a named file is there.
"""

from __future__ import annotations

import glob
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
VerticalUnit = Literal["m", "ft", "us_ft", "cm", "mm"]
RainUnit = Literal["mm", "0.1 mm", "m", "cm", "inch", "0.01 inch"]

_REMOTE_STARTS: Final = (
    "/vsi",
    "http:",
    "https:",
    "ftp:",
    "s3:",
    "gs:",
    "az:",
    "pg:",
    "mysql:",
    "wfs:",
    "wms:",
    "wcs:",
)


class Source(BaseModel):
    """Where one input lies and how its words map to ours.

    ``file`` is a path as written, relative to the brief's folder; it may name a folder, a pattern (``tiles/*.tif``) or
    something inside a zip (``county.zip/roads.shp``). ``columns`` maps our column name to theirs; ``where`` keeps only
    the rows whose columns hold the given values.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    takes: ClassVar[str] = "file"

    file: str | None = None
    layer: str | None = None
    crs: str | None = None
    columns: dict[str, str] = Field(default_factory=dict)
    where: dict[str, str | int | float | bool] = Field(default_factory=dict)

    _role: str = PrivateAttr(default="")
    _folder: Path = PrivateAttr(default_factory=Path.cwd)
    _line: int | None = PrivateAttr(default=None)
    _data: Any = PrivateAttr(default=None)

    @property
    def role(self) -> str:
        """Return the role that this source fills."""
        return self._role

    @property
    def folder(self) -> Path:
        """Return the folder that ``file`` is relative to."""
        return self._folder

    @property
    def line(self) -> int | None:
        """Return the line of the brief on which the role begins, if it came from a file."""
        return self._line

    @property
    def data(self) -> Any:
        """Return the frame, series or array given straight in, or None."""
        return self._data

    @property
    def path(self) -> Path | None:
        """Return ``file`` as an absolute path (possibly a pattern or a path into a zip), or None."""
        if self.file is None:
            return None
        given = Path(self.file).expanduser()
        return given if given.is_absolute() else self._folder / given

    def placed(self, *, role: str, folder: Path, line: int | None = None, data: Any = None) -> Self:
        """Return a copy that knows its role, its folder, its line in the brief and data given straight in."""
        copy = self.model_copy()
        private = {"_role": role, "_folder": folder, "_line": line, "_data": data}
        object.__setattr__(copy, "__pydantic_private__", private)  # the public record stays frozen
        return copy


class RasterSource(Source):
    """A raster of levels: elevation or surface model."""

    vertical_unit: VerticalUnit = "m"
    vertical_datum: str | None = None
    nodata: float | None = None
    band: Annotated[int, Field(ge=1)] = 1


class LevelledSource(Source):
    """A vector layer with heights or depths in a unit of its own."""

    vertical_unit: VerticalUnit = "m"
    nodata: float | None = None
    band: Annotated[int, Field(ge=1)] = 1


class RoadSource(Source):
    """Roads and footways: polygons, or lines that are widened by ``width_m``, a column or their class."""

    width_m: Positive | None = None
    class_width_m: dict[str, Positive] = Field(default_factory=dict)


class CoverSource(Source):
    """Land cover: polygons with a class, or a raster of codes; ``classes`` maps their code or word to our class."""

    classes: dict[str, str] = Field(default_factory=dict)
    nodata: float | None = None
    band: Annotated[int, Field(ge=1)] = 1


class ConstraintSource(Source):
    """Ground where a rule applies: ``gate`` excludes, ``switch`` moves to another variant, ``flag`` warns."""

    kind: str | None = None
    rule: Literal["gate", "switch", "flag"] | None = None
    reason: str | None = None


class ZoneSource(Source):
    """Sewer zones, with the capacity that holds where the layer gives none."""

    capacity_mm_h: NotNegative | None = None
    capacity_low_mm_h: NotNegative | None = None
    capacity_high_mm_h: NotNegative | None = None


class JoinSource(Source):
    """A table that adds a column to the parcels; ``id`` is its column that holds the parcel's id."""

    id: str | None = None


class RainTableSource(Source):
    """Depth by duration and return period: a CSV, or inline as ``return_periods_years`` and ``depths_mm``.

    ``depths_mm`` maps a duration in minutes to the depths in the order of ``return_periods_years``.
    """

    takes: ClassVar[str] = "table"

    return_periods_years: tuple[Positive, ...] = ()
    depths_mm: dict[str, tuple[Positive, ...]] = Field(default_factory=dict)
    unit: RainUnit = "mm"


class RainSeriesSource(Source):
    """Rain per step over years: a CSV in the shape that the agency publishes."""

    takes: ClassVar[str] = "table"

    time_column: str | None = None
    hour_column: str | None = None
    depth_column: str | None = None
    unit: RainUnit = "mm"
    time_zone: str = "UTC"
    stamp: Literal["start", "end"] | None = None
    step_min: Positive | None = None
    missing: tuple[float, ...] = ()


class EvaporationSource(Source):
    """Potential evaporation: twelve monthly means in mm a day, or a CSV by month or by day."""

    takes: ClassVar[str] = "table"

    monthly_mm_per_day: tuple[NotNegative, ...] = ()
    time_column: str | None = None
    depth_column: str | None = None
    unit: Literal["mm/day", "0.1 mm/day", "mm/month"] = "mm/day"


class TableSource(Source):
    """A table of the user's own numbers: TOML in the shape of the shipped file, or CSV."""

    takes: ClassVar[str] = "table"


class EvidenceSource(Source):
    """Tests and surveys: points with what was found; ``reach_m`` is how far one holds where the layer does not say."""

    reach_m: Positive | None = None


ROLES: Final[Mapping[str, type[Source]]] = MappingProxyType(
    {
        "parcels": Source,
        "elevation": RasterSource,
        "district": Source,
        "buildings": LevelledSource,
        "roads": RoadSource,
        "land_cover": CoverSource,
        "cover_override": CoverSource,
        "surface_model": RasterSource,
        "soils": Source,
        "groundwater": LevelledSource,
        "constraints": ConstraintSource,
        "sewer_zones": ZoneSource,
        "storm_overflows": Source,
        "outlets": Source,
        "watercourses": Source,
        "culverts": LevelledSource,
        "walls": LevelledSource,
        "kerbs": Source,
        "owners": JoinSource,
        "renewals": JoinSource,
        "property_points": Source,
        "social_index": Source,
        "utilities": Source,
        "trees": Source,
        "heritage": Source,
        "supply_points": Source,
        "rain_table": RainTableSource,
        "rain_series": RainSeriesSource,
        "evaporation": EvaporationSource,
        "recorded_floods": Source,
        "evidence": EvidenceSource,
        "layer_catalogue": TableSource,
        "unit_costs": TableSource,
    }
)
"""Each role of the brief and the record that holds it."""

REQUIRED_ROLES: Final = ("parcels", "elevation")
MANY_ROLES: Final = ("constraints", "evidence")
"""Roles that may be given several times: an array of tables in the brief, a list in Python."""


def is_remote(text: str) -> bool:
    """Tell whether a path names a service or a virtual file system rather than a local file."""
    low = text.strip().lower()
    return low.startswith(_REMOTE_STARTS) or "://" in low


def split_zip(path: Path) -> tuple[Path, str] | None:
    """Split a path at its first ``.zip`` part into the archive and what is inside ("" for the archive itself)."""
    parts = path.parts
    for place, part in enumerate(parts):
        if part.lower().endswith(".zip"):
            return Path(*parts[: place + 1]), "/".join(parts[place + 1 :])
    return None


def is_pattern(path: Path) -> bool:
    """Tell whether a path is a pattern: it holds ``*``, ``?`` or ``[`` and no file of that very name exists."""
    return glob.has_magic(str(path)) and not path.exists()


def exists(path: Path) -> bool:
    """Tell whether what a source names is there: a file, a folder, a pattern with a match, an archive."""
    archive = split_zip(path)
    if archive is not None:
        return archive[0].is_file()
    if is_pattern(path):
        return bool(glob.glob(str(path), recursive=True))  # noqa: PTH207 - the pattern may be absolute
    return path.exists()

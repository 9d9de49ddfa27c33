"""What geodata a folder holds: layers inside files, ``.gdb`` folders, zips, sets of tiles, tables, and copies."""

from __future__ import annotations

import hashlib
import warnings
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import pyogrio
import rasterio
from pyogrio.errors import DataLayerError, DataSourceError
from rasterio.errors import RasterioError

from catchscreen.brief_sources import Source
from catchscreen.errors import InputsAtFault
from catchscreen.inputs.tables import read_table, texts_in
from catchscreen.inputs.tilesets import RASTER_SUFFIXES, open_raster, quietly
from catchscreen.inputs.vector import VECTOR_SUFFIXES, datasets_in_zip, list_layers

MOST_FILES: Final = 5000
TABLE_SUFFIXES: Final = (".csv", ".txt", ".tsv")
SKIPPED_ENDS: Final = ("_result", ".egg-info")
LEAST_TILES: Final = 2
BLOCK: Final = 1 << 20

Shape = Literal["polygon", "line", "point", "raster", "table"]


@dataclass(frozen=True, slots=True)
class Found:
    """One layer, raster, set of tiles or table that could be an input.

    file : path relative to the folder, with /. layer : its name where the file holds several. is_whole : raster of
    whole numbers. size : features or cells.
    """

    file: str
    layer: str | None
    shape: Shape
    columns: tuple[str, ...] = ()
    size: int = 0
    is_whole: bool = False
    cell: float = 0.0

    @property
    def name(self) -> str:
        """Return what to call it: file and layer."""
        return self.file if self.layer is None else f"{self.file}, layer {self.layer}"


def find_geodata(folder: Path) -> tuple[list[Found], list[tuple[str, str]]]:
    """List what a folder holds, sorted by path, and (path, reason) of what cannot be used."""
    found: list[Found] = []
    left: list[tuple[str, str]] = []
    seen: dict[str, str] = {}
    entries = _entries(folder)
    tiles = _tile_folders(entries)
    for entry in entries:
        inside = entry.relative_to(folder).as_posix()
        if entry.is_file() and entry.parent not in tiles:
            print_of_it = _content_hash(entry)
            if print_of_it in seen:
                left.append((inside, f"a copy of {seen[print_of_it]}"))
                continue
            seen[print_of_it] = inside
        try:
            layers = _look_into(entry, folder, tiles)
        except (RasterioError, DataSourceError, DataLayerError, OSError, zipfile.BadZipFile, InputsAtFault) as error:
            left.append((inside, f"cannot be read: {(str(error).splitlines() or ['?'])[0]}"))
            continue
        if layers is not None and not layers:
            left.append((inside, "holds nothing that could be read as geodata"))
        found.extend(layers or [])
    return found, left


def _entries(folder: Path) -> list[Path]:
    """List files and ``.gdb`` folders in reading order; hidden folders and results are passed over."""
    entries: list[Path] = []
    waiting = [folder]
    while waiting and len(entries) < MOST_FILES:
        for entry in sorted(waiting.pop(0).iterdir()):
            if entry.name.startswith((".", "__")):
                continue
            if entry.is_dir() and entry.suffix.lower() != ".gdb":
                if not entry.name.endswith(SKIPPED_ENDS) and not entry.is_symlink():
                    waiting.append(entry)
            elif entry.suffix.lower() in (*VECTOR_SUFFIXES, *RASTER_SUFFIXES, *TABLE_SUFFIXES, ".zip"):
                entries.append(entry)
    return entries


def _tile_folders(entries: list[Path]) -> set[Path]:
    """Return the folders whose rasters are tiles of one: two or more of one kind, cell and data type, side by side."""
    kinds: dict[Path, list[tuple[object, ...]]] = {}
    for entry in entries:
        if entry.suffix.lower() in RASTER_SUFFIXES and entry.suffix.lower() != ".vrt":
            kinds.setdefault(entry.parent, []).append(_raster_kind(entry))
    return {
        parent
        for parent, found in kinds.items()
        if len(found) >= LEAST_TILES
        and len({kind[:-1] for kind in found}) == 1
        and len({kind[-1] for kind in found}) == len(found)
    }


def _raster_kind(path: Path) -> tuple[object, ...]:
    """Return what tiles of one set share, and last where this one begins."""
    try:
        with quietly(), open_raster(str(path), None) as opened:
            return (
                path.suffix.lower(),
                opened.transform.a,
                opened.dtypes[0],
                opened.count,
                tuple(opened.transform)[2:6:3],
            )
    except RasterioError:
        return (path.name,)


def _content_hash(path: Path) -> str:
    """Return a hash of a file's size, kind, first and last megabyte."""
    digest = hashlib.sha256(f"{path.stat().st_size}{path.suffix.lower()}".encode())
    with path.open("rb") as stream:
        digest.update(stream.read(BLOCK))
        stream.seek(max(path.stat().st_size - BLOCK, 0))
        digest.update(stream.read(BLOCK))
    return digest.hexdigest()


def _look_into(entry: Path, folder: Path, tiles: set[Path]) -> list[Found] | None:
    """List what one file holds; None for a tile that was counted with its folder."""
    inside = entry.relative_to(folder).as_posix()
    suffix = entry.suffix.lower()
    if suffix == ".zip":
        return list(_in_zip(entry, inside))
    if suffix in RASTER_SUFFIXES:
        if entry.parent in tiles:
            first = entry == min(other for other in entry.parent.iterdir() if other.suffix.lower() in RASTER_SUFFIXES)
            where = entry.parent.relative_to(folder).as_posix()
            return [_raster(str(entry), f"{where}/*{suffix}", None)] if first else None
        return [_raster(str(entry), inside, None)]
    if suffix in TABLE_SUFFIXES:
        return [_table(entry, inside)]
    layers = list(_layers(str(entry), inside))
    if suffix == ".gpkg":
        layers.extend(_rasters_in_geopackage(entry, inside))
    return layers


def _in_zip(archive: Path, inside: str) -> Iterator[Found]:
    """Yield what a zip holds."""
    with zipfile.ZipFile(archive) as opened:
        names = opened.namelist()
    rasters = sorted(name for name in names if name.lower().endswith(RASTER_SUFFIXES))
    for name in datasets_in_zip(archive):
        yield from _layers(f"/vsizip/{archive.as_posix()}/{name}", f"{inside}/{name}")
    for name in texts_in(names):
        yield _table(archive / name, f"{inside}/{name}")
    if rasters:
        path = f"/vsizip/{archive.as_posix()}/{rasters[0]}"
        yield _raster(path, inside if len(rasters) > 1 else f"{inside}/{rasters[0]}", None)


def _layers(path: str, inside: str) -> Iterator[Found]:
    """Yield the vector layers of a dataset."""
    layers = list_layers(path)
    for layer, kind in layers:
        shape = _shape_of(kind)
        if shape is None:
            continue
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            info = pyogrio.read_info(path, layer=layer)
        columns = tuple(str(name) for name in info["fields"])
        yield Found(inside, layer if len(layers) > 1 else None, shape, columns, int(info["features"]))


def _shape_of(kind: str) -> Shape | None:
    """Return the shape of a layer by the name of its geometry type."""
    low = kind.lower()
    shapes: dict[str, Shape] = {
        "polygon": "polygon",
        "surface": "polygon",
        "line": "line",
        "curve": "line",
        "point": "point",
    }
    return next((shape for word, shape in shapes.items() if word in low), None)


def _raster(path: str, inside: str, table: str | None) -> Found:
    """Describe a raster."""
    with quietly(), open_raster(path, table) as opened:
        is_whole = opened.dtypes[0].startswith(("int", "uint"))
        return Found(inside, table, "raster", (), opened.width * opened.height, is_whole, float(opened.transform.a))


def _rasters_in_geopackage(path: Path, inside: str) -> list[Found]:
    """List the rasters in a GeoPackage, none as a rule."""
    try:
        with quietly(), rasterio.open(path) as opened:
            tables = [name.rsplit(":", 1)[1] for name in opened.subdatasets] or [opened.tags().get("IDENTIFIER", "")]
    except RasterioError:
        return []
    return [_raster(str(path), inside, table or None) for table in tables]


def _table(path: Path, inside: str) -> Found:
    """Describe a table."""
    frame = read_table(Source(file=str(path)).placed(role="table", folder=path.parent))
    return Found(inside, None, "table", tuple(str(name) for name in frame.columns), len(frame))

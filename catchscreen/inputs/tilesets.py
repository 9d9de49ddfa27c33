"""The tiles of one raster: found in a file, folder, pattern or zip, or given as an array, and fitted to one grid."""

from __future__ import annotations

import difflib
import glob
import math
import warnings
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.windows import Window

from catchscreen.brief_sources import Source, is_pattern, split_zip
from catchscreen.errors import Fault, InputsAtFault
from catchscreen.inputs.desk import Bounds, make_fault, refuse
from catchscreen.records import Raster

RASTER_SUFFIXES: Final = (".tif", ".tiff", ".asc", ".img", ".bil", ".flt", ".dem", ".hgt", ".grd", ".nc", ".vrt")
OFF_GRID_SHARE: Final = 0.01
"""A tile whose corner is off the common grid by more than this share of a cell is at fault."""


@dataclass(frozen=True, slots=True)
class Tile:
    """One raster file or array: where it lies in its own CRS; rows run south."""

    name: str
    path: str
    rows: int
    cols: int
    transform: Affine
    crs: str
    nodata: float | None
    table: str | None = None
    array: NDArray[Any] | None = None
    valid: NDArray[np.bool_] | None = None
    unit: str = ""
    """What the file calls the unit of its values."""


@dataclass(frozen=True, slots=True)
class TileSet:
    """Tiles on one grid; row and column offsets count from the common north-west corner."""

    tiles: tuple[Tile, ...]
    offsets: tuple[tuple[int, int], ...]
    left: float
    top: float
    cell_width: float
    cell_height: float
    rows: int
    cols: int
    crs: str

    @property
    def bounds(self) -> Bounds:
        """Return (min x, min y, max x, max y)."""
        return (
            self.left,
            self.top - self.rows * self.cell_height,
            self.left + self.cols * self.cell_width,
            self.top,
        )


def open_tiles(source: Source) -> TileSet:
    """Find the tiles of a raster and fit them to one grid; no pixel is read.

    Raises
    ------
    InputsAtFault
        When there is no tile, or one cannot be read, is turned, or lies off the others' grid; each is named.
    """
    tiles = [_tile_of_data(source)] if source.data is not None else _tiles_of_files(source)
    return _fit(tiles, source)


def _tile_of_data(source: Source) -> Tile:
    """Make a tile of ``records.Raster`` or (array, transform, crs)."""
    data = source.data
    if isinstance(data, Raster):
        crs = data.grid.crs.to_wkt()
        rows, cols = data.grid.shape
        return Tile("array", "", rows, cols, data.grid.transform, crs, None, array=data.values, valid=data.valid)
    if not (isinstance(data, tuple) and len(data) == 3 and np.ndim(data[0]) == 2):
        cure = "Give a path, a records.Raster, or (array of two dimensions, affine transform, crs)."
        raise refuse("wrong-type", source, f"A {type(data).__name__} is no raster.", cure)
    array, transform, crs = data
    if transform is None:
        cure = "Give (array, affine transform, crs); the transform holds the north-west corner and the cell's size."
        raise refuse("no-place", source, "The array does not say where it lies: its transform is None.", cure)
    valid = ~np.ma.getmaskarray(array) if np.ma.isMaskedArray(array) else None
    plain = np.ma.getdata(array)
    affine = transform if isinstance(transform, Affine) else Affine(*tuple(transform)[:6])
    if affine.e > 0 and affine.b == affine.d == 0:
        affine = Affine(affine.a, 0.0, affine.c, 0.0, -affine.e, affine.f + affine.e * plain.shape[0])
        plain, valid = plain[::-1], valid[::-1] if valid is not None else None
    text = crs.to_wkt() if hasattr(crs, "to_wkt") else str(crs or "")
    rows, cols = plain.shape
    return Tile("array", "", rows, cols, affine, text, getattr(source, "nodata", None), array=plain, valid=valid)


def tile_paths(source: Source) -> list[tuple[str, str]]:
    """List (name, path as rasterio takes it) of the files that a source stands for, sorted by name.

    Raises
    ------
    InputsAtFault
        When nothing in the folder, pattern or archive is a raster.
    """
    path = source.path
    if path is None:
        raise refuse("missing-key", source, f"[{source.role}] names no file.", 'Add file = "...".')
    archive = split_zip(path)
    if archive is not None:
        return _paths_in_zip(*archive, source)
    if is_pattern(path):
        found = [Path(name) for name in glob.glob(str(path), recursive=True)]  # noqa: PTH207 - may be absolute
    elif path.is_dir() and path.suffix.lower() != ".gdb":
        found = [entry for entry in path.iterdir() if entry.suffix.lower() in RASTER_SUFFIXES]
        # A VRT beside its own tiles says the same twice.
        found = [entry for entry in found if entry.suffix.lower() != ".vrt"] or found
    else:
        return [(path.name, str(path))]
    if not found:
        cure = f"Name a raster or a folder with some ({', '.join(RASTER_SUFFIXES[:4])})."
        raise refuse("no-tiles", source, f'There is no raster in "{source.file}".', cure)
    return sorted((entry.name, str(entry)) for entry in found)


def _paths_in_zip(archive: Path, inner: str, source: Source) -> list[tuple[str, str]]:
    """List the rasters of a zip, all or those under one inner path."""
    try:
        with zipfile.ZipFile(archive) as opened:
            names = opened.namelist()
    except (OSError, zipfile.BadZipFile) as error:
        raise refuse(
            "unreadable-file", source, f"{archive.name} is no zip that can be read.", "Zip it again."
        ) from error
    rasters = sorted(name for name in names if name.lower().endswith(RASTER_SUFFIXES))
    if inner:
        chosen = [name for name in rasters if name == inner or name.startswith(inner.rstrip("/") + "/")]
        if not chosen:
            near = difflib.get_close_matches(inner, rasters, n=1)
            cure = f'Did you mean "{near[0]}"?' if near else f"It holds {len(rasters)} rasters."
            raise refuse("no-tiles", source, f'{archive.name} holds no raster "{inner}".', cure)
        rasters = chosen
    if not rasters:
        raise refuse("no-tiles", source, f"{archive.name} holds no raster.", "Name an archive with .tif or .asc files.")
    base = archive.as_posix()
    return [(name, f"/vsizip/{base}/{name}") for name in rasters]


def _tiles_of_files(source: Source) -> list[Tile]:
    """Open each file just long enough to learn where it lies."""
    tiles: list[Tile] = []
    faults: list[Fault] = []
    for name, path in tile_paths(source):
        try:
            tiles.append(_tile_of_file(name, path, source))
        except InputsAtFault as error:
            faults.extend(error.faults)
    if faults:
        raise InputsAtFault(faults)
    return tiles


def _tile_of_file(name: str, path: str, source: Source) -> Tile:
    """Learn where one raster file lies.

    Raises
    ------
    InputsAtFault
        When it cannot be opened, has no place on earth, or its grid is turned.
    """
    try:
        with quietly(), open_raster(path, source.layer) as opened:
            _check_bands(opened.count, name, source)
            crs = opened.crs.to_wkt() if opened.crs is not None else ""
            unit = opened.units[getattr(source, "band", 1) - 1] or ""
            size = opened.height, opened.width
            tile = Tile(name, path, *size, opened.transform, crs, opened.nodata, table=source.layer, unit=unit)
    except RasterioError as error:
        cure = "Name a raster that opens in a GIS (.tif, .asc, .vrt), or the folder that holds its tiles."
        raise refuse(
            "unreadable-file", source, f"{name} cannot be read as a raster: {_plainly(error)}.", cure
        ) from error
    if tile.transform.is_identity:
        raise refuse("no-place", source, f"{name} does not say where it lies.", "Save it with its georeference.")
    return tile


@contextmanager
def quietly() -> Iterator[None]:
    """Open in our own rasterio environment, so that the caller's GDAL options stay; silence what we check ourselves."""
    with rasterio.Env(), warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        yield


def open_raster(path: str, table: str | None) -> Any:
    """Open a raster for reading; ``table`` names one of several rasters in a GeoPackage."""
    if table is not None and path.lower().endswith(".gpkg"):
        return rasterio.open(path, driver="GPKG", TABLE=table)
    return rasterio.open(path)


def _check_bands(count: int, name: str, source: Source) -> None:
    """Refuse a band number that the file does not have."""
    band = getattr(source, "band", 1)
    if band > count:
        raise refuse("missing-band", source, f"{name} has {count} band(s), not {band}.", f"Set band to 1..{count}.")


def _plainly(error: Exception) -> str:
    """Return the first line of an error without its final stop."""
    return (str(error).splitlines() or ["unknown reason"])[0].rstrip(".")


def _fit(tiles: list[Tile], source: Source) -> TileSet:
    """Put tiles on one grid, or name each that does not fit the first."""
    first = tiles[0]
    width, height = first.transform.a, -first.transform.e
    faults = [fault for tile in tiles if (fault := _misfit(tile, first, source)) is not None]
    if faults:
        raise InputsAtFault(faults)
    left = min(tile.transform.c for tile in tiles)
    top = max(tile.transform.f for tile in tiles)
    offsets = tuple(
        (round((top - tile.transform.f) / height), round((tile.transform.c - left) / width)) for tile in tiles
    )
    rows = max(offset[0] + tile.rows for offset, tile in zip(offsets, tiles, strict=True))
    cols = max(offset[1] + tile.cols for offset, tile in zip(offsets, tiles, strict=True))
    return TileSet(tuple(tiles), offsets, left, top, width, height, rows, cols, first.crs)


def _misfit(tile: Tile, first: Tile, source: Source) -> Fault | None:
    """Say why a tile does not fit the grid of the first, None when it does."""
    a, b, c, d, e, f = tuple(tile.transform)[:6]
    width, height = first.transform.a, -first.transform.e
    if b != 0 or d != 0 or a <= 0 or e >= 0:
        cure = "Save it north-up (rows running south), without resampling where its axes allow."
        return make_fault("turned-grid", source, f"{tile.name} is not north-up.", cure)
    if not (math.isclose(a, width, rel_tol=1e-6) and math.isclose(-e, height, rel_tol=1e-6)):
        message = f"{tile.name} has cells of {a:g} x {-e:g}, {first.name} of {width:g} x {height:g}."
        return make_fault("unlike-tiles", source, message, "Give tiles of one cell size.")
    if tile.crs != first.crs and source.crs is None:
        message = f"{tile.name} and {first.name} are in different coordinate systems."
        return make_fault(
            "unlike-tiles", source, message, f'Save all in one, or give crs = "EPSG:..." in [{source.role}].'
        )
    off_x, off_y = (c - first.transform.c) / width, (f - first.transform.f) / height
    off = max(abs(off_x - round(off_x)), abs(off_y - round(off_y)))
    if off > OFF_GRID_SHARE:
        message = f"{tile.name} lies off the grid of {first.name} by {off:.2f} of a cell."
        return make_fault(
            "misaligned-tile", source, message, "Elevation is never resampled: ask for tiles on one grid."
        )
    return None


def read_block(tiles: TileSet, source: Source, row: int, col: int, shape: tuple[int, int]) -> tuple[Any, Any]:
    """Read a block of cells of the common grid.

    The first tile by name wins where two overlap. A cell is valid when no tag, mask or NaN says otherwise.

    Returns
    -------
    values : (rows, cols) in the file's unit, dtype of the file widened to float64 for levels
    valid : (rows, cols) bool
    """
    values = np.zeros(shape, dtype=np.float64)
    valid = np.zeros(shape, dtype=np.bool_)
    for tile, (tile_row, tile_col) in zip(tiles.tiles, tiles.offsets, strict=True):
        top, left = max(row, tile_row), max(col, tile_col)
        bottom, right = min(row + shape[0], tile_row + tile.rows), min(col + shape[1], tile_col + tile.cols)
        if top >= bottom or left >= right:
            continue
        part, good = _read_tile(tile, source, (top - tile_row, bottom - tile_row), (left - tile_col, right - tile_col))
        place = np.s_[top - row : bottom - row, left - col : right - col]
        fresh = good & ~valid[place]
        np.copyto(values[place], part, where=fresh)
        valid[place] |= fresh
    return values, valid


def _read_tile(tile: Tile, source: Source, rows: tuple[int, int], cols: tuple[int, int]) -> tuple[Any, Any]:
    """Read part of one tile: values and which of them are data.

    Raises
    ------
    InputsAtFault
        When the file is not whole.
    """
    nodata = getattr(source, "nodata", None)
    if tile.array is not None:
        place = np.s_[rows[0] : rows[1], cols[0] : cols[1]]
        own = tile.array[place]
        good = np.ones(own.shape, dtype=np.bool_) if tile.valid is None else tile.valid[place].copy()
        scale, offset = 1.0, 0.0
    else:
        window = Window(cols[0], rows[0], cols[1] - cols[0], rows[1] - rows[0])
        band = getattr(source, "band", 1)
        try:
            with quietly(), open_raster(tile.path, tile.table) as opened:
                read = opened.read(band, window=window, masked=True)
                scale, offset = opened.scales[band - 1], opened.offsets[band - 1]
        except RasterioError as error:
            message = f"{tile.name} breaks off while it is read: {_plainly(error)}."
            raise refuse("unreadable-file", source, message, "Copy or download it again: it is not whole.") from error
        own, good = np.ma.getdata(read), ~np.ma.getmaskarray(read)
    if own.dtype.kind == "f":
        good &= np.abs(own) < 1e30
    part = own.astype(np.float64)
    if nodata is not None:
        good &= part != nodata
    if (scale, offset) != (1.0, 0.0):
        part = part * scale + offset
    return part, good


def is_raster_source(source: Source) -> bool:
    """Tell whether a source that may be either is a raster, by its data or its file's name."""
    path = source.path
    if source.data is not None or path is None:
        return isinstance(source.data, Raster | tuple)
    if path.is_dir():
        return path.suffix.lower() != ".gdb" and any(
            entry.suffix.lower() in RASTER_SUFFIXES for entry in path.iterdir()
        )
    archive = split_zip(path)
    if archive is not None and not archive[1]:
        try:
            with zipfile.ZipFile(archive[0]) as opened:
                return any(name.lower().endswith(RASTER_SUFFIXES) for name in opened.namelist())
        except (OSError, zipfile.BadZipFile):
            return False
    return path.suffix.lower() in RASTER_SUFFIXES

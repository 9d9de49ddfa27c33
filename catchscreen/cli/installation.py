"""What ``catchscreen doctor`` looks at, one finding each."""

from __future__ import annotations

import platform
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

LIBRARIES = (
    "affine",
    "geopandas",
    "jinja2",
    "matplotlib",
    "numba",
    "numpy",
    "pandas",
    "pydantic",
    "pyogrio",
    "pyproj",
    "rasterio",
    "rich",
    "scipy",
    "shapely",
    "typer",
)
LARGEST_BALANCE_ERROR = 1e-9
"""Of the rain: the water ledger's promise."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at."""

    name: str
    is_ok: bool
    text: str
    cure: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for ``--json``."""
        return asdict(self)


def examine(*, with_trial: bool, cancelled: Callable[[], bool] | None = None) -> list[Finding]:
    """Look at the installation, part by part."""
    findings = [_program(), _libraries(), _geodata_libraries(), _transformations()]
    findings += [_kernels(compile_them=with_trial), *_measures()]
    if with_trial:
        findings.append(_guarded("trial screening", lambda: _trial(cancelled)))
    return findings


def _guarded(name: str, look: Callable[[], Finding]) -> Finding:
    """Turn whatever goes wrong while looking into a finding: that is what the command is for."""
    from catchscreen.errors import ScreeningStopped

    try:
        return look()
    except ScreeningStopped:
        raise
    except Exception as error:  # noqa: BLE001 (any error is the answer)
        return Finding(name, is_ok=False, text=f"{type(error).__name__}: {error}", cure="Install catchscreen again.")


def _program() -> Finding:
    import catchscreen

    where = Path(catchscreen.__file__).parent
    python = f"Python {platform.python_version()} ({sys.executable})"
    text = f"catchscreen {catchscreen.__version__} in {where}; {python}; {platform.platform()}"
    return Finding("program", is_ok=True, text=text)


def _libraries() -> Finding:
    from importlib.metadata import PackageNotFoundError, version

    texts, missing = [], []
    for name in LIBRARIES:
        try:
            texts.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            missing.append(name)
    if missing:
        return Finding(
            "libraries", is_ok=False, text=f"missing: {', '.join(missing)}", cure="Install catchscreen again."
        )
    return Finding("libraries", is_ok=True, text=", ".join(texts))


def _geodata_libraries() -> Finding:
    """Name both GDALs: rasterio and pyogrio each bring their own, and one's handles never go to the other."""

    def look() -> Finding:
        import pyogrio
        import rasterio
        import shapely

        text = (
            f"rasters with GDAL {rasterio.__gdal_version__} and PROJ {rasterio.__proj_version__}, "
            f"vectors with GDAL {pyogrio.__gdal_version_string__}, GEOS {shapely.geos_version_string}"
        )
        drivers = pyogrio.list_drivers()
        missing = [name for name in ("GPKG", "ESRI Shapefile", "OpenFileGDB", "GeoJSON") if name not in drivers]
        if missing:
            return Finding("geodata libraries", is_ok=False, text=f"{text}; cannot read {', '.join(missing)}")
        return Finding("geodata libraries", is_ok=True, text=text)

    return _guarded("geodata libraries", look)


def _transformations() -> Finding:
    """See that each PROJ finds its database; a PROJ_DATA left behind by another program hides the rasters' one."""

    def look() -> Finding:
        import pyproj
        from rasterio.warp import transform

        x, y = pyproj.Transformer.from_crs(4326, 32632, always_xy=True).transform(9.0, 0.0)
        text = f"PROJ {pyproj.proj_version_str} with its database in {pyproj.datadir.get_data_dir()}"
        try:
            xs, ys = transform("EPSG:4326", "EPSG:32632", [9.0], [0.0])
        except ValueError as error:  # what rasterio raises is one
            cure = "Unset PROJ_DATA and PROJ_LIB, which another program may have set."
            return Finding("transformations", is_ok=False, text=f"{text}; for rasters: {error}", cure=cure)
        greatest = max(abs(x - 500_000.0), abs(y), abs(xs[0] - 500_000.0), abs(ys[0]))
        right = greatest < 1e-3
        said = "right within a millimetre" if right else f"wrong by {greatest:.3g} m"
        return Finding("transformations", is_ok=right, text=f"{text}; {said}")

    return _guarded("transformations", look)


def _kernels(*, compile_them: bool) -> Finding:
    """Say where compiled kernels are kept and how many there are; where none are, compile them first if wanted."""

    def look() -> Finding:
        from catchscreen.cli.compiling import compile_ahead
        from catchscreen.compiled import CACHE_FOLDER, kept_kernels

        if CACHE_FOLDER is None:
            text = "no folder can be written for compiled kernels, so that they are compiled again in each run"
            return Finding(
                "kernels", is_ok=True, text=text, cure="Set NUMBA_CACHE_DIR to a folder that can be written."
            )
        started, ahead = time.perf_counter(), ""
        if compile_them and not kept_kernels():
            processes = compile_ahead()
            ahead = f" (just now, by {processes} processes in {time.perf_counter() - started:.0f} s)"
        number = kept_kernels()
        state = f"{number} compiled{ahead}" if number else "none compiled yet, the first run takes longer"
        return Finding("kernels", is_ok=True, text=f"{state}, kept in {CACHE_FOLDER}")

    return _guarded("kernels", look)


def _measures() -> list[Finding]:
    """List the measures by where they come from; a broken one is a fault."""
    from catchscreen.errors import CatchscreenError
    from catchscreen.measures.registry import find_measures

    try:
        found = find_measures()
    except CatchscreenError as error:
        return [Finding("measures", is_ok=False, text=str(error))]
    return [
        Finding(
            f"measure {entry.name}", is_ok=False, text=entry.fault, cure=f"Reinstall or remove {entry.distribution}."
        )
        if entry.measure is None
        else Finding(f"measure {entry.name}", is_ok=True, text=f"from {entry.distribution}")
        for entry in found
    ]


def _trial(cancelled: Callable[[], bool] | None) -> Finding:
    """Screen a square of invented ground, write the result, and see that its water balances."""
    import tempfile

    from catchscreen.cli.trial import trial_brief
    from catchscreen.pipeline import screen

    started = time.perf_counter()
    screening = screen(trial_brief(), cancelled=cancelled)
    with tempfile.TemporaryDirectory(prefix="catchscreen-", ignore_cleanup_errors=True) as folder:
        files = screening.write(Path(folder) / "trial_result").files
        number = len(tuple(files))
    balance = screening.water_balance
    error = float((balance["residual_m3"].abs() / balance["rain_m3"].clip(lower=1.0)).max())
    seconds = time.perf_counter() - started
    text = f"{number} files written, water balanced within {error:.0e} of the rain, {seconds:.1f} s"
    return Finding("trial screening", is_ok=error < LARGEST_BALANCE_ERROR, text=text)

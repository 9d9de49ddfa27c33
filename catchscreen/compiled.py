"""The one door to the compiler: how kernels are compiled, where their machine code is kept, who runs them in parallel.

numba's cache does not notice an edit in a kernel that is called from another file, so the cache folder is named after
the text of all kernel modules of its stage. Where no folder can be written (a read-only installation), kernels are
compiled for this process only. This must be settled before numba is imported for the first time by us, hence here.
"""

from __future__ import annotations

import functools
import hashlib
import inspect
import logging
import os
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar, cast

logger = logging.getLogger("catchscreen")

_Function = TypeVar("_Function", bound=Callable[..., Any])


PACKAGE: Final = Path(__file__).parent


def _stage_of(path: Path) -> Path:
    """Return the folder of the stage to which a kernel module belongs: a kernel calls none of another stage."""
    return PACKAGE / path.relative_to(PACKAGE).parts[0] if path.is_relative_to(PACKAGE) else path.parent


def _kernel_text_hash(stage: Path) -> str:
    """Hash the text of every kernel module of a stage."""
    digest = hashlib.sha256()
    for path in sorted(stage.glob("**/*_kernels*")):
        for source in sorted(path.glob("*.py")) if path.is_dir() else [path]:
            if source.suffix == ".py":
                digest.update(source.read_bytes())
    return digest.hexdigest()[:16]


def _cache_base() -> Path:
    """Return the folder under which kernels are kept: the user's choice, else the user's cache folder."""
    chosen = os.environ.get("NUMBA_CACHE_DIR")
    if chosen:
        return Path(chosen)
    if os.name == "nt":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")


def _writable_cache_folder() -> Path | None:
    """Make and probe the cache folder; None where nothing can be written."""
    try:
        folder = _cache_base() / "catchscreen-kernels"
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except (OSError, RuntimeError):
        logger.info("no writable folder for compiled kernels: they are compiled again in each process")
        return None
    return folder


CACHE_FOLDER: Final = _writable_cache_folder()

import numba  # noqa: E402  (the cache folder is settled first)
from numba import prange  # noqa: E402

parallel_lock: Final = threading.RLock()
"""Held around every call of a parallel kernel: two threads inside one abort the process on the workqueue layer."""


@functools.cache
def _stage_folder(stage: Path) -> str:
    """Name the cache folder of a stage as its kernels read now."""
    return str(cast("Path", CACHE_FOLDER) / f"{stage.name}-{_kernel_text_hash(stage)}")


def kept_kernels() -> int:
    """Count the compiled kernels that are kept and fit the package as it reads now."""
    if CACHE_FOLDER is None:
        return 0
    stages = [path for path in PACKAGE.iterdir() if path.is_dir()]
    return sum(len(list(Path(_stage_folder(stage)).rglob("*.nbi"))) for stage in stages)


def _compile(function: _Function, *, parallel: bool) -> _Function:
    """Wrap a function for compilation, cached where that is possible."""
    previous = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = _stage_folder(_stage_of(Path(inspect.getfile(function)))) if CACHE_FOLDER else previous
    try:
        wrap = numba.njit(cache=CACHE_FOLDER is not None, nogil=True, error_model="numpy", parallel=parallel)
        return cast("_Function", wrap(function))
    finally:
        numba.config.CACHE_DIR = previous


def thread_count() -> int:
    """Return how many threads the user allows (``NUMBA_NUM_THREADS``, else the processors), for kernels run by hand."""
    return int(numba.get_num_threads())


def kernel(function: _Function) -> _Function:
    """Compile a kernel: no interpreter lock, IEEE arithmetic, machine code kept between runs."""
    return _compile(function, parallel=False)


def parallel_kernel(function: _Function) -> _Function:
    """Compile a kernel whose ``prange`` loops run on several threads; call it with ``parallel_lock`` held."""
    return _compile(function, parallel=True)


def argument_types(text: str) -> tuple[Any, ...]:
    """Read a kernel's argument types from text such as ``(Array(float64, 2, 'C', False, aligned=True), int64,)``."""
    from numba.core.sigutils import normalize_signature  # noqa: PLC0415 (for the command that compiles ahead only)

    return tuple(normalize_signature(text)[0])


__all__ = [
    "CACHE_FOLDER",
    "argument_types",
    "kept_kernels",
    "kernel",
    "numba",
    "parallel_kernel",
    "parallel_lock",
    "prange",
    "thread_count",
]

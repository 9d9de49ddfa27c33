"""How much memory a raster will take, and how much this machine has, asked before anything is read."""

from __future__ import annotations

import ctypes
import math
import os
import sys
from pathlib import Path
from typing import Final

BYTES_PER_CELL: Final = 72
"""Peak bytes per cell of a screening: ground, filled ground, receivers, accumulation, labels, slope, work arrays."""

USABLE_SHARE: Final = 0.8


def memory_bytes() -> int | None:
    """Return the memory that this process may use: the machine's, or the container's limit if less; None if unknown."""
    found = [size for size in (_physical_bytes(), _container_bytes()) if size]
    return min(found) if found else None


def _physical_bytes() -> int | None:
    """Return the machine's memory."""
    if sys.platform == "win32":
        kilobytes = ctypes.c_ulonglong(0)
        done = ctypes.windll.kernel32.GetPhysicallyInstalledSystemMemory(ctypes.byref(kilobytes))
        return int(kilobytes.value) * 1024 if done else None
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (ValueError, OSError):
        return None


def _container_bytes() -> int | None:
    """Return the limit that a Linux control group sets, if any."""
    for name in ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory/memory.limit_in_bytes"):
        try:
            text = Path(name).read_text(encoding="ascii").strip()
        except (OSError, UnicodeDecodeError):
            continue
        if text.isdigit() and int(text) < 1 << 60:
            return int(text)
    return None


def too_many_cells(cells: int, cell_m: float, memory: int | None) -> tuple[str, str] | None:
    """Return message and cure when that many cells will not fit into memory, else None.

    The cure names the least whole multiple of the cell that fits.
    """
    needed = cells * BYTES_PER_CELL
    if memory is None or needed <= memory * USABLE_SHARE:
        return None
    factor = math.ceil(math.sqrt(needed / (memory * USABLE_SHARE)))
    message = (
        f"{cells:,} cells of {cell_m:g} m would take about {needed / 1e9:.1f} GB; "
        f"this machine has {memory / 1e9:.1f} GB."
    )
    cure = f"Set terrain.cell_m = {factor * cell_m:g}, or give a smaller [district]."
    return message, cure

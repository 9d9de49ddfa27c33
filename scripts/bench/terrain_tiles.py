"""How fast and in how much memory water is routed over tiles, from a file, beside our own whole grid in memory.

Case ``tiles-N``: N x N cells in an uncompressed GeoTIFF, read window by window, results in a work folder; beside it the
whole grid in memory. Both must be equal in every cell. CPU seconds are compared (both use two threads), wall seconds
are listed; reading and writing files is part of the tiled run alone.
Case ``flats-N``: the same on ground of whole metres with about half its cells in flats.
Case ``memory-N``: the tiled run alone; its peak memory, and that above what Python and the libraries take themselves.

Each run is a fresh process, compiled beforehand. The ground is made tile by tile: hills of many sizes on a slope, small
pits, patches without level. Sizes that the disk has no room for are left out and listed so. A run puts its lines into
``results.jsonl`` in place of earlier ones.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
SPEED = {False: (4000, 10_000), True: (2000,)}
FLATS = {False: (4000, 10_000), True: (2000,)}
MEMORY = {False: (10_000, 31_623), True: (3000,)}
STEEPER = 3.0
"""Heights are so many times those of the other cases before they become whole metres."""
TILE = 1024
BASE = 2000
WEIGHTS = (2.0, 2.0, 1.0)
NODATA = -9999.0
BYTES_ON_DISK = 22
"""Of each cell, in the ground's file and the work folder."""


def make_base(seed: int = 7) -> Any:
    """Make a square of rough ground that repeats without a step, in metres."""
    import numpy as np
    from scipy import fft

    rng = np.random.default_rng(seed)
    noise = fft.rfft2(rng.standard_normal((BASE, BASE)).astype(np.float32))
    wave = np.hypot(fft.fftfreq(BASE)[:, None], fft.rfftfreq(BASE)[None, :])
    noise *= np.maximum(wave, 1 / 400) ** -1.9
    noise[0, 0] = 0
    ground = fft.irfft2(noise, s=(BASE, BASE))
    ground *= 3.0 / ground.std()
    pits = rng.integers(0, BASE * BASE, BASE * BASE // 100)
    ground.reshape(-1)[pits] -= rng.uniform(0.02, 0.25, pits.size)
    return ground.astype(np.float32)


def ground_block(base: Any, first_row: int, first_col: int, shape: tuple[int, int]) -> Any:
    """Return a block of the endless ground: the base, on large hills and a slope, with patches without level."""
    import numpy as np

    row, col = np.arange(first_row, first_row + shape[0]), np.arange(first_col, first_col + shape[1])
    block = base[np.ix_(row % BASE, col % BASE)].astype(np.float64)
    block += 0.004 * row[:, None] + 80.0
    for length, height in ((3100.0, 7.0), (7300.0, 11.0), (19_700.0, 17.0)):
        block += height * np.sin(row[:, None] / length * math.tau) * np.cos(col[None, :] / length * math.tau + length)
    patch = (row // 50 * 7919)[:, None] ^ (col // 50 * 104_729)[None, :]
    block[patch * 2_654_435_761 % 2**32 < 2**32 // 20] = NODATA
    return block.astype(np.float32)


def whole_metres(block: Any) -> Any:
    """Return steeper ground in whole metres: about half its cells have no lower neighbour."""
    import numpy as np

    return np.where(block == NODATA, block, np.floor(block * np.float32(STEEPER)))


def write_ground(path: Path, size: int, *, flats: bool = False) -> None:
    """Write the ground of size x size cells to a GeoTIFF, tile by tile."""
    import rasterio
    from rasterio.transform import from_origin
    from rasterio.windows import Window

    base = make_base()
    kind = {"driver": "GTiff", "dtype": "float32", "count": 1, "width": size, "height": size, "nodata": NODATA}
    layout = {"tiled": True, "blockxsize": 512, "blockysize": 512, "BIGTIFF": "YES"}
    place = {"crs": "EPSG:32628", "transform": from_origin(500_000, 5_000_000, 1, 1)}
    with rasterio.open(path, "w", **kind, **layout, **place) as file:
        for row in range(0, size, TILE):
            for col in range(0, size, TILE):
                shape = (min(TILE, size - row), min(TILE, size - col))
                block = ground_block(base, row, col, shape)
                file.write(whole_metres(block) if flats else block, 1, window=Window(col, row, shape[1], shape[0]))


def open_levels(path: Path) -> Any:
    """Open the ground as a reader of windows."""
    from catchscreen.brief_sources import RasterSource
    from catchscreen.inputs.level_windows import LevelWindows

    return LevelWindows(RasterSource(file=str(path)))


def fingerprint(parts: Any) -> str:
    """Return a hash of all results, whatever they are kept in."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(part.tobytes())
    return digest.hexdigest()[:16]


def warm_up() -> Any:
    """Compile what is needed; return the peak memory before the job in bytes."""
    import numpy as np

    from catchscreen.terrain.conditioning import frame_levels
    from catchscreen.terrain.routing import route
    from catchscreen.terrain.tiled import route_tiles
    from catchscreen.tiles import Room

    small = frame_levels(np.arange(3600, dtype=np.int32).reshape(60, 60) % 7, np.ones((60, 60), dtype=bool))
    route(small, WEIGHTS)
    with tempfile.TemporaryDirectory() as folder:
        route_tiles(small[1:-1, 1:-1], 16, WEIGHTS, Room(Path(folder)))
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def run_tiled(path: Path, folder: Path, *, compare: bool) -> dict[str, Any]:
    """Route over tiles; return seconds, peak memory and, to compare, a hash of the results."""
    import numpy as np

    from catchscreen.terrain.tiled import route_tiles
    from catchscreen.tiles import Room

    levels = open_levels(path)
    before = warm_up()
    wall, cpu = time.perf_counter(), time.process_time()
    result = route_tiles(levels, TILE, WEIGHTS, Room(folder))
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    found = {"cpu_s": cpu, "wall_s": wall, "peak_bytes": peak, "before_bytes": before, "labels": result.graph.count}
    if compare:
        names = ("code", "filled", "basin", "total")
        found["hash"] = fingerprint(np.asarray(getattr(result, name)) for name in names)
    return found


def run_whole(path: Path) -> dict[str, Any]:
    """Route the whole grid in memory."""
    from catchscreen.terrain.conditioning import frame_levels
    from catchscreen.terrain.routing import route
    from catchscreen.tiles import NO_LEVEL

    before = warm_up()
    ground = open_levels(path)[:, :]
    level = frame_levels(ground, ground != NO_LEVEL)
    del ground
    wall, cpu = time.perf_counter(), time.process_time()
    result = route(level, WEIGHTS, keep_graph=False)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    parts = (part[1:-1, 1:-1] for part in (result.code, result.filled, result.basin, result.total))
    return {"cpu_s": cpu, "wall_s": wall, "peak_bytes": peak, "before_bytes": before, "hash": fingerprint(parts)}


def in_fresh_process(job: str, path: Path, folder: Path) -> dict[str, Any]:
    """Run one job in a process of its own."""
    command = [sys.executable, __file__, "--job", job, "--ground", str(path), "--folder", str(folder)]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    return dict(json.loads(done.stdout.splitlines()[-1]))


def compare_speed(kind: str, size: int, path: Path, folder: Path) -> dict[str, Any]:
    """Compare the tiled run with the whole one."""
    whole, tiled = in_fresh_process("whole", path, folder), in_fresh_process("compare", path, folder)
    if whole["hash"] != tiled["hash"]:
        raise SystemExit(f"{kind}-{size}: tiled and whole results differ")
    return {
        "case": f"{kind}-{size}",
        "ours_s": round(tiled["cpu_s"], 3),
        "peer": "whole grid in memory",
        "peer_s": round(whole["cpu_s"], 3),
        "ratio": round(whole["cpu_s"] / tiled["cpu_s"], 2),
        "wall_s": round(tiled["wall_s"], 3),
        "peer_wall_s": round(whole["wall_s"], 3),
        "ns_per_cell": round(tiled["cpu_s"] / size**2 * 1e9, 1),
    }


def measure_memory(kind: str, size: int, path: Path, folder: Path) -> dict[str, Any]:
    """Measure the peak memory of the tiled run."""
    tiled = in_fresh_process("tiled", path, folder)
    return {
        "case": f"{kind}-{size}",
        "cells": size * size,
        "peak_mb": round(tiled["peak_bytes"] / 1e6),
        "above_start_mb": round((tiled["peak_bytes"] - tiled["before_bytes"]) / 1e6),
        "labels": tiled["labels"],
        "ns_per_cell": round(tiled["cpu_s"] / size**2 * 1e9, 1),
        "wall_s": round(tiled["wall_s"], 1),
    }


def run_case(kind: str, size: int) -> dict[str, Any]:
    """Make the ground of a case, measure, and delete it."""
    with tempfile.TemporaryDirectory() as place:
        if shutil.disk_usage(place).free < BYTES_ON_DISK * size * size + 2e9:
            return {"case": f"{kind}-{size}", "left_out": "the disk has no room"}
        path, folder = Path(place) / "ground.tif", Path(place) / "room"
        folder.mkdir()
        write_ground(path, size, flats=kind == "flats")
        return (measure_memory if kind == "memory" else compare_speed)(kind, size, path, folder)


def keep(line: dict[str, Any]) -> None:
    """Put a line into the results, in place of earlier ones of its case."""
    path = HERE / "results.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    known = [json.loads(old).get("case") for old in lines]
    place = known.index(line["case"]) if line["case"] in known else len(lines)
    rest = [old for old, case in zip(lines, known, strict=True) if case != line["case"]]
    rest.insert(place, json.dumps(line))
    path.write_text("\n".join(rest) + "\n", encoding="utf-8", newline="\n")


def main() -> None:
    """Run the cases, print them, and put them into the results."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="small sizes only, under a minute")
    parser.add_argument("--only", help="one case, such as memory-20000")
    parser.add_argument("--job", help=argparse.SUPPRESS)
    parser.add_argument("--ground", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.job == "warm":
        print(json.dumps({"before_bytes": warm_up()}))
        return
    if given.job:
        whole = given.job == "whole"
        compare = given.job == "compare"
        print(json.dumps(run_whole(given.ground) if whole else run_tiled(given.ground, given.folder, compare=compare)))
        return
    sizes = {"tiles": SPEED, "flats": FLATS, "memory": MEMORY}
    cases = [(kind, size) for kind, of_kind in sizes.items() for size in of_kind[given.quick]]
    if given.only:
        kind, size = given.only.split("-")
        cases = [(kind, int(size))]
    in_fresh_process("warm", HERE, HERE)
    for case in cases:
        line = run_case(*case)
        keep(line)
        print(json.dumps(line), flush=True)


if __name__ == "__main__":
    main()

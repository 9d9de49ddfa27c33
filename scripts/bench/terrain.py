"""How fast water is routed over the ground, beside libraries that do parts of it.

Case ``full-N``: N x N cells, a twentieth without level: filled surface, directions through depressions and over flats,
accumulation and basins. Peer: pyflwdir (fills by a priority queue, then accumulation and basins).
Case ``fill-N``: the filled surface alone; ours is still the whole job, of which the filled surface is a part. Peer:
skimage.morphology.reconstruction; the two surfaces must be equal in every cell.
Case ``tiled-N``: the whole job over tiles of 1,024 cells, results in files, beside our own whole grid; both must be
equal in every cell.

Each run is a fresh process, compiled beforehand, on two threads where threads are used; medians are reported, and the
memory that the job adds to that of its input. A peer that needs more than five minutes or more memory than there is
is listed with ``peer_s`` null and the reason. Peers live in an environment of their own, ``scripts/bench/.venv``.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
import venv
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
PEERS = ("pyflwdir==0.5.12", "scikit-image==0.26.0")
SIZES = {False: (1000, 4000, 10000), True: (1000,)}
REPEATS = {False: 3, True: 3}
LONGEST_S = 300
TILE = 1024
TICKS_PER_M = 10_000


def make_ground(size: int, seed: int = 7) -> Any:
    """Hills of many sizes on a slope, kerbs, small pits and patches without level, in whole ticks."""
    import numpy as np
    from scipy import fft

    rng = np.random.default_rng(seed)
    noise = fft.rfft2(rng.standard_normal((size, size), dtype=np.float32), workers=2)
    across, along = fft.rfftfreq(size).astype(np.float32), fft.fftfreq(size).astype(np.float32)
    wave = np.maximum(np.hypot(along[:, None], across[None, :]), np.float32(1 / 4000))
    noise *= wave ** np.float32(-1.9)
    noise[0, 0] = 0
    ground = fft.irfft2(noise, s=(size, size), workers=2).astype(np.float32)
    ground *= np.float32(6.0 / ground.std())
    ground += np.arange(size, dtype=np.float32)[:, None] * np.float32(0.004) + np.float32(50)
    ground[40::80, :] += np.float32(0.12)
    ground[:, 40::80] += np.float32(0.12)
    pits = rng.integers(0, size * size, size * size // 100)
    ground.reshape(-1)[pits] -= rng.uniform(0.02, 0.25, pits.size).astype(np.float32)
    level = np.rint(ground * TICKS_PER_M).astype(np.int32)
    holes = rng.random((size // 50, size // 50)) < 0.05
    level[np.kron(holes, np.ones((50, 50), dtype=bool))] = -(2**31)
    return level


def run_ours(path: Path, *, tiled: bool) -> Any:
    """Route with this package; return seconds and the filled surface."""
    import numpy as np

    from catchscreen.terrain.conditioning import frame_levels
    from catchscreen.terrain.routing import route
    from catchscreen.terrain.tiled import route_tiles
    from catchscreen.tiles import Room

    weights = (2.0, 2.0, 1.0)
    small = frame_levels(np.arange(400, dtype=np.int32).reshape(20, 20) % 7, np.ones((20, 20), dtype=bool))
    route(small, weights)
    route_tiles(small[1:-1, 1:-1], 8, weights, Room())
    given = np.load(path)
    level = frame_levels(given, given > -(2**31))
    del given
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    started = time.perf_counter()
    if tiled:
        with tempfile.TemporaryDirectory() as folder:
            result = route_tiles(level[1:-1, 1:-1], TILE, weights, Room(Path(folder)))
            seconds = time.perf_counter() - started
            filled, total = np.array(result.filled), int(np.array(result.total).astype(np.int64).sum())
    else:
        whole = route(level, weights, keep_graph=False)
        seconds = time.perf_counter() - started
        filled, total = whole.filled[1:-1, 1:-1], int(whole.total.sum(dtype=np.int64))
    added = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    return seconds, filled, added * 1024 + level.nbytes, total


def run_pyflwdir(path: Path) -> Any:
    """Fill, route, accumulate and label basins with pyflwdir."""
    import numpy as np
    import pyflwdir

    level = np.load(path)
    ground = np.where(level > -(2**31), level / TICKS_PER_M, -9999.0).astype(np.float32)
    pyflwdir.from_dem(ground[:50, :50].copy(), nodata=-9999.0).upstream_area("cell")
    started = time.perf_counter()
    net = pyflwdir.from_dem(ground, nodata=-9999.0)
    net.upstream_area("cell")
    net.basins()
    return time.perf_counter() - started, None, 0, 0


def run_skimage(path: Path) -> Any:
    """Fill with skimage by reconstruction from the edge of the data."""
    import numpy as np
    from scipy.ndimage import binary_dilation
    from skimage.morphology import reconstruction

    level = np.load(path)
    valid = level > -(2**31)
    edge = binary_dilation(~np.pad(valid, 1), np.ones((3, 3)))[1:-1, 1:-1] & valid
    high = int(level[valid].max()) + 1
    ground = np.where(valid, level, high)
    started = time.perf_counter()
    filled = reconstruction(np.where(edge | ~valid, ground, high), ground, method="erosion", footprint=np.ones((3, 3)))
    return time.perf_counter() - started, np.where(valid, filled, 0), 0, 0


def work(kind: str, path: Path) -> None:
    """Do one run in this process and print what came out as JSON."""
    import hashlib

    import numpy as np

    runs = {"pyflwdir": run_pyflwdir, "skimage": run_skimage}
    run = runs.get(kind) or (lambda place: run_ours(place, tiled=kind == "tiled"))
    seconds, filled, memory, total = run(path)
    digest = ""
    if filled is not None:
        valid = np.load(path, mmap_mode="r") > -(2**31)
        digest = hashlib.sha256(np.where(valid, filled, 0).astype(np.int64).tobytes()).hexdigest()
    print(json.dumps({"seconds": seconds, "bytes": memory, "digest": digest, "total": total}))


def in_fresh_process(python: Path, kind: str, path: Path, repeats: int) -> dict[str, Any]:
    """Run one side some times; return the median and what is the same each time, or why there is none."""
    found = []
    environment = os.environ | {"NUMBA_NUM_THREADS": "2"}
    for _ in range(repeats):
        command = [str(python), str(Path(__file__)), "--work", kind, "--ground", str(path)]
        try:
            done = subprocess.run(
                command, capture_output=True, text=True, timeout=LONGEST_S, env=environment, check=False
            )
        except subprocess.TimeoutExpired:
            return {"seconds": None, "reason": f"more than {LONGEST_S} s"}
        if done.returncode:
            return {"seconds": None, "reason": (done.stderr.strip().splitlines() or ["stopped, out of memory"])[-1]}
        found.append(json.loads(done.stdout.strip().splitlines()[-1]))
    if len({(one["digest"], one["total"]) for one in found}) != 1:
        raise SystemExit(f"{kind}: runs differ from each other")
    return {**found[0], "seconds": statistics.median(one["seconds"] for one in found)}


def peer_python() -> Path:
    """Return the Python of the peers' environment, made on first use."""
    home = HERE / ".venv"
    python = home / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    if not python.exists():
        venv.create(home, with_pip=True)
        command = [str(python), "-m", "pip", "install", "--quiet", "--only-binary", ":all:", *PEERS]
        subprocess.run(command, check=True)
    return python


def compare(size: int, path: Path, repeats: int) -> list[dict[str, Any]]:
    """Return the three cases of one size."""
    ours = Path(sys.executable)
    peers = peer_python()
    whole = in_fresh_process(ours, "whole", path, repeats)
    sides = {
        "full": (whole, "pyflwdir", in_fresh_process(peers, "pyflwdir", path, repeats)),
        "fill": (whole, "skimage", in_fresh_process(peers, "skimage", path, repeats)),
        "tiled": (in_fresh_process(ours, "tiled", path, repeats), "whole grid", whole),
    }
    lines = []
    for case, (own, peer, other) in sides.items():
        if own["seconds"] is None:
            raise SystemExit(f"{case}-{size}: {own['reason']}")
        if other.get("digest") and other["digest"] != own["digest"]:
            raise SystemExit(f"{case}-{size}: the filled surfaces differ")
        seconds = other["seconds"]
        lines.append(
            {
                "case": f"{case}-{size}",
                "ours_s": round(own["seconds"], 4),
                "peer": peer,
                "peer_s": None if seconds is None else round(seconds, 4),
                "ratio": None if seconds is None else round(seconds / own["seconds"], 2),
                "rate_per_s": round(size * size / own["seconds"]),
                "ns_per_cell": round(own["seconds"] / size**2 * 1e9, 2),
                "bytes_per_cell": round(own["bytes"] / size**2, 1),
                **({"reason": other["reason"]} if seconds is None else {}),
            }
        )
    return lines


def main() -> None:
    """Run the cases, print them, and add them to the results."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="the smallest size only, under a minute")
    parser.add_argument("--json", action="store_true", help="one JSON object a line on standard output")
    parser.add_argument("--work", help=argparse.SUPPRESS)
    parser.add_argument("--ground", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.work:
        work(given.work, given.ground)
        return
    import numpy as np

    for size in SIZES[given.quick]:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "ground.npy"
            np.save(path, make_ground(size))
            lines = compare(size, path, REPEATS[given.quick])
        with (HERE / "results.jsonl").open("a", encoding="utf-8") as results:
            for line in lines:
                results.write(json.dumps(line) + "\n")
        for line in lines:
            peer = (
                line["reason"] if line["peer_s"] is None else f"{line['peer_s']:.2f} s, {line['ratio']:.1f} times ours"
            )
            print(json.dumps(line) if given.json else f"{line['case']}: {line['ours_s']:.3f} s; {line['peer']}: {peer}")


if __name__ == "__main__":
    main()

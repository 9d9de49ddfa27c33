"""How fast water is routed over the ground, beside libraries that do parts of it.

Case ``full-N``: N x N cells, a twentieth without level: filled surface, directions through depressions and over flats,
accumulation and basins, on two threads where threads are used. Peers: pyflwdir, topotoolbox, richdem (no basins).
Case ``fill-N``: the filled surface alone. Peers: skimage (reconstruction), pyflwdir, topotoolbox, richdem. The surfaces
are compared cell by cell: ``same_fill`` false is richdem's, which lets no water out at cells without level inside the
ground.

One line for each peer and case; a later run puts its lines in place of earlier ones. Each run is a fresh process,
compiled beforehand; medians are reported, and the most memory that the job takes, its input counted. Before the clock
starts each process, ours and theirs, writes to as much memory as the job may need and gives it back: a virtual machine
takes its time over memory that it never used before, up to 2 ns a byte, which says nothing about either side
(``--fresh-memory`` leaves that out). A peer that needs more than five minutes or more memory than ``MOST_BYTES`` is
listed with ``peer_s`` null and the reason; one that takes longer than ``LONG_S`` is run once. Peers live in an
environment of their own, ``scripts/bench/.venv``. Whole and tiled runs are compared by ``terrain_tiles.py``.
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
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
PEERS = ("pyflwdir==0.5.12", "scikit-image==0.26.0", "topotoolbox==0.0.12", "py-richdem==2.2.0rc3")
OURS = {"full": "ours", "fill": "ours-fill"}
FULL = ("pyflwdir", "topotoolbox", "richdem")
FILL = ("skimage-fill", "pyflwdir-fill", "topotoolbox-fill", "richdem-fill")
SIZES = {False: (1000, 4000, 10000), True: (1000,)}
REPEATS = {False: 3, True: 1}
"""Of each peer; ours is run three times in any case."""
LONGEST_S = 300
LONG_S = 30
WARM_BYTES = 40
"""Memory that is written to before the clock starts, per cell."""
MOST_BYTES = 14 << 30
NO_LEVEL = -1e9
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


def memory_kib(name: str) -> int:
    """Return one of this process's memory figures of Linux: VmRSS now, VmHWM the most since it was last set back."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith(name):
            return int(line.split()[1])
    raise SystemExit(f"no {name}: memory is measured on Linux only")


def start_clock(cells: int) -> float:
    """Write to as much memory as the job may need, give it back, and return the time."""
    import numpy as np

    if not os.environ.get("BENCH_FRESH_MEMORY"):
        np.empty(WARM_BYTES * cells, dtype=np.uint8)[::4096] = 1
    return time.perf_counter()


def framed_ground(level: Any) -> Any:
    """Return a framed ground, once all that the job needs is compiled or read from the cache."""
    import numpy as np

    from catchscreen.terrain.conditioning import frame_levels
    from catchscreen.terrain.routing import fill, route

    small = frame_levels(np.arange(400, dtype=np.int32).reshape(20, 20) % 7, np.ones((20, 20), dtype=bool))
    route(small, keep_graph=False)
    fill(small)
    return frame_levels(level, level > -(2**31))


def run_ours(level: Any) -> Any:
    """Route with this package; return seconds, the filled surface, bytes taken and the sum of all totals."""
    import numpy as np

    from catchscreen.terrain.routing import route

    framed = framed_ground(level)
    start_clock(level.size)
    before = memory_kib("VmRSS")
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    started = time.perf_counter()
    whole = route(framed, (2.0, 2.0, 1.0), keep_graph=False)
    seconds = time.perf_counter() - started
    taken = (memory_kib("VmHWM") - before) * 1024 + framed.nbytes
    return seconds, whole.filled[1:-1, 1:-1], taken, int(whole.total.sum(dtype=np.int64))


def run_ours_fill(level: Any) -> Any:
    """Fill with this package; return seconds, the filled surface and bytes taken."""
    from catchscreen.terrain.routing import fill

    framed = framed_ground(level)
    start_clock(level.size)
    before = memory_kib("VmRSS")
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    started = time.perf_counter()
    filled = fill(framed)
    seconds = time.perf_counter() - started
    return seconds, filled[1:-1, 1:-1], (memory_kib("VmHWM") - before) * 1024 + framed.nbytes, 0


def run_pyflwdir(ground: Any) -> Any:
    """Fill, route, accumulate and label basins with pyflwdir."""
    import pyflwdir

    pyflwdir.from_dem(ground[:50, :50].copy(), nodata=NO_LEVEL).upstream_area("cell")
    started = start_clock(ground.size)
    net = pyflwdir.from_dem(ground, nodata=NO_LEVEL)
    net.upstream_area("cell")
    net.basins()
    return time.perf_counter() - started, None


def run_pyflwdir_fill(ground: Any) -> Any:
    """Fill with pyflwdir by a priority queue."""
    from pyflwdir.dem import fill_depressions

    fill_depressions(ground[:50, :50].copy(), nodata=NO_LEVEL, outlets="edge")
    started = start_clock(ground.size)
    filled, _ = fill_depressions(ground, nodata=NO_LEVEL, outlets="edge")
    return time.perf_counter() - started, filled


def topotoolbox_grid(ground: Any) -> Any:
    """Return a grid of topotoolbox, NaN where there is no level."""
    import numpy as np
    import topotoolbox

    grid = topotoolbox.GridObject()
    grid.z = np.where(ground == NO_LEVEL, np.float32(np.nan), ground)
    grid.cellsize = 1.0
    return grid


def run_topotoolbox(ground: Any) -> Any:
    """Fill, route, accumulate and label basins with topotoolbox."""
    import topotoolbox

    grid = topotoolbox_grid(ground)
    started = start_clock(ground.size)
    flow = topotoolbox.FlowObject(grid)
    flow.flow_accumulation()
    flow.drainagebasins()
    return time.perf_counter() - started, None


def run_topotoolbox_fill(ground: Any) -> Any:
    """Fill with topotoolbox."""
    grid = topotoolbox_grid(ground)
    started = start_clock(ground.size)
    filled = grid.fillsinks()
    return time.perf_counter() - started, filled.z


def run_richdem(ground: Any) -> Any:
    """Fill with a slight slope over flats, route and accumulate with richdem, which labels no basins."""
    import richdem

    array = richdem.rdarray(ground, no_data=NO_LEVEL)
    started = start_clock(ground.size)
    richdem.FillDepressions(array, epsilon=True, in_place=True)
    richdem.FlowAccumulation(array, method="D8")
    return time.perf_counter() - started, None


def run_richdem_fill(ground: Any) -> Any:
    """Fill with richdem."""
    import numpy as np
    import richdem

    array = richdem.rdarray(ground, no_data=NO_LEVEL)
    started = start_clock(ground.size)
    richdem.FillDepressions(array, epsilon=False, in_place=True)
    return time.perf_counter() - started, np.asarray(array)


def run_skimage_fill(ground: Any) -> Any:
    """Fill with skimage by reconstruction from the edge of the data."""
    import numpy as np
    from scipy.ndimage import binary_dilation
    from skimage.morphology import reconstruction

    valid = ground != NO_LEVEL
    edge = binary_dilation(~np.pad(valid, 1), np.ones((3, 3)))[1:-1, 1:-1] & valid
    high = ground.max() + 1
    walled = np.where(valid, ground, high)
    seed = np.where(edge | ~valid, walled, high)
    started = start_clock(ground.size)
    filled = reconstruction(seed, walled, method="erosion", footprint=np.ones((3, 3)))
    return time.perf_counter() - started, filled


def work(kind: str, path: Path) -> None:
    """Do one run in this process and print what came out as JSON.

    Peers get the levels as whole ticks in float32, which holds them exactly.
    """
    import hashlib

    import numpy as np

    level = np.load(path)
    valid = level > -(2**31)
    if kind.startswith("ours"):
        seconds, filled, memory, total = run_ours(level) if kind == "ours" else run_ours_fill(level)
    else:
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
        ground = np.where(valid, level, NO_LEVEL).astype(np.float32)
        seconds, filled = globals()[f"run_{kind.replace('-', '_')}"](ground)
        memory = total = 0
    digest = "" if filled is None else hashlib.sha256(np.where(valid, filled, 0).astype(np.int32).tobytes()).hexdigest()
    print(json.dumps({"seconds": seconds, "bytes": memory, "digest": digest, "total": total}))


def in_fresh_process(python: Path, kind: str, path: Path, repeats: int) -> dict[str, Any]:
    """Run one side some times; return the median and what is the same each time, or why there is none."""
    found: list[dict[str, Any]] = []
    environment = os.environ | {"NUMBA_NUM_THREADS": "2"}
    while len(found) < repeats and all(one["seconds"] < LONG_S for one in found):
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


def line_of(case: str, size: int, own: dict[str, Any], kind: str, other: dict[str, Any]) -> dict[str, Any]:
    """Return what is kept of one peer and case."""
    seconds = other["seconds"]
    line = {
        "case": f"{case}-{size}",
        "ours_s": round(own["seconds"], 4),
        "peer": kind.removesuffix("-fill"),
        "peer_s": None if seconds is None else round(seconds, 4),
        "ratio": None if seconds is None else round(seconds / own["seconds"], 2),
        "rate_per_s": round(size * size / own["seconds"]),
        "ns_per_cell": round(own["seconds"] / size**2 * 1e9, 2),
        "bytes_per_cell": round(own["bytes"] / size**2, 1),
    }
    if seconds is None:
        line["reason"] = other["reason"]
    elif case == "fill":
        line["same_fill"] = other["digest"] == own["digest"]
    return line


def compare(size: int, path: Path, repeats: int) -> Iterator[dict[str, Any]]:
    """Give a line for each peer and case of one size."""
    own = {case: in_fresh_process(Path(sys.executable), kind, path, max(repeats, 3)) for case, kind in OURS.items()}
    for one in own.values():
        if one["seconds"] is None:
            raise SystemExit(f"{size}: {one['reason']}")
    if own["full"]["digest"] != own["fill"]["digest"]:
        raise SystemExit(f"{size}: filled alone and within the whole job differ")
    peers = peer_python()
    alike = False
    for case, kinds in (("full", FULL), ("fill", FILL)):
        for kind in kinds:
            line = line_of(case, size, own[case], kind, in_fresh_process(peers, kind, path, repeats))
            alike |= line.get("same_fill", False)
            yield line
    if not alike:
        raise SystemExit(f"fill-{size}: no peer fills as ours")


def keep(line: dict[str, Any]) -> None:
    """Put a line into the results, in place of an earlier one of its case and peer."""
    path = HERE / "results.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    name = (line["case"], line["peer"])
    known = [(old.get("case"), old.get("peer")) for old in map(json.loads, lines)]
    place = known.index(name) if name in known else len(lines)
    rest = [old for number, old in enumerate(lines) if known[number] != name]
    rest.insert(place, json.dumps(line))
    path.write_text("\n".join(rest) + "\n", encoding="utf-8", newline="\n")


def main() -> None:
    """Run the cases, print them, and add them to the results."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="the smallest size only, under a minute")
    parser.add_argument("--size", type=int, action="append", help="this size only; may be given several times")
    parser.add_argument("--json", action="store_true", help="one JSON object a line on standard output")
    parser.add_argument("--fresh-memory", action="store_true", help="do not write to memory before the clock starts")
    parser.add_argument("--work", help=argparse.SUPPRESS)
    parser.add_argument("--ground", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.work:
        work(given.work, given.ground)
        return
    import numpy as np

    if given.fresh_memory:
        os.environ["BENCH_FRESH_MEMORY"] = "1"
    for size in given.size or SIZES[given.quick]:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "ground.npy"
            np.save(path, make_ground(size))
            for line in compare(size, path, REPEATS[given.quick]):
                keep(line)
                seconds = line["peer_s"]
                peer = line["reason"] if seconds is None else f"{seconds:.2f} s, {line['ratio']:.1f} times ours"
                text = f"{line['case']}: {line['ours_s']:.3f} s; {line['peer']}: {peer}"
                print(json.dumps(line) if given.json else text, flush=True)


if __name__ == "__main__":
    main()

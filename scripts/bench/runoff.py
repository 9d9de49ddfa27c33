"""How fast the water ledger is: ours against the same equations in numpy.

Case ``ledger``: ledger rows x steps x storms, 120 loss classes, 40 sub-catchments, 8 sewer zones, 5,000 parcels. Both
sides start from the same whole-number arrays and end with the same figures: runoff and overland of every row, and rain,
sewer, overland, infiltration and change in store of every parcel, sub-catchment and zone; they are compared before a
ratio is given.

The peer works out losses by class, as we do (with numpy, over all classes at once), then goes through the steps with
one array operation after another over all rows, each into memory made before (``out=``). We work out steps by rows that
behave alike, so that rows are only touched once for each storm, and share storms out to threads.

numpy is a dependency of the package, so the peer needs no environment of its own. Each side runs in fresh processes;
compilation is done before the clock starts, the grouping of the rows is inside it. Medians are reported.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
CLASSES, LANDS, ZONES, PARCELS = 120, 40, 8, 5000
FULL, QUICK = (2_000_000, 72, 12), (500_000, 72, 6)


def make_case(rows: int, steps: int, storms: int) -> dict[str, np.ndarray]:
    """Make the ledger and the storms from one seed; half of the classes are impermeable, half take Green-Ampt."""
    rng = np.random.default_rng(1)
    piped = rng.uniform(0.0, 0.9, rows)
    ground = rng.uniform(0.0, 0.1, rows)
    parameters = np.zeros((CLASSES, 10))
    parameters[:, 0] = np.where(np.arange(CLASSES) % 2 == 0, 1.0, rng.uniform(0.0, 0.5, CLASSES))
    parameters[:, 1] = rng.uniform(0.5, 2.0, CLASSES)
    parameters[:, 4] = rng.uniform(1.0, 30.0, CLASSES)
    parameters[:, 5] = rng.uniform(5.0, 60.0, CLASSES)
    return {
        "area": rng.gamma(2.0, 60.0, rows),
        "shares": np.stack([piped, ground, 1.0 - piped - ground]),
        "zone": rng.integers(0, ZONES, rows),
        "land": rng.integers(0, LANDS, rows),
        "parcel": rng.integers(0, PARCELS, rows),
        "number": rng.integers(0, CLASSES, rows),
        "parameters": parameters,
        "rain": rng.gamma(0.8, 1.2, (storms, steps)),
        "hours": np.array(1.0 / 12.0),
        "capacity_mm_h": np.array(12.0),
    }


def run_ours(case: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Group the rows, run the kernels, add up the pieces: what ``runoff.run_storms`` does between its frames."""
    from catchscreen.runoff import balance, ledger
    from catchscreen.runoff.candidates import lay_candidates
    from catchscreen.runoff.laying import Ground, StormArrays, find_alike
    from catchscreen.runoff.losses import LossClasses

    storms, steps = case["rain"].shape
    area, shares, zone, land, number = (case[name] for name in ("area", "shares", "zone", "land", "number"))
    connected = np.bincount(zone, shares[0] * area, ZONES)
    ground = Ground(
        area_m2=area,
        impermeable_fraction=area,
        shares=shares,
        zone=zone,
        land=land,
        zone_ids=("",) * ZONES,
        land_ids=("",) * LANDS,
        capacity_m3_h=float(case["capacity_mm_h"]) * connected / 1000.0,
        pipe_length_m=connected,
        alike=find_alike(land, zone, number),
    )
    rain = StormArrays(
        ids=tuple(f"S{n}" for n in range(storms)),
        rain_mm=case["rain"].ravel(),
        starts=np.arange(storms + 1) * steps,
        steps=np.column_stack([np.full(storms, float(case["hours"])), np.zeros(storms)]),
        state=np.zeros(storms, np.int64),
    )
    classes = LossClasses(number, case["parameters"][None], pd.DataFrame(index=range(CLASSES)))
    nowhere = np.full(area.size, -1)
    units = balance.Units(
        ids={},
        first={},
        number=np.stack([case["parcel"], land + PARCELS, zone + PARCELS + LANDS, nowhere, nowhere]),
        count=PARCELS + LANDS + ZONES,
    )
    laid = lay_candidates(None, area, (zone, land), shares)
    sums = ledger.run_kernels(ground, rain, classes, laid)
    terms, kept = ledger.sum_units(ground, units, number, ledger.lay_areas(ground, laid), (rain, sums))
    return {"units": terms[:, :, [0, 1, 2, 3, 5]], "overland": kept[:, 1], "runoff": kept[:, 0]}


def ponded(start: np.ndarray, rate: np.ndarray, suction: np.ndarray, hours: np.ndarray) -> np.ndarray:
    """Green-Ampt under ponded water for all classes at once, by Newton from above."""
    target = rate * hours
    base = start + suction
    gain = target + np.sqrt(target * (target + 2.0 * base))
    for _ in range(12):
        value = gain - suction * np.log1p(gain / base) - target
        gain -= np.where(gain > 0.0, value / (1.0 - suction / (base + gain) + 1e-300), 0.0)
    return start + gain


def lose_by_class(rain: np.ndarray, hours: float, parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Runoff (steps, classes), infiltration and change in store (classes,) of one storm."""
    share, store, rate, suction = parameters[:, 0], parameters[:, 1], parameters[:, 4], parameters[:, 5]
    held, infiltrated = np.zeros(CLASSES), np.zeros(CLASSES)
    out = np.zeros((rain.size, CLASSES))
    for step, fall in enumerate(rain):
        wet = held + fall
        held = np.minimum(store, wet)
        intensity = fall / hours
        over = np.maximum(intensity - rate, 1e-300)
        ponding = np.where(intensity > rate, rate * suction / over, np.inf)
        before = np.clip(ponding - infiltrated, 0.0, fall)
        full = infiltrated + fall
        left = hours - before / max(intensity, 1e-300)
        end = np.minimum(ponded(infiltrated + before, rate, suction, np.maximum(left, 0.0)), full)
        after = np.where((intensity <= rate) | (full <= ponding), full, end)
        out[step] = share * (wet - held) + (1.0 - share) * (fall - (after - infiltrated))
        infiltrated = after
    return out, (1.0 - share) * infiltrated, share * held


def run_peer(case: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Do the same step by step over all rows, every array operation into memory made before."""
    storms, steps = case["rain"].shape
    area, (piped, ground, land_share) = case["area"], case["shares"]
    zone, number = case["zone"], case["number"]
    rows = area.size
    capacity = float(case["capacity_mm_h"]) * np.bincount(zone, piped * area, ZONES) / 1000.0 * float(case["hours"])
    units = ((case["parcel"], PARCELS), (case["land"], LANDS), (zone, ZONES))
    depth, offered, share, kept = (np.empty(rows) for _ in range(4))
    sewer, overland, left = np.empty(rows), np.empty((storms, rows)), np.empty((storms, rows))
    sums = np.empty((storms, PARCELS + LANDS + ZONES, 5))
    for storm in range(storms):
        runoff, taken, held = lose_by_class(case["rain"][storm], float(case["hours"]), case["parameters"])
        sewer[:] = overland[storm] = left[storm] = 0.0
        for step in range(steps):
            np.take(runoff[step], number, out=depth)
            np.multiply(depth, area, out=depth)
            np.multiply(depth, 0.001, out=depth)
            np.multiply(depth, piped, out=offered)
            wanted = np.bincount(zone, offered, ZONES)
            caught = np.minimum(wanted, capacity)
            fraction = np.divide(caught, wanted, out=np.ones(ZONES), where=wanted > 0.0)
            np.take(fraction, zone, out=share)
            np.multiply(offered, share, out=kept)
            np.add(sewer, kept, out=sewer)
            np.add(left[storm], depth, out=left[storm])
            np.multiply(depth, land_share, out=depth)
            np.subtract(1.0, share, out=share)
            np.multiply(offered, share, out=offered)
            np.add(depth, offered, out=depth)
            np.add(overland[storm], depth, out=overland[storm])
        terms = (
            area * (case["rain"][storm].sum() / 1000.0),
            sewer,
            overland[storm],
            area * taken[number] / 1000.0 + ground * left[storm],
            area * held[number] / 1000.0,
        )
        for term, values in enumerate(terms):
            sums[storm, :, term] = np.concatenate([np.bincount(unit, values, count) for unit, count in units])
    return {"units": sums, "overland": overland, "runoff": left}


def measure(side: str, size: tuple[int, int, int], digest: str) -> None:
    """Run one side once in this process; print its seconds and leave a digest of its figures."""
    function = run_ours if side == "ours" else run_peer
    function(make_case(500, 6, 2))  # compiles, and warms both sides alike
    case = make_case(*size)
    started = time.perf_counter()
    result = function(case)
    seconds = time.perf_counter() - started
    rows = slice(None, None, max(size[0] // 10_000, 1))
    np.savez(digest, units=result["units"], overland=result["overland"][:, rows], runoff=result["runoff"][:, rows])
    print(seconds)


def run_sides(size: tuple[int, int, int], repeats: int) -> dict[str, object]:
    """Run both sides in fresh processes, compare their figures, and return the line to report."""
    medians = {}
    with tempfile.TemporaryDirectory() as folder:
        files = {}
        for side in ("ours", "peer"):
            files[side] = str(Path(folder) / f"{side}.npz")
            command = [sys.executable, __file__, "--side", side, "--size", *map(str, size), "--digest", files[side]]
            times = [
                float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
                for _ in range(repeats)
            ]
            medians[side] = statistics.median(times)
        with np.load(files["ours"]) as ours, np.load(files["peer"]) as peer:
            for name in ours.files:
                np.testing.assert_allclose(ours[name], peer[name], rtol=1e-7, atol=1e-7)
    return {
        "case": "ledger",
        "rows": size[0],
        "steps": size[1],
        "storms": size[2],
        "ours_s": round(medians["ours"], 4),
        "peer": f"numpy {np.__version__}",
        "peer_s": round(medians["peer"], 4),
        "ratio": round(medians["peer"] / medians["ours"], 2),
        "rate_per_s": round(size[0] * size[1] * size[2] / medians["ours"]),
    }


def main() -> None:
    """Parse, measure, print, append."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a smaller case, under a minute")
    parser.add_argument("--json", action="store_true", help="one JSON object a line, nothing else")
    parser.add_argument("--side", choices=["ours", "peer"], help=argparse.SUPPRESS)
    parser.add_argument("--size", nargs=3, type=int, help=argparse.SUPPRESS)
    parser.add_argument("--digest", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.side:
        measure(asked.side, tuple(asked.size), asked.digest)
        return
    line = run_sides(QUICK if asked.quick else FULL, 3)
    with (HERE / "results.jsonl").open("a", encoding="utf-8", newline="\n") as results:
        results.write(json.dumps(line) + "\n")
    if asked.json:
        print(json.dumps(line))
    else:
        print(f"ledger: ours {line['ours_s']} s, {line['peer']} {line['peer_s']} s, ratio {line['ratio']}")


if __name__ == "__main__":
    main()

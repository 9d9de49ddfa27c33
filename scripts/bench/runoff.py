"""How fast the water ledger is: ours against the same equations in numpy.

Case ``ledger``: ledger rows x steps x storms, 120 loss classes, 40 sub-catchments, 8 sewer zones, 5,000 parcels. Both
sides start from the same whole-number arrays and end with the same figures: runoff and overland of every row, and rain,
sewer, overland, infiltration and change in store of every parcel, sub-catchment and zone; they are compared before a
ratio is given. Case ``ledger-candidates``: the same with a candidate in each parcel, half of them passing their
overflow to the other half, each with run-on from three rows and an outlet to sewer, ground or watercourse.

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
RUN_ON_ROWS = 3
STORE = {"wetting_mm": 1.0, "intake_mm_h": 200.0, "substrate_mm": 20.0, "substrate_start_fraction": 0.3}
STORE |= {"void_mm": 60.0, "sill_mm": 5.0, "outlet_mm_h": 10.0, "outlet_exponent": 0.5, "soak_design_mm_h": 4.0}
FULL, QUICK = (2_000_000, 72, 12), (500_000, 72, 6)


def make_case(rows: int, steps: int, storms: int, candidates: int) -> dict[str, np.ndarray]:
    """Make the ledger and the storms from one seed; half of the classes are impermeable, half take Green-Ampt.

    Each candidate replaces half of one row and takes four fifths of three others.
    """
    rng = np.random.default_rng(1)
    piped = rng.uniform(0.0, 0.9, rows)
    ground = rng.uniform(0.0, 0.1, rows)
    parameters = np.zeros((CLASSES, 10))
    parameters[:, 0] = np.where(np.arange(CLASSES) % 2 == 0, 1.0, rng.uniform(0.0, 0.5, CLASSES))
    parameters[:, 1] = rng.uniform(0.5, 2.0, CLASSES)
    parameters[:, 4] = rng.uniform(1.0, 30.0, CLASSES)
    parameters[:, 5] = rng.uniform(5.0, 60.0, CLASSES)
    touched = rng.permutation(rows)[: candidates * (1 + RUN_ON_ROWS)]
    half = candidates // 2
    return {
        "host_row": touched[:candidates],
        "entry_row": touched[candidates:],
        "passes_to": np.where(np.arange(candidates) < half, np.arange(candidates) + half, -1),
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
    from catchscreen.runoff.pieces import PieceTotals

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
    laid = lay_candidates(make_pieces(case), area, (zone, land), shares)
    sums = ledger.run_kernels(ground, rain, classes, laid)
    areas = ledger.lay_areas(ground, laid)
    terms = ledger.sum_units(ground, units, number, areas, (rain, sums))
    terms = balance.add_candidates(terms, units, laid, sums.candidate_terms(), number)
    pieces = PieceTotals(number, ground.alike.mix, areas, sums.classes, sums.mixes, sums.hosts, laid)
    kept = np.empty((2, storms, area.size))

    def keep(storm: int) -> None:
        kept[0, storm], kept[1, storm] = pieces.runoff_m3(storm), pieces.overland_m3(storm)

    ledger.for_each_storm(keep, storms)
    return {"units": terms[:, :, [0, 1, 2, 3, 5, 6]], "overland": kept[1], "runoff": kept[0]}


def make_pieces(case: dict[str, np.ndarray]) -> object:
    """Lay the case's candidates out as the package takes them; None where there are none."""
    from catchscreen.records import Stores
    from catchscreen.runoff.candidates import CandidatePieces

    count = case["host_row"].size
    if not count:
        return None
    host_m2 = 0.5 * case["area"][case["host_row"]]
    names = tuple(f"K{n:06d}" for n in range(count))
    stores = Stores(
        store_id=names,
        option_id=names,
        host_area_m2=host_m2,
        base_area_m2=host_m2,
        run_on_area_m2=host_m2,
        evaporation_factor=np.ones(count),
        soak_mean_mm_h=np.full(count, 4.0),
        outlet_to=tuple(("sewer", "ground", "watercourse")[n % 3] for n in range(count)),
        **{name: np.full(count, value) for name, value in STORE.items()},
    )
    taker = np.repeat(np.arange(count), RUN_ON_ROWS)
    hosts = pd.DataFrame({"candidate": np.arange(count), "row": case["host_row"], "area_m2": host_m2})
    entries = pd.DataFrame(
        {"candidate": taker, "row": case["entry_row"], "area_m2": 0.8 * case["area"][case["entry_row"]]}
    )
    return CandidatePieces(stores, hosts, entries, case["passes_to"], np.full(count, 0.7))


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


class PeerStores:
    """The candidates of the peer: the same equations, one array operation after another over all candidates."""

    def __init__(self, case: dict[str, np.ndarray]) -> None:
        self.case = case
        self.count = case["host_row"].size
        self.host = 0.5 * case["area"][case["host_row"]] / 1000.0
        self.zone = case["zone"][case["host_row"]]
        self.kind = np.arange(self.count) % 3
        self.entry_number = case["number"][case["entry_row"]]
        self.entry_m2 = 0.8 * case["area"][case["entry_row"]]
        self.parts = max(int(np.ceil(float(case["hours"]) * 60.0 - 1e-9)), 1)
        self.hours = float(case["hours"]) / self.parts
        self.capacity = float(case["capacity_mm_h"]) / 1000.0 * self.hours * self.connected()
        half = self.count // 2
        self.levels = (slice(0, half), slice(half, self.count))

    def connected(self) -> np.ndarray:
        """Return the connected area of each zone."""
        return np.bincount(self.case["zone"], self.case["shares"][0] * self.case["area"], ZONES)

    def begin(self) -> None:
        """Empty the stores before a storm."""
        self.wet, self.void = np.zeros(self.count), np.zeros(self.count)
        self.earth = np.full(self.count, STORE["substrate_mm"] * STORE["substrate_start_fraction"])
        self.soaked, self.out, self.over_sum, self.caught = (np.zeros(self.count) for _ in range(4))

    def step(self, fall: float, runoff: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Fill the stores through one step: what the sewers took of their outlets, and what overflows the old way."""
        taker = np.repeat(np.arange(self.count), RUN_ON_ROWS)
        run_on = np.bincount(taker, self.entry_m2 * runoff[self.entry_number], self.count) / 1000.0 / self.parts
        piped, left = np.zeros(ZONES), np.zeros(self.count)
        for _ in range(self.parts):
            soak = np.minimum(STORE["soak_design_mm_h"] * self.hours, self.void)
            head = np.maximum(self.void - soak - STORE["sill_mm"], 0.0)
            fall_root = STORE["outlet_mm_h"] * self.hours / (2.0 * np.sqrt(STORE["void_mm"] - STORE["sill_mm"]))
            root = np.maximum(np.sqrt(head) - fall_root, 0.0)
            asked = (head - root * root) * self.host
            wanted = np.bincount(self.zone, asked * (self.kind == 0), ZONES)
            take = np.divide(self.capacity, wanted, out=np.ones(ZONES), where=wanted > 0.0)
            take = np.minimum(take, 1.0)
            piped += wanted * take
            given = np.where(self.kind == 0, asked * take[self.zone], asked)
            passed = np.zeros(self.count)
            for level in self.levels:
                over = self.fill(level, fall / self.parts * self.host[level] + run_on[level] + passed[level], given)
                if level is self.levels[0]:
                    passed[self.levels[1]][: over.size] = 0.7 * over
                    over = 0.3 * over
                left[level] += over
        return piped, left

    def fill(self, at: slice, inflow: np.ndarray, given: np.ndarray) -> np.ndarray:
        """Let an inflow into some stores; return their overflow."""
        held = self.wet[at] + inflow / self.host[at]
        self.wet[at] = np.minimum(held, STORE["wetting_mm"])
        down = held - self.wet[at]
        entering = np.minimum(down, STORE["intake_mm_h"] * self.hours)
        kept = np.minimum(entering, STORE["substrate_mm"] - self.earth[at])
        self.earth[at] += kept
        water = self.void[at] - given[at] / self.host[at] + entering - kept
        soak = np.minimum(STORE["soak_design_mm_h"] * self.hours, water)
        water -= soak
        self.void[at] = np.minimum(water, STORE["void_mm"])
        self.soaked[at] += soak * self.host[at]
        self.out[at] += given[at]
        return (down - entering + water - self.void[at]) * self.host[at]

    def add_terms(self, terms: list[np.ndarray], runoff: np.ndarray) -> None:
        """Add the stores' terms of a storm to those of their host rows, and their overflow to the runoff."""
        row, (piped, ground, land) = self.case["host_row"], self.case["shares"]
        _, sewer, overland, soaked, store, stream = terms
        sewer[row] += self.out * (self.kind == 0) + piped[row] * self.caught
        overland[row] += land[row] * self.over_sum + piped[row] * (self.over_sum - self.caught)
        soaked[row] += self.soaked + self.out * (self.kind == 1) + ground[row] * self.over_sum
        start = STORE["substrate_mm"] * STORE["substrate_start_fraction"]
        store[row] += (self.wet + self.earth - start + self.void) * self.host
        stream[row] += self.out * (self.kind == 2)
        runoff[row] += self.over_sum


def run_peer(case: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Do the same step by step over all rows, every array operation over rows into memory made before."""
    storms, steps = case["rain"].shape
    area, (piped, ground, land_share) = case["area"], case["shares"]
    zone, number = case["zone"], case["number"]
    rows, stores = area.size, PeerStores(case)
    capacity = float(case["capacity_mm_h"]) * np.bincount(zone, piped * area, ZONES) / 1000.0 * float(case["hours"])
    units = ((case["parcel"], PARCELS), (case["land"], LANDS), (zone, ZONES))
    bare, own = area.copy(), area.copy()
    bare[case["host_row"]] *= 0.5
    own[case["host_row"]] *= 0.5
    own[case["entry_row"]] *= 0.2
    depth, offered, share, kept = (np.empty(rows) for _ in range(4))
    sewer, overland, left = np.empty(rows), np.empty((storms, rows)), np.empty((storms, rows))
    sums = np.empty((storms, PARCELS + LANDS + ZONES, 6))
    for storm in range(storms):
        runoff, taken, held = lose_by_class(case["rain"][storm], float(case["hours"]), case["parameters"])
        sewer[:] = overland[storm] = left[storm] = 0.0
        stores.begin()
        for step in range(steps):
            np.take(runoff[step], number, out=depth)
            np.multiply(depth, own, out=depth)
            np.multiply(depth, 0.001, out=depth)
            np.multiply(depth, piped, out=offered)
            wanted, room = np.bincount(zone, offered, ZONES), capacity
            if stores.count:
                outlets, over = stores.step(case["rain"][storm, step], runoff[step])
                wanted = wanted + np.bincount(stores.zone, over * piped[case["host_row"]], ZONES)
                room = np.maximum(capacity - outlets, 0.0)
            caught = np.minimum(wanted, room)
            fraction = np.divide(caught, wanted, out=np.ones(ZONES), where=wanted > 0.0)
            if stores.count:
                stores.over_sum += over
                stores.caught += over * fraction[stores.zone]
            np.take(fraction, zone, out=share)
            np.multiply(offered, share, out=kept)
            np.add(sewer, kept, out=sewer)
            np.add(left[storm], depth, out=left[storm])
            np.multiply(depth, land_share, out=depth)
            np.subtract(1.0, share, out=share)
            np.multiply(offered, share, out=offered)
            np.add(depth, offered, out=depth)
            np.add(overland[storm], depth, out=overland[storm])
        terms = [
            area * (case["rain"][storm].sum() / 1000.0),
            sewer,
            overland[storm],
            bare * taken[number] / 1000.0 + ground * left[storm],
            bare * held[number] / 1000.0,
            np.zeros(rows),
        ]
        stores.add_terms(terms, left[storm])
        for term, values in enumerate(terms):
            sums[storm, :, term] = np.concatenate([np.bincount(unit, values, count) for unit, count in units])
    return {"units": sums, "overland": overland, "runoff": left}


def measure(side: str, size: tuple[int, int, int, int], digest: str) -> None:
    """Run one side once in this process; print its seconds and leave a digest of its figures."""
    function = run_ours if side == "ours" else run_peer
    function(make_case(500, 6, 2, min(size[3], 40)))  # compiles, and warms both sides alike
    case = make_case(*size)
    started, spent = time.perf_counter(), time.process_time()
    result = function(case)
    seconds, spent = time.perf_counter() - started, time.process_time() - spent
    rows = slice(None, None, max(size[0] // 10_000, 1))
    np.savez(digest, units=result["units"], overland=result["overland"][:, rows], runoff=result["runoff"][:, rows])
    print(seconds, spent)


def run_sides(name: str, size: tuple[int, int, int, int], repeats: int) -> dict[str, object]:
    """Run both sides in fresh processes, compare their figures, and return the line to report."""
    medians: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        files = {}
        for side in ("ours", "peer"):
            files[side] = str(Path(folder) / f"{side}.npz")
            command = [sys.executable, __file__, "--side", side, "--size", *map(str, size), "--digest", files[side]]
            times = []
            for _ in range(repeats):
                said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
                times.append([float(word) for word in said.split()])
            medians[side] = [statistics.median(column) for column in zip(*times, strict=True)]
        with np.load(files["ours"]) as ours, np.load(files["peer"]) as peer:
            for part in ours.files:
                np.testing.assert_allclose(ours[part], peer[part], rtol=1e-7, atol=1e-7)
    (ours_s, ours_cpu), (peer_s, peer_cpu) = medians["ours"], medians["peer"]
    return {
        "case": name,
        "rows": size[0],
        "steps": size[1],
        "storms": size[2],
        "candidates": size[3],
        "ours_s": round(ours_s, 4),
        "peer": f"numpy {np.__version__}",
        "peer_s": round(peer_s, 4),
        "ratio": round(peer_s / ours_s, 2),
        "ours_cpu_s": round(ours_cpu, 4),
        "peer_cpu_s": round(peer_cpu, 4),
        "rate_per_s": round(size[0] * size[1] * size[2] / ours_s),
    }


def main() -> None:
    """Parse, measure, print, append."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a smaller case, under a minute")
    parser.add_argument("--json", action="store_true", help="one JSON object a line, nothing else")
    parser.add_argument("--case", choices=["ledger", "ledger-candidates"], help="only this case")
    parser.add_argument("--side", choices=["ours", "peer"], help=argparse.SUPPRESS)
    parser.add_argument("--size", nargs=4, type=int, help=argparse.SUPPRESS)
    parser.add_argument("--digest", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.side:
        measure(asked.side, tuple(asked.size), asked.digest)
        return
    for name, candidates in (("ledger", 0), ("ledger-candidates", PARCELS)):
        if asked.case not in (None, name):
            continue
        line = run_sides(name, (*(QUICK if asked.quick else FULL), candidates), 3)
        with (HERE / "results.jsonl").open("a", encoding="utf-8", newline="\n") as results:
            results.write(json.dumps(line) + "\n")
        if asked.json:
            print(json.dumps(line))
        else:
            print(f"{name}: ours {line['ours_s']} s, {line['peer']} {line['peer_s']} s, ratio {line['ratio']}")


if __name__ == "__main__":
    main()

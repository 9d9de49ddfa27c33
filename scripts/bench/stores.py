"""How fast the generic store is: ours on one and two threads against the same equations in numpy on one.

5,000 random stores go through hourly rain of 12 years, cut as the continuous run cuts it (wet hours and two after into
six). The peer does one array operation after another over all stores, each into memory made before (``out=``, no
temporaries), and leaves out what is nil in dry steps, as we do. (Ours also passes by blocks of stores at rest, which
random neighbours seldom are all together.) Both sides start from the same parameters and must end
with the same bytes: state, every sum, greatest depth and peak. A store-step is one store through one executed step.

numpy is a dependency of the package, so the peer needs no environment of its own. Each side runs in fresh processes;
compilation is done before the clock starts, packing and unpacking of the stores is inside it. Medians are reported.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
STORES = 5000
FULL_YEARS, QUICK_YEARS = 12, 1
HOURS_A_YEAR = 8766
RUN_ON_WETTING_MM = 1.0
TERMS = ("WET", "HELD", "STORED", "AIR", "GROUND", "OUTLET", "OVERFLOW", "EXCESS", "GREATEST", "TOP")

Case = dict[str, np.ndarray]
Work = tuple[np.ndarray, ...]
Step = tuple[Any, ...]


def make_case(stores: int, hours: int) -> dict[str, np.ndarray]:
    """Make stores of all kinds and the steps of the run from one seed: about 9 % wet hours, 900 mm of rain a year."""
    from catchscreen.runoff import _store_kernels as k
    from catchscreen.runoff.step_plan import LONG, SHORT, short_steps

    draw = np.random.default_rng(7)
    rain, place = np.zeros(hours), 0
    while place < hours:
        place += int(draw.exponential(60)) + 1
        length = int(draw.gamma(1.5, 4.0)) + 1
        rain[place : place + length] = draw.gamma(0.6, 1.6, max(0, min(length, hours - place)))
        place += length
    rain *= 900.0 * hours / HOURS_A_YEAR / rain.sum()
    hour = np.arange(hours)
    season = 1.0 + 0.8 * np.sin((hour / HOURS_A_YEAR - 0.25) * 2.0 * np.pi)
    demand = np.maximum(0.0, np.sin((hour % 24 - 6) / 12.0 * np.pi)) * season
    demand *= 560.0 * hours / HOURS_A_YEAR / demand.sum()
    is_short, pieces = short_steps(rain, 1.0)
    cut = np.where(is_short, pieces, 1)
    parent = np.repeat(np.arange(hours), cut)
    drivers = np.column_stack([rain[parent] / cut[parent], demand[parent] / cut[parent], 1.0 / cut[parent]])
    source = np.where(is_short[parent], SHORT, LONG)
    case = make_stores(draw, stores)
    case["lengths"] = np.array([1.0, 1.0 / pieces])
    case["drivers"] = drivers
    case["run_on"] = k.shed(drivers[:, 0].copy(), drivers[:, 1].copy(), RUN_ON_WETTING_MM)
    case["plan"] = np.column_stack([source, np.zeros(parent.size, dtype=np.int64)])
    return case


def make_stores(draw: np.random.Generator, stores: int) -> dict[str, np.ndarray]:
    """Draw parameters: a third lined, half with a substrate, a quarter without outlet, half of the others orifices."""
    void = draw.uniform(20.0, 140.0, stores)
    substrate = np.where(draw.random(stores) < 0.5, 0.0, draw.uniform(5.0, 40.0, stores))
    outlet = np.where(draw.random(stores) < 0.25, 0.0, 10.0 ** draw.uniform(-0.5, 1.5, stores))
    sill = np.where(draw.random(stores) < 0.5, 0.0, void * draw.uniform(0.0, 0.5, stores))
    orifice = draw.random(stores) < 0.5
    return {
        "weight": draw.uniform(0.0, 2.0, stores),
        "wetting": draw.uniform(0.1, 2.0, stores),
        "factor": draw.uniform(0.7, 1.1, stores),
        "drying": np.divide(1.0, substrate, out=np.zeros(stores), where=substrate > 0.0),
        "substrate": substrate,
        "sill": sill,
        "void": void,
        "intake": draw.uniform(20.0, 400.0, stores),
        "soak": np.where(draw.random(stores) < 0.35, 0.0, 10.0 ** draw.uniform(-1.0, 1.6, stores)),
        "root": np.where(orifice & (outlet > 0.0), outlet / np.sqrt(void - sill), np.inf),
        "decay": np.where(orifice & (outlet > 0.0), np.inf, outlet / (void - sill)),
    }


def at_step(case: dict[str, np.ndarray], step_h: float) -> tuple[np.ndarray, ...]:
    """Intake, half of the soak, fall of the root and share kept over a step."""
    return (
        case["intake"] * step_h,
        case["soak"] * step_h * 0.5,
        case["root"] * step_h * 0.5,
        np.exp(-case["decay"] * step_h),
    )


def run_ours(case: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Pack stores of one kind together, run the kernel, unpack."""
    from catchscreen.runoff import _store_kernels as k
    from catchscreen.runoff.stores import Lanes, Timeline

    order = np.lexsort([case["substrate"] > 0.0, np.isfinite(case["root"])])
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.arange(order.size)
    lanes = Lanes(place, 2)
    for name in ("wetting", "factor", "drying", "substrate", "sill", "void"):
        lanes.set(getattr(k, name.upper()), case[name])
    lanes.set(k.FACTOR_WET, case["factor"])
    for number in (0, 1):
        for row, values in enumerate(at_step(case, case["lengths"][number])):
            lanes.set_of(number, row, values)
    lanes.run(case["weight"][:, None], Timeline(case["drivers"], case["run_on"][:, None], case["plan"]))
    return {name: lanes.get(getattr(k, name)) for name in TERMS}


def run_peer(case: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Do the same step by step with numpy."""
    count = case["void"].size
    terms = {name: np.zeros(count) for name in TERMS}
    work = tuple(np.zeros(count) for _ in range(7))
    sets = [at_step(case, step_h) for step_h in case["lengths"]]
    for (rain, demand, step_h), run_on, (number, _) in zip(case["drivers"], case["run_on"], case["plan"], strict=True):
        if rain == 0.0 and run_on == 0.0:
            step_dry(case, terms, work, (demand, step_h, sets[number]))
        else:
            step_wet(case, terms, work, (rain, run_on, demand, step_h, sets[number]))
    return terms


def dry_out(case: Case, terms: Case, work: Work) -> None:
    """Evaporate from what the substrate holds; ``work`` starts with what is still wanted and what the layer gave."""
    from catchscreen.runoff import _store_kernels as k

    a, given, c, d = work
    np.multiply(a, case["drying"], out=a)
    np.minimum(a, k.PADE_TURN, out=a)
    np.multiply(a, a, out=c)
    np.multiply(c, k.TWELFTH, out=c)
    np.multiply(a, 0.5, out=a)
    np.subtract(1.0, a, out=d)
    np.add(d, c, out=d)
    np.add(1.0, a, out=a)
    np.add(a, c, out=a)
    np.divide(d, a, out=d)
    np.multiply(terms["HELD"], d, out=d)
    np.subtract(terms["HELD"], d, out=a)
    np.add(given, a, out=a)
    np.add(terms["AIR"], a, out=terms["AIR"])
    np.copyto(terms["HELD"], d)


def let_out(case: Case, terms: Case, root_fall: np.ndarray, kept_share: np.ndarray, work: Work) -> np.ndarray:
    """Lower the stores by what their outlets let go, and return it."""
    from catchscreen.runoff import _store_kernels as k

    head, a, b = work
    np.subtract(terms["STORED"], case["sill"], out=head)
    np.maximum(head, 0.0, out=head)
    np.sqrt(head, out=a)
    np.subtract(a, root_fall, out=a)
    np.maximum(a, 0.0, out=a)
    np.multiply(a, a, out=a)
    np.minimum(a, head, out=a)
    np.multiply(head, kept_share, out=b)
    np.maximum(a, b, out=a)
    np.greater(a, k.LEAST_HEAD_MM, out=b)
    np.multiply(a, b, out=a)
    np.subtract(head, a, out=head)
    np.add(terms["OUTLET"], head, out=terms["OUTLET"])
    np.subtract(terms["STORED"], head, out=terms["STORED"])
    return head


def soak_again(terms: Case, soak: np.ndarray, first: np.ndarray, work: np.ndarray) -> None:
    """Let the ground take what it did not take in the first half, and the second half."""
    np.subtract(soak, first, out=work)
    np.add(work, soak, out=work)
    np.minimum(terms["STORED"], work, out=work)
    np.subtract(terms["STORED"], work, out=terms["STORED"])
    np.add(first, work, out=work)
    np.add(terms["GROUND"], work, out=terms["GROUND"])


def step_dry(case: Case, terms: Case, work: Work, step: Step) -> None:
    """Do a step without rain and run-on."""
    demand, step_h, (_, soak, root_fall, kept_share) = step
    a, b, c, d, e, _, first = work
    np.multiply(demand, case["factor"], out=a)
    np.minimum(terms["WET"], a, out=b)
    np.subtract(terms["WET"], b, out=terms["WET"])
    np.subtract(a, b, out=a)
    dry_out(case, terms, (a, b, c, d))
    np.minimum(terms["STORED"], soak, out=first)
    np.subtract(terms["STORED"], first, out=terms["STORED"])
    rate = let_out(case, terms, root_fall, kept_share, (e, a, b))
    soak_again(terms, soak, first, a)
    np.multiply(rate, 1.0 / step_h, out=rate)
    np.maximum(terms["TOP"], rate, out=terms["TOP"])


def step_wet(case: Case, terms: Case, work: Work, step: Step) -> None:
    """Do a step with rain or run-on."""
    rain, run_on, demand, step_h, (intake, soak, root_fall, kept_share) = step
    a, b, c, d, e, f, first = work
    np.multiply(case["weight"], run_on, out=b)
    np.add(rain, b, out=b)
    np.add(terms["WET"], b, out=b)
    np.multiply(demand, case["factor"], out=a)
    np.minimum(b, a, out=c)
    np.subtract(a, c, out=a)  # evaporation still wanted
    np.subtract(b, c, out=b)
    np.minimum(b, case["wetting"], out=terms["WET"])
    np.subtract(b, terms["WET"], out=b)
    np.minimum(b, intake, out=d)
    np.subtract(b, d, out=f)  # excess
    np.add(terms["EXCESS"], f, out=terms["EXCESS"])
    np.add(terms["HELD"], d, out=terms["HELD"])
    np.subtract(terms["HELD"], case["substrate"], out=e)
    np.maximum(e, 0.0, out=e)  # down
    np.subtract(terms["HELD"], e, out=terms["HELD"])
    dry_out(case, terms, (a, c, b, d))
    np.multiply(e, 0.5, out=e)
    np.add(terms["STORED"], e, out=terms["STORED"])
    np.minimum(terms["STORED"], soak, out=first)
    np.subtract(terms["STORED"], first, out=terms["STORED"])
    drained = let_out(case, terms, root_fall, kept_share, (c, a, b))
    np.add(terms["STORED"], e, out=terms["STORED"])
    soak_again(terms, soak, first, a)
    np.subtract(terms["STORED"], case["void"], out=a)
    np.maximum(a, 0.0, out=a)
    np.subtract(terms["STORED"], a, out=terms["STORED"])
    np.add(terms["OVERFLOW"], a, out=terms["OVERFLOW"])
    np.add(drained, a, out=drained)
    np.add(drained, f, out=drained)
    np.multiply(drained, 1.0 / step_h, out=drained)
    np.maximum(terms["TOP"], drained, out=terms["TOP"])
    np.maximum(terms["GREATEST"], terms["STORED"], out=terms["GREATEST"])


def measure(side: str, hours: int, digest: str) -> None:
    """Run one side once in this process; print its seconds and leave its figures."""
    function = run_peer if side == "peer" else run_ours
    function(make_case(70, 200))  # compiles, and warms both sides alike
    case = make_case(STORES, hours)
    started = time.perf_counter()
    result = function(case)
    seconds = time.perf_counter() - started
    np.savez(digest, **result)
    print(json.dumps([seconds, STORES * case["drivers"].shape[0]]))


def run_sides(hours: int, repeats: int) -> list[dict[str, object]]:
    """Run all sides in fresh processes, hold their bytes against each other, and return the lines to report."""
    seconds: dict[str, float] = {}
    store_steps = 0
    with tempfile.TemporaryDirectory() as folder:
        files = {side: str(Path(folder) / f"{side}.npz") for side in ("1", "2", "peer")}
        for side, file in files.items():
            command = [sys.executable, __file__, "--side", side, "--hours", str(hours), "--digest", file]
            threads = {"NUMBA_NUM_THREADS": "2" if side == "2" else "1"}
            runs = [
                json.loads(subprocess.run(command, check=True, capture_output=True, env=os.environ | threads).stdout)
                for _ in range(repeats)
            ]
            seconds[side] = statistics.median(run[0] for run in runs)
            store_steps = runs[0][1]
        with np.load(files["1"]) as one, np.load(files["2"]) as two, np.load(files["peer"]) as peer:
            for name in TERMS:
                if not one[name].tobytes() == two[name].tobytes() == peer[name].tobytes():
                    raise SystemExit(f"the sides disagree in {name}")
    return [
        {
            "case": f"stores, {threads} thread{'s' if threads == '2' else ''}",
            "stores": STORES,
            "hours": hours,
            "ours_s": round(seconds[threads], 4),
            "peer": f"numpy {np.__version__}, 1 thread",
            "peer_s": round(seconds["peer"], 4),
            "ratio": round(seconds["peer"] / seconds[threads], 2),
            "rate_per_s": round(store_steps / seconds[threads]),
        }
        for threads in ("1", "2")
    ]


def main() -> None:
    """Parse, measure, print, append."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="one year instead of twelve, under a minute")
    parser.add_argument("--json", action="store_true", help="one JSON object a line, nothing else")
    parser.add_argument("--side", choices=["1", "2", "peer"], help=argparse.SUPPRESS)
    parser.add_argument("--hours", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--digest", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.side:
        measure(asked.side, asked.hours, asked.digest)
        return
    years = QUICK_YEARS if asked.quick else FULL_YEARS
    for line in run_sides(years * HOURS_A_YEAR, 3):
        with (HERE / "results.jsonl").open("a", encoding="utf-8", newline="\n") as results:
            results.write(json.dumps(line) + "\n")
        if asked.json:
            print(json.dumps(line))
        else:
            rate = int(str(line["rate_per_s"])) / 1e6
            times = f"ours {line['ours_s']} s, numpy {line['peer_s']} s, ratio {line['ratio']}"
            print(f"{line['case']}: {times}, {rate:.0f} million store-steps a second")


if __name__ == "__main__":
    main()

"""What 10,000 outlets cost beside ten: sub-catchments divided and drawn as polygons on cell edges.

Case ``outlets-N``: N x N cells of rough ground, routed; then divided at ten and at 10,000 outlets (cells chosen at
random, the same ones first). The division and the polygons are timed apart, in CPU seconds of one thread, best of five.
The polygons are held against those that rasterio and shapely make of the same labels: none may differ in any place.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable
from typing import Any

from terrain_tiles import NODATA, WEIGHTS, ground_block, keep, make_base

FEW, MANY = 10, 10_000
SIZES = {False: (2000, 4000), True: (1000,)}
TARGET = 20_000


def best_of(repeats: int, work: Callable[[], Any]) -> tuple[float, Any]:
    """Return the least CPU seconds that some work took, and what it gives."""
    best, given = float("inf"), None
    for _ in range(repeats):
        start = time.thread_time()
        given = work()
        best = min(best, time.thread_time() - start)
    return best, given


def draw_by_peer(label: Any, count: int, grid: Any) -> list[Any]:
    """Make the same polygons with rasterio and shapely."""
    import shapely
    from rasterio.features import shapes

    parts: list[list[Any]] = [[] for _ in range(count)]
    for outline, number in shapes(label, mask=label >= 0, connectivity=4, transform=grid.transform):
        parts[int(number)].append(shapely.geometry.shape(outline))
    return [own[0] if len(own) == 1 else shapely.MultiPolygon(own) for own in parts]


def check(ours: Any, peers: Any, cells: Any) -> None:
    """Refuse polygons that are not valid, or not equal to the peer's in area and in every place."""
    import shapely

    good = shapely.is_valid(ours).all() and (shapely.area(ours) == cells).all()
    differ = shapely.area(shapely.symmetric_difference(ours, shapely.make_valid(peers)))
    if not good or differ.any():
        raise SystemExit("the polygons are not those of the cells")


def measure(size: int) -> dict[str, Any]:
    """Time the division and the polygons of few and of many outlets."""
    import numpy as np
    from pyproj import CRS

    from catchscreen.grid import Grid
    from catchscreen.terrain.catchments import divide
    from catchscreen.terrain.conditioning import frame_levels, unframe
    from catchscreen.terrain.polygons import polygons_of
    from catchscreen.terrain.routing import route

    ground = ground_block(make_base(), 0, 0, (size, size))
    valid = ground != NODATA
    routing = route(frame_levels(np.rint(ground * 10_000).astype(np.int32), valid), WEIGHTS)
    grid = Grid(size, size, 0.0, float(size), 1.0, 1.0, CRS.from_epsg(32628))
    row, col = np.divmod(np.random.default_rng(1).permutation(np.flatnonzero(valid))[:MANY], size)
    outlets = (row + 1) * (size + 2) + col + 1
    line: dict[str, Any] = {"case": f"outlets-{size}", "outlets": MANY}
    for count, name in ((FEW, "ten_"), (MANY, "")):
        chosen = np.sort(outlets[:count])
        line[f"{name}divide_s"], division = best_of(5, lambda chosen=chosen: divide(routing, chosen, TARGET))
        label, number = np.ascontiguousarray(unframe(division.label)), division.outlet_cell.size
        work = lambda label=label, number=number: polygons_of(label, number, grid)  # noqa: E731
        line[f"{name}ours_s"], shapes = best_of(5, work)
    line["peer"] = "rasterio, shapely"
    line["peer_s"], other = best_of(1, lambda: draw_by_peer(label, number, grid))
    check(np.array(shapes), np.array(other), division.cells)
    line["ratio"] = line["peer_s"] / line["ours_s"]
    line["to_ten"] = line["ours_s"] / line["ten_ours_s"]
    both = line["ours_s"] + line["divide_s"]
    line["to_ten_with_division"] = both / (line["ten_ours_s"] + line["ten_divide_s"])
    return {key: round(value, 4) if isinstance(value, float) else value for key, value in line.items()}


def main() -> None:
    """Run the cases, print them, and put them into the results."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a small size only")
    for size in SIZES[parser.parse_args().quick]:
        line = measure(size)
        keep(line)
        print(json.dumps(line), flush=True)


if __name__ == "__main__":
    main()

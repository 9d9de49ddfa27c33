"""How fast surfaces are counted: exact coverage of raster classes, and areas by precedence.

Case ``coverage``: class shares of 20,000 parcels (Voronoi cells with about 18 corners) over a land-cover raster of
10,000 x 10,000 cells, deflate GeoTIFF in tiles of 512, reading included on both sides. Peer: exactextract,
raster-sequential. Shares must agree within 1e-9.

Case ``overlay``: area of roof and road in each of 20,000 parcels from 60,000 footprints and 5,000 widened streets that
overlap each other, footprints first. Peer: geopandas.overlay, the overlaps taken out by its fastest way
(``union_all(method="disjoint_subset")`` for each layer, then overlays), as far as we know the best that a user of it
would do. Areas must agree within 1e-6 m2.

Each side runs in fresh processes, compiled beforehand, on two threads where it uses threads; medians and peak memory
are reported. The peers come from the environment that runs the script; exactextract, where it is missing there, from
one made for it.
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
import venv
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    import geopandas as gpd
    import numpy as np

HERE = Path(__file__).parent
REPEATS = {"ours": 5, "peer": 3}
CLASS_COUNT = 9
SIZES = {False: (20_000, 60_000, 5_000, 10_000), True: (3_000, 9_000, 750, 4_000)}
"""Parcels, footprints, streets, and the side of the square in metres and cells; for --quick the second line."""


def make_parcels(count: int, side: float, rng: np.random.Generator) -> np.ndarray:
    """Voronoi cells of jittered points, with a corner each 20 m."""
    import numpy as np
    import shapely

    per_side = int(np.ceil(np.sqrt(count)))
    col, row = np.meshgrid(np.arange(per_side), np.arange(per_side))
    points = np.column_stack([col.ravel(), row.ravel()])[:count] + 0.5 + rng.uniform(-0.38, 0.38, (count, 2))
    square = shapely.box(0, 0, side, side)
    cells = shapely.voronoi_polygons(shapely.multipoints(points * side / per_side), extend_to=square)
    return shapely.segmentize(shapely.intersection(shapely.get_parts(cells), square), 20.0)


def make_footprints(count: int, side: float, rng: np.random.Generator) -> np.ndarray:
    """L-shaped footprints anywhere, turned anyhow."""
    import numpy as np
    import shapely

    corner = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.1], [0.2, 0.1], [0.2, 0.5], [-0.5, 0.5]])
    size = np.column_stack([rng.uniform(6, 14, count), rng.uniform(6, 20, count)])
    angle = rng.uniform(0, np.pi, count)
    turn = np.stack([np.stack([np.cos(angle), -np.sin(angle)], -1), np.stack([np.sin(angle), np.cos(angle)], -1)], -2)
    xy = np.einsum("nij,nkj->nki", turn, corner[None] * size[:, None]) + rng.uniform(10, side - 10, (count, 1, 2))
    return shapely.polygons(xy)


def make_streets(count: int, side: float, rng: np.random.Generator) -> np.ndarray:
    """Streets 6 m wide with a few bends, mostly along the axes."""
    import numpy as np
    import shapely

    angle = rng.choice([0, np.pi / 2], count) + rng.normal(0, 0.15, count)
    along = np.stack([np.cos(angle), np.sin(angle)], -1)[:, None] * rng.uniform(60, 220, (count, 1, 1))
    line = rng.uniform(0, side, (count, 1, 2)) + np.linspace(0, 1, 8)[None, :, None] * along
    line += rng.normal(0, 1.5, (count, 8, 2))
    return shapely.buffer(shapely.linestrings(line), 3.0, quad_segs=4)


def make_raster(path: Path, side: int, rng: np.random.Generator) -> None:
    """Write a class raster of smooth patches 20 to 100 m wide."""
    import numpy as np
    import rasterio
    from scipy import ndimage

    rough = ndimage.gaussian_filter(rng.random((side // 20, side // 20)).astype(np.float32), 1.0)
    field = ndimage.zoom(rough, 20, order=1)[:side, :side] + rng.normal(0, 0.01, (side, 1)).astype(np.float32)
    cuts = np.quantile(field[::37, ::41], [0.2, 0.4, 0.55, 0.7, 0.8, 0.9, 0.96])
    profile = {"driver": "GTiff", "width": side, "height": side, "count": 1, "dtype": "uint8", "crs": "EPSG:32628"}
    profile |= {"transform": rasterio.transform.from_origin(0, side, 1, 1), "tiled": True, "compress": "deflate"}
    with rasterio.open(path, "w", blockxsize=512, blockysize=512, **profile) as file:
        file.write((np.digitize(field, cuts) + 1).astype(np.uint8), 1)


def make_data(folder: Path, *, quick: bool) -> None:
    """Write the raster and the polygons (as flat arrays) from one seed."""
    import numpy as np
    import shapely

    parcels, footprints, streets, side = SIZES[quick]
    rng = np.random.default_rng(11)
    layers = {
        "parcels": make_parcels(parcels, side, rng),
        "footprints": make_footprints(footprints, side, rng),
        "streets": make_streets(streets, side, rng),
    }
    for name, shapes in layers.items():
        _, xy, (rings, parts) = shapely.to_ragged_array(shapes)
        np.savez(folder / f"{name}.npz", xy=xy, rings=rings, parts=parts)
    make_raster(folder / "cover.tif", side, rng)


def read_polygons(folder: Path, name: str) -> np.ndarray:
    """Read a layer's polygons."""
    import numpy as np
    import shapely

    with np.load(folder / f"{name}.npz") as file:
        kind = shapely.GeometryType.POLYGON
        return shapely.from_ragged_array(kind, file["xy"], (file["rings"], file["parts"]))


def coverage_ours(folder: Path) -> Callable:
    """Read the raster and give the shares, (parcels, classes)."""
    import rasterio
    from pyproj import CRS

    from catchscreen.grid import Grid
    from catchscreen.surfaces.coverage import class_fractions

    parcels = read_polygons(folder, "parcels")

    def run(shapes: np.ndarray = parcels) -> np.ndarray:
        with rasterio.open(folder / "cover.tif", num_threads="ALL_CPUS") as file:
            step = file.transform
            grid = Grid(file.height, file.width, step.c, step.f, step.a, -step.e, CRS.from_epsg(32628))
            return class_fractions(shapes, file.read(1), grid, CLASS_COUNT)

    run(parcels[:50])
    return run


def coverage_peer(folder: Path) -> Callable:
    """Do the same by exactextract, which reads as it goes."""
    import exactextract
    import geopandas as gpd
    import numpy as np

    parcels = gpd.GeoDataFrame(geometry=read_polygons(folder, "parcels"), crs="EPSG:32628")

    def run() -> np.ndarray:
        table = exactextract.exact_extract(
            str(folder / "cover.tif"), parcels, ["unique", "frac"], strategy="raster-sequential", output="pandas"
        )
        count = table["unique"].map(len).to_numpy()
        shares = np.zeros((len(parcels), CLASS_COUNT))
        codes = np.concatenate(table["unique"].to_numpy()).astype(int)
        shares[np.repeat(np.arange(len(parcels)), count), codes] = np.concatenate(table["frac"].to_numpy())
        return shares

    return run


def overlay_ours(folder: Path) -> Callable:
    """Areas of roof and road in each parcel, (parcels, 2)."""
    import numpy as np

    from catchscreen.surfaces.precedence import areas_by_precedence

    given = tuple(read_polygons(folder, name) for name in ("parcels", "footprints", "streets"))

    def run(*layers: np.ndarray) -> np.ndarray:
        parcels, footprints, streets = layers or given
        feature, owner, area = areas_by_precedence(np.concatenate([footprints, streets]), parcels)
        kind = feature >= len(footprints)
        return np.bincount(owner * 2 + kind, weights=area, minlength=2 * len(parcels)).reshape(-1, 2)

    run(given[0][:500], given[1][:2000], given[2][:500])
    return run


def overlay_peer(folder: Path) -> Callable:
    """Do the same by geopandas."""
    import geopandas as gpd
    import pandas as pd

    layers = {}
    for name in ("parcels", "footprints", "streets"):
        layers[name] = gpd.GeoDataFrame(geometry=read_polygons(folder, name), crs="EPSG:32628")
    parcels = layers["parcels"].assign(parcel=range(len(layers["parcels"])))

    def disjoint(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        union = layer.union_all(method="disjoint_subset")
        return gpd.GeoDataFrame(geometry=gpd.GeoSeries([union], crs=layer.crs)).explode(ignore_index=True)

    def run() -> np.ndarray:
        roofs = disjoint(layers["footprints"])
        roads = gpd.overlay(disjoint(layers["streets"]), roofs, how="difference")
        surfaces = pd.concat([roofs.assign(kind=0), roads.assign(kind=1)], ignore_index=True)
        pieces = gpd.overlay(parcels, surfaces, how="intersection")
        sums = pieces.assign(area=pieces.area).pivot_table(index="parcel", columns="kind", values="area", aggfunc="sum")
        return sums.reindex(range(len(parcels))).fillna(0.0).to_numpy()

    return run


SIDES = {
    ("coverage", "ours"): coverage_ours,
    ("coverage", "peer"): coverage_peer,
    ("overlay", "ours"): overlay_ours,
    ("overlay", "peer"): overlay_peer,
}


def peak_memory_mb() -> float | None:
    """Return the most memory that this process has held, where the system tells."""
    if find_spec("resource") is None:
        return None
    import resource

    unit = 1.0 if sys.platform == "darwin" else 1024.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6


def measure(case: str, side: str, folder: Path) -> None:
    """Run one side once in this process; print seconds and memory, leave its figures."""
    import numpy as np

    run = SIDES[case, side](folder)
    started = time.perf_counter()
    result = run()
    seconds = time.perf_counter() - started
    np.save(folder / f"{case}_{side}.npy", result)
    print(json.dumps({"seconds": seconds, "peak_mb": peak_memory_mb()}))


def python_for(side: str, case: str, folder: Path) -> str:
    """Return the interpreter of a side: this one, or one made with exactextract where that is missing here."""
    if side == "ours" or case == "overlay" or find_spec("exactextract") is not None:
        return sys.executable
    home = folder / "peers"
    if not home.exists():
        venv.create(home, system_site_packages=True, with_pip=True)
        own = home / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
        subprocess.run([own, "-m", "pip", "install", "-q", "--only-binary", ":all:", "exactextract"], check=True)
    return str(home / ("Scripts/python.exe" if os.name == "nt" else "bin/python"))


def compare(case: str, folder: Path, *, quick: bool) -> dict[str, object]:
    """Run both sides in fresh processes, in turn, and return the line to report."""
    import numpy as np

    found: dict[str, list[dict[str, float]]] = {"ours": [], "peer": []}
    environment = os.environ | {"NUMBA_NUM_THREADS": str(min(2, os.cpu_count() or 1))}
    for turn in range(max(REPEATS.values())):
        for side, runs in found.items():
            if turn < REPEATS[side]:
                command = [python_for(side, case, folder), __file__, "--side", side, "--case", case, "--folder", folder]
                done = subprocess.run(command, check=True, capture_output=True, text=True, env=environment)
                runs.append(json.loads(done.stdout.splitlines()[-1]))
    ours, peer = (np.load(folder / f"{case}_{side}.npy") for side in ("ours", "peer"))
    worst = float(np.abs(ours - peer).max())
    limit = 1e-9 if case == "coverage" else 1e-6
    if not worst <= limit:
        raise SystemExit(f"{case}: the two sides differ by {worst}, more than {limit}")
    seconds = {side: statistics.median(run["seconds"] for run in runs) for side, runs in found.items()}
    memory = {side: max(run["peak_mb"] or 0.0 for run in runs) for side, runs in found.items()}
    parcels, footprints, streets, side_cells = SIZES[quick]
    size = {"cells": side_cells**2, "codec": "deflate"} if case == "coverage" else {"polygons": footprints + streets}
    name = f"exactextract {version('exactextract')}" if case == "coverage" else f"geopandas {version('geopandas')}"
    return {
        "case": case,
        "parcels": parcels,
        **size,
        "ours_s": round(seconds["ours"], 4),
        "peer": name,
        "peer_s": round(seconds["peer"], 4),
        "ratio": round(seconds["peer"] / seconds["ours"], 2),
        "rate_per_s": round(parcels / seconds["ours"]),
        "greatest_difference": worst,
        "ours_peak_mb": round(memory["ours"]),
        "peer_peak_mb": round(memory["peer"]),
    }


def main() -> None:
    """Parse, measure, print, append."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="smaller cases, under a minute")
    parser.add_argument("--json", action="store_true", help="one JSON object a line, nothing else")
    parser.add_argument("--case", choices=["coverage", "overlay"], help="one case only")
    parser.add_argument("--side", choices=["ours", "peer"], help=argparse.SUPPRESS)
    parser.add_argument("--make", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.make:
        make_data(asked.folder, quick=asked.quick)
        return
    if asked.side:
        measure(asked.case, asked.side, asked.folder)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # In a process of its own: the memory of the sides would otherwise begin at what this one took.
        command = [sys.executable, __file__, "--make", "--folder", folder, *(["--quick"] if asked.quick else [])]
        subprocess.run(command, check=True)
        for case in [asked.case] if asked.case else ["coverage", "overlay"]:
            line = compare(case, folder, quick=asked.quick)
            with (HERE / "results.jsonl").open("a", encoding="utf-8", newline="\n") as results:
                results.write(json.dumps(line) + "\n")
            if asked.json:
                print(json.dumps(line))
            else:
                print(
                    f"{case}: ours {line['ours_s']} s ({line['ours_peak_mb']} MB), {line['peer']} {line['peer_s']} s "
                    f"({line['peer_peak_mb']} MB), ratio {line['ratio']}"
                )


if __name__ == "__main__":
    main()

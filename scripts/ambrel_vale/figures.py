"""The figures that Ambrel Vale must meet, asserted each time it is made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ambrel_vale import hollow, rain, solve
from ambrel_vale.frame import BOTTOM, CELL_M, HEIGHT_M, Array, require, require_about, window_mask
from ambrel_vale.hollow import Hollow
from ambrel_vale.layers import pharmacy_door
from ambrel_vale.town import COVER_HA, Town

DEPRESSION_MM = 1.0
CAPACITY_MM_H = 12.0
PIPED, OVERLAND = 0.9, 0.1
"""Shares of the runoff of hard ground in the bucket: to the sewer, over the ground."""


@dataclass(frozen=True)
class Passage:
    """What the bucket says of the hollow at the passage."""

    homes_inside: int
    pharmacies_inside: int
    homes_wet_at_5: int
    connected_ha: float
    inflow_5_m3: float
    inflow_30_m3: float
    level_5_m: float


def assert_cover(found: dict[str, float]) -> None:
    """Assert the cover table within 1.5 % a line, and print it."""
    print(f"{'cover':34}{'ha':>8}{'wanted':>8}")
    for line, wanted in COVER_HA.items():
        print(f"{line:34}{found[line]:8.2f}{wanted:8.1f}")
    total = sum(found.values())
    print(f"{'total':34}{total:8.2f}{sum(COVER_HA.values()):8.1f}")
    for line, wanted in COVER_HA.items():
        require_about(f"{line} [ha]", found[line], wanted, 0.015)
    require_about("cover in all [ha]", total, 600.0, 0.001)


def assert_hollow(found: Hollow) -> None:
    """Assert depth, area, volume and catchment of the hollow within 5 %."""
    print(f"hollow: {found.volume_m3:.0f} m3, {found.depth_m:.2f} m, {found.area_m2:.0f} m2 wet at spill level,")
    print(f"        {found.upstream_ha:.1f} ha upstream")
    require_about("volume of the hollow [m3]", found.volume_m3, 2900.0, 0.05)
    require_about("depth of the hollow [m]", found.depth_m, 0.9, 0.05)
    require_about("wet area of the hollow [m2]", found.area_m2, 9500.0, 0.05)
    require_about("catchment of the hollow [ha]", found.upstream_ha, 23.0, 0.05)


def cells_in_window(x: Array, y: Array) -> tuple[np.ndarray, np.ndarray]:
    """Return row and column of local points in the solver's window (may lie outside it)."""
    rows, cols = solve.window()
    return np.floor((HEIGHT_M - y) / CELL_M).astype(int) - rows.start, np.floor(x / CELL_M).astype(int) - cols.start


def hard_share(town: Town, found: Hollow) -> float:
    """Return the hectares of roofs, streets and paved ground that drain to the hollow."""
    hard = [h.polygon for h in town.houses] + [p.polygon for p in town.pieces if p.line.startswith(("car", "domestic"))]
    mask = window_mask([*hard, town.corridor])[solve.window()]
    return float((mask & found.upstream).sum() * CELL_M**2 / 1e4)


def bucket_m3(hard_ha: float, depth_mm: float, minutes: int) -> float:
    """Return what reaches the hollow over the ground: hard ground's runoff, beyond what the sewer takes."""
    runoff = max(0.0, depth_mm - DEPRESSION_MM)
    peak = 2.0 * runoff / (minutes / 60.0)  # the storm rises and falls as a triangle
    beyond = runoff * max(0.0, 1.0 - CAPACITY_MM_H / peak) ** 2
    return (PIPED * beyond + OVERLAND * runoff) * hard_ha * 10.0


def worst_bucket(hard_ha: float, column: int) -> float:
    """Return the greatest inflow over the durations of the table."""
    return max(bucket_m3(hard_ha, depths[column], minutes) for minutes, depths in rain.TABLE.items())


def look_at_passage(town: Town, found: Hollow, ground: Array) -> Passage:
    """Count who stands in the hollow and pour the rain in."""
    doors = town.doors
    x, y = np.array([d.x for d in doors]), np.array([d.y for d in doors])
    row, col = cells_in_window(x, y)
    inside = (row >= 0) & (row < ground.shape[0]) & (col >= 0) & (col < ground.shape[1])
    wet = np.zeros(len(doors), dtype=bool)
    wet[inside] = found.wet[row[inside], col[inside]]
    chemist = pharmacy_door(town)
    home = np.array([d.use == "home" and d is not chemist for d in doors])
    hard = hard_share(town, found)
    five, thirty = worst_bucket(hard, 1), worst_bucket(hard, 2)
    level = hollow.level_for(ground, found, five)
    depth = np.zeros(len(doors))
    depth[wet] = level - ground[row[wet], col[wet]]
    homes_wet = int((home & (depth >= 0.15)).sum())
    pharmacy = int(sum(bool(w) and d is chemist for w, d in zip(wet, doors, strict=True)))
    return Passage(int((home & wet).sum()), pharmacy, homes_wet, hard, five, thirty, level)


def assert_passage(found: Passage, volume_m3: float) -> None:
    """Assert who stands in the hollow and when it first spills."""
    print(found)
    require("homes in the hollow", found.homes_inside, 46, 46)
    require("pharmacies in the hollow", found.pharmacies_inside, 1, 1)
    require("homes reached by 0.15 m at 1-in-5", found.homes_wet_at_5, 13, 17)
    require(
        "volume to spill [m3], against the inflow at 1-in-5 and 1-in-30",
        volume_m3,
        found.inflow_5_m3,
        found.inflow_30_m3,
    )


def assert_levels(ground: Array) -> None:
    """Assert the range of the ground model: 38 to 156 m."""
    print(f"ground: {ground.min():.2f} to {ground.max():.2f} m; origin {BOTTOM:.0f} N")
    require("lowest level [m]", float(ground.min()), 37.5, 38.5)
    require("highest level [m]", float(ground.max()), 154.5, 157.5)


PLACES_NEEDED = (
    "Ambrel Secondary School", "Station Car Park", "Market Hall Car Park", "Water Meadow Long-Stay Car Park",
    "Orle Mill Estate", "Hillfoot Playing Field", "Terrace Road Health Centre", "Ambrel Library", "Civic Centre",
    "Weir Street Primary", "Depot Lane Bus Depot",
)  # fmt: skip


def assert_places(parcels: list[object]) -> None:
    """Assert that the places of the story are parcels, and that there are kerbside bays."""
    names = {getattr(p, "name", "") for p in parcels}
    missing = [n for n in PLACES_NEEDED if n not in names]
    require(f"number of places that are missing ({', '.join(missing)})", len(missing), 0, 0)
    require("number of kerbside bays", sum(" Bays " in n for n in names), 20, 200)

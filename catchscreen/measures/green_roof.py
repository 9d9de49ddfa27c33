"""Green roof: extensive, semi-intensive, intensive, and a storage roof under an extensive build-up.

Structure is never a "yes" from age alone: without a survey the roof keeps a likelihood and a named check.
"""

from __future__ import annotations

import geopandas as gpd
import pandas as pd

from catchscreen.measures.contract import Layer, Measure, Variant
from catchscreen.measures.defaults import outlet_rate_mm_h
from catchscreen.measures.rules import read_rules
from catchscreen.measures.site_columns import site_columns

EXTENSIVE, SEMI, INTENSIVE, STORAGE = "extensive", "semi-intensive", "intensive", "storage-roof"
PLANTED = (EXTENSIVE, SEMI, INTENSIVE)

COMMON = "common practice"
MEMORY = "from memory"

WATER_HELD = {EXTENSIVE: 0.25, SEMI: 0.25, INTENSIVE: 0.20, STORAGE: 0.25}
"""Water between wilting point and field capacity per depth of substrate (15-35 mm in 60-150 mm: from memory)."""
WINTER_FREE_MM = 2.0
"""Room left in the substrate at the start of a winter storm: 0 to 3 mm (from memory). Never the full hold."""
STORAGE_SUBSTRATE_MM = 80.0

VARIANTS = (
    Variant(
        EXTENSIVE,
        "Extensive green roof",
        takes_run_on=False,
        depths_mm=(80, 100, 120, 150),
        cover_mm=20.0,
        outlet_l_s_ha=170.0,
        outlet_exponent=1.0,
        wetting_mm=1.0,
        intake_mm_h=1000.0,
        evaporation_factor=0.85,
        saturated_kn_m2=(0.6, 1.5),
        layers=(Layer("sedum_mat", 20.0), Layer("roof_substrate"), Layer("roof_drainage", 25.0)),
        cost_item="green_roof_extensive",
        treatment=0.5,
        source=f"60-150 mm: {MEMORY}",
    ),
    Variant(
        SEMI,
        "Semi-intensive green roof",
        takes_run_on=False,
        depths_mm=(150, 200, 250),
        cover_mm=20.0,
        outlet_l_s_ha=170.0,
        outlet_exponent=1.0,
        wetting_mm=1.5,
        intake_mm_h=1000.0,
        evaporation_factor=0.95,
        saturated_kn_m2=(1.2, 2.4),
        layers=(Layer("sedum_mat", 20.0), Layer("roof_substrate"), Layer("roof_drainage", 40.0)),
        cost_item="green_roof_semi_intensive",
        treatment=0.5,
        source=f"120-250 mm: {MEMORY}",
    ),
    Variant(
        INTENSIVE,
        "Intensive green roof",
        takes_run_on=False,
        depths_mm=(300, 400, 500),
        cover_mm=20.0,
        outlet_l_s_ha=170.0,
        outlet_exponent=1.0,
        wetting_mm=2.0,
        intake_mm_h=1000.0,
        evaporation_factor=1.0,
        saturated_kn_m2=(2.0, 5.0),
        layers=(Layer("roof_substrate"), Layer("roof_drainage", 60.0)),
        cost_item="green_roof_intensive",
        treatment=0.5,
        source=f"200-1,000 mm: {MEMORY}",
    ),
    Variant(
        STORAGE,
        "Storage roof under an extensive green roof",
        takes_run_on=False,
        depths_mm=(50, 85, 100, 150),
        cover_mm=120.0,
        void_fraction=0.95,
        outlet_l_s_ha=5.0,
        outlet_exponent=0.5,
        wetting_mm=1.0,
        intake_mm_h=1000.0,
        evaporation_factor=0.85,
        saturated_kn_m2=(1.1, 2.5),
        layers=(Layer("sedum_mat", 20.0), Layer("roof_substrate", STORAGE_SUBSTRATE_MM), Layer("roof_void_former")),
        cost_item="green_roof_storage",
        treatment=0.5,
        source=f"50-150 mm of voids: {MEMORY}",
    ),
)

STRUCTURE_CHECK = "structural survey by a chartered engineer, with the roof's build-up opened"

COLUMNS = site_columns(
    "structure_state",
    "load_margin_kn_m2",
    "doubtful_deck",
    "pitch_deg",
    "plane_error_m",
    "years_to_reroof",
    "heritage",
    "piped_fraction",
)

RULES = read_rules("green_roof")

CAUTIONS = (
    "Outlets, overflows and fire breaks follow local codes; a storage roof needs its own overflow and drains fully.",
)


def find_roofs(patches: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Take the usable part of each roof as host: plant, rooflights and the edge strip are off already.

    The polygon stays the roof's (nobody knows yet which square metres are free); the area is the usable one.
    """
    hosts = patches[["geometry"]].copy()
    usable = (
        patches["usable_area_m2"].astype(float) if "usable_area_m2" in patches else patches["area_m2"] * float("nan")
    )
    hosts["host_area_m2"] = usable.fillna(patches["area_m2"] * 0.6)
    return gpd.GeoDataFrame(hosts[hosts["host_area_m2"] > 0.0], geometry="geometry", crs=patches.crs)


def fill_roof_store(options: pd.DataFrame, variant: Variant, depth_mm: float) -> pd.DataFrame:
    """Give the store of a green roof: substrate that holds and gives back to the air, drainage that only slows.

    The substrate starts wet, with ``WINTER_FREE_MM`` of room: a roof must not hold its full capacity on a January day.
    """
    substrate_depth_mm = STORAGE_SUBSTRATE_MM if variant.name == STORAGE else depth_mm
    held_mm = substrate_depth_mm * WATER_HELD[variant.name]
    frame = pd.DataFrame(index=options.index)
    frame["wetting_mm"] = variant.wetting_mm
    frame["intake_mm_h"] = variant.intake_mm_h
    frame["substrate_mm"] = held_mm
    frame["substrate_start_fraction"] = max(0.0, 1.0 - WINTER_FREE_MM / held_mm)
    frame["evaporation_factor"] = variant.evaporation_factor
    if variant.name == STORAGE:
        void_mm = pd.Series(depth_mm * variant.void_fraction, index=options.index)
    else:
        # Free pores of the substrate above field capacity (about 15 %) and the drainage board: water passes, slowed.
        void_mm = pd.Series(0.15 * substrate_depth_mm + 10.0, index=options.index)
    frame["void_mm"] = void_mm
    frame["sill_mm"] = 0.0
    frame["outlet_exponent"] = variant.outlet_exponent
    frame["outlet_mm_h"] = outlet_rate_mm_h(options, variant.outlet_l_s_ha, void_mm, depth_mm / 1000.0)
    frame["soak_design_mm_h"] = 0.0
    frame["soak_mean_mm_h"] = 0.0
    return frame


measure = Measure(
    name="green_roof",
    title="Green roof",
    ground="roof",
    variants=VARIANTS,
    columns=COLUMNS,
    thresholds=RULES.thresholds,
    constraints=RULES.constraints,
    grades=RULES.grades,
    cautions=CAUTIONS,
    hosts=find_roofs,
    store=fill_roof_store,
    extra={"structural_depth_foot_mm": 0.0},
)

"""Permeable paving: full-infiltration, partial-infiltration and lined, with the rules that decide between them.

Every number here is a default with its source; the brief overrides it by ``[measures.thresholds]`` and its sisters. "As
quoted in" marks a figure read second-hand; "common practice" and "from memory" mean what they say.
"""

from __future__ import annotations

from catchscreen.measures.contract import Layer, Measure, Variant
from catchscreen.measures.rules import read_rules
from catchscreen.measures.site_columns import site_columns

FULL, PARTIAL, LINED = "full-infiltration", "partial-infiltration", "lined"
SOAKING = (FULL, PARTIAL)
DRAINED = (PARTIAL, LINED)

MANUAL = "CIRIA C753 ch. 20 (2015), from memory"
COUNCIL = "Buckinghamshire Council, Design standards for SuDS components"
COMMON = "common practice"
MEMORY = "from memory"

SURFACE = (Layer("permeable_blocks", 80.0), Layer("bedding_grit", 50.0))


VARIANTS = (
    Variant(
        FULL,
        "Permeable paving, all water to the ground",
        soaks="all",
        depths_mm=(200, 250, 300, 350, 400, 500, 600),
        cover_mm=130.0,
        void_fraction=0.30,
        layers=(*SURFACE, Layer("open_graded_rock")),
        cost_item="permeable_paving",
        treatment=0.7,
        source=f"200-400 mm at 30 % voids: {MANUAL}",
    ),
    Variant(
        PARTIAL,
        "Permeable paving, part to the ground, part to a drain",
        soaks="part",
        depths_mm=(250, 300, 350, 400, 500, 600),
        cover_mm=130.0,
        void_fraction=0.30,
        sill_fraction=0.35,
        layers=(*SURFACE, Layer("open_graded_rock"), Layer("outlet_pipe")),
        cost_item="permeable_paving_drained",
        treatment=0.7,
        source=f"300-500 mm: {MANUAL}",
    ),
    Variant(
        LINED,
        "Permeable paving over a lined store",
        soaks="none",
        depths_mm=(300, 350, 400, 500, 600),
        cover_mm=130.0,
        void_fraction=0.30,
        layers=(*SURFACE, Layer("open_graded_rock"), Layer("liner"), Layer("outlet_pipe")),
        cost_item="permeable_paving_lined",
        treatment=0.6,
        source=f"300-600 mm: {MANUAL}",
    ),
)

COLUMNS = site_columns(
    "q_m_s",
    "groundwater_clearance_m",
    "base_fraction",
    "clear_fraction",
    "slope_percent",
    "ground_use",
    "land_use",
    "width_m",
    "run_on_ratio",
    "adopted_fraction",
    "main_under_host",
    "outfall",
    "outfall_tidal",
    "outfall_fall_m",
    "pollution_gap",
)

RULES = read_rules("permeable_paving")

CAUTIONS = ("The thickness that traffic needs is not checked here beyond a stated minimum.",)

measure = Measure(
    name="permeable_paving",
    title="Permeable paving",
    ground="paved",
    variants=VARIANTS,
    columns=COLUMNS,
    thresholds=RULES.thresholds,
    constraints=RULES.constraints,
    grades=RULES.grades,
    cautions=CAUTIONS,
    extra={
        "structural_depth_foot_mm": 200.0,
        "structural_depth_car_mm": 300.0,
        "structural_depth_goods_mm": 450.0,
        "dig_limit_mm": 1200.0,
        "half_emptying_max_h": 24.0,
        "dig_limit_over_main_mm": 700.0,
    },
    extra_sources={
        "structural_depth_foot_mm": MEMORY,
        "structural_depth_car_mm": MEMORY,
        "structural_depth_goods_mm": MEMORY,
        "half_emptying_max_h": f"24 h after 1-in-30: {COUNCIL}",
    },
)

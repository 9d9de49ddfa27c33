"""Sports turf layer: drainage and storage under a pitch, written exactly as an outsider would write a measure."""

from __future__ import annotations

from catchscreen.measures.contract import COMMON_GRADES, ConstraintRule, Layer, Measure, Threshold, Variant
from catchscreen.measures.site_columns import site_columns

COMMON = "common practice"

measure = Measure(
    name="sports_turf",
    title="Store under a sports pitch",
    ground="pitch",
    variants=(
        Variant(
            "soaking-layer",
            "Layer under the pitch, part to the ground",
            soaks="part",
            depths_mm=(100, 150, 200, 300),
            cover_mm=100.0,
            void_fraction=0.4,
            sill_fraction=0.25,
            wetting_mm=4.0,
            intake_mm_h=60.0,
            evaporation_factor=0.8,
            layers=(Layer("sports_surface", 100.0), Layer("pitch_drainage")),
            cost_item="sports_turf",
            treatment=0.6,
            source="100-300 mm: from memory",
        ),
        Variant(
            "lined-layer",
            "Lined layer under the pitch",
            soaks="none",
            depths_mm=(100, 150, 200, 300),
            cover_mm=100.0,
            void_fraction=0.4,
            wetting_mm=4.0,
            intake_mm_h=60.0,
            evaporation_factor=0.8,
            layers=(Layer("sports_surface", 100.0), Layer("pitch_drainage"), Layer("liner")),
            cost_item="sports_turf",
            treatment=0.5,
            source="100-300 mm: from memory",
        ),
    ),
    columns=site_columns("q_m_s", "groundwater_clearance_m", "slope_percent"),
    thresholds=(
        Threshold(
            "groundwater_clearance_min_m",
            "switch",
            "groundwater_clearance_m",
            "<",
            1.0,
            "groundwater stands {value:.1f} m below the base, too near for soaking",
            COMMON,
            ("soaking-layer",),
            "lined-layer",
            "depth to groundwater",
            "groundwater reading between November and April",
        ),
        Threshold("slope_max_percent", "gate", "slope_percent", ">", 2.0, "the pitch slopes {value:.1f} %", COMMON),
        Threshold("host_area_min_m2", "gate", "host_area_m2", "<", 500.0, "only {value:.0f} m2 of pitch", COMMON),
    ),
    constraints=(
        ConstraintRule("protection_zone_1", "switch", "in the inner protection zone of a water supply", COMMON),
        ConstraintRule("made_ground", "switch", "on made ground", COMMON),
        ConstraintRule("contaminated", "switch", "on ground that may be contaminated", COMMON),
        ConstraintRule("landfill", "gate", "on a landfill", COMMON),
    ),
    grades=COMMON_GRADES,
    cautions=(
        "Play performance governs the build-up: a sports-ground engineer decides.",
        "Planners often treat pitches as impermeable: agree it early.",
    ),
)

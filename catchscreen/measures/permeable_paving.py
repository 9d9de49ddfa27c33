"""Permeable paving: full-infiltration, partial-infiltration and lined, with the rules that decide between them.

Every number here is a default with its source; the brief overrides it by ``[measures.thresholds]`` and its sisters. "As
quoted in" marks a figure read second-hand; "common practice" and "from memory" mean what they say.
"""

from __future__ import annotations

from catchscreen.measures.contract import Column, ConstraintRule, Layer, Measure, Threshold, Variant
from catchscreen.records import GradeRule

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
        FULL, "Permeable paving, all water to the ground", soaks="all", depths_mm=(200, 250, 300, 350, 400, 500, 600),
        cover_mm=130.0, void_fraction=0.30, layers=(*SURFACE, Layer("open_graded_rock")), cost_item="permeable_paving",
        treatment=0.7, source=f"200-400 mm at 30 % voids: {MANUAL}",
    ),
    Variant(
        PARTIAL, "Permeable paving, part to the ground, part to a drain", soaks="part",
        depths_mm=(250, 300, 350, 400, 500, 600), cover_mm=130.0, void_fraction=0.30, sill_fraction=0.35,
        layers=(*SURFACE, Layer("open_graded_rock"), Layer("outlet_pipe")), cost_item="permeable_paving_drained",
        treatment=0.7, source=f"300-500 mm: {MANUAL}",
    ),
    Variant(
        LINED, "Permeable paving over a lined store", soaks="none", depths_mm=(300, 350, 400, 500, 600), cover_mm=130.0,
        void_fraction=0.30, layers=(*SURFACE, Layer("open_graded_rock"), Layer("liner"), Layer("outlet_pipe")),
        cost_item="permeable_paving_lined", treatment=0.6, source=f"300-600 mm: {MANUAL}",
    ),
)

COLUMNS = (
    Column("q_m_s", "m/s", "infiltration rate of the soil at base depth, by test or map", "partial, unproven, low rate"),
    Column("groundwater_clearance_m", "m", "base of the build-up above the highest known groundwater", "kept, check named"),
    Column("base_fraction", "", "share of the host far enough from buildings to soak run-on", "kept, check named"),
    Column("building_distance_m", "m", "distance from the host to the nearest building", "kept, check named"),
    Column("slope_percent", "%", "surface slope", "kept, check named"),
    Column("ground_use", "", "use of the ground: car park, goods yard, fuel ...", "kept, check named"),
    Column("width_m", "m", "width of the patch", "kept"),
    Column("run_on_ratio", "", "run-on area over host area", "no run-on counted"),
    Column("adopted_fraction", "", "share of the host that is adopted highway", "kept"),
    Column("main_under_host", "", "a main sewer, high-voltage cable or gas main crosses the host", "kept, check named"),
    Column("outfall", "", "where a drain from the base can lead", "unknown outfall, check named"),
    Column("outfall_fall_m", "m", "base of the build-up above the outfall's level", "unknown outfall, check named"),
    Column("pollution_gap", "", "hazard of the drained surface less treatment by the build-up", "unknown, check named"),
)

INFILTRATION_TEST = "infiltration test at base depth, in a wet season"
GROUNDWATER_CHECK = "groundwater reading between November and April"

THRESHOLDS = (
    Threshold("infiltration_full_min", "switch", "q_m_s", "<", 1e-5, "the soil takes too little water for full infiltration",
              COMMON, (FULL,), PARTIAL, "infiltration rate", INFILTRATION_TEST, unknown_switches=True),
    Threshold("infiltration_partial_min", "flag", "q_m_s", "<", 1e-6,
              "the soil takes very little water: small credit for soaking", f"1e-6 m/s: {COUNCIL}", (PARTIAL,)),
    Threshold("groundwater_clearance_min_m", "switch", "groundwater_clearance_m", "<", 1.0,
              "groundwater stands {value:.1f} m below the base, too near for soaking", f"1 m: {COUNCIL}", SOAKING, LINED,
              "depth to groundwater", GROUNDWATER_CHECK),
    Threshold("flotation_clearance_min_m", "flag", "groundwater_clearance_m", "<", 0.3,
              "groundwater may reach the lined base: check that the empty store does not float", COMMON, (LINED,)),
    Threshold("base_fraction_min", "switch", "base_fraction", "<", 0.5,
              "most of the host lies within 5 m of a building, where run-on must not soak away",
              "5 m: Building Regulations H, as quoted in a county guide; the share: common practice", SOAKING, LINED,
              "distance to buildings", "building outlines"),
    Threshold("building_distance_min_m", "flag", "building_distance_m", "<", 5.0,
              "a building stands {value:.1f} m away: an engineer decides about soaking even direct rain beside its foundation",
              f"5 m: {COUNCIL}", SOAKING),
    Threshold("slope_max_percent", "gate", "slope_percent", ">", 5.0, "the surface slopes {value:.1f} %, too steep without "
              "terraces", MANUAL, (), "", "surface slope", "levels on site"),
    Threshold("slope_check_dams_percent", "flag", "slope_percent", ">=", 3.0,
              "the surface slopes {value:.1f} %: check dams in the store are needed", MANUAL),
    Threshold("ground_use_barred", "gate", "ground_use", "in", ("fuel", "goods_yard", "scrap", "storage"),
              "the ground is used as {value}: fuel, goods vehicles or silt do not suit permeable paving", COMMON, (), "",
              "use of the ground", "site visit: vehicles, fuel, stored goods"),
    Threshold("host_area_min_m2", "gate", "host_area_m2", "<", 50.0, "only {value:.0f} m2 in one piece", COMMON),
    Threshold("width_min_m", "gate", "width_m", "<", 2.4, "only {value:.1f} m wide", COMMON),
    Threshold("run_on_ratio_flag", "flag", "run_on_ratio", ">", 2.0,
              "run-on area is {value:.1f} times the host, more than the usual 2",
              "2: SuDS Manual 20.2 as quoted in a borough guide"),
    Threshold("run_on_ratio_max", "gate", "run_on_ratio", ">", 5.0, "run-on area is {value:.1f} times the host",
              "5: upper end of manuals, as quoted"),
    Threshold("adopted_flag", "flag", "adopted_fraction", ">", 0.0, "part is adopted highway: the highway authority decides",
              COMMON),
    Threshold("main_under_host", "flag", "main_under_host", "in", ("yes",),
              "a main runs beneath: cost 1.3 to 2 times, records before any digging", COMMON, (), "", "buried services",
              "utility records search, then a survey"),
    Threshold("outfall_none", "gate", "outfall", "in", ("none",), "no sewer and no watercourse to drain the base to", COMMON,
              DRAINED, "", "outfall", "drainage records and a level survey"),
    Threshold("outfall_fall_min_m", "gate", "outfall_fall_m", "<", 0.0, "the outfall lies above the base of the build-up",
              COMMON, DRAINED, "", "level of the outfall", "invert level of the nearest sewer or bank"),
    Threshold("pollution_gap_max", "switch", "pollution_gap", ">=", 0.2,
              "runoff from this ground is too dirty to soak away", "index method of CIRIA C753 ch. 26, from memory",
              SOAKING, LINED, "pollution hazard", "site visit: use of the drained surfaces"),
    Threshold("pollution_gap_flag", "flag", "pollution_gap", ">", 0.0, "the water needs further treatment",
              "index method of CIRIA C753 ch. 26, from memory"),
)

ZONES = "source protection zones, as practised in England, from memory"
CONSTRAINTS = (
    ConstraintRule("protection_zone_1", "switch", "in the inner protection zone of a water supply", ZONES),
    ConstraintRule("protection_zone_2", "flag", "in the outer protection zone of a water supply: check treatment", ZONES),
    ConstraintRule("protection_zone_3", "flag", "in the catchment of a water supply: check treatment", ZONES),
    ConstraintRule("made_ground", "switch", "on made ground", COMMON),
    ConstraintRule("contaminated", "switch", "on ground that may be contaminated", COMMON),
    ConstraintRule("landfill", "gate", "on a landfill", COMMON),
    ConstraintRule("unstable_slope", "gate", "on an unstable slope", COMMON),
    ConstraintRule("karst", "switch", "on ground that may dissolve", COMMON, also_flag=True),
    ConstraintRule("mining", "switch", "over old mine workings", COMMON, also_flag=True),
    ConstraintRule("shrink_swell", "switch", "on ground that shrinks and swells", COMMON, also_flag=True),
    ConstraintRule("retaining_wall", "switch", "near a retaining wall", f"5 m: {COUNCIL}; face height: {COMMON}", 5.0,
                   "face_height_m", also_flag=True),
    ConstraintRule("cutting", "switch", "near the face of a cutting", COMMON, 5.0, "face_height_m", also_flag=True),
    ConstraintRule("railway", "switch", "near a railway", COMMON, 5.0, "face_height_m", also_flag=True),
    ConstraintRule("basement", "switch", "near a basement", COMMON, 5.0, "face_height_m", also_flag=True),
    ConstraintRule("supply_well", "switch", "near a supply well", "50 ft to 100 ft: Minnesota Stormwater Manual, as quoted",
                   30.0),
    ConstraintRule("flood_zone", "flag", "in a flood zone: the store may fill from outside", COMMON),
    ConstraintRule("other", "flag", "inside a mapped constraint", "given by the brief"),
)

DEFAULT = f"default weight, {COMMON}"
OWNERS = {"council": 1.0, "public_body": 0.8, "housing_association": 0.6, "private_single": 0.3, "private_many": 0.0}

GRADES = (
    GradeRule("captured_area", "benefit", "captured_connected_m2", 100.0, 5000.0, 16.0,
              "connected impermeable area captured", "log", source=DEFAULT),
    GradeRule("combined_sewer", "benefit", "combined_spills_per_year", 0.0, 30.0, 12.0,
              "feeds a combined sewer above a frequent overflow", unknown_check="trace the sewer connection", source=DEFAULT),
    GradeRule("hollow_relief", "benefit", "hollow_relief_m3_properties", 0.0, None, 12.0,
              "relief of a hollow, by properties in it", source=DEFAULT),
    GradeRule("recharge", "benefit", "recharge_fraction", 0.0, 0.8, 5.0, "share of the inflow that reaches the ground",
              source=DEFAULT),
    GradeRule("fairness", "benefit", "social_decile", 10.0, 1.0, 5.0, "wider benefit and fairness", source=DEFAULT),
    GradeRule("infiltration", "feasibility", "q_m_s", 1e-7, 10**-4.5, 8.0, "infiltration rate", "log",
              unknown_check=INFILTRATION_TEST, source=DEFAULT),
    GradeRule("groundwater", "feasibility", "groundwater_clearance_m", 1.0, 3.0, 4.0, "clearance to groundwater",
              unknown_check=GROUNDWATER_CHECK, source=DEFAULT),
    GradeRule("slope", "feasibility", "slope_percent", 5.0, 1.0, 5.0, "slope", source=DEFAULT),
    GradeRule("host_size", "feasibility", "host_area_m2", 50.0, 1000.0, 4.0, "contiguous area", source=DEFAULT),
    GradeRule("utilities", "feasibility", "utility_m_per_100m2", 20.0, 2.0, 4.0, "density of buried services",
              unknown_check="utility records search", source=DEFAULT),
    GradeRule("roots", "feasibility", "root_overlap_fraction", 0.5, 0.0, 2.0, "overlap with root areas", source=DEFAULT),
    GradeRule("traffic", "feasibility", "traffic_exposure", 1.0, 0.0, 3.0, "sediment and traffic",
              unknown_check="site visit: vehicles", source=DEFAULT),
    GradeRule("control", "delivery", "owner_class", None, None, 9.0, "control of the land", classes=OWNERS,
              unknown_check="ownership search", source=DEFAULT),
    GradeRule("renewal", "delivery", "years_to_renewal", 10.0, 2.0, 5.0, "years to planned resurfacing", source=DEFAULT),
    GradeRule("access", "delivery", "access_ease", 0.0, 1.0, 2.0, "access and disruption", source=DEFAULT),
    GradeRule("upkeep", "delivery", "upkeep_named", 0.0, 1.0, 2.0, "who will maintain",
              unknown_check="name the upkeep owner and budget", source=DEFAULT),
    GradeRule("haul", "delivery", "supply_km", 80.0, 15.0, 2.0, "haul from a suitable source", source=DEFAULT),
)

CAUTIONS = (
    "Infiltration near foundations, walls and basements can move or soften the ground: an engineer decides, under local codes.",
    "Ask for utility records before any digging.",
    "The thickness that traffic needs is not checked here beyond a stated minimum.",
)

measure = Measure(
    name="permeable_paving", title="Permeable paving", ground="paved", variants=VARIANTS, columns=COLUMNS,
    thresholds=THRESHOLDS, constraints=CONSTRAINTS, grades=GRADES, cautions=CAUTIONS,
    extra={"structural_depth_foot_mm": 200.0, "structural_depth_car_mm": 300.0, "structural_depth_goods_mm": 450.0,
           "dig_limit_mm": 1200.0, "dig_limit_over_main_mm": 700.0},
)

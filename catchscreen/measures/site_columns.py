"""What the site table says of each host: the one list of its columns, from which every measure picks what it reads."""

from __future__ import annotations

from catchscreen.measures.contract import Column

KEPT, CHECKED = "kept", "kept, check named"

_ALL = (
    Column(
        "q_m_s", "m/s", "infiltration rate of the soil at base depth, by test or map", "partial, unproven, low rate"
    ),
    Column("groundwater_clearance_m", "m", "base of the build-up above the highest known groundwater", CHECKED),
    Column("base_fraction", "", "share of the host far enough from buildings to soak run-on", CHECKED),
    Column("clear_fraction", "", "share of the host that keeps the base clearance from buildings", CHECKED),
    Column("host_area_m2", "m2", "area of the host", "no host"),
    Column("slope_percent", "%", "surface slope", CHECKED),
    Column("ground_use", "", "use of the ground: car park, goods yard, fuel ...", CHECKED),
    Column("land_use", "", "use of the parcel", KEPT),
    Column("width_m", "m", "width of the patch", KEPT),
    Column("run_on_ratio", "", "run-on area over host area", "no run-on counted"),
    Column("adopted_fraction", "", "share of the host that is adopted highway", KEPT),
    Column("main_under_host", "", "a main sewer, high-voltage cable or gas main crosses the host", CHECKED),
    Column("outfall", "", "where a drain from the base can lead", "unknown outfall, check named"),
    Column("outfall_tidal", "", "the outfall is shut at high tide", KEPT),
    Column("outfall_fall_m", "m", "base of the build-up above the outfall's level", "unknown outfall, check named"),
    Column("pollution_gap", "", "hazard of the drained surface less treatment by the build-up", "unknown, check named"),
    Column("piped_fraction", "", "share of the host's runoff that enters a sewer", KEPT),
    Column(
        "structure_state", "", "roof structure confirmed or refused by a survey", "kept with a likelihood, check named"
    ),
    Column(
        "load_margin_kn_m2",
        "kN/m2",
        "spare load with ballast traded, less the lightest saturated build-up",
        "kept with a likelihood, check named",
    ),
    Column("doubtful_deck", "", "deck that a screening sets aside, unless a survey confirmed it", CHECKED),
    Column("pitch_deg", "degrees", "pitch of the roof", CHECKED),
    Column("plane_error_m", "m", "scatter of the surface model about the fitted planes", "pitch unknown"),
    Column("years_to_reroof", "years", "years to the next re-roofing", KEPT),
    Column("heritage", "", "listed building or protected place", CHECKED),
)
SITE_COLUMNS = {column.name: column for column in _ALL}
"""Name -> column. A measure may also read a column that the user's parcels bring: it declares that one itself."""


def site_columns(*names: str) -> tuple[Column, ...]:
    """Pick columns of the site table, in the order named.

    Raises
    ------
    KeyError
        When the site table has no such column; the message lists those that it has.
    """
    strange = [name for name in names if name not in SITE_COLUMNS]
    if strange:
        raise KeyError(f"the site table has no {strange[0]!r}; it has {', '.join(SITE_COLUMNS)}")
    return tuple(SITE_COLUMNS[name] for name in names)

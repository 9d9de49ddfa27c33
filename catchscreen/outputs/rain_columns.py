"""Columns of what rain and runoff leave behind: depths, peaks, critical storms, greenfield rates."""

from __future__ import annotations

from typing import Final

from catchscreen.outputs.columns import count, flag, real, reals, text

STORM_IN_WORDS: Final = "that storm in plain words, and which it is; figures of different storms are never added"

PEAK_FLOWS: Final = (
    text("peak_id", "level, unit and storm"),
    text("level", "subcatchment (overland peak) or sewer_zone (piped peak)"),
    text("unit_id", "identifier of the sub-catchment or sewer zone"),
    text("storm_id", "storm of this row (table storms)"),
    text("storm", STORM_IN_WORDS),
    real("area_ha", "ha", 2, "ground of the unit, without what lies above it"),
    text("outfall", "outfall that the sewer zone names"),
    *reals(
        "l/s",
        1,
        [
            (
                "overland_peak_l_s",
                "overland flow at the outlet, from above included; never added to another peak",
            ),
            ("piped_peak_l_s", "flow in the sewer at the outfall, capped by its capacity; never added to another peak"),
        ],
    ),
    real("time_of_peak_min", "min", 1, "from the start of the storm"),
    real("sewer_capacity_l_s", "l/s", 1, "what the zone can take: its rate over the connected impermeable area"),
    *reals(
        "l/s",
        1,
        [
            ("rational_check_l_s", "rational formula over the impermeable ground: a check only, refused above 80 ha"),
            (
                "modified_rational_check_l_s",
                "that times the routing coefficient: a check only, refused above 80 ha",
            ),
        ],
    ),
    text("check_note", "what the check holds, or why it is refused"),
    text("critical_storm_id", "worst duration for this unit at the same return period and climate"),
    flag("is_critical", "this row's storm is that worst one"),
    flag("is_calibrated", "connection and capacity were fitted to something observed; no: the peak is uncalibrated"),
)

CRITICAL_STORMS: Final = (
    text("critical_id", "level, unit, quantity, return period and climate"),
    text("level", "subcatchment, sewer_zone or hollow"),
    text("unit_id", "identifier of the unit"),
    text("quantity", "overland_peak_l_s, piped_peak_l_s (table peak_flows) or inflow_m3 (of a hollow)"),
    real("return_period_years", "years", 1, "return period that the durations were compared at"),
    text("climate", "now or future"),
    real("uplift", "", 2, "factor on the depth for climate"),
    text("season", "season of the profile, where it has one"),
    text("storm_id", "pointer to the worst storm among the durations (table storms)"),
    text("storm", STORM_IN_WORDS),
    real("duration_min", "min", 0, "critical duration; alternating blocks hold each shorter storm inside the longer"),
    real("value", "as quantity", 1, "the quantity in that storm"),
    text("note", "several durations alike, or none longer was tried"),
)

GREENFIELD_RATES: Final = (
    text("greenfield_id", "level, unit and return period"),
    text("level", "parcel (one row for all up to 50 ha), subcatchment or district"),
    text("unit_id", "identifier of the unit"),
    real("area_ha", "ha", 2, "area of the unit"),
    real("return_period_years", "years", 1, "by the growth factors given; null is the mean annual flood"),
    real("rate_l_s_ha", "l/s/ha", 2, "rate of undeveloped ground; null where it is unknown"),
    real("rate_l_s", "l/s", 1, "that rate over the unit"),
    text("reason", "why it is unknown: the regression is used only where the brief confirms that it applies"),
)

RAIN_DEPTHS: Final = (
    text("depth_id", "kind, duration and return period"),
    real("return_period_years", "years", 1, "return period over all events (below 5 years not that of annual maxima)"),
    real("duration_min", "min", 0, "duration"),
    real("depth_mm", "mm", 1, "depth; null where it is refused"),
    real("low_mm", "mm", 1, "low confidence limit; null for a given table"),
    real("high_mm", "mm", 1, "high confidence limit; null for a given table"),
    text("kind", "given, GEV, Gumbel or refused"),
    text("source", "given table, given formula, or the record and the distribution fitted to it"),
    flag("is_used", "the storms are made of this row's source; no: shown as a check"),
    flag("is_beyond_record", "rarer than the record is long: an extrapolation"),
    text("note", "warning, conversion or refusal"),
)

RAIN_MAXIMA: Final = (
    text("maximum_id", "duration and year"),
    count("year", "calendar year of the rain record with at most a tenth missing"),
    real("duration_min", "min", 0, "window"),
    real("depth_mm", "mm", 1, "greatest depth in the year, in windows of whole steps"),
    real("window_factor", "", 2, "raises a fixed-window maximum to the true one (from memory); 1 where switched off"),
)

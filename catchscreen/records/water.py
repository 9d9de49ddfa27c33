"""What rain does: storms, their runs, and stores with their events and years."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from catchscreen.records.arrays import Floats, Ints


@dataclass(frozen=True, slots=True)
class Storms:
    """Design storms: one rain field per storm for the whole district.

    storms : index storm_id; label, return_period_years (NaN for plain depths), duration_min, uplift, depth_mm, profile,
    season, climate ("now", "future"), antecedent, is_sizing (bool).
    depth_table : the depths behind the storms and those fitted to the record: return_period_years, duration_min,
    depth_mm, low_mm, high_mm (confidence limits, NaN for a given table), source, is_beyond_record, note.
    maxima : year, duration_min, depth_mm, window_factor: annual maxima of the record in fixed windows.
    depths_mm : storm_id -> (steps,) float64 depth per step; step_min : storm_id -> minutes per step (at most 5).
    """

    storms: pd.DataFrame
    depths_mm: Mapping[str, Floats]
    step_min: Mapping[str, float]
    depth_table: pd.DataFrame = field(default_factory=pd.DataFrame)
    maxima: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def sizing_ids(self) -> tuple[str, ...]:
        """Return the storms that stores are sized on."""
        return tuple(self.storms.index[self.storms["is_sizing"].astype(bool)])


@dataclass(frozen=True, slots=True)
class StormRuns:
    """The water ledger of every storm, closed at every level.

    balance : level ("piece" left out; "parcel", "subcatchment", "sewer_zone", "hollow", "district"), unit_id, storm_id,
    rain_m3, inflow_m3, sewer_m3, overland_m3, infiltration_m3, evaporation_m3, store_change_m3, held_in_hollows_m3,
    leaving_m3, residual_m3 (each term summed on its own, never by difference).
    runoff_mm : storm_id -> (ledger rows,) depth that left each piece over the storm; overland_m3 : the same for W.
    runoff_steps_mm : storm_id -> (loss classes, steps) and ``loss_class`` (ledger rows,) number of each row's class, so
    that the hydrograph left by any piece can be rebuilt.
    capture_fraction : storm_id -> (zones, steps) share of the offered water that the sewer takes; ``zones`` the order.
    peaks : subcatchment_id, storm_id, overland_peak_l_s, piped_peak_l_s, time_of_peak_min. Also in balance:
    watercourse_m3 (outlets to a watercourse), passed_on_m3 (run-on and overflow given to other units). In peaks:
    zone_id (rows with a zone carry the piped peak, rows with a sub-catchment the overland one), level, unit_id,
    outfall, area_ha, sewer_capacity_l_s, rational_check_l_s, modified_rational_check_l_s, check_note, is_calibrated,
    critical_storm_id (the worst duration of its return period and climate), is_critical.
    critical : level, unit_id, quantity, return_period_years, climate, uplift, season, storm_id, duration_min, value:
    the worst duration of each target. candidates : store_id, storm_id, each candidate's terms in the ledger (after).
    greenfield : level, unit_id, area_ha, return_period_years (NaN: mean annual flood), rate_l_s_ha, rate_l_s, reason
    (why it is unknown). calibration : whether connection and capacity were fitted to anything observed, in words.
    """

    balance: pd.DataFrame
    zones: tuple[str, ...]
    loss_class: Ints
    runoff_mm: Mapping[str, Floats]
    overland_m3: Mapping[str, Floats]
    runoff_steps_mm: Mapping[str, Floats]
    capture_fraction: Mapping[str, Floats]
    peaks: pd.DataFrame
    critical: pd.DataFrame = field(default_factory=pd.DataFrame)
    candidates: pd.DataFrame = field(default_factory=pd.DataFrame)
    greenfield: pd.DataFrame = field(default_factory=pd.DataFrame)
    calibration: str = ""


@dataclass(frozen=True, slots=True)
class Stores:
    """Parameters of n generic stores (any measure), arrays of shape (n,); a part is switched off by zero.

    Depths are mm of water over the host's plan area unless "base" is in the name (over the base area that soaks).
    host_area_m2, base_area_m2, run_on_area_m2 [m2].
    wetting_mm : depression and wetting layer on top, emptied by evaporation.
    intake_mm_h : rate at which the surface lets water in, clogging already allowed for (inf: no limit).
    substrate_mm : water held between wilting point and field capacity (green roof); substrate_start_fraction at the
    storm's start; evaporation_factor : crop factor on potential evaporation.
    void_mm : water that the void store holds when full; sill_mm : part of it below the outlet (retained, not slowed).
    outlet_mm_h : outflow at full head above the sill, outlet_exponent 0.5 (orifice) or 1 (linear); 0 none.
    soak_design_mm_h : q/SF, soak_mean_mm_h : q, both over base. outlet_to : "sewer", "ground", "watercourse".
    """

    store_id: tuple[str, ...]
    option_id: tuple[str, ...]
    host_area_m2: Floats
    base_area_m2: Floats
    run_on_area_m2: Floats
    wetting_mm: Floats
    intake_mm_h: Floats
    substrate_mm: Floats
    substrate_start_fraction: Floats
    evaporation_factor: Floats
    void_mm: Floats
    sill_mm: Floats
    outlet_mm_h: Floats
    outlet_exponent: Floats
    soak_design_mm_h: Floats
    soak_mean_mm_h: Floats
    outlet_to: tuple[str, ...]
    intake_kept_per_year: Floats | None = None
    """Share of the intake rate left after each further year of clogging; None: no further clogging."""
    depth_mm: Floats = field(default_factory=lambda: np.zeros(0))
    """Catalogue thickness of the store [mm of build-up, not of water]."""
    soak_low_mm_h: Floats | None = None
    soak_high_mm_h: Floats | None = None
    """What soak_design_mm_h becomes at the low and the high end of the soil's rate; None: no range is known."""


@dataclass(frozen=True, slots=True)
class RunOn:
    """What runs on to each store in each storm: the hydrograph left by the surfaces that drain to it.

    class_weight : (stores, loss classes) m2 of each class that drain to the store per m2 of its host, in the order of
    ``Stores.store_id``. steps_mm : storm_id -> (loss classes, steps) depth that a class sheds in each step.
    """

    class_weight: Floats
    steps_mm: Mapping[str, Floats]


@dataclass(frozen=True, slots=True)
class StoreEvents:
    """What each store does in each storm.

    events : store_id, storm_id, inflow_m3, soaked_m3, outlet_m3, overflow_m3, evaporation_m3, store_change_m3,
    retained_m3 (soaked + evaporated + kept below the outlet), slowed_m3 (passed through the outlet), greatest_store_mm,
    half_emptying_h (inf: never), second_storm_overflow_m3, peak_outflow_l_s, residual_m3. Totals are those of the storm
    itself; retained_m3 and slowed_m3 also follow what stands in the store at its end until it has left. overflow_m3
    includes intake_excess_m3 (what the surface did not let in). With the outfall shut: overflow_shut_m3,
    half_emptying_shut_h, greatest_store_shut_mm, second_storm_overflow_shut_m3. Sorted by store, then storm.
    """

    events: pd.DataFrame


@dataclass(frozen=True, slots=True)
class StoreYears:
    """What each chosen store does over years of rain; empty frames with the reason when no series is given.

    years : index store_id; inflow_m3_yr, to_ground_m3_yr, to_air_m3_yr, outlet_m3_yr, overflow_m3_yr,
    store_change_m3_yr, retained_fraction, slowed_fraction, first_5mm_summer_fraction, first_5mm_winter_fraction,
    dry_stress_days_yr.
    """

    years: pd.DataFrame
    reason: str = ""

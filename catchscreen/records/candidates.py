"""What could be built: proposals, sizes and their ranking."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import geopandas as gpd
import pandas as pd

from catchscreen.records.catalogue import Table
from catchscreen.records.water import Stores


@dataclass(frozen=True, slots=True)
class GradeRule:
    """How one column becomes a grade from 0 to 1, as data of a measure.

    zero_at, one_at : values of the column that give 0 and 1; ``one_at`` None means the district's 95th percentile.
    scale "log": even steps of ratio. classes : for a text column, each class's grade (zero_at, one_at are None).
    when_unknown : "median" (of the known sites) or a fixed grade; a criterion unknown for every site is dropped for
    all. ``index`` says which of the three indices it belongs to, ``weight`` its share in the measure's table.
    """

    name: str
    index: Literal["benefit", "feasibility", "delivery"]
    column: str
    zero_at: float | None
    one_at: float | None
    weight: float
    title: str = ""
    scale: Literal["linear", "log"] = "linear"
    classes: Mapping[str, float] = field(default_factory=dict)
    when_unknown: float | Literal["median"] = "median"
    unknown_check: str = ""
    source: str = "common practice"
    variants: tuple[str, ...] = ()
    """Variants that it concerns (empty: all); for the others it neither counts nor is said."""
    unit: str = ""
    """What stands behind the value in a reason; empty: the unit that the column's name ends on."""
    zero_text: str = ""
    """Said in place of title and value where the value is 0."""
    text_column: str = ""
    """Column that says a site's value in words, in place of title and value."""
    good_text: str = ""
    """Said in place of title and value where it speaks for a site; ``{value}`` is the value with its unit."""
    bad_text: str = ""
    """Said in place of title and value where it speaks against a site."""
    unknown_text: str = ""
    """What is not known where the column is empty; empty: the title."""
    only_against: bool = False
    """Never said in favour of a site: a short haul makes nobody build."""


@dataclass(frozen=True, slots=True)
class Proposals:
    """What the measures propose before any store is run.

    hosts : index candidate_id, host polygons (null where cover is unknown); parcel_id, patch_id, measure, ground,
    host_area_m2, host_area_low_m2, host_area_high_m2, run_on_area_m2 (gravity-fed), site columns asked for.
    options : index option_id (candidate_id + "." + variant); candidate_id, measure, variant, admissible (bool), gates,
    switches, flags, unknowns (each a text, "; " between), reason, base_area_m2, q_m_s, q_source, safety_factor,
    is_unproven.
    grades : index option_id; the site columns behind the grades (ranking turns them into 0..1 by grade_rules).
    run_on : candidate_id, surface_id, area_m2 taken, fraction of the surface taken, way (each m2 in one patch's list;
    candidates that are alternatives on one patch share it).
    set_aside : parcel_id, measure, reason: parcels without candidate, and why.
    """

    hosts: gpd.GeoDataFrame
    options: pd.DataFrame
    grades: pd.DataFrame
    run_on: pd.DataFrame
    set_aside: pd.DataFrame
    host_surfaces: pd.DataFrame = field(default_factory=pd.DataFrame)
    """Surfaces that a host would replace: candidate_id, surface_id, area_m2, fraction of the surface."""
    grade_rules: Mapping[str, tuple[GradeRule, ...]] = field(default_factory=dict)
    """Measure -> its grade rules, user's overrides applied."""
    measures: tuple[Any, ...] = ()
    """The measures that made the proposals (``measures.contract.Measure``), for the stage's own later functions."""
    layer_catalogue: Table | None = None
    unit_costs: Table | None = None
    """The user's own tables, for the take-off."""
    supply: pd.DataFrame | None = None
    """Supply points: x, y, product, tonnes_per_year (NaN: unknown); None where none is given."""
    rules: pd.DataFrame = field(default_factory=pd.DataFrame)
    """Every rule and number that decided, with its source; index rule_id (``measures.describing.list_rules``)."""


@dataclass(frozen=True, slots=True)
class Sizes:
    """The store chosen for each option.

    stores : one per option, its ``store_id`` that of the trial chosen. storms : ``Storms.storms``, for what comes
    later.
    options : index option_id; store_id, store_depth_mm, storm_id (the sizing storm that asks most), passes_sizing_storm
    (bool), overflow_m3 in that storm, size_reason in plain words.
    """

    stores: Stores
    options: pd.DataFrame
    storms: pd.DataFrame
    dropped: pd.DataFrame = field(default_factory=pd.DataFrame)
    """Options that the runs have ruled out (index option_id): switches, the reason in words."""


@dataclass(frozen=True, slots=True)
class Ranking:
    """The order of candidates and parcels.

    candidates : index candidate_id; chosen option, benefit_index, feasibility_index, delivery_index (0..100), score,
    rank, standing (null until drawn), reasons_for, reasons_against, unknowns, next_check.
    parcels : index parcel_id; for each measure score_<measure>, rank_<measure>, best_<measure>; score, rank, standing,
    best_candidate, reasons, no_candidate_reason.
    weights : index, criterion, weight, used_weight, state ("used", "dropped: no data for any site").
    """

    candidates: pd.DataFrame
    parcels: pd.DataFrame
    weights: pd.DataFrame
    option_scores: pd.DataFrame = field(default_factory=pd.DataFrame)
    """Index option_id; is_chosen, the three indices, score, and the results behind them, for every option that can be
    built."""

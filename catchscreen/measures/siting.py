"""Siting: from patches to hosts, options and verdicts, with everything a reader may ask about a place in one table."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd

from catchscreen.measures import people, soil, water
from catchscreen.measures.cautions import write_cautions, write_receiving
from catchscreen.measures.constraints import find_constraints, kinds_without_map
from catchscreen.measures.contract import Measure
from catchscreen.measures.evidence import describe_tests, match_evidence
from catchscreen.measures.gates import SEPARATOR, join_texts, judge_options
from catchscreen.measures.hosts import find_hosts
from catchscreen.measures.overrides import apply_overrides
from catchscreen.measures.roof_structure import add_roofs
from catchscreen.measures.run_on import assign_run_on, find_host_surfaces
from catchscreen.measures.variants import pair_hosts_with_variants
from catchscreen.options import MeasureOptions
from catchscreen.progress import Run
from catchscreen.records import Cover, Inputs, Proposals, Terrain

BASE_DEPTH_M = 0.45
"""Usual depth of the base of the build-up, with which the depth of a test is compared."""
STRUCTURE_NOTE = "structural depth not checked beyond a stated minimum"
CHECK_DAM_SLOPE_PERCENT = 3.0
"""From this slope on a store is divided by check dams (SuDS practice, from memory); the spacing is the brief's."""


def propose(
    data: Inputs, land: Terrain, cover: Cover, measures: Sequence[Measure], options: MeasureOptions, run: Run
) -> Proposals:
    """Find every host and every option of the given measures, judged, before any store is run.

    Parameters
    ----------
    data, land, cover : what the earlier stages left; nothing of it is changed.
    measures : from ``registry.open_measures``.
    run : evidence that meets no host is noted here.

    Returns
    -------
    Proposals

    Raises
    ------
    InputsAtFault
        When the brief overrides a threshold, number or grade that no measure has.
    MeasureFailed
        When a measure's own function raises or breaks its contract and the brief says to stop.
    """
    measures = apply_overrides(measures, options)
    hosts = find_hosts(data, cover, measures, options)
    taking = frozenset(m.name for m in measures if any(variant.takes_run_on for variant in m.variants))
    host_surfaces = find_host_surfaces(hosts, cover)
    run_on = assign_run_on(hosts, cover, land, host_surfaces, taking, options)
    run.check_stop()
    hosts = _describe_site(hosts, data, land, options, run)
    water.add_areas(hosts, cover, run_on, host_surfaces)
    table = _judge(hosts, data, measures, options)
    hosts["cautions"] = write_cautions(hosts, table, measures, data, options)
    write_receiving(hosts, table)
    run.check_stop()
    return Proposals(
        hosts=hosts,
        options=table,
        grades=_grade_columns(table, measures),
        run_on=run_on,
        set_aside=_set_aside(data, hosts, table, measures),
        host_surfaces=host_surfaces,
        grade_rules={measure.name: measure.grades for measure in measures},
        measures=measures,
    )


def _describe_site(
    hosts: gpd.GeoDataFrame, data: Inputs, land: Terrain, options: MeasureOptions, run: Run
) -> gpd.GeoDataFrame:
    """Add the site columns, group by group."""
    hosts = hosts.copy()
    matches = match_evidence(hosts, data, options, run)
    soil.add_infiltration(hosts, data, matches, options)
    soil.add_groundwater(hosts, data, matches)
    soil.add_levels(hosts, data, land, matches)
    people.add_parcel_facts(hosts, data, options)
    people.add_ground_use(hosts, data)
    people.add_obstacles(hosts, data, matches, options)
    people.add_supply(hosts, data, options)
    hosts = hosts.copy()  # in one piece again, after so many new columns
    add_roofs(hosts, data, matches, options)
    water.add_sewers(hosts, data, matches)
    water.add_hollows(hosts, data, land)
    water.add_exceedance(hosts, data, land)
    documents = matches.groupby("candidate_id")["document"].agg(lambda texts: SEPARATOR.join(dict.fromkeys(texts)))
    hosts["evidence_documents"] = documents.reindex(hosts.index).fillna("")
    return hosts


def _judge(hosts: gpd.GeoDataFrame, data: Inputs, measures: Sequence[Measure], options: MeasureOptions) -> pd.DataFrame:
    constraints = find_constraints(hosts, data, measures, options)
    parts = []
    for measure in measures:
        table = pair_hosts_with_variants(hosts, measure, options)
        verdict = judge_options(table, measure, constraints)
        table = table.join(verdict).copy()  # one block: what follows adds columns one by one
        _bar_unfit_depths(table, measure)
        _add_notes(table, data, measure, options)
        parts.append(table)
    filled = [part for part in parts if len(part)] or parts[:1]
    joined = pd.concat(filled).sort_index(kind="stable")
    joined["is_range_only"] = joined["waits_for_test"]
    joined["q_m_s"] = joined["q_used_m_s"]
    return joined


def _bar_unfit_depths(table: pd.DataFrame, measure: Measure) -> None:
    """Exclude options for which no catalogue depth lies between what traffic asks for and what the ground allows."""
    depths = {variant.name: np.array(variant.depths_mm) for variant in measure.variants}
    most = table["max_depth_mm"].fillna(np.inf)
    fits = np.array(
        [
            bool(((depths[name] >= low) & (depths[name] <= high)).any())
            for name, low, high in zip(table["variant"], table["min_depth_mm"], most, strict=True)
        ],
        dtype=bool,
    )
    texts = pd.Series(
        [
            "" if good else f"no catalogue depth between {low:.0f} and {high:.0f} mm"
            for good, low, high in zip(fits, table["min_depth_mm"], most, strict=True)
        ],
        index=table.index,
        dtype=object,
    )
    table["gates"] = join_texts(table["gates"], texts)
    table["reason"] = table["reason"].mask(~fits, "excluded: " + table["gates"])
    table["admissible"] &= fits
    table["waits_for_test"] &= fits


def _add_notes(table: pd.DataFrame, data: Inputs, measure: Measure, options: MeasureOptions) -> None:
    """Add what the rules do not say: contradicted maps, exceedance beside a building, maps that were not given."""
    full_min = next(
        (
            float(rule.value)
            for rule in measure.thresholds
            if rule.column == "q_m_s" and rule.kind == "switch" and not isinstance(rule.value, tuple)
        ),
        1e-5,
    )
    soaks = table["soaks"] != "none"
    tests = describe_tests(table, table["q_map_m_s"], BASE_DEPTH_M, full_min).where(soaks, "")
    beside = pd.Series(
        np.select(
            [table["exceedance"] == "building", table["passes_building"]],
            ["an overflow would run into a building", "an overflow would pass beside a building"],
            "",
        ),
        index=table.index,
    )
    table["flags"] = join_texts(table["flags"], tests, beside)
    missing = kinds_without_map(data, measure)
    if missing:
        kinds = ", ".join(kind.replace("_", " ") for kind in missing)
        note = "no map of constraints" if data.constraints is None else f"no map of {kinds}"
        add = pd.Series(np.where(soaks, note, ""), index=table.index)
        table["unknowns"] = join_texts(table["unknowns"], add)
    on_ground = table["traffic_class"].ne("")
    unchecked = pd.Series(np.where(on_ground, STRUCTURE_NOTE, ""), index=table.index)
    dams = on_ground & (table["slope_percent"] >= CHECK_DAM_SLOPE_PERCENT)
    spacing = f"check dams every {options.check_dam_spacing_m:g} m are assumed in the store"
    table["notes"] = join_texts(unchecked, pd.Series(np.where(dams, spacing, ""), index=table.index))


def _grade_columns(table: pd.DataFrame, measures: Sequence[Measure]) -> pd.DataFrame:
    """Pick the site columns that some grade reads; the ones that a store run gives are added by ranking."""
    wanted = dict.fromkeys(rule.column for measure in measures for rule in measure.grades)
    frame = table[[name for name in wanted if name in table]].copy()
    if "q_m_s" in frame:
        # Graded by what is known: a low guess must not pass for a poor soil.
        frame["q_m_s"] = table["q_known_m_s"]
    return frame


def _set_aside(data: Inputs, hosts: gpd.GeoDataFrame, table: pd.DataFrame, measures: Sequence[Measure]) -> pd.DataFrame:
    """Say for each parcel and measure without an admissible option why there is none."""
    where = {"paved": "no paved ground wide and large enough", "roof": "no roof", "pitch": "no pitch"}
    rows = []
    parcel_of = hosts["parcel_id"]
    for measure in measures:
        own = table[table["measure"] == measure.name]
        parcels = parcel_of.reindex(own["candidate_id"]).to_numpy()
        possible = set(parcels[own["admissible"].to_numpy(bool)])
        reasons = (
            pd.Series(own["reason"].to_numpy(), index=parcels)
            .groupby(level=0)
            .agg(lambda texts: SEPARATOR.join(sorted(set(texts))))
        )
        lookup = reasons.to_dict()
        rows += [
            (parcel, measure.name, lookup.get(parcel, where[measure.ground]))
            for parcel in data.parcels.index.astype(str)
            if parcel not in possible
        ]
    frame = pd.DataFrame(rows, columns=["parcel_id", "measure", "reason"])
    return frame.sort_values(["parcel_id", "measure"], kind="stable").reset_index(drop=True)

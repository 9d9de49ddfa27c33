"""Siting: from patches to hosts, options and verdicts, with everything a reader may ask about a place in one table."""

from __future__ import annotations

import re
from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd

from catchscreen.measures import people, soil, supply, water
from catchscreen.measures.catalogue import load_prices, load_products
from catchscreen.measures.cautions import add_off_combined, write_cautions, write_receiving
from catchscreen.measures.check_dams import add_check_dams, say_check_dams
from catchscreen.measures.constraints import add_doubtful_ground, find_constraints, kinds_without_map
from catchscreen.measures.contract import Measure
from catchscreen.measures.describing import list_rules
from catchscreen.measures.evidence import describe_tests, match_evidence
from catchscreen.measures.gates import judge_options, write_verdict
from catchscreen.measures.hosts import find_hosts
from catchscreen.measures.neighbours import add_drain_parcels
from catchscreen.measures.no_host import say_no_host
from catchscreen.measures.overrides import apply_overrides
from catchscreen.measures.reuse import add_reuse, put_reuse_first
from catchscreen.measures.roof_structure import add_roofs
from catchscreen.measures.run_on import assign_run_on, find_host_surfaces
from catchscreen.measures.texts import SEPARATOR, Notes, join_texts
from catchscreen.measures.variants import pair_hosts_with_variants
from catchscreen.options import MeasureOptions
from catchscreen.progress import Run
from catchscreen.records import Cover, Inputs, Proposals, Terrain

NUMBER = re.compile(r"[0-9][0-9.,]*")
STRUCTURE_NOTE = "structural depth not checked beyond a stated minimum"
HARDLY_PIPED = 0.05
"""Ground of which less than this share reaches a sewer is taken to reach none."""
NEW_TO_SEWER = "its drain would bring water to a sewer that it does not reach now"
PLACES = {
    "protection_zone_1": "inner protection zones of water supplies",
    "protection_zone_2": "outer protection zones of water supplies",
    "protection_zone_3": "catchments of water supplies",
    "contaminated": "contaminated ground",
    "landfill": "landfills",
    "unstable_slope": "unstable slopes",
    "karst": "ground that may dissolve",
    "mining": "old mine workings",
    "shrink_swell": "ground that shrinks and swells",
    "retaining_wall": "retaining walls",
    "cutting": "cuttings",
    "railway": "railways",
    "basement": "basements",
    "supply_well": "supply wells",
    "flood_zone": "flood zones",
}
"""What a reader calls a kind of constraint that no map shows."""


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
    # Asked for at the end, refused at the start.
    load_products(options, data.layer_catalogue)
    load_prices(options, data.unit_costs)
    hosts = find_hosts(data, cover, measures, options)
    taking = frozenset(m.name for m in measures if any(variant.takes_run_on for variant in m.variants))
    host_surfaces = find_host_surfaces(hosts, cover)
    run_on = assign_run_on(hosts, cover, land, host_surfaces, taking, options)
    run.check_stop()
    water.add_run_on(hosts, run_on)
    hosts = _describe_site(hosts, data, land, options, run)
    water.add_areas(hosts, cover, run_on, host_surfaces)
    table = _judge(hosts, data, measures, options)
    hosts["cautions"] = write_cautions(hosts, table, measures, data, options)
    write_receiving(hosts, table)
    add_off_combined(table)
    put_reuse_first(hosts, table)
    run.check_stop()
    return Proposals(
        hosts=hosts.copy(),  # in one block each: they gained many columns one by one
        options=table.copy(),
        grades=_grade_columns(table, measures),
        run_on=run_on,
        set_aside=_set_aside(data, hosts, table, measures, cover),
        host_surfaces=host_surfaces,
        grade_rules={measure.name: measure.grades for measure in measures},
        measures=measures,
        layer_catalogue=data.layer_catalogue,
        unit_costs=data.unit_costs,
        supply=supply.list_supply(data),
        rules=list_rules(measures),
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
    supply.add_supply(hosts, data, options)
    add_doubtful_ground(hosts, data)
    hosts = hosts.copy()  # in one piece again, after so many new columns
    add_roofs(hosts, data, matches, options)
    water.add_sewers(hosts, data, matches)
    add_reuse(hosts, data, matches)
    water.add_hollows(hosts, data, land)
    water.add_exceedance(hosts, data, land)
    add_drain_parcels(hosts, data)
    places = hosts.index.get_indexer(pd.Index(matches["candidate_id"]))
    for column, texts in (("evidence_documents", "document"), ("evidence", "said")):
        notes = Notes(len(hosts))
        notes.add(places, matches[texts].to_numpy(dtype=object))
        hosts[column] = notes.joined()
    return hosts


def _judge(hosts: gpd.GeoDataFrame, data: Inputs, measures: Sequence[Measure], options: MeasureOptions) -> pd.DataFrame:
    constraints = find_constraints(hosts, data, measures, options)
    parts = []
    for measure in measures:
        table = pair_hosts_with_variants(hosts, measure, options)
        verdict = judge_options(table, measure, constraints)
        table = pd.concat([table, verdict], axis=1).copy()  # one block: what follows adds columns one by one
        _bar_unfit_depths(table, measure)
        add_check_dams(table, measure, options)
        _add_notes(table, data, measure)
        table["reason"] = write_verdict(table)
        parts.append(table)
    filled = [part for part in parts if len(part)] or parts[:1]
    joined = pd.concat(filled).sort_index(kind="stable")
    joined["is_range_only"] = joined["waits_for_test"]
    joined["q_m_s"] = joined["q_used_m_s"]
    joined["safety_factor"] = joined["safety_factor"].where(joined["soaks"] != "none")
    return joined


def _bar_unfit_depths(table: pd.DataFrame, measure: Measure) -> None:
    """Exclude options for which no catalogue depth lies between what traffic asks for and what the ground allows."""
    least = table["min_depth_mm"].to_numpy(float)
    most = np.where(table["max_depth_mm"].isna(), np.inf, table["max_depth_mm"].to_numpy(float))
    fits = np.zeros(len(table), bool)
    for variant in measure.variants:
        own = (table["variant"] == variant.name).to_numpy()
        depths = np.array(variant.depths_mm)
        place = np.searchsorted(depths, least[own]).clip(max=depths.size - 1)
        fits[own] = (depths[place] >= least[own]) & (depths[place] <= most[own])
    barred = Notes(len(table))
    rows = np.flatnonzero(~fits)
    barred.add(rows, [_say_unfit(least[row], most[row], table["depth_limit"].iloc[row]) for row in rows])
    table["gates"] = join_texts(table["gates"], pd.Series(barred.joined(), index=table.index))
    table["admissible"] &= fits
    table["waits_for_test"] &= fits


def _say_unfit(least_mm: float, most_mm: float, limit: str) -> str:
    """Say why no depth fits: what limits it, how much room that leaves, and what is asked for."""
    room = "leaves no room for a store" if most_mm <= 0.0 else f"leaves room for a store of {most_mm:.0f} mm"
    need = f", and {least_mm:.0f} mm are needed" if least_mm > 0.0 and most_mm > 0.0 else ""
    return f"{limit or 'the depth limit'} {room}{need}"


def _add_notes(table: pd.DataFrame, data: Inputs, measure: Measure) -> None:
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
    tested = table[(table["test_count"] > 0) & soaks]
    tests = describe_tests(tested, tested["q_map_m_s"], full_min).reindex(table.index, fill_value="")
    into = np.where(table["exceedance"] == "building", "what it cannot hold would run into a building", "")
    to_sewer = (table["soaks"] != "all") & (table["outlet_to"] == "sewer") & (table["ground"] != "roof")
    new = np.where(to_sewer & (table["piped_fraction"] < HARDLY_PIPED), NEW_TO_SEWER, "")
    table["flags"] = join_texts(table["flags"], tests, pd.Series(into), pd.Series(new))
    missing = kinds_without_map(data, measure)
    if missing:
        kinds = ", ".join(PLACES.get(kind, kind.replace("_", " ")) for kind in missing)
        note = "no map of constraints" if data.constraints is None else f"no map shows {kinds}"
        add = pd.Series(np.where(soaks, note, ""), index=table.index)
        table["unknowns"] = join_texts(table["unknowns"], add)
    on_ground = table["traffic_class"].ne("")
    unchecked = pd.Series(np.where(on_ground, STRUCTURE_NOTE, ""), index=table.index)
    table["notes"] = join_texts(unchecked, say_check_dams(table))


def _grade_columns(table: pd.DataFrame, measures: Sequence[Measure]) -> pd.DataFrame:
    """Pick the site columns that some grade reads; the ones that a store run gives are added by ranking."""
    wanted = dict.fromkeys(rule.column for measure in measures for rule in measure.grades)
    frame = table[[name for name in wanted if name in table]].copy()
    if "q_m_s" in frame:
        # Graded by what is known: a low guess must not pass for a poor soil.
        frame["q_m_s"] = table["q_known_m_s"]
    return frame


def _set_aside(
    data: Inputs, hosts: gpd.GeoDataFrame, table: pd.DataFrame, measures: Sequence[Measure], cover: Cover
) -> pd.DataFrame:
    """Say for each parcel and measure without an admissible option why there is none."""
    names = data.parcels.index.astype(str).to_numpy(dtype=object)
    parcel_of = hosts["parcel_id"].reindex(table["candidate_id"]).to_numpy()
    grounds = {measure.ground for measure in measures}
    nothing = {ground: pd.Series(say_no_host(names, ground, cover), index=names) for ground in sorted(grounds)}
    plain: dict[str, list[tuple[str, str]]] = {}
    parts = []
    for measure in measures:
        own = (table["measure"] == measure.name).to_numpy()
        possible = set(parcel_of[own & table["admissible"].to_numpy(bool)])
        said: dict[str, dict[str, str]] = {}
        for parcel, gates, switches in zip(
            parcel_of[own], table["gates"].to_numpy()[own], table["switches"].to_numpy()[own], strict=True
        ):
            if parcel not in possible:
                text = gates or switches
                if text not in plain:
                    plain[text] = _plain_parts(text)
                for key, part in plain[text]:
                    said.setdefault(parcel, {}).setdefault(key, part)
        without = nothing[measure.ground][~np.isin(names, list(possible))]
        barred = {parcel: "excluded: " + SEPARATOR.join(sorted(texts.values())) for parcel, texts in said.items()}
        reasons = pd.Series(barred, dtype=object).reindex(without.index).fillna(without)
        parts.append(pd.DataFrame({"parcel_id": without.index, "measure": measure.name, "reason": reasons.to_numpy()}))
    frame = pd.concat(parts, ignore_index=True)
    return frame.sort_values(["parcel_id", "measure"], kind="stable").reset_index(drop=True)


def _plain_parts(text: str) -> list[tuple[str, str]]:
    """Split what excludes a host: each part without its "(so ...)", before it the same without its numbers.

    Of several hosts of a parcel that break one rule by different amounts the first one speaks for all.
    """
    parts = [part.partition(" (so ")[0] for part in text.split(SEPARATOR)]
    return [(NUMBER.sub("", part), part) for part in parts]

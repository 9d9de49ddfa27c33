"""Mapped constraints on each host, by kind, each with its rule and its reason."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from catchscreen.measures.contract import ConstraintRule, Measure
from catchscreen.measures.surroundings import pairs_touching
from catchscreen.options import MeasureOptions
from catchscreen.records import Inputs

DOUBTFUL = ("contaminated", "made_ground", "landfill")
PROTECTION_ZONE = "protection_zone"
COLUMNS = ["candidate_id", "kind", "rule", "reason", "also_flag"]


def find_constraints(
    hosts: gpd.GeoDataFrame, data: Inputs, measures: Sequence[Measure], options: MeasureOptions
) -> pd.DataFrame:
    """List what each mapped constraint does to each host.

    The map's own rule and reason go before the measure's; between them stands the brief's rule for the kind.

    Returns
    -------
    DataFrame
        candidate_id, kind, rule ("gate", "switch", "flag"), reason, also_flag; one row per host, kind, rule and reason.
    """
    layer = data.constraints
    if layer is None or len(layer) == 0:
        return pd.DataFrame(columns=COLUMNS)
    parts = []
    for measure in measures:
        own = hosts.geometry[(hosts["measure"] == measure.name).to_numpy()]
        parts += [_strike(own, layer, rule, options) for rule in measure.constraints]
    table = pd.concat([part for part in parts if len(part)] or [pd.DataFrame(columns=COLUMNS)], ignore_index=True)
    table = table.drop_duplicates(["candidate_id", "kind", "rule", "reason"])
    return table.sort_values(["candidate_id", "kind", "rule", "reason"], kind="stable").reset_index(drop=True)


def add_doubtful_ground(hosts: gpd.GeoDataFrame, data: Inputs) -> None:
    """Add whether the ground is made up or may be contaminated: "yes", "no", "" where no map says."""
    layer = data.constraints
    hosts["doubtful_ground"] = ""
    if layer is None:
        return
    doubtful = layer.geometry[layer["kind"].isin(DOUBTFUL).to_numpy()].to_numpy()
    shapes = hosts.geometry.to_numpy()
    if len(doubtful):
        hosts.loc[~shapely.is_missing(shapes), "doubtful_ground"] = "no"
    host, _ = pairs_touching(shapes, doubtful)
    hosts.iloc[np.unique(host), hosts.columns.get_loc("doubtful_ground")] = "yes"
    hosts.loc[hosts["ground"] == "roof", "doubtful_ground"] = ""


def kinds_without_map(data: Inputs, measure: Measure) -> tuple[str, ...]:
    """Name the kinds of constraint that the measure asks for and no given layer holds: unknown, not clear.

    The zones around a supply are parts of one map: where one of them is given, the others are known to be elsewhere.
    """
    given = {"other"} if data.constraints is None else {"other", *data.constraints["kind"]}
    if any(str(kind).startswith(PROTECTION_ZONE) for kind in given):
        given |= {rule.kind for rule in measure.constraints if rule.kind.startswith(PROTECTION_ZONE)}
    return tuple(rule.kind for rule in measure.constraints if rule.kind not in given)


def _strike(
    hosts: gpd.GeoSeries, layer: gpd.GeoDataFrame, rule: ConstraintRule, options: MeasureOptions
) -> pd.DataFrame:
    things = layer[layer["kind"] == rule.kind]
    if len(things) == 0 or len(hosts) == 0:
        return pd.DataFrame(columns=COLUMNS)
    reach = np.full(len(things), rule.distance_m)
    if rule.height_column and rule.height_column in things:
        reach = np.fmax(reach, pd.to_numeric(things[rule.height_column], errors="coerce").to_numpy(float))
    shapes, shapes_there = hosts.to_numpy(), things.geometry.to_numpy()
    host, thing = pairs_touching(shapes, shapes_there, float(np.max(reach)))
    if rule.distance_m > 0.0:
        near = shapely.distance(shapes[host], shapes_there[thing]) < reach[thing]
        host, thing = host[near], thing[near]
    own_rule = _texts(things, "rule")
    own_reason = _texts(things, "reason")
    default = options.constraint_rules.get(rule.kind, rule.rule)
    return pd.DataFrame(
        {
            "candidate_id": hosts.index[host],
            "kind": rule.kind,
            "rule": [own_rule[row] or default for row in thing],
            "reason": [_say(own_reason[row], rule) for row in thing],
            "also_flag": rule.also_flag,
        }
    )


def _say(own: str, rule: ConstraintRule) -> str:
    """Give the map's own words with the measure's behind them: the name of a meadow alone says nothing."""
    return f"{own} ({rule.reason})" if own and rule.kind != "other" else own or rule.reason


def _texts(frame: pd.DataFrame, column: str) -> list[str]:
    return list(frame[column].fillna("").astype(str)) if column in frame else [""] * len(frame)

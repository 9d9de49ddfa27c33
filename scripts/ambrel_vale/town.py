"""The town put together: one record of everything drawn, made from the seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from ambrel_vale import blocks, buildings, covers, ground, plan, streets
from ambrel_vale.blocks import Plot
from ambrel_vale.buildings import Building, Door
from ambrel_vale.covers import Field, Piece
from ambrel_vale.streets import Quarter, Street

LAKE_FACTOR = 1.166
HARD_SHARE = 0.31
GREEN_EDGE_M = 3.6
FIELD_LINE_Y = 2129.0


@dataclass(frozen=True)
class Town:
    """Everything drawn, in local metres."""

    streets: list[Street]
    quarters: list[Quarter]
    road: BaseGeometry
    corridor: BaseGeometry
    bays: list[tuple[Polygon, str]]
    lakes: list[BaseGeometry]
    waters: BaseGeometry
    plots: list[Plot]
    fields: list[Field]
    sites: dict[str, Polygon]
    houses: list[Building]
    doors: list[Door]
    pieces: list[Piece]


def draw_town() -> Town:
    """Draw the whole town from the seed."""
    lakes = ground.lake_shapes(LAKE_FACTOR)
    lines, quarters = streets.all_streets(lakes)
    road, corridor = blocks.corridor(lines)
    waters = shapely.union_all([plan.RIVER_WATER, plan.BROOK_WATER, *lakes]).intersection(plan.DISTRICT)
    plots, grounds, sites = blocks.divide(lines, quarters, corridor, waters)
    houses, hard, doors = buildings.build_plots(plots, HARD_SHARE)
    more_houses, more_doors = buildings.build_places(sites)
    bays = covers.bays_of(lines, road)
    fields = covers.split_open(grounds, FIELD_LINE_Y)
    pieces = covers.plot_pieces(plots, hard) + covers.site_pieces(sites, GREEN_EDGE_M) + covers.field_pieces(fields)
    pieces += [Piece(p, "asphalt", "bay", "car parks, yards, playgrounds") for p, _ in bays]
    owned = [*covers.street_blocks(plots), *sites.values(), *(f.polygon for f in fields)]
    pieces += covers.verge_pieces(owned, corridor, waters)
    wet = waters.difference(corridor)
    pieces += covers.water_pieces(wet)
    strips = shapely.union_all([b for b, _ in bays])
    return Town(
        lines, quarters, road.difference(strips), corridor.difference(strips), bays, lakes, waters, plots,
        fields, sites, houses + more_houses, doors + more_doors, pieces,
    )  # fmt: skip


COVER_HA = {
    "roofs": 84.0,
    "roads and footways": 66.0,
    "car parks, yards, playgrounds": 42.0,
    "domestic hard ground": 30.0,
    "gardens and parks": 258.0,
    "fields and wood": 96.0,
    "water": 24.0,
}
"""What the district's cover must come to [ha]."""


def cover_hectares(town: Town) -> dict[str, float]:
    """Return the cover table [ha]: building over street over other ground, each square metre once."""
    roofs = np.array([h.polygon for h in town.houses], dtype=object)
    tree = shapely.STRtree(roofs)
    found = dict.fromkeys(COVER_HA, 0.0)
    found["roofs"] = float(shapely.area(roofs).sum()) / 1e4
    found["roads and footways"] = town.corridor.area / 1e4
    for piece in town.pieces:
        above = shapely.intersection(roofs[tree.query(piece.polygon)], piece.polygon)
        found[piece.line] += (piece.polygon.area - float(shapely.area(above).sum())) / 1e4
    return found

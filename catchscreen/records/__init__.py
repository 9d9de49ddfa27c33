"""What the stages hand to each other: frozen records of arrays and frames.

Everywhere: unknown is NaN, NA or "" (never a number that means "none"); frames are sorted by a stable string id that is
their index; depths mm, areas m2 on plan, volumes m3, rates mm/h or m/s as the name says; geometry is in the result's
CRS. Column lists below are contracts: a stage may add columns of its own, never rename these.
"""

from catchscreen.records.arrays import Floats, Ints
from catchscreen.records.candidates import GradeRule, Proposals, Ranking, Sizes
from catchscreen.records.cover import Cover
from catchscreen.records.inputs import Inputs, Raster
from catchscreen.records.land import HollowTree, Terrain
from catchscreen.records.water import RunOn, StoreEvents, Stores, StoreYears, StormRuns, Storms

__all__ = [
    "Cover",
    "Floats",
    "GradeRule",
    "HollowTree",
    "Inputs",
    "Ints",
    "Proposals",
    "Ranking",
    "Raster",
    "RunOn",
    "Sizes",
    "StoreEvents",
    "StoreYears",
    "Stores",
    "StormRuns",
    "Storms",
    "Terrain",
]

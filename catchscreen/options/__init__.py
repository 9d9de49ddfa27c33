"""The options of each stage: frozen values with units in their names, checked when made, defaults written once.

The brief is made of these; a stage receives its own and nothing else.
"""

from catchscreen.options.base import Fraction, NotNegative, Options, Positive, Range, Shares
from catchscreen.options.measures import MeasureOptions
from catchscreen.options.rain import RainOptions
from catchscreen.options.ranking import RankingOptions
from catchscreen.options.runoff import DEFICITS, DEPRESSIONS_MM, RunoffOptions, SurveyedEvent, Texture
from catchscreen.options.surfaces import SurfaceOptions
from catchscreen.options.terrain import TerrainOptions

__all__ = [
    "DEFICITS",
    "DEPRESSIONS_MM",
    "Fraction",
    "MeasureOptions",
    "NotNegative",
    "Options",
    "Positive",
    "RainOptions",
    "Range",
    "RankingOptions",
    "RunoffOptions",
    "Shares",
    "SurfaceOptions",
    "SurveyedEvent",
    "TerrainOptions",
    "Texture",
]

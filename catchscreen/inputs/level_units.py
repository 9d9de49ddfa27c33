"""The unit of levels: what the brief says, what the file itself says, and what happens when the two differ."""

from __future__ import annotations

from typing import Final

from pyproj import CRS
from pyproj.exceptions import CRSError

from catchscreen.brief_sources import Source
from catchscreen.inputs.desk import Desk, refuse
from catchscreen.inputs.tilesets import TileSet

METRES: Final = {"m": 1.0, "ft": 0.3048, "us_ft": 1200.0 / 3937.0, "cm": 0.01, "mm": 0.001}
"""Metres in each unit. The international foot is 0.3048 m, the United States survey foot 1200/3937 m: both by
definition (United States National Bureau of Standards, Federal Register notice of 1 July 1959)."""

_WORDS: Final = {
    "m": ("m", "metre", "metres", "meter", "meters"),
    "ft": ("ft", "foot", "feet", "international foot", "international feet"),
    "us_ft": ("us survey foot", "us survey feet", "us_survey_foot", "us-ft", "ftus", "foot_us", "survey foot"),
    "cm": ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
    "mm": ("mm", "millimetre", "millimetres", "millimeter", "millimeters"),
}
_NAMES: Final = {"m": "metres", "ft": "feet", "us_ft": "US survey feet", "cm": "centimetres", "mm": "millimetres"}


def unit_of_word(word: str) -> str | None:
    """Return our name of a unit of length, None for a word that names none."""
    plain = word.strip().casefold()
    return next((unit for unit, words in _WORDS.items() if plain in words), None)


def stated_unit(tiles: TileSet) -> str | None:
    """Return the unit that the file states for its levels: in its band, else in its vertical coordinate system."""
    for tile in tiles.tiles:
        if unit := unit_of_word(tile.unit):
            return unit
    try:
        system = CRS.from_user_input(tiles.crs) if tiles.crs else None
    except CRSError:
        return None
    heights = system.axis_info[2:] if system is not None else []
    return unit_of_word(heights[0].unit_name) if heights else None


def metres_per_unit(source: Source, tiles: TileSet, desk: Desk) -> float:
    """Return what the file's levels are multiplied by.

    Raises
    ------
    InputsAtFault
        When the file states another unit than metres and the brief says nothing.
    """
    said, stated = getattr(source, "vertical_unit", "m"), stated_unit(tiles)
    if stated is not None and stated != said:
        message = f"The file states its levels in {_NAMES[stated]}; they would be read as {_NAMES[said]}."
        if "vertical_unit" not in source.model_fields_set:
            raise refuse("other-unit", source, message, f'Set vertical_unit = "{stated}" in [{source.role}].')
        cure = f'vertical_unit = "{said}" in the brief is obeyed: make sure that the file is wrong and not the brief.'
        desk.note("note", "other-unit", source, message, cure=cure)
    elif stated is None and "vertical_unit" not in source.model_fields_set:
        message = "Neither the file nor the brief states the unit of the levels: they are taken as metres."
        cure = f'Set vertical_unit = "m" in [{source.role}] if they are, else one of {", ".join(METRES)}.'
        desk.note("note", "unit-assumed", source, message, cure=cure)
    return METRES[said]

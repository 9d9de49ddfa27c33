"""The ground: edited, routed, divided into sub-catchments, searched for hollows."""

from catchscreen.terrain.delineation import delineate

__all__ = ["delineate"]

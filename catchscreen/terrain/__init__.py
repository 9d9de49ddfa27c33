"""The ground: edited, routed, divided into sub-catchments, searched for hollows."""

from catchscreen.terrain.delineation import delineate
from catchscreen.terrain.readying import read_kernels_meanwhile

__all__ = ["delineate", "read_kernels_meanwhile"]

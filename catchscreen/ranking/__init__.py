"""Which candidates and parcels come first, by grades, indices and a weighted geometric mean."""

from catchscreen.ranking.rank import rank
from catchscreen.ranking.scoring import find_faults

__all__ = ["find_faults", "rank"]

"""Which candidates and parcels come first, by grades, indices and a weighted geometric mean."""

from catchscreen.ranking.rank import rank

__all__ = ["rank"]

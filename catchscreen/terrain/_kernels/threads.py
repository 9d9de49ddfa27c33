"""How many threads the parallel kernels may use now."""

from __future__ import annotations

from numba import get_num_threads

__all__ = ["get_num_threads"]

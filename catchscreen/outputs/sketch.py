"""What the overview shows, as plain arrays and words: a second process can be handed it and draw without the frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Light = tuple[NDArray[np.float32], tuple[float, float, float, float]]
"""Light on the ground (rows, cols) in 0..1, NaN outside the data, and its bounds [m] (min x, min y, max x, max y)."""


class Sheet(NamedTuple):
    """Where the map lies on the picture: sizes in inches, its window in map units."""

    width: float
    height: float
    map_width: float
    map_height: float
    left: float
    bottom: float
    right: float
    top: float

    @property
    def metres_per_inch(self) -> float:
        """Return the map's scale."""
        return (self.right - self.left) / self.map_width


class Outline(NamedTuple):
    """Closed rings of many shapes: (n, 2) float64 points [m], and the place of each ring's first point in them."""

    xy: NDArray[np.float64]
    first: NDArray[np.int64]


class Lines(NamedTuple):
    """Lines as (n, 2) float64 points [m] each, and (lines,) float64 widths [points]."""

    parts: list[NDArray[np.float64]]
    widths: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sketch:
    """One overview.

    ground : outlines of each kind of surface that is there, in the order in which they are drawn. edges : of parcels.
    candidates : measure, place of its score among the strengths, outline. anchors : (n, 2) float64 [m], the places of
    the first parcels, which ``first`` gives as (rank, name). measures : of all possible candidates.
    """

    title: str
    subtitle: str
    sheet: Sheet
    light: Light
    ground: tuple[tuple[str, Outline], ...]
    edges: Outline | None
    flow: Lines | None
    hollows: Outline | None
    candidates: tuple[tuple[str, int, Outline], ...]
    anchors: NDArray[np.float64]
    first: tuple[tuple[int, str], ...]
    measures: tuple[str, ...]
    kinds: frozenset[str]
    some_without_outline: bool

"""What leaves each piece in a storm, worked out when it is asked for: all storms at once would fill the memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchscreen.runoff.candidates import CandidateArrays

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class PieceTotals:
    """Totals of single pieces, from the totals of what they are alike with.

    loss_class, mix : (rows,). areas : (rows, 6) as ``ledger.lay_areas`` returns them. classes : (storms, classes, 4)
    [mm]. mixes : (storms, mixes, 2) [mm]. hosts : (storms, hosts, 3) [m3] overflow of candidates, with ``laid``.
    """

    loss_class: Ints
    mix: Ints
    areas: Floats
    classes: Floats
    mixes: Floats
    hosts: Floats
    laid: CandidateArrays

    def runoff_m3(self, storm: int) -> Floats:
        """Return (rows,) what left each piece in a storm, the overflow of the candidates on it included."""
        out = self.areas[:, 2] * self._shed_m(storm)
        np.add.at(out, self.laid.host_row, self.hosts[storm, :, 0])
        return out

    def overland_m3(self, storm: int) -> Floats:
        """Return (rows,) what of that ran off overland."""
        out = self.areas[:, 5] * self._shed_m(storm) + self.areas[:, 3] * (self.mixes[storm, :, 1] / 1000.0)[self.mix]
        share, over = self.laid.host_share, self.hosts[storm]
        np.add.at(out, self.laid.host_row, share[:, 3] * over[:, 0] + share[:, 1] * over[:, 2])
        return out

    def runoff_mm(self, storm: int) -> Floats:
        """Return (rows,) the depth that left each piece; 0 for a piece without area."""
        area = self.areas[:, 0]
        return self.runoff_m3(storm) * 1000.0 / np.where(area > 0.0, area, 1.0)

    def _shed_m(self, storm: int) -> Floats:
        """Return (rows,) what the loss class of each piece sheds [m]."""
        return np.asarray((self.classes[storm, :, 0] / 1000.0)[self.loss_class], np.float64)


class ByStorm(Mapping[str, Floats]):
    """Values of a storm by its id, worked out each time they are asked for."""

    def __init__(self, ids: tuple[str, ...], work_out: Callable[[int], Floats]) -> None:
        self._place = {storm: number for number, storm in enumerate(ids)}
        self._work_out = work_out

    def __getitem__(self, storm: str) -> Floats:
        return self._work_out(self._place[storm])

    def __iter__(self) -> Iterator[str]:
        return iter(self._place)

    def __len__(self) -> int:
        return len(self._place)

"""The handle by which observed flows or spills move connection and capacity; what it cannot tell it leaves alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.options import RunoffOptions

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Calibration:
    """Factors that bring computed sewer volumes to the surveyed ones, with what stands behind them.

    connection_scale : surveyed over computed volume in events that the sewer carried whole. capacity_scale : the same
    in events that filled it. A factor without an event of its kind stays 1.
    """

    connection_scale: float
    capacity_scale: float
    events_below_capacity: int
    events_at_capacity: int
    spread_fraction: float

    def apply(self, options: RunoffOptions, source: str) -> RunoffOptions:
        """Return options with these factors on top of those already in them, and the source named."""
        return options.model_copy(
            update={
                "connection_scale": options.connection_scale * self.connection_scale,
                "capacity_scale": options.capacity_scale * self.capacity_scale,
                "calibration_source": source,
            }
        )


def calibrate(events: pd.DataFrame) -> Calibration:
    """Fit connection and capacity to a flow survey.

    Capacity is in mm/h over the connected area, so scaling the connection scales the volume that a full sewer carries
    as well; the capacity factor is what remains to be explained.

    Parameters
    ----------
    events : one row per surveyed event: surveyed_m3, sewer_m3 (computed for the same rain), least_capture_fraction (the
    least share of the offered water that the sewer took in any step, 1 where it never filled).

    Raises
    ------
    ValueError
        Without an event, or with a volume that is not above zero.
    """
    volumes = events[["surveyed_m3", "sewer_m3"]].to_numpy(np.float64)
    if not len(volumes) or not (volumes > 0.0).all():
        raise ValueError("calibration needs events with volumes above zero")
    below = events["least_capture_fraction"].to_numpy(np.float64) >= 1.0
    connection = _ratio(volumes[below])
    capacity = _ratio(volumes[~below]) / connection if (~below).any() else 1.0
    scaled = volumes[:, 1] * np.where(below, connection, connection * capacity)
    spread = float(np.sqrt(np.mean((scaled / volumes[:, 0] - 1.0) ** 2)))
    return Calibration(connection, capacity, int(below.sum()), int((~below).sum()), spread)


def _ratio(volumes: Floats) -> float:
    """Return surveyed over computed volume, all events together; 1 without an event."""
    return float(volumes[:, 0].sum() / volumes[:, 1].sum()) if len(volumes) else 1.0

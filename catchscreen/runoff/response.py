"""How each store's annual terms answer to infiltration, drained area and rain, as a table to look up.

A draw of the uncertain inputs then costs a look-up in place of a run over years. Rates are interpolated in their
logarithm by monotone cubics, drained area and rain by straight lines, on shares of the inflow; the inflow itself is
interpolated too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from catchscreen.progress import Run
from catchscreen.records import Stores
from catchscreen.runoff.store_years import Series, fill_lanes, read_lanes, run_lanes
from catchscreen.runoff.stores import take_stores

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

RATE_FACTORS: Final = (0.03, 0.1, 0.2, 0.35, 0.6, 1.0, 1.7, 3.0, 5.5, 10.0, 30.0)
"""Infiltration rates, as multiples of a store's own."""
AREA_FACTORS: Final = (0.7, 1.0, 1.3)
"""Hard area that runs on, as multiples of a store's own: its impermeable share, low to high."""
RAIN_FACTORS: Final = (0.8, 1.0, 1.25)
"""Rain of every step, as multiples of the series."""

TERMS: Final = ("to_ground_m3_yr", "to_air_m3_yr", "outlet_m3_yr", "overflow_m3_yr", "store_change_m3_yr")


@dataclass(frozen=True, slots=True)
class ResponseTable:
    """Annual terms of n stores over three factors.

    rate_factors, area_factors, rain_factors : ascending. inflow_m3_yr : (n, rates, areas, rains) float64. share : (n,
    rates, areas, rains, terms) float64, each of ``TERMS`` over the inflow. slope : the same shape, d(share)/d(ln rate).
    """

    rate_factors: Floats
    area_factors: Floats
    rain_factors: Floats
    inflow_m3_yr: Floats
    share: Floats
    slope: Floats

    def look_up(self, rows: Ints, rate: Floats, area: Floats, rain: Floats) -> dict[str, Floats]:
        """Return the annual terms of stores at factors of their own.

        Parameters
        ----------
        rows : (m,) int64
            Row of each store in the table.
        rate, area, rain : (m,) float64
            Factors; beyond the table's ends the end is taken.

        Returns
        -------
        dict of (m,) float64 [m3/yr]
            ``inflow_m3_yr`` and ``TERMS``.
        """
        above, share_above = _place(self.area_factors, area)
        later, share_later = _place(self.rain_factors, rain)
        inflow = np.zeros(rows.size)
        shares = np.zeros((rows.size, len(TERMS)))
        for i, weight_area in ((above, share_above), (above - 1, 1.0 - share_above)):
            for j, weight_rain in ((later, share_later), (later - 1, 1.0 - share_later)):
                weight = weight_area * weight_rain
                inflow += weight * self.inflow_m3_yr[rows, 0, i, j]
                shares += weight[:, None] * self._along_rates(rows, i, j, rate)
        columns = {name: shares[:, place] * inflow for place, name in enumerate(TERMS)}
        return {"inflow_m3_yr": inflow, **columns}

    def _along_rates(self, rows: Ints, i: Ints, j: Ints, rate: Floats) -> Floats:
        """Interpolate the shares (m, terms) along the logarithm of the rate at given places of the other two."""
        nodes = np.log(self.rate_factors)
        upper, t = _place(nodes, np.log(np.maximum(rate, self.rate_factors[0])))
        width = (nodes[upper] - nodes[upper - 1])[:, None]
        t = t[:, None]
        y0, y1 = self.share[rows, upper - 1, i, j], self.share[rows, upper, i, j]
        m0, m1 = self.slope[rows, upper - 1, i, j] * width, self.slope[rows, upper, i, j] * width
        u = 1.0 - t
        left = (1.0 + 2.0 * t) * u * u * y0 + t * u * u * m0
        right = t * t * (3.0 - 2.0 * t) * y1 - t * t * u * m1
        return np.asarray(left + right)


def _place(nodes: Floats, values: Floats) -> tuple[Ints, Floats]:
    """Return the upper node of each value's interval and the fraction of the way to it, within the ends."""
    upper = np.clip(np.searchsorted(nodes, values), 1, nodes.size - 1)
    return upper, np.clip((values - nodes[upper - 1]) / (nodes[upper] - nodes[upper - 1]), 0.0, 1.0)


def build_response(
    stores: Stores,
    series: Series,
    run: Run,
    *,
    rate_factors: tuple[float, ...] = RATE_FACTORS,
    area_factors: tuple[float, ...] = AREA_FACTORS,
    rain_factors: tuple[float, ...] = RAIN_FACTORS,
) -> ResponseTable:
    """Run every store at every combination of the factors and keep the annual terms.

    Parameters
    ----------
    stores : Stores
        n stores.
    series : Series
        As ``prepare_series`` makes it.
    run : Run
        Asked between rains whether to stop.
    rate_factors, area_factors, rain_factors : ascending
        At least two of each.

    Returns
    -------
    ResponseTable
    """
    rates, areas, rains = (
        np.asarray(values, dtype=np.float64) for values in (rate_factors, area_factors, rain_factors)
    )
    count = len(stores.store_id)
    shape = (count, rates.size, areas.size)
    row, i, j = (grid.reshape(-1) for grid in np.indices(shape))
    varied = vary(stores, row, rates[i], areas[j])
    inflow = np.zeros((*shape, rains.size))
    share = np.zeros((*shape, rains.size, len(TERMS)))
    for place, factor in enumerate(rains):
        run.check_stop()
        columns = run_at_rain(varied, series, float(factor))
        whole = columns["inflow_m3_yr"]
        inflow[..., place] = whole.reshape(shape)
        safe = np.where(whole > 0.0, whole, 1.0)
        for term, name in enumerate(TERMS):
            share[..., place, term] = (columns[name] / safe).reshape(shape)
    slope = PchipInterpolator(np.log(rates), share, axis=1).derivative()(np.log(rates)) if count else share.copy()
    return ResponseTable(rates, areas, rains, inflow, share, slope)


def vary(stores: Stores, row: Ints, rate: Floats, area: Floats) -> Stores:
    """Return chosen stores with their infiltration rate and their run-on area times factors."""
    chosen = take_stores(stores, row)
    return replace(chosen, soak_mean_mm_h=chosen.soak_mean_mm_h * rate, run_on_area_m2=chosen.run_on_area_m2 * area)


def run_at_rain(stores: Stores, series: Series, rain_factor: float) -> dict[str, Floats]:
    """Run stores through the series with its rain times a factor; return the annual terms."""
    lanes = fill_lanes(stores, series)
    run_lanes(lanes, stores, series, rain_factor)
    return read_lanes(lanes, stores, series, rain_factor)

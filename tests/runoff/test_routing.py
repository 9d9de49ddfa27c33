"""Unit hydrographs, reservoirs, travel, the rational check and the greenfield rate against published figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchscreen.options import RunoffOptions
from catchscreen.runoff import greenfield, rational, routing

REFERENCE = Path(__file__).parents[1] / "reference"


def test_nrcs_ordinates_and_mass() -> None:
    """NEH 630 table 16-1: ordinates exactly, volume passed within half of the last digit plus the chord's error."""
    table = pd.read_csv(REFERENCE / "nrcs_unit_hydrograph.csv", comment="#")
    flows = np.interp(table["peak_times"], routing.UNIT_TIMES, routing.UNIT_FLOWS)
    np.testing.assert_allclose(flows, table["flow"])
    areas = np.diff(routing.UNIT_TIMES) * (routing.UNIT_FLOWS[1:] + routing.UNIT_FLOWS[:-1]) / 2.0
    passed = np.concatenate([[0.0], np.cumsum(areas)]) / routing.unit_area()
    np.testing.assert_allclose(np.interp(table["peak_times"], routing.UNIT_TIMES, passed), table["volume"], atol=0.0025)


def test_nrcs_area_and_peak_rate_factor() -> None:
    """33 points by trapezia: 1.33595 times to peak; so the tabulated factor is 645.33 / 1.33595 = 483.05, not 484."""
    assert len(routing.UNIT_TIMES) == 33
    assert routing.unit_area() * 2000.0 == pytest.approx(2670.0, abs=3.0)
    assert 645.33 / routing.unit_area() == pytest.approx(483.05, abs=0.05)


@pytest.mark.parametrize(("shape", "factor"), [(2.0, 349.0), (3.7, 484.0), (5.0, 566.0)])
def test_gamma_peak_rate_factors(shape: float, factor: float) -> None:
    """NEH 630 chapter 16: shape of the gamma form against the peak rate factor."""
    x = np.linspace(0.0, 40.0, 400_001)
    area = np.trapezoid(routing.gamma_flow(x, shape), x)
    assert 645.33 / area == pytest.approx(factor, abs=0.7)


def test_peak_of_a_burst() -> None:
    """0.2083 in metric units; NEH 630 example 16-1 (from memory): 4.6 mi2, Tc 2.3 h, D 0.3 h: Tp 1.53 h, 1455 cfs."""
    assert routing.peak_flow_m3_s(1.0, 1.0, 1.0) == pytest.approx(0.2083, abs=0.0001)
    peak_min = routing.time_to_peak_min(2.3 * 60.0, 0.3 * 60.0)
    assert peak_min / 60.0 == pytest.approx(1.53, abs=0.005)
    flow = routing.peak_flow_m3_s(4.6 * 2.589988, 25.4, peak_min / 60.0)
    assert flow / 0.3048**3 == pytest.approx(1455.0, abs=0.7)


@given(concentration=st.floats(5.0, 200.0), step=st.floats(0.5, 5.0))
def test_responses_keep_the_volume(concentration: float, step: float) -> None:
    """Every response sums to 1, none is negative, and the unit hydrograph peaks near D/2 + 0.6 Tc (flat top)."""
    for response in (
        routing.unit_hydrograph(concentration, step),
        routing.linear_reservoir(concentration, step),
        routing.pipe_travel(concentration, step),
    ):
        assert response.sum() == pytest.approx(1.0, abs=1e-12)
        assert (response >= -1e-15).all()
    top = routing.unit_hydrograph(concentration, step).argmax()
    peak = routing.time_to_peak_min(concentration, step)
    assert abs((top + 0.5) * step - peak) <= step + 0.1 * peak


def test_burst_through_the_unit_hydrograph() -> None:
    """In fine steps a burst peaks at 1 / 1.33595 of its volume per time to peak."""
    response = routing.unit_hydrograph(60.0, 0.5)
    assert response.max() / 0.5 == pytest.approx(1.0 / (routing.unit_area() * 36.25), rel=0.005)


def test_linear_reservoir_is_exponential() -> None:
    """Outflow falls by exp(-D/k) each step after the burst; its mean delay is k plus half a step."""
    response = routing.linear_reservoir(30.0, 5.0)
    np.testing.assert_allclose(response[2:-2] / response[1:-3], np.exp(-5.0 / 30.0))
    middles = (np.arange(response.size) + 0.5) * 5.0
    assert (response * middles).sum() == pytest.approx(32.5, abs=0.05)


def test_pipe_travel_spreads_evenly() -> None:
    """20 minutes of travel in 5-minute steps: 1/8, 1/4, 1/4, 1/4, 1/8."""
    np.testing.assert_allclose(routing.pipe_travel(20.0, 5.0), [0.125, 0.25, 0.25, 0.25, 0.125])
    np.testing.assert_allclose(routing.pipe_travel(0.0, 5.0), [1.0])


def test_flow_goes_down_the_tree() -> None:
    """A upstream of B: A's burst arrives after 1.5 steps of B's length, half in each of two steps; B's own is added."""
    flows = np.array([[4.0, 0.0], [0.0, 1.0]])
    out = routing.route_down(flows, [np.ones(1), np.ones(1)], np.array([1, -1]), np.array([9.0, 1.5]))
    np.testing.assert_allclose(out[0], [4.0, 0.0])
    np.testing.assert_allclose(out[1][:4], [0.0, 1.0 + 2.0, 2.0, 0.0])
    assert out[1].sum() == pytest.approx(5.0)


def test_rational_published() -> None:
    """Ponce, examination problem: 45.48 mm/h effective over 80 ha give 10.11 m3/s."""
    assert rational.rational_peak_m3_s(1.0, 45.48, 80.0) == pytest.approx(10.11, abs=0.005)


def test_rational_derived() -> None:
    """0.7 x 50 mm/h x 2 ha = 0.19444 m3/s; modified 2.78 x 0.75 x 1.3 x 50 = 135.5 l/s (factor 2.7778: 0.1 % less)."""
    assert rational.rational_peak_m3_s(0.7, 50.0, 2.0) == pytest.approx(0.19444, abs=1e-4)
    assert rational.modified_rational_peak_l_s(0.75, 1.3, 50.0, 1.0) == pytest.approx(135.5, abs=0.15)


def test_weighted_coefficients() -> None:
    """NRCS training module inputs (answers computed): 0.4366, 0.4625; 28.53 cfs, 31.38 x 1.1."""
    assert rational.weighted_coefficient(np.array([0.8, 0.2]), np.array([3.04, 4.67])) == pytest.approx(
        0.4366, abs=1e-4
    )
    mixed = rational.weighted_coefficient(np.array([0.4, 0.15, 0.9]), np.array([6.0, 3.0, 3.0]))
    assert mixed == pytest.approx(0.4625)
    cfs = rational.rational_peak_m3_s(mixed, 5.1 * 25.4, 12.0 * 0.40468564) / 0.3048**3
    assert cfs == pytest.approx(28.53, abs=0.02)
    assert cfs * 1.1 == pytest.approx(31.38, abs=0.02)


def test_rational_is_refused_above_80_ha() -> None:
    with pytest.raises(ValueError, match="80 ha"):
        rational.rational_peak_m3_s(0.5, 20.0, 80.1)
    with pytest.raises(ValueError, match="80 ha"):
        rational.modified_rational_peak_l_s(0.75, 1.3, 20.0, 100.0)


def test_greatest_intensity() -> None:
    """Adjacent 5-minute steps of 4 and 6 mm: 60 mm/h over 10 min; a window of 30 min over 20 min of rain dilutes."""
    depths = np.array([1.0, 4.0, 6.0, 2.0])
    assert rational.greatest_intensity_mm_h(depths, 5.0, 10.0) == pytest.approx(60.0)
    assert rational.greatest_intensity_mm_h(depths, 5.0, 5.0) == pytest.approx(72.0)
    assert rational.greatest_intensity_mm_h(depths, 5.0, 30.0) == pytest.approx(26.0)


@pytest.mark.parametrize(
    ("rain", "soil", "flood", "per_ha"),
    [(600, 0.30, 76.08, 1.522), (700, 0.47, 241.39, 4.828), (850, 0.45, 275.68, 5.514), (1000, 0.50, 419.06, 8.381)],
)
def test_greenfield_at_50_ha(rain: float, soil: float, flood: float, per_ha: float) -> None:
    """Institute of Hydrology Report 124, 1994 (values derived from the formula; no worked number was found)."""
    assert greenfield.mean_annual_flood_l_s(50.0, rain, soil) == pytest.approx(flood, abs=0.006)
    options = RunoffOptions(greenfield_formula_applies=True, annual_rain_mm=rain, soil_index=soil)
    for area in (2.0, 50.0):
        assert greenfield.greenfield_rate(area, options).rate_l_s_ha == pytest.approx(per_ha, abs=0.0006)


def test_greenfield_above_50_ha() -> None:
    """2 km2, 900 mm, 0.40: 783.9 l/s without scaling (derived)."""
    assert greenfield.mean_annual_flood_l_s(200.0, 900.0, 0.40) == pytest.approx(783.9, abs=0.05)


def test_greenfield_needs_the_users_word() -> None:
    """Unknown, with the reason, until confirmed; growth only by the user's factors."""
    unsure = greenfield.greenfield_rate(10.0, RunoffOptions(annual_rain_mm=900.0, soil_index=0.4))
    assert np.isnan(unsure.rate_l_s_ha)
    assert "not confirmed" in unsure.reason
    lacking = greenfield.greenfield_rate(10.0, RunoffOptions(greenfield_formula_applies=True))
    assert np.isnan(lacking.rate_l_s_ha)
    assert "soil_index" in lacking.reason
    known = greenfield.greenfield_rate(
        10.0,
        RunoffOptions(
            greenfield_formula_applies=True, annual_rain_mm=900.0, soil_index=0.4, growth_factors={"100": 2.5, "2": 0.9}
        ),
    )
    assert known.growth == pytest.approx({2.0: 0.9 * known.rate_l_s_ha, 100.0: 2.5 * known.rate_l_s_ha})

from __future__ import annotations

import numpy as np
import pytest

from catchscreen.terrain import concentration as tc

FOOT = 0.3048


def test_sheet_flow_example():
    """TR-55 (1986) example 3-1, from memory and recomputed: n 0.24, 100 ft, slope 0.01, 3.6 in: 0.30 h (0.2959)."""
    minutes = tc.sheet_flow_min(np.array([100 * FOOT]), np.array([0.01]), 0.24, 3.6 * 25.4)
    assert minutes[0] / 60 == pytest.approx(0.2959, abs=5e-5)


def test_shallow_flow_example():
    """TR-55 (1986) example 3-1, from memory and recomputed: 1400 ft unpaved at 0.01: 1.6 ft/s, 0.24 h."""
    speed = tc.shallow_velocity_m_s(np.array([0.01]), tc.UNPAVED_FT_S)
    assert speed[0] / FOOT == pytest.approx(1.613, abs=5e-4)
    assert 1400 * FOOT / speed[0] / 3600 == pytest.approx(0.241, abs=5e-4)


def test_three_segments_add_up_to_the_worked_example():
    """TR-55 (1986) example 3-1 and worksheet 3, from memory and recomputed.

    Sheet flow 0.30 h; shallow flow 0.24 h; a channel of 27 ft2 with 28.2 ft wet, slope 0.005, n 0.05, 7300 ft long:
    r = 0.957 ft, 2.05 ft/s, 0.99 h. In all 1.53 h. TR-55 rounds the factor of feet in Manning's
    formula, 1.486, to 1.49.
    """
    sheet_h = tc.sheet_flow_min(np.array([100 * FOOT]), np.array([0.01]), 0.24, 3.6 * 25.4)[0] / 60
    shallow_h = 1400 * FOOT / tc.shallow_velocity_m_s(np.array([0.01]), tc.UNPAVED_FT_S)[0] / 3600
    speed = tc.channel_velocity_m_s(np.array([27 / 28.2 * FOOT]), np.array([0.005]), 0.05)[0]
    assert speed / FOOT * 1.49 / 1.4859 == pytest.approx(2.047, abs=1e-3)
    channel_h = 7300 * FOOT / speed / 3600
    assert channel_h == pytest.approx(0.9906, abs=4e-3)
    assert sheet_h + shallow_h + channel_h == pytest.approx(1.530, abs=5e-3)


def test_paved_velocity():
    """TR-55 appendix F, from memory: 2.033 ft/s at a slope of 0.01."""
    assert tc.shallow_velocity_m_s(np.array([0.01]))[0] / FOOT == pytest.approx(2.033, abs=5e-4)


def test_kinematic_sheet_flow():
    """HEC-22 eq. 3-3 (formula from memory, value derived): n 0.011, 30 m, 50 mm/h, 0.02: 2.406 min."""
    assert tc.kinematic_sheet_min(np.array([30.0]), np.array([0.02]), 0.011, 50.0)[0] == pytest.approx(2.406, abs=5e-4)


def test_lag():
    """NEH 630 ch. 15 eq. 15-4 (formula from memory, value derived): 2000 ft, CN 75, 2 %: lag 0.4543 h."""
    minutes = tc.nrcs_lag_min(np.array([2000 * FOOT]), np.array([0.02]), 75.0)
    assert minutes[0] * 0.6 / 60 == pytest.approx(0.4543, abs=5e-5)


def test_kirpich():
    """Kirpich (1940) in the metric form of NEH 630.15 (from memory, value derived): 300 m at 0.02: 7.104 min."""
    assert tc.kirpich_min(np.array([300.0]), np.array([0.02]))[0] == pytest.approx(7.104, abs=5e-4)


def test_bransby_williams():
    """58.5 x 1 / (1^0.1 x 10^0.2) = 36.91 min for 1 km, 1 km2, 10 m/km (formula from memory, value derived)."""
    assert tc.bransby_williams_min(np.array([1000.0]), np.array([0.01]), np.array([1e6]))[0] == pytest.approx(
        36.91, abs=5e-3
    )


def test_velocity_method_adds_sheet_and_shallow_flow():
    slope = np.array([0.01])
    whole = tc.velocity_min(np.array([130.0]), slope, 0.011, 40.0)
    sheet = tc.sheet_flow_min(np.array([30.0]), slope, 0.011, 40.0)
    assert whole - sheet == pytest.approx(100.0 / tc.shallow_velocity_m_s(slope) / 60.0)


def test_flat_ground_gives_finite_times():
    for method in (tc.kirpich_min, tc.velocity_min, tc.nrcs_lag_min, tc.bransby_williams_min):
        extra = {
            tc.kirpich_min: (),
            tc.velocity_min: (0.011, 40.0),
            tc.nrcs_lag_min: (85.0,),
            tc.bransby_williams_min: (np.array([1e4]),),
        }[method]
        assert np.isfinite(method(np.array([100.0]), np.array([0.0]), *extra)).all()

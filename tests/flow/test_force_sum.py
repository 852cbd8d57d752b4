"""Force summed up over time, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from flow.force_sum import ForceSum
from flow.module import Gyro
from flow.rotation import RotationLog
from flow.series import GyroSamples

RATE_HZ = 500.0


def summed(accel: np.ndarray, *, turn_rad_s: float = 0.0, hole: slice = slice(0, 0)) -> ForceSum:
    time_s = np.arange(len(accel)) / RATE_HZ
    rate = np.zeros((len(accel), 3))
    rate[:, 2] = turn_rad_s
    rotations = RotationLog(Gyro(bias_rad_s=(0.0, 0.0, 0.0)))
    kept = np.setdiff1d(np.arange(len(accel)), np.arange(len(accel))[hole])
    force = ForceSum(rotations)
    for part in np.array_split(kept, 9):  # in chunks, as a stream comes
        samples = GyroSamples(time_s=time_s[part], rate_rad_s=rate[part], accel_m_s2=accel[part])
        rotations.append(samples)
        force.add(samples)
    return force


def test_a_parabola_is_averaged_exactly() -> None:
    # v = t^2 from a = 2 t: the trapezoid is exact for it, and the mean of t^2 over [m - h/2, m + h/2] is m^2 + h^2 / 12.
    time_s = np.arange(400) / RATE_HZ
    force = summed(np.column_stack([2 * time_s, 0 * time_s, 0 * time_s - 9.81]))
    means = [force.mean(middle, 0.1) for middle in (0.3, 0.6)]
    assert means[0] is not None and means[1] is not None
    gained = means[1] - means[0]
    # Interpolation between samples 2 ms apart: (2 ms)^2 / 8 * 2 = 1e-6.
    np.testing.assert_allclose(gained, [0.6**2 - 0.3**2, 0, -9.81 * 0.3], atol=2e-6)
    np.testing.assert_allclose(force.steady()[2], -9.81, rtol=1e-9)


def test_axes_do_not_turn_with_the_body() -> None:
    # Closed form: a force fixed in a body that turns at w points along (cos wt, sin wt).
    force = summed(np.tile([1.0, 0, 0], (400, 1)), turn_rad_s=2.0)
    means = [force.mean(middle, 0.02) for middle in (0.2, 0.7)]
    assert means[0] is not None and means[1] is not None
    expected = (np.array([np.sin(1.4), -np.cos(1.4)]) - [np.sin(0.4), -np.cos(0.4)]) / 2
    np.testing.assert_allclose((means[1] - means[0])[:2], expected, rtol=7e-5)  # a mean over 20 ms: (0.02 * 2)^2 / 24


def test_noise_is_told_from_the_samples() -> None:
    noise = np.random.default_rng(1).normal(0, 0.5, (3000, 3))
    # White noise of 0.5 m/s^2 at 500 Hz walks by 0.5 / sqrt(500) m/s in a second; 3 x 3000 samples: 2 %, doubled.
    np.testing.assert_allclose(summed(noise).noise_m_s_rts, 0.5 / np.sqrt(RATE_HZ), rtol=0.05)


@pytest.mark.parametrize("length", [10, 60])
def test_a_hole_is_told(length: int) -> None:
    force = summed(np.tile([0.0, 0, -9.81], (400, 1)), hole=slice(200, 200 + length))
    assert force.broken_since(0.3) is (length == 60)
    assert not force.broken_since(0.7)


def test_nothing_is_told_from_nothing() -> None:
    force = summed(np.full((400, 3), np.nan))
    assert force.mean(0.3, 0.02) is None
    whole = summed(np.zeros((400, 3)))
    assert whole.mean(0.9, 0.02) is None
    assert whole.mean(0.79, 0.01) is not None

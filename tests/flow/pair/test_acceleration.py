"""The acceleration during a pair: from an accelerometer, from speeds alone, and in the rows of rendered flights."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow import scene
from flow.force_sum import ForceSum
from flow.module import Gyro
from flow.pair.acceleration import Acceleration, AccelerationFilter
from flow.pair.expected import ExpectedVelocity
from flow.rotation import RotationLog
from flow.scene.motion import STANDARD_GRAVITY_M_S2 as GRAVITY
from flow.series import GyroSamples
from tests.flow.flights import Flight, flight, measured

FRAME_S, SAMPLE_S = 1 / 60, 1 / 400
SPIN = np.array([0.2, -0.1, 0.4])  # rad/s, body axes, constant: orientation is exactly exp(SPIN t)
BIAS = np.array([0.08, -0.05, 0.1])  # m/s^2, of the accelerometer
SWAY, SWAY_HZ = np.array([0.4, -0.3, 0.1]), 0.7  # m/s, in axes that do not rotate


def velocity(t: float) -> np.ndarray:
    return SWAY * np.sin(2 * np.pi * SWAY_HZ * t)


def acceleration(t: np.ndarray) -> np.ndarray:
    return 2 * np.pi * SWAY_HZ * np.cos(2 * np.pi * SWAY_HZ * np.asarray(t))[..., None] * SWAY


def samples(t: np.ndarray, *, accelerometer: bool, arm_m: float = 0.0) -> GyroSamples:
    still = acceleration(t) - [0.0, 0.0, GRAVITY]
    felt = Rotation.from_rotvec(t[:, None] * SPIN).inv().apply(still) + BIAS
    felt += (
        arm_m * 100 * np.sin(2 * np.pi * 3 * t)[:, None]
    )  # of an arm that swings: what a turn rate of 5 rad/s^2 does
    return GyroSamples(time_s=t, rate_rad_s=np.tile(SPIN, (len(t), 1)), accel_m_s2=felt if accelerometer else None)


def followed(
    *, accelerometer: bool, arm_m: float = 0.0, noise_m_s: float = 1e-3, duration_s: float = 8.0
) -> tuple[np.ndarray, np.ndarray]:
    """Errors (N, 3) and sigmas (N,) of the second half of a swaying flight."""
    log, expected, rng = RotationLog(Gyro()), ExpectedVelocity(), np.random.default_rng(4)
    force = ForceSum(log)
    under_test, errors, sigmas = AccelerationFilter(force), [], []
    per_frame = round(FRAME_S / SAMPLE_S)
    for k in range(int(duration_s / FRAME_S)):
        t = (k * per_frame + np.arange(per_frame)) * SAMPLE_S
        batch = samples(t, accelerometer=accelerometer, arm_m=arm_m)
        log.append(batch)
        force.add(batch)
        first, second = t[0] - 2 * FRAME_S, t[0] - FRAME_S
        if first < 0:
            continue
        middle = 0.5 * (first + second)
        _, guess = expected.at(middle) or (None, None)
        found = under_test.between(first, second, guess)
        speed = velocity(middle) + noise_m_s * rng.normal(size=3)
        under_test.observe(middle, speed)
        expected.add(middle, speed)
        errors.append(found.vector_m_s2 - acceleration(middle))
        sigmas.append(found.sigma_m_s2)
    half = len(errors) // 2
    return np.array(errors[half:]), np.array(sigmas[half:])


def test_an_accelerometer_tells_it_whatever_its_bias() -> None:
    # Exact truth. The bias turns with the body by a quarter turn a second about its axis, of 0.13 m/s^2, with 3 s of
    # averaging behind it: what is left of it is below it. Without the averaged offset gravity and bias would be left.
    error, sigma = followed(accelerometer=True)
    assert np.sqrt(np.mean(error**2)) < 0.1
    assert np.sqrt(np.mean(error**2)) == pytest.approx(sigma.mean(), rel=0.5)


def test_without_one_the_speeds_tell_it_later() -> None:
    # Closed form of the lag: 1.8 m/s^2 of amplitude at 0.7 Hz, some 2.5 frames late, is off by 2 pi 0.7 * 0.04 = 18 %.
    error, sigma = followed(accelerometer=False)
    size = np.sqrt(np.mean(acceleration(np.arange(0, 8, FRAME_S)) ** 2))
    assert 0.05 * size < np.sqrt(np.mean(error**2)) < 0.25 * size
    assert np.sqrt(np.mean(error**2)) == pytest.approx(sigma.mean(), rel=0.5)


def test_an_accelerometer_that_swings_is_outvoted() -> None:
    # 5 cm off the origin of a craft that rocks: 5 m/s^2 that the pictures know nothing of.
    alone, _ = followed(accelerometer=False)
    error, _ = followed(accelerometer=True, arm_m=0.05)
    assert np.sqrt(np.mean(error**2)) == pytest.approx(np.sqrt(np.mean(alone**2)), rel=0.02)


def test_a_hole_forgets_where_gravity_was() -> None:
    log = RotationLog(Gyro())
    force = ForceSum(log)
    under_test = AccelerationFilter(force)
    for begin_s in (0.0, 1.0):
        batch = samples(begin_s + np.arange(0, 0.5, SAMPLE_S), accelerometer=True)
        log.append(batch)
        force.add(batch)
        assert under_test.between(begin_s + 0.3, begin_s + 0.3 + FRAME_S, None).sigma_m_s2 == 0.5  # the belief
        for k in range(20):
            under_test.between(begin_s + k * FRAME_S, begin_s + (k + 1) * FRAME_S, np.zeros(3))
            under_test.observe(begin_s + (k + 0.5) * FRAME_S, velocity(begin_s + (k + 0.5) * FRAME_S))
        known = under_test.between(begin_s + 0.35, begin_s + 0.35 + FRAME_S, None)
        np.testing.assert_allclose(known.vector_m_s2, acceleration(np.array(begin_s + 0.35 + 0.5 * FRAME_S)), atol=0.1)


# In the rows.


def swaying(**keys: object) -> Flight:
    """Forward and back by 1.2 m/s^2 at 0.8 Hz, over gravel at 1 m; rows of 14 ms."""

    def channels(t: np.ndarray) -> np.ndarray:
        still, way = np.zeros_like(t), 1.2 / (2 * np.pi * 0.8) ** 2 * np.sin(2 * np.pi * 0.8 * t)
        return np.column_stack([-way, 0.5 * way, still - 1.0, still, still, still])

    return flight(scene.from_function(channels, 4.0), attitude=scene.AttitudeErrors(noise_rad=1e-4), **keys)


def climb_for_acceleration(flown: Flight) -> float:
    """Signed slope of the down speed's error against the forward acceleration, s."""
    found = measured(flown)
    known, forward = found.time_s > 1.0, 1.2 * np.sin(2 * np.pi * 0.8 * found.time_s)
    error = found.error_m_s[known, 2] - found.error_m_s[known, 2].mean()
    return float(error @ forward[known] / (forward[known] @ forward[known]))


def test_speed_that_changes_is_no_climb(monkeypatch: pytest.MonkeyPatch) -> None:
    # Exact truth. Rows of 14 ms that see 1 m/s^2 show a stretch along the rows that reads as 5 mm/s of climb (measured with
    # the acceleration left out); known to a tenth, a tenth of that is left. Turned about it reads as twice as much.
    flown = swaying()
    assert abs(climb_for_acceleration(flown)) < 0.4e-3
    real = AccelerationFilter.between
    for factor, times in ((0.0, 1.0), (-1.0, 2.0)):

        def wrong(self: AccelerationFilter, *args: object, factor: float = factor) -> Acceleration:
            known = real(self, *args)  # type: ignore[arg-type]
            return replace(known, vector_m_s2=factor * known.vector_m_s2)

        monkeypatch.setattr(AccelerationFilter, "between", wrong)
        assert climb_for_acceleration(flown) == pytest.approx(times * 5e-3, rel=0.3)

"""Sensor logs against closed forms of the motion, with signs, clocks and failures."""

from __future__ import annotations

import numpy as np
import pytest

from flow.module import Gyro, Range
from flow.scene import AttitudeErrors, ImuErrors, Patch, RangeErrors, gusts, sound_speed_m_s, straight
from flow.scene.sensors import sense_attitude, sense_range, sense_turn
from tests.flow.scene.grounds import plain

QUIET = Range(noise_m=0.0, min_m=0.05, max_m=20.0)
STEADY = RangeErrors(rate_hz=50)


def rng() -> np.random.Generator:
    return np.random.default_rng(11)


@pytest.mark.parametrize(
    # Dry air at 101.325 kPa, 343.2 sqrt(T / 293.15 K), as tabled with two decimals.
    ("celsius", "expected"),
    [(-20, 318.93), (0, 331.29), (10, 337.30), (20, 343.20), (30, 349.00), (40, 354.71)],
)
def test_speed_of_sound(celsius: float, expected: float) -> None:
    assert sound_speed_m_s(celsius) == pytest.approx(expected, abs=0.005)
    # Ideal diatomic gas, sqrt(1.4 R T / M) with CODATA R and the standard atmosphere's M: 0.05 % apart.
    ideal = np.sqrt(1.4 * 8.314462618 * (celsius + 273.15) / 0.0289644)
    assert sound_speed_m_s(celsius) == pytest.approx(ideal, rel=5e-4)


def test_gyro_shows_rate_bias_and_noise() -> None:
    motion = straight(40, height_m=1) + gusts(40, seed=1)
    gyro = Gyro(bias_rad_s=(0.01, -0.02, 0.03), noise_rad_s_rthz=(1e-4, 2e-4, 4e-4))
    log = sense_turn(motion, (0, 40), 5.0, gyro, ImuErrors(rate_hz=400), rng())
    error = log.rate_rad_s - motion.rate_body(log.time_s - 5.0)
    assert len(error) == 16001
    # White noise of density N sampled at f has sigma N sqrt(f); 16001 samples know it to 0.56 %: three times.
    np.testing.assert_allclose(error.std(axis=0), np.array([1e-4, 2e-4, 4e-4]) * 20, rtol=0.017)
    # The mean of them is known to sigma / 126.
    np.testing.assert_allclose(error.mean(axis=0), gyro.bias_rad_s, atol=2.5e-4)
    assert log.accel_m_s2 is not None


def test_gyro_bias_walks_as_a_random_walk() -> None:
    motion = straight(100, height_m=1)
    gyro = Gyro(noise_rad_s_rthz=0.0)
    ends = [
        sense_turn(
            motion,
            (0, 100),
            0,
            gyro,
            ImuErrors(rate_hz=10, bias_walk_rad_s_rts=1e-3),
            np.random.default_rng(k),
        ).rate_rad_s[-1]
        for k in range(60)
    ]
    # After 100 s: 1e-3 * sqrt(100); 180 ends know it to 5 %.
    assert np.std(ends) == pytest.approx(1e-2, rel=0.16)


def test_accelerometer_reads_minus_g_at_rest() -> None:
    errors = ImuErrors(rate_hz=100, accel_noise_m_s2_rthz=1e-3, accel_bias_m_s2=(0.1, -0.2, 0.05))
    log = sense_turn(straight(10, height_m=1), (0, 10), 0, Gyro(), errors, rng())
    assert log.accel_m_s2 is not None
    # Noise 0.01 over 1001 samples: 3e-4.
    np.testing.assert_allclose(log.accel_m_s2.mean(axis=0), [0.1, -0.2, 0.05 - 9.80665], atol=1.5e-3)
    assert log.accel_m_s2.std(axis=0) == pytest.approx(np.full(3, 0.01), rel=0.07)


@pytest.mark.parametrize(("beam", "expected"), [("wide", 2.0), ("narrow", 2.0 / (np.cos(0.2) * np.cos(0.1)))])
def test_range_by_beam(beam: str, expected: float) -> None:
    motion = straight(1, height_m=2, roll_rad=0.2, pitch_rad=0.1, yaw_rad=1)
    sensor = QUIET.model_copy(update={"beam": beam})
    log = sense_range(motion, (0, 1), 0, sensor, STEADY, (), rng())
    np.testing.assert_allclose(log.range_m, expected, atol=1e-12)


def test_range_from_where_the_sensor_sits() -> None:
    # 0.1 m ahead and 0.03 below, nose up by 0.3: height less the arm's own drop.
    motion = straight(1, height_m=1, pitch_rad=0.3)
    sensor = QUIET.model_copy(update={"position_m": (0.1, 0.0, 0.03)})
    log = sense_range(motion, (0, 1), 0, sensor, STEADY, (), rng())
    np.testing.assert_allclose(log.range_m, 1 + 0.1 * np.sin(0.3) - 0.03 * np.cos(0.3), atol=1e-12)


def test_range_scale_offset_noise_and_limits() -> None:
    motion = straight(200, height_m=0.6, climb_m_s=0.02)  # 0.6 to 4.6 m
    sensor = Range(scale=1.02, offset_m=-0.05, noise_m=0.02, min_m=1.0, max_m=4.0)
    log = sense_range(motion, (0, 200), 0, sensor, STEADY, (), rng())
    distance = sensor.scale * log.range_m + sensor.offset_m
    true = 0.6 + 0.02 * log.time_s
    error = (distance - true)[(true > 1.1) & (true < 3.9)]
    assert error.std() == pytest.approx(0.02, rel=0.03)  # 7000 readings know it to 0.85 %
    assert error.mean() == pytest.approx(0, abs=1e-3)
    assert np.isnan(log.range_m[(true < 0.9) | (true > 4.1)]).all()
    assert not np.isnan(log.range_m[(true > 1.1) & (true < 3.9)]).any()


def test_range_clock() -> None:
    # Climbing 1 m/s: a stamp that is 0.25 s behind the motion's clock tells by 0.25 m.
    motion = straight(2, height_m=1, climb_m_s=1)
    log = sense_range(motion, (0, 2), -0.25, QUIET, STEADY, (), rng())
    np.testing.assert_allclose(log.range_m, 1 + (log.time_s + 0.25), atol=1e-9)


@pytest.mark.parametrize("celsius", [-10.0, 35.0])
def test_ultrasound_in_other_air(celsius: float) -> None:
    sensor = QUIET.model_copy(update={"assumed_air_temperature_c": 20.0})
    errors = RangeErrors(rate_hz=50, air_temperature_c=celsius)
    log = sense_range(straight(1, height_m=2), (0, 1), 0, sensor, errors, (), rng())
    # Warm air is fast: the echo returns early and the sensor reads short.
    expected = 2 * np.sqrt(293.15 / (celsius + 273.15))
    np.testing.assert_allclose(log.range_m, expected, rtol=1e-12)
    assert log.air_temperature_c is not None
    np.testing.assert_array_equal(log.air_temperature_c, celsius)
    unstated = sense_range(straight(1, height_m=2), (0, 1), 0, QUIET, errors, (), rng())
    np.testing.assert_allclose(unstated.range_m, expected, rtol=1e-12)  # a wide beam is sound, made for 20 degrees C
    for light in ({"beam": "narrow"}, {"air_dependent": False}):
        log = sense_range(straight(1, height_m=2), (0, 1), 0, QUIET.model_copy(update=light), errors, (), rng())
        np.testing.assert_allclose(log.range_m, 2, rtol=1e-12)


def test_range_failures_have_their_shares() -> None:
    errors = RangeErrors(rate_hz=100, stray_share=0.1, multiple_share=0.05, dropout_share=0.2, logs_temperature=False)
    log = sense_range(straight(100, height_m=3), (0, 100), 0, QUIET, errors, (), rng())
    assert log.air_temperature_c is None
    # 10001 readings: a share of 0.2 is known to 0.004.
    assert np.isnan(log.range_m).mean() == pytest.approx(0.2, abs=0.012)
    assert np.isclose(log.range_m, 6).mean() == pytest.approx(0.05, abs=0.007)
    strays = log.range_m[log.range_m < 2.999]
    assert len(strays) / len(log.range_m) == pytest.approx(0.1, abs=0.01)
    assert 0.05 <= strays.min() < 0.2
    assert strays.mean() == pytest.approx((3 + 0.05) / 2, abs=0.09)


def test_table_top_shortens_the_range() -> None:
    table = Patch(centre_m=(1.0, 0.0), size_m=(1.0, 1.0), ground=plain(100), height_m=0.4)
    motion = straight(4, height_m=1.5, speed_m_s=0.5)  # over the table from 0.5 to 1.5 m: 1 s to 3 s
    log = sense_range(motion, (0, 4), 0, QUIET, STEADY, (table,), rng())
    over = (log.time_s > 1.01) & (log.time_s < 2.99)
    np.testing.assert_allclose(log.range_m[over], 1.1, atol=1e-9)
    np.testing.assert_allclose(log.range_m[(log.time_s < 0.99) | (log.time_s > 3.01)], 1.5, atol=1e-9)


def test_attitude_log() -> None:
    motion = straight(20, height_m=1, roll_rad=0.1, pitch_rad=-0.2, yaw_rate_rad_s=1)
    log = sense_attitude(motion, (0, 20), 3.0, AttitudeErrors(noise_rad=2e-3, bias_rad=(0.01, -0.02)), rng())
    assert log.time_s[0] == 3.0
    # 2001 readings: the mean to 4.5e-5, the scatter to 1.6 %.
    assert log.roll_rad.mean() == pytest.approx(0.11, abs=1.4e-4)
    assert log.pitch_rad.mean() == pytest.approx(-0.22, abs=1.4e-4)
    assert log.roll_rad.std() == pytest.approx(2e-3, rel=0.05)

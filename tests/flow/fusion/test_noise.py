"""How noisy sensors and rows are found to be, against noise of known density."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from flow.fusion import InertialNoise
from flow.fusion.fuse import slower
from flow.fusion.noise import shown_noise
from flow.fusion.pictures import PICTURE_SHARE
from flow.fusion.rawspeed import RawSpeed
from flow.series import GyroSamples
from tests.flow.fusion.flown import FRAME_S, MODULE, NOISE, fly, fuse, hover


@pytest.mark.parametrize("density", [1e-3, 4e-3])
@pytest.mark.parametrize("rate_hz", [200.0, 1000.0])
def test_noise_of_the_accelerometer_shows_through_a_flight(density: float, rate_hz: float) -> None:
    # White noise of known density on exact specific force in gusts. 8 %: the median of stretches of a quarter second at
    # 200 Hz (some 50 independent differences and three axes each) lies 2 % below the mean, and motion of 2.5 Hz leaves
    # (2 pi 2.5 / 200)^3 of 1 m/s2 in a third difference, nothing.
    flown = fly(hover(6.0, 1), 1, noise=replace(NOISE, accel_m_s2_rthz=density), rate_hz=rate_hz)
    assert shown_noise(flown.gyro) == pytest.approx(density, rel=0.08)


def test_noise_is_raised_to_what_shows_and_never_lowered() -> None:
    usual = InertialNoise.of(MODULE)
    loud = fly(hover(4.0, 1), 1, noise=replace(NOISE, accel_m_s2_rthz=8e-3))
    quiet = fly(hover(4.0, 1), 1, noise=replace(NOISE, accel_m_s2_rthz=2e-4))
    assert usual.raised_by(loud.gyro).accel_m_s2_rthz == pytest.approx(8e-3, rel=0.08)
    assert usual.raised_by(loud.gyro).raised
    assert usual.raised_by(quiet.gyro) == usual


def test_a_knock_is_no_noise() -> None:
    flown = fly(hover(4.0, 1), 1)
    assert flown.gyro.accel_m_s2 is not None
    force = flown.gyro.accel_m_s2.copy()
    force[600:620] += np.random.default_rng(0).normal(0, 50, (20, 3))
    assert shown_noise(replace(flown.gyro, accel_m_s2=force)) == pytest.approx(shown_noise(flown.gyro), rel=0.02)


def test_a_fast_log_is_averaged_and_keeps_its_noise_density() -> None:
    # Closed form: the mean of eight samples at 8 kHz has the density of one at 1 kHz; means in time stay means.
    rng, count = np.random.default_rng(3), 16003
    time_s = np.arange(count) / 8000
    samples = GyroSamples(
        time_s=time_s,
        rate_rad_s=rng.normal(0, 1e-4 * np.sqrt(8000), (count, 3)) + time_s[:, None],
        accel_m_s2=rng.normal(0, 2e-3 * np.sqrt(8000), (count, 3)) + np.array([0.0, 0.0, -9.8]),
    )
    found = slower(samples)
    assert len(found.time_s) == 2000
    np.testing.assert_allclose(np.diff(found.time_s), 1e-3, rtol=1e-9)
    # 2000 samples know a sigma to 1.6 %, three axes to 0.9 %.
    off = found.rate_rad_s - found.time_s[:, None]
    assert off.std() * np.sqrt(1e-3) == pytest.approx(1e-4, rel=0.04)
    assert shown_noise(found) == pytest.approx(2e-3, rel=0.05)


def test_a_slow_log_is_left_as_it_is() -> None:
    flown = fly(hover(1.0, 1), 1)
    assert slower(flown.gyro) is flown.gyro


@pytest.mark.parametrize("image_m_s", [1e-5, 1e-3, 3.5e-3])
def test_noise_density_and_correlation_of_the_raw_rows(image_m_s: float) -> None:
    # Closed form: the gyro's white noise at 1 m is a velocity of density 1.2e-4 m/s/rtHz, new in every row; of the image
    # variance PICTURE_SHARE is each picture's and cancels between neighbours, the rest stays. 12 %: 4 flights of 10 s and two
    # axes are 4600 rows, whose covariances at two lags are known to 2 % of the variance each: a tenth of what is left of
    # the largest. Correlations to 0.1: the smoother's memory is put back by that of its mean density.
    gyro2, image2 = NOISE.gyro_rad_s_rthz[0] ** 2, image_m_s**2
    variance = gyro2 / FRAME_S + image2
    densities, sigmas, correlations = [], [], []
    for seed in range(4):
        flown = fly(hover(10.0, seed), seed, image_m_s=(image_m_s, image_m_s, 3e-3), drift_m_s=1e-5)
        raw, run = RawSpeed(0.014), fuse(flown)
        for row in flown.rows:
            raw.add(row)
        for part in run.smoothed:
            raw.compare(part)
        facts = raw.as_dict()
        for axis in ("forward", "right"):
            densities.append(facts["noise_density_m_s_rthz"][axis])
            sigmas.append(facts["sigma_m_s"][axis])
            correlations.append(facts["correlation_of_rows"][axis])
        assert facts["delay_s"] == pytest.approx(0.5 * FRAME_S + 0.007, abs=1e-5)
    assert np.mean(densities) == pytest.approx(np.sqrt(gyro2 + (1 - 2 * PICTURE_SHARE) * image2 * FRAME_S), rel=0.12)
    assert np.mean(sigmas) == pytest.approx(np.sqrt(variance), rel=0.03)
    np.testing.assert_allclose(np.mean(correlations, axis=0), [-PICTURE_SHARE * image2 / variance, 0.0, 0.0], atol=0.1)


def test_a_handful_of_rows_say_nothing() -> None:
    assert RawSpeed(0.0).as_dict()["noise_density_m_s_rthz"] is None

"""The filter on flights of known noise: as good as a closed form allows, and as honest as chi-square wants it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest

from flow.fusion import ImageRow, pictures
from flow.series import GyroSamples
from tests.flow.fusion.checks import QUANTITIES, SEEDS, flown, fused, state_sums, within
from tests.flow.fusion.flown import NOISE, Array, Flown, Run, errors, fly, fuse, hover


@pytest.mark.parametrize("kind", ["smoothed", "causal"])
def test_errors_of_the_state_are_as_large_as_it_says(kind: str) -> None:
    # Chi-square over 20 flights at four moments each: velocity, tilt, height and biases against exact truth. Tilt and
    # biases are compared by their own sigmas alone, whose squares, being correlated, only scatter more; the two tilts and
    # the two accelerometer biases they go with are nearly uncorrelated with each other.
    sums = state_sums(fused, lambda run: [p.states for p in run.smoothed] if kind == "smoothed" else run.causal)
    for name, size in QUANTITIES.items():
        assert within(sums[name], size * len(SEEDS)), (name, sums[name] / (size * len(SEEDS)))


def innovations(run_of: Callable[[int], Run], seeds: Sequence[int] = SEEDS) -> list[Array]:
    """Normalised innovations of each flight after the first second."""
    return [run_of(seed).innovations_after(60) for seed in seeds]


def honest(found: list[Array]) -> bool:
    """Whether the innovations are as large as they should be: chi-square of 18,000 components, 5 % either way."""
    joined = np.concatenate(found)
    return within(np.array([np.square(joined).sum()]), joined.size)


def fresh(found: list[Array]) -> bool:
    """Whether they have nothing to do with those of the row before: of 18,000 products of unit normals, 4.4 sigma."""
    product = np.concatenate([(one[1:] * one[:-1]).ravel() for one in found])
    return bool(abs(product.mean()) < 4.4 / np.sqrt(len(product)))


def test_innovations_are_as_large_as_they_say_and_new() -> None:
    found = innovations(fused)
    assert honest(found), np.mean([np.square(one).mean() for one in found])
    assert fresh(found), np.mean([(one[1:] * one[:-1]).mean() for one in found])


def test_a_forgotten_common_picture_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    # The mutation: the error of a row taken for its own, white from row to row. Neighbours then contradict each other.
    monkeypatch.setattr(pictures, "PICTURE_SHARE", 1e-6)
    assert not fresh(innovations(lambda seed: fuse(flown(seed), smooth=False), SEEDS[:6]))


def turned_gyro(samples: GyroSamples) -> GyroSamples:
    return replace(samples, rate_rad_s=-samples.rate_rad_s)


def swapped(samples: GyroSamples) -> GyroSamples:
    assert samples.accel_m_s2 is not None
    return replace(samples, accel_m_s2=samples.accel_m_s2[:, [1, 0, 2]])


@pytest.mark.parametrize("spoil", [turned_gyro, swapped])
def test_wrong_samples_show_in_the_innovations(spoil: Callable[[GyroSamples], GyroSamples]) -> None:
    # Mutations: the gyro's sign, two axes of the accelerometer swapped.
    found = innovations(lambda seed: fuse(replace(flown(seed), gyro=spoil(flown(seed).gyro)), smooth=False), SEEDS[:4])
    assert not honest(found)


def test_wrong_gravity_shows_in_the_bias() -> None:
    # 3 % of gravity, ten times what latitude explains, is a bias of 0.29 m/s2 where 0.08 is one sigma.
    def run(seed: int) -> Run:
        gyro = flown(seed).gyro
        assert gyro.accel_m_s2 is not None
        heavy = gyro.accel_m_s2 * np.array([1.0, 1.0, 1.03])
        return fuse(replace(flown(seed), gyro=replace(gyro, accel_m_s2=heavy)), smooth=False)

    sums = state_sums(run, lambda one: one.causal)
    assert not within(sums["accel_bias"], 3 * len(SEEDS)), sums["accel_bias"]


def test_the_gyros_noise_leans_the_tilt_and_shifts_the_picture_at_once() -> None:
    # With an accelerometer that is nearly free of noise what is left is the gyro's, once in the rows and once in the tilt:
    # the same noise. Taken for two, or with the wrong sign, innovations are 8 % too large or stay alike from row to row.
    still = replace(NOISE, accel_m_s2_rthz=5e-5, accel_scale_sigma=0.0, gyro_rad_s_rthz=(4e-4,) * 3)
    quiet = {"noise": still, "image_m_s": (1e-4, 1e-4, 1e-3), "drift_m_s": 1e-5}
    found = [fuse(fly(hover(6.5, seed), seed, **quiet), still, smooth=False).innovations_after(60) for seed in range(8)]
    assert honest(found), np.mean([np.square(one).mean() for one in found])
    assert fresh(found), np.mean([(one[1:] * one[:-1]).mean() for one in found])


# Hover: how good.

STEADY = replace(NOISE, gyro_bias_sigma_rad_s=(1e-6,) * 3, gyro_bias_walk_rad_s_rts=1e-9, accel_bias_walk_m_s2_rts=1e-9)


def test_the_error_is_what_a_closed_form_gives() -> None:
    # Pictures nearly free of noise: what is left in a row is the gyro's white noise times the height, a velocity of density
    # r = 1.2e-4 m/s/rtHz, and the accelerometer carries on with q = 2e-3 m/s^2/rtHz. A random walk seen in white noise:
    # the filter's variance is q r, the smoother's q r / 2 (Anderson and Moore 1979, continuous steady state). The tilt that
    # the gyro's noise leans adds little within q's and r's time, r / q = 0.06 s. 12 %: 4 flights of 7 s hold 450 such times
    # and two axes, 3.5 % of a sigma, and there is the slow part of tilt and bias, some 5 %.
    q, r = STEADY.accel_m_s2_rthz, STEADY.gyro_rad_s_rthz[0] * 1.0
    causal, smooth = [], []
    for seed in range(4):
        flight = fly(hover(8.0, seed), seed, noise=STEADY, image_m_s=(1e-5, 1e-5, 1e-3), drift_m_s=1e-6)
        run = fuse(flight, STEADY)
        found = [errors(flight, state)["velocity"][0, :2] for state in run.causal[60:]]
        causal.append(np.square(found).mean())
        smooth.append(
            np.mean([np.square(errors(flight, p.states)["velocity"][400:-200, :2]).mean() for p in run.smoothed])
        )
    assert np.sqrt(np.mean(causal)) == pytest.approx(np.sqrt(q * r), rel=0.12)
    assert np.sqrt(np.mean(smooth)) == pytest.approx(np.sqrt(q * r / 2), rel=0.12)


def test_a_hover_in_gusts_is_known_three_times_as_well_as_by_rows() -> None:
    # Rows of 3.5 mm/s as on H.264 video from 1 m (the sample flight's), errors shared between neighbours.
    raw, smooth = [], []
    for seed in range(4):
        flight = fly(hover(8.0, seed), seed, image_m_s=(3.5e-3, 3.5e-3, 6e-3))
        run = fuse(flight)
        raw.append(np.mean([np.square(row_error(flight, row)) for row in flight.rows[60:]], axis=0))
        smooth.append(np.mean(np.square(errors(flight, run.smoothed[0].states)["velocity"][400:]), axis=0))
    ratio = np.sqrt(np.mean(smooth, axis=0) / np.mean(raw, axis=0))
    assert (ratio <= 1 / 3).all(), ratio


def row_error(flight: Flown, row: ImageRow) -> Array:
    assert row.velocity_m_s is not None
    t = np.linspace(row.start_s, row.end_s, 9)
    return np.asarray(row.velocity_m_s - flight.motion.level_velocity(t).mean(axis=0))

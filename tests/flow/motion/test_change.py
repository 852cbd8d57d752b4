"""The change of velocity over several pairs: against exact synthetic truth, and its covariance against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from flow.force_sum import ForceSum
from flow.motion import layout as at
from flow.motion.change import Change, Leftover, change
from flow.rotation import RotationLog
from flow.series import GyroSamples
from tests.flow.motion.flown import FRAME_S, GRAVITY_M_S2, SAMPLE_S, Craft, Run, module

PAIRS = 8
KNOWN = Leftover(variance_m2_s4=0.0, lasts_s=0.7)
MIDDLES_S = FRAME_S * 0.5 * np.arange(1, PAIRS)  # from the middle of baselines of 2, 3 ... pairs to that of the newest


def flown(craft: Craft) -> tuple[Run, np.ndarray]:
    """Feed samples; give the run, and the last frames (PAIRS + 1,)."""
    run = Run(module())
    *_, (_, last_s) = run.pairs(craft, 2.0)
    return run, last_s + FRAME_S * np.arange(-PAIRS, 1)


def true_change(run: Run, craft: Craft, frames_s: np.ndarray) -> np.ndarray:
    """Of the mean velocity (PAIRS - 1, 3), each mean in the local inertial frame as the gyro has it in its middle."""

    def mean(first_s: float, second_s: float) -> np.ndarray:
        return run.still(craft, 0.5 * (first_s + second_s)).apply(craft.mean_velocity(first_s, second_s))

    newest = mean(frames_s[-2], frames_s[-1])
    return np.array([newest - mean(frames_s[-1 - m], frames_s[-1]) for m in range(2, PAIRS + 1)])


@pytest.mark.parametrize(
    "craft",
    [
        Craft(),
        Craft(accel_bias_m_s2=np.array([0.6, -0.8, 0.5]), yaw_rad_s=2.0),
        Craft(cruise_m_s=np.array([6.0, 2.0, 0.0]), gyro_bias_rad_s=np.array([4e-3, -2e-3, 6e-3])),
    ],
)
def test_at_the_true_state_the_change_is_that_of_the_craft(craft: Craft) -> None:
    # Exact truth. Trapezia of 400 samples a second under rocking leave 0.1 mm/s, and so does a velocity that changes by 0.2 m/s
    # while the frame turns by 0.5 mrad. The accelerometer's bias left out makes 80 mm/s, the gyro's 3 mm/s.
    run, frames_s = flown(craft)
    middle_s = 0.5 * (frames_s[-2] + frames_s[-1])
    still, x = run.still(craft, middle_s), np.zeros(at.STATES)
    x[at.VELOCITY] = still.apply(craft.mean_velocity(frames_s[-2], frames_s[-1]))
    x[at.GRAVITY] = still.apply(GRAVITY_M_S2)
    x[at.ACCEL_BIAS], x[at.GYRO_BIAS] = craft.accel_bias_m_s2, craft.gyro_bias_rad_s
    told = change(x, np.zeros((at.STATES, at.STATES)), frames_s, run.rotations, run.force, KNOWN)
    assert told is not None
    truth = true_change(run, craft, frames_s)
    assert np.abs(truth).max() > 0.03
    np.testing.assert_allclose(told.vector_m_s, truth, atol=2e-4)


def spread(P: np.ndarray, yaw_rad_s: float = 0.0) -> Change:
    """Change at a covariance of a craft that turns on the spot."""
    run, frames_s = flown(Craft(sways=0.0, yaw_rad_s=yaw_rad_s))
    told = change(np.zeros(at.STATES), P, frames_s, run.rotations, run.force, KNOWN)
    assert told is not None
    return told


def test_gravity_that_is_not_known_adds_its_own() -> None:
    # Closed form: sigma times the time between the middles. Samples without noise, rocking, add 1 % by how they differ.
    P = np.zeros((at.STATES, at.STATES))
    P[at.GRAVITY, at.GRAVITY] = 0.3**2 * np.eye(3)
    for told, since_s in zip(spread(P).covariance_m2_s2, MIDDLES_S, strict=True):
        np.testing.assert_allclose(told, (0.3 * since_s) ** 2 * np.eye(3), rtol=0.05, atol=0.05 * (0.3 * since_s) ** 2)


def test_the_attitude_turns_the_bias() -> None:
    # Closed form: rows know gravity less bias to next to nothing, neither alone. Of a body that yaws by 8 rad/s the bias stood
    # 8 rad/s x t otherwise: its part is sigma x |integral of w (1 - exp(i 8 t))|, w the triangle.
    yaw_rad_s, sigma = 8.0, 0.08
    run, frames_s = flown(Craft(sways=0.0, yaw_rad_s=yaw_rad_s))
    R = run.rotations.matrices(np.array([0.5 * (frames_s[-2] + frames_s[-1])]))[0]
    P = np.zeros((at.STATES, at.STATES))
    P[at.GRAVITY, at.GRAVITY] = P[at.ACCEL_BIAS, at.ACCEL_BIAS] = sigma**2 * np.eye(3)
    P[at.GRAVITY, at.ACCEL_BIAS], P[at.ACCEL_BIAS, at.GRAVITY] = sigma**2 * R, sigma**2 * R.T
    told = spread(P, yaw_rad_s).covariance_m2_s2[-1]
    back_s = np.linspace(0, PAIRS * FRAME_S, 4001)
    w = np.minimum(back_s / FRAME_S, 1.0) - back_s / back_s[-1]
    parted = np.trapezoid(w * (1 - np.exp(1j * yaw_rad_s * (back_s - 0.5 * FRAME_S))), back_s)
    level = 0.5 * (np.trace(told) - told[2, 2])
    assert level == pytest.approx((sigma * abs(parted)) ** 2, rel=0.1)  # the rocking of 0.1 rad turns it, too
    assert told[2, 2] < 0.05 * level


def test_the_noise_of_the_force_is_that_of_its_samples() -> None:
    # Monte-Carlo: white noise of 400 samples a second, 0.1 m/s^2/rtHz; 300 draws of three axes know a variance to 5 %; corners
    # of w that fall between samples, a tenth of a frame apart, make 10 %. After 6 s the noise has been learnt.
    rng, frames_s, said, errors = np.random.default_rng(3), 6.0 - FRAME_S * np.arange(PAIRS, -1.0, -1.0), [], []
    for _ in range(300):
        rotations = RotationLog(module().gyro)
        force, time_s = ForceSum(rotations), SAMPLE_S * np.arange(2401)
        samples = GyroSamples(
            time_s=time_s, rate_rad_s=np.zeros((2401, 3)), accel_m_s2=rng.normal(0, 0.1 / np.sqrt(SAMPLE_S), (2401, 3))
        )
        rotations.append(samples)
        force.add(samples)
        told = change(np.zeros(at.STATES), np.zeros((at.STATES, at.STATES)), frames_s, rotations, force, KNOWN)
        assert told is not None
        errors.append(told.vector_m_s)
        said.append(told.covariance_m2_s2.diagonal(axis1=1, axis2=2))
    found = np.mean(np.square(errors), axis=(0, 2)) / np.mean(said, axis=(0, 2))
    np.testing.assert_allclose(found, 1.0, atol=0.2)


def test_what_the_force_leaves_is_known_less_and_less_back_in_time() -> None:
    # Monte-Carlo: a Gauss-Markov process whose newest value is known. 4000 draws know a variance to 2 %; one value for each pair,
    # an eighth of how long it lasts, leaves out a few per cent of what happens within.
    lasts_s, sigma, step_s = 0.2, 0.5, FRAME_S / 40
    rng, steps, kept = np.random.default_rng(6), PAIRS * 40, np.exp(-FRAME_S / 40 / 0.2)
    first = rng.normal(0, sigma, (4000, 1))
    fresh = np.hstack([first, rng.normal(0, sigma * np.sqrt(1 - kept**2), (4000, steps - 1))])
    process = lfilter([1.0], [1.0, -kept], fresh, axis=1)
    back_s = (np.arange(steps)[::-1] + 0.5) * step_s
    w = np.minimum(back_s / FRAME_S, 1.0) - back_s / (PAIRS * FRAME_S)
    newest = process[:, -20]
    known = step_s * newest * (w @ np.exp(-np.abs(back_s - 0.5 * FRAME_S) / lasts_s))
    true = float(np.var(step_s * process @ w - known))
    run, frames_s = flown(Craft(sways=0.0))
    nothing = np.zeros(at.STATES), np.zeros((at.STATES, at.STATES)), frames_s, run.rotations, run.force
    with_it, without = (
        change(*nothing, Leftover(variance_m2_s4=variance, lasts_s=lasts_s)) for variance in (sigma**2, 0.0)
    )
    assert with_it is not None and without is not None
    said = with_it.covariance_m2_s2[-1, 0, 0] - without.covariance_m2_s2[-1, 0, 0]
    assert said == pytest.approx(true, rel=0.15)


def test_no_change_is_told_without_a_force() -> None:
    run, frames_s = Run(module()), np.zeros(2)
    for first_s, second_s in run.pairs(Craft(), 1.0, accelerometer=False):
        frames_s = np.array([first_s - FRAME_S, first_s, second_s])
    assert run.filter.change(frames_s) is None
    run, frames_s = flown(Craft())
    assert run.filter.change(np.linspace(frames_s[-1] - 1.5, frames_s[-1], 61)) is None  # longer ago than it is kept
    assert run.filter.change(frames_s) is not None

"""The filter of what moves against exact synthetic truth: errors, their sigmas, and what happens when something fails."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from flow.motion import layout as at
from flow.motion.motion_filter import FRAME_SHARE
from flow.series import GyroSamples
from tests.flow.motion.flown import FRAME_S, SAMPLE_S, Craft, Run, module

SIGMA_M_S = 2e-3
STRAYS_RAD_S = 1e-3  # of a gyro's bias, whatever the module file says


def tilt_error(run: Run, craft: Craft, time_s: float) -> tuple[np.ndarray, float]:
    """Signed small turn (3,), body axes, from the true direction down to that told, and the sigma told."""
    known = run.filter.tilt(time_s)
    assert known is not None
    down = craft.attitude(np.array([time_s]))[0].inv().apply([0.0, 0.0, 1.0])
    return np.cross(down, known.down_body), known.sigma_rad


def followed(
    craft: Craft, *, duration_s: float = 6.0, rows: bool = True, noise_m_s: float = 0.0, accelerometer: bool = True
) -> dict[str, np.ndarray]:
    """Feed a flight; give, pair by pair, errors of what is told before the row: velocity, acceleration, tilt."""
    run, rng = Run(module()), np.random.default_rng(4)
    told: dict[str, list[np.ndarray | float]] = {name: [] for name in ("time", "velocity", "acceleration", "tilt")}
    sigmas: dict[str, list[float]] = {"acceleration_sigma": [], "tilt_sigma": []}
    for first_s, second_s in run.pairs(craft, duration_s, accelerometer=accelerometer):
        middle_s = 0.5 * (first_s + second_s)
        still = run.still(craft, middle_s)
        velocity, acceleration = run.filter.velocity(), run.filter.acceleration(first_s, second_s)
        truth = still.apply(craft.mean_velocity(first_s, second_s))
        told["time"].append(middle_s)
        told["velocity"].append(np.full(3, np.nan) if velocity is None else velocity - truth)
        told["acceleration"].append(acceleration.vector_m_s2 - still.apply(craft.acceleration(np.array([middle_s]))[0]))
        sigmas["acceleration_sigma"].append(acceleration.sigma_m_s2)
        if accelerometer:
            error, sigma = tilt_error(run, craft, middle_s)
            told["tilt"].append(error)
            sigmas["tilt_sigma"].append(sigma)
        if rows:
            run.filter.update(run.row(craft, first_s, second_s, noise_m_s * rng.normal(size=3), SIGMA_M_S))
    return {name: np.array(values) for name, values in (told | sigmas).items()}


@pytest.mark.parametrize("angles", [(0.12, 0.0), (0.0, -0.09), (-0.07, 0.15)])
def test_a_constant_tilt_is_recovered_under_rocking(angles: tuple[float, float]) -> None:
    # Exact truth, rows without noise: gravity stands still in the local inertial frame. The first direction down is that of
    # the first force, off by the craft's acceleration, 1.6 m/s^2 over 9.8: 160 mrad. Rows take that out; the prior of 1 m/s^2
    # against what a second of rows tells, 30 mm/s^2 (the acceleration left over by the force), leaves a thousandth of it.
    craft = Craft(lean=Rotation.from_euler("ZYX", [0.4, angles[1], angles[0]]))
    found = followed(craft)
    assert np.abs(found["tilt"][0]).max() > 0.05
    np.testing.assert_allclose(found["tilt"][found["time"] > 1], 0, atol=5e-4)


def test_signs_of_the_recovered_tilt() -> None:
    # Closed form: leaning right (roll > 0) brings down toward body right; nose up (pitch > 0) toward the tail. The craft rests.
    for roll, pitch in [(0.12, 0.0), (0.0, 0.12)]:
        craft = Craft(sways=0.0, lean=Rotation.from_euler("ZYX", [0.0, pitch, roll]))
        run = Run(module())
        for _ in run.pairs(craft, 0.2):
            pass
        known = run.filter.tilt(0.0)
        assert known is not None
        np.testing.assert_allclose(known.down_body[:2], [-np.sin(pitch), np.sin(roll)], atol=1e-3)


def test_a_long_acceleration_does_not_look_like_a_tilt() -> None:
    # Exact truth: 2 m/s^2 for 3 s. Rows tell it from a tilt; that step of 2 m/s^2 falls between two samples, off by up to half
    # of one (2.5 mm/s). Without rows the push leans gravity (the mutation).
    craft = Craft(push_m_s2=np.array([2.0, 0.0, 0.0]), lean=Rotation.from_euler("ZYX", [0.0, -0.1, 0.05]))
    found = followed(craft)
    np.testing.assert_allclose(found["tilt"][found["time"] > 2], 0, atol=1e-3)
    untold = followed(craft, rows=False)
    assert np.abs(untold["tilt"][untold["time"] > 5]).max() > 0.02


def test_without_rows_the_sigma_covers_what_gusts_do() -> None:
    # Exact truth: the velocity sways by 0.5 m/s, a little more than the gusts that the filter allows for. Three sigma hold it.
    found = followed(Craft(), rows=False)
    assert (np.abs(found["tilt"]).max(axis=1) < 3 * found["tilt_sigma"]).all()
    # Held to what it was within 0.4 m/s twice a second, the velocity tells gravity in time: 0.02 rad after 5 s or better.
    assert found["tilt_sigma"][-1] < 0.03


@pytest.mark.parametrize("yaw_rad_s", [0.0, 0.5])
def test_the_accelerometer_tells_velocity_and_acceleration_whatever_its_bias(yaw_rad_s: float) -> None:
    # Exact truth, rows 2 mm/s off. Force less gravity and bias: their sum is known within a second, so what is told of the
    # acceleration is off by a few per cent of 1.6 m/s^2 sway, and the velocity by less than the row's own noise.
    craft = Craft(accel_bias_m_s2=np.array([0.08, -0.05, 0.1]), yaw_rad_s=yaw_rad_s)
    found = followed(craft, noise_m_s=SIGMA_M_S)
    late = found["time"] > 2
    assert np.sqrt(np.mean(found["velocity"][late] ** 2)) < 1.1 * SIGMA_M_S
    assert np.sqrt(np.mean(found["acceleration"][late] ** 2)) < 0.03
    assert found["acceleration_sigma"][late].mean() == pytest.approx(
        0.03, rel=0.5
    )  # what scale and lever arm may leave


def test_turning_tells_the_bias_from_gravity() -> None:
    # Closed form: what stands still in space is gravity, what turns with the body is bias. Half a turn and 8 s tell
    # the one from the other: better than a third of the 8 mrad that a bias of 0.08 m/s^2 leans a craft that does not turn by.
    bias = np.array([0.08, -0.05, 0.0])
    turning = followed(Craft(accel_bias_m_s2=bias, yaw_rad_s=0.6), duration_s=8.0)
    steady = followed(Craft(accel_bias_m_s2=bias), duration_s=8.0)
    size = np.linalg.norm(bias) / 9.80665
    assert np.linalg.norm(steady["tilt"][-1]) > 0.7 * size
    assert np.linalg.norm(turning["tilt"][-1]) < 0.33 * size
    assert turning["tilt_sigma"][-1] < 0.4 * steady["tilt_sigma"][-1]


def test_a_wrong_gyro_bias_is_learnt_with_its_sign() -> None:
    # Exact truth, 8 mrad/s that the module file knows nothing of: eight times what a bias is expected to stray by. The force
    # shows how gravity drifts in the frame that such a gyro turns; about the vertical, nothing shows it.
    bias = np.array([0.008, -0.006, 0.0])
    craft, run = Craft(gyro_bias_rad_s=bias), Run(module())
    for first_s, second_s in run.pairs(craft, 10.0):
        run.filter.update(run.row(craft, first_s, second_s, np.zeros(3), SIGMA_M_S))
    np.testing.assert_allclose(run.filter.x[at.GYRO_BIAS][:2], bias[:2], atol=0.2 * 0.008)
    error, _ = tilt_error(run, craft, second_s)
    assert np.abs(error).max() < 0.02  # gravity alone by this gyro: 10 mrad/s for 10 s


def test_without_an_accelerometer_rows_tell_the_acceleration_later() -> None:
    # Exact truth: a sway of 1.3 m/s^2 at 0.4 Hz and below, known some two frames late: 2 pi 0.4 Hz x 50 ms = 13 % of it.
    found = followed(Craft(), accelerometer=False, noise_m_s=1e-3)
    late = found["time"] > 2
    error = np.sqrt(np.mean(found["acceleration"][late] ** 2))
    size = np.sqrt(np.mean(Craft().acceleration(found["time"][late]) ** 2))
    assert error < 0.2 * size
    assert error < 2 * found["acceleration_sigma"][late].mean()


class Disturbed(Craft):
    """Its force lacks a Gauss-Markov part of the acceleration, as the filter allows for: 0.03 m/s^2, 0.7 s."""

    def samples(self, time_s: np.ndarray, **keys: Any) -> GyroSamples:
        """Give the craft's own, disturbed."""
        plain = Craft.samples(self, time_s, **keys)
        kept = np.exp(-SAMPLE_S / 0.7)
        white = np.sqrt(1 - kept**2) * 0.03 * keys["rng"].normal(size=(len(time_s), 3))
        before = getattr(self, "_left", 0.03 * keys["rng"].normal(size=3))
        left, _ = lfilter([1.0], [1.0, -kept], white, axis=0, zi=kept * before[None])
        self._left = left[-1]
        assert plain.accel_m_s2 is not None
        return replace(plain, accel_m_s2=plain.accel_m_s2 - self.attitude(time_s).inv().apply(left))


def whole_run(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Normalised squared errors of velocity and gravity (horizontal), at the end of a flight drawn from the filter's model."""
    rng = np.random.default_rng(seed)
    gyro_noise, gyro_bias, accel_noise, lasting_m_s, image_m_s, new_m_s = 2e-4, 1e-3, 0.02, 5e-3, 3e-3, 1e-3
    craft = Disturbed(
        cruise_m_s=rng.normal(size=3) * [1.0, 1.0, 0.1],
        lean=Rotation.from_rotvec(0.1 * rng.normal(size=3)),
        yaw_rad_s=0.3 * rng.normal(),
        accel_bias_m_s2=0.08 * rng.normal(size=3),
        gyro_bias_rad_s=np.hypot(gyro_bias, STRAYS_RAD_S) * rng.normal(size=3),
    )
    run = Run(module(gyro_bias, gyro_noise))
    lasting, last_frame = lasting_m_s * rng.normal(size=3), np.zeros(3)
    keys = {"noise": (gyro_noise, accel_noise), "rng": rng}
    for first_s, second_s in run.pairs(craft, rng.uniform(1.5, 4.0), **keys):
        kept = np.exp(-FRAME_S / 2.0)
        lasting = kept * lasting + np.sqrt(1 - kept**2) * lasting_m_s * rng.normal(size=3)
        frame = np.sqrt(FRAME_SHARE) * image_m_s * FRAME_S * rng.normal(size=3)
        last_frame = frame if first_s == 0 else last_frame
        rest = np.hypot(new_m_s, np.sqrt(1 - 2 * FRAME_SHARE) * image_m_s) * rng.normal(size=3)
        row = run.row(craft, first_s, second_s, lasting + (frame - last_frame) / FRAME_S + rest, new_m_s)
        last_frame = frame
        run.filter.update(replace(row, image_m2_s2=image_m_s**2 * np.eye(3), lasting_m2_s2=lasting_m_s**2 * np.eye(3)))
    still = run.still(craft, 0.5 * (first_s + second_s))
    x, P = run.filter.x, run.filter.P
    velocity = x[at.VELOCITY] - still.apply(craft.mean_velocity(first_s, second_s))
    across = still.as_matrix()[:, :2].T
    gravity = across @ (x[at.GRAVITY] - still.apply([0.0, 0.0, 9.80665]))
    spread = across @ P[at.GRAVITY, at.GRAVITY] @ across.T
    return velocity @ np.linalg.solve(P[at.VELOCITY, at.VELOCITY], velocity), gravity @ np.linalg.solve(spread, gravity)


def test_normalised_errors_are_those_of_chi_square() -> None:
    # Flights drawn from the model: biases, noise, lasting error, frames' errors, what the force leaves. The sum of squared
    # normalised errors of independent flights is chi-square, with 3 (velocity) and 2 (gravity) degrees of freedom each
    # (Bar-Shalom, Li and Kirubarajan 2001, section 5.4); beyond the bound on either side once in 1000.
    flights = 40
    velocity, gravity = np.array([whole_run(seed) for seed in range(flights)]).sum(axis=0)
    assert chi2.ppf(0.001, 3 * flights) < velocity < chi2.ppf(0.999, 3 * flights)
    assert chi2.ppf(0.001, 2 * flights) < gravity < chi2.ppf(0.999, 2 * flights)


# When something fails.


def settled(craft: Craft, duration_s: float = 2.0) -> Run:
    run = Run(module())
    for first_s, second_s in run.pairs(craft, duration_s):
        run.filter.update(run.row(craft, first_s, second_s, np.zeros(3), SIGMA_M_S))
    return run


def carried_on(run: Run, craft: Craft, from_s: float, to_s: float) -> list[tuple[float, float]]:
    """Feed samples on; give the pairs of frames that lie within them."""
    count = round((to_s - from_s) / SAMPLE_S)
    run.feed(craft.samples(from_s + np.arange(count) * SAMPLE_S))
    frames = np.arange(np.ceil(from_s / FRAME_S), np.floor((to_s - SAMPLE_S) / FRAME_S)) * FRAME_S
    return list(itertools.pairwise(frames))


def test_a_row_far_off_bends_nothing_and_many_are_believed() -> None:
    craft = Craft()
    run = settled(craft)
    off = np.array([0.5, 0.0, 0.0])
    missed = []
    for k, (first_s, second_s) in enumerate(carried_on(run, craft, 2.0, 2.4)):
        run.filter.predict(first_s, second_s)
        row = run.row(craft, first_s, second_s, off, SIGMA_M_S)
        before = run.filter.x.copy()
        run.filter.update(row)
        if k == 0:
            np.testing.assert_array_equal(run.filter.x[at.VELOCITY], before[at.VELOCITY])
        missed.append(run.filter.x[at.VELOCITY] + run.filter.x[at.LASTING] - row.velocity_m_s)
    assert np.abs(missed[3]).max() > 0.3  # of one honest row in 1000, four running: still by chance
    assert np.abs(missed[-1]).max() < 0.01


def test_a_row_bends_no_more_than_its_band_says() -> None:
    # Scalar closed form: gain below prior variance over the row's: (some mm/s)^2 over (0.5 m/s)^2, of half a metre a second.
    craft = Craft()
    run = settled(craft)
    (first_s, second_s), *_ = carried_on(run, craft, 2.0, 2.4)
    run.filter.predict(first_s, second_s)
    before = run.filter.x.copy()
    run.filter.update(run.row(craft, first_s, second_s, np.array([0.5, 0.0, 0.0]), 0.5))
    assert 0 < np.abs(run.filter.x - before)[at.VELOCITY].max() < 1e-4


def test_a_hole_of_the_gyro_forgets_where_down_was() -> None:
    craft = Craft(lean=Rotation.from_euler("ZYX", [0.0, 0.1, 0.0]))
    run = settled(craft)
    before = run.filter.tilt(1.9)
    assert before is not None and before.sigma_rad < 0.015
    turned = replace(craft, lean=Rotation.from_euler("ZYX", [0.0, -0.3, 0.2]))  # while nobody looked
    pairs = carried_on(run, turned, 2.3, 4.0)
    run.filter.predict(*pairs[0])
    known = run.filter.tilt(pairs[0][0])
    assert run.filter.velocity() is None
    assert known is not None and known.sigma_rad > 0.05
    for first_s, second_s in pairs:
        run.filter.predict(first_s, second_s)
        run.filter.update(run.row(turned, first_s, second_s, np.zeros(3), SIGMA_M_S))
    error, sigma = tilt_error(run, turned, pairs[-1][1])
    assert np.abs(error).max() < 2e-3 and sigma < 0.015


def test_a_silent_accelerometer_leaves_gravity_to_the_gyro() -> None:
    craft = Craft(lean=Rotation.from_euler("ZYX", [0.0, 0.1, 0.0]))
    run = settled(craft)
    for k in range(20):
        now_s = 2.0 + k * FRAME_S
        run.feed(craft.samples(now_s + np.arange(round(FRAME_S / SAMPLE_S)) * SAMPLE_S, accelerometer=False))
        run.filter.predict(now_s - 2 * FRAME_S, now_s - FRAME_S)
        run.filter.update(run.row(craft, now_s - 2 * FRAME_S, now_s - FRAME_S, np.zeros(3), SIGMA_M_S))
        error, sigma = tilt_error(run, craft, now_s - FRAME_S)
        assert np.abs(error).max() < 2e-3 and sigma < 0.015


def test_an_accelerometer_that_swings_is_outvoted() -> None:
    # 5 m/s^2 at 3 Hz that the rows know nothing of: what is told of the acceleration is no worse than twice what rows alone tell.
    class Swinging(Craft):
        def samples(self, time_s: np.ndarray, **keys: Any) -> GyroSamples:
            plain = Craft.samples(self, time_s, **keys)
            swing = 5.0 * np.sin(2 * np.pi * 3 * time_s)[:, None] * [1.0, 1.0, 0.0]
            return replace(plain, accel_m_s2=plain.accel_m_s2 + swing)

    found = followed(Swinging(), noise_m_s=1e-3)
    late = found["time"] > 3
    error = np.sqrt(np.mean(found["acceleration"][late] ** 2))
    assert error < 0.6 * 5 / np.sqrt(3)  # 5 m/s^2 along two axes of three, RMS
    assert error < 2 * found["acceleration_sigma"][late].mean()
    assert np.sqrt(np.nanmean(found["velocity"][late] ** 2)) < 0.03


def test_no_accelerometer_no_tilt() -> None:
    run = Run(module())
    for _ in run.pairs(Craft(), 0.5, accelerometer=False):
        assert run.filter.tilt(0.0) is None


def test_cells_without_a_reading_are_left_out() -> None:
    # NaN is "no reading": the tilt comes from the rest.
    craft, run = Craft(sways=0.0), Run(module())
    samples = craft.samples(np.arange(100) * SAMPLE_S)
    assert samples.accel_m_s2 is not None
    holed = samples.accel_m_s2.copy()
    holed[::3] = np.nan
    run.feed(replace(samples, accel_m_s2=holed))
    run.filter.predict(0.1, 0.125)
    error, _ = tilt_error(run, craft, 0.1)
    np.testing.assert_allclose(error, 0, atol=1e-3)


def test_samples_of_the_future_wait() -> None:
    # A log handed over ahead of the frames must not lean the tilt: only what lies before the frame counts.
    craft = Craft(push_m_s2=np.array([5.0, 0.0, 0.0]))
    found = []
    for until_s in (3.5, 3.01):
        run = Run(module())
        run.feed(craft.samples(np.arange(2.6, until_s, SAMPLE_S)))
        run.filter.predict(2.975, 3.0)
        known = run.filter.tilt(3.0)
        assert known is not None
        found.append(known.down_body)
    np.testing.assert_allclose(found[0], found[1], atol=1e-9)


def test_a_stream_that_begins_with_one_sample() -> None:
    craft, run = Craft(sways=0.0), Run(module())
    for k in range(5):
        run.feed(craft.samples(np.array([k * SAMPLE_S])))
        run.filter.predict(k * SAMPLE_S, k * SAMPLE_S)
    error, _ = tilt_error(run, craft, 4 * SAMPLE_S)
    np.testing.assert_allclose(error, 0, atol=1e-3)


def test_a_force_of_nothing_tells_no_direction() -> None:
    # A dead accelerometer, or a fall.
    craft, run = Craft(sways=0.0), Run(module())
    samples = craft.samples(np.arange(100) * SAMPLE_S)
    run.feed(replace(samples, accel_m_s2=np.zeros((100, 3))))
    run.filter.predict(0.1, 0.125)
    assert run.filter.tilt(0.1) is None

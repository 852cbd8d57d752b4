"""Which way is down: from a log, from gyro and accelerometer, or assumed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow.module import Gyro
from flow.rotation import RotationLog
from flow.series import AttitudeSamples
from flow.tilt import AssumedLevel, InertialTilt, LoggedTilt, Tilt
from tests.streams import GRAVITY, gyro

STEP_S = 0.0025
FRAME_S = 1 / 30


def down_of(roll: float, pitch: float) -> np.ndarray:
    """Give down by SciPy: level from body is yaw, then pitch, then roll; yaw does not matter to down."""
    return Rotation.from_euler("ZYX", [1.1, pitch, roll]).inv().apply([0, 0, 1.0])


@pytest.mark.parametrize(("roll", "pitch"), [(0.0, 0.0), (0.3, 0.0), (0.0, -0.2), (-0.4, 0.25), (1.4, 0.9)])
def test_level_axes_follow_roll_and_pitch(roll: float, pitch: float) -> None:
    # Source: SciPy's intrinsic z-y-x angles with yaw left out; double precision.
    tilt = Tilt(down_body=down_of(roll, pitch), sigma_rad=0.0)
    expected = Rotation.from_euler("ZYX", [0, pitch, roll]).as_matrix()
    np.testing.assert_allclose(tilt.R_level_body, expected, atol=1e-12)


def logged(times: list[float], rolls: list[float], pitches: list[float]) -> LoggedTilt:
    tilt = LoggedTilt(longest_gap_s=0.25)
    tilt.add_logged(AttitudeSamples(time_s=np.array(times), roll_rad=np.array(rolls), pitch_rad=np.array(pitches)))
    return tilt


def test_a_log_is_interpolated_as_directions() -> None:
    # Closed form: halfway between two rolls about one axis is their mean; the chord's share is exact in the
    # middle.
    tilt = logged([0.0, 0.1], [0.1, 0.3], [0.0, 0.0]).at(0.05)
    assert tilt is not None
    np.testing.assert_allclose(tilt.down_body, down_of(0.2, 0.0), atol=1e-12)


def test_roll_through_the_half_turn_is_interpolated_the_short_way() -> None:
    # Closed form: between +179 and -179 degrees of roll lies 180, not 0.
    tilt = logged([0.0, 0.1], [np.radians(179), np.radians(-179)], [0.0, 0.0]).at(0.05)
    assert tilt is not None
    np.testing.assert_allclose(tilt.down_body, [0, 0, -1], atol=1e-12)


@pytest.mark.parametrize(
    ("time_s", "known"),
    [(0.0, True), (0.1, True), (-0.05, True), (0.2, False), (0.4, False), (0.74, True), (-0.5, False), (1.2, False)],
)
def test_a_log_says_nothing_in_its_gaps(time_s: float, known: bool) -> None:
    # Expected by the docstring: samples at 0, 0.1, 0.7 s; a gap of 0.6 s is more than 0.25 s.
    tilt = logged([0.0, 0.1, 0.7], [0.0] * 3, [0.0] * 3)
    assert (tilt.at(time_s) is not None) is known


def test_an_empty_log_knows_nothing() -> None:
    assert LoggedTilt().at(0.0) is None


class Flight:
    """Exact synthetic truth: the body leans by a constant tilt, rocks about it and accelerates forward.

    Level axes do not turn here (no yaw). Specific force is body from level applied to (acceleration - gravity).
    """

    def __init__(self, *, roll: float, pitch: float, rock_rad: float, accel_m_s2: float = 0.0, until_s: float = 8.0):
        self.times = np.arange(0, until_s, STEP_S)
        self._mean = Rotation.from_euler("ZYX", [0.0, pitch, roll])
        self._rock = rock_rad
        push = (self.times > 3) & (self.times < 6)
        self.accel = np.outer(np.where(push, accel_m_s2, 0.0), [1.0, 0, 0])
        self.velocity = np.cumsum(self.accel, axis=0) * STEP_S
        turned = self.level_from_body(self.times)
        self.force = turned.inv().apply(self.accel + GRAVITY)
        h = 1e-5
        ahead = self.level_from_body(self.times + h)
        behind = self.level_from_body(self.times - h)
        self.rate = (behind.inv() * ahead).as_rotvec() / (2 * h)

    def level_from_body(self, time_s: np.ndarray) -> Rotation:
        """Attitude at times."""
        swing = self._rock * np.column_stack(
            [np.sin(2 * np.pi * 1.3 * time_s), np.sin(2 * np.pi * 0.9 * time_s), np.zeros_like(time_s)]
        )
        return self._mean * Rotation.from_rotvec(swing)

    def found(
        self,
        *,
        tell_velocity: bool = True,
        bias: float = 0.0,
        source: type[InertialTilt] | type[AssumedLevel] = InertialTilt,
    ) -> list[tuple[float, np.ndarray, float]]:
        """Time, error of the direction down (signed small turn, body axes) and its claimed sigma, 30 times a second."""
        rotations = RotationLog(Gyro())
        tilt = source(rotations)
        out = []
        frame = int(FRAME_S / STEP_S)
        for k in range(0, len(self.times) - frame, frame):
            part = slice(k, k + frame)
            samples = gyro(self.times[part], self.rate[part] + bias, self.force[part])
            rotations.append(samples)
            tilt.add_inertial(samples)
            now = self.times[k + frame - 1]
            tilt.advance(now)
            truth = self.level_from_body(np.array([now]))
            if tell_velocity:
                tilt.observe_velocity(now, truth.inv().apply(self.velocity[k + frame - 1])[0])
            known = tilt.at(now)
            assert known is not None
            down = truth.inv().apply([0, 0, 1.0])[0]
            out.append((now, np.cross(down, known.down_body), known.sigma_rad))
        return out


def test_without_accelerometer_the_gyro_tells_the_rocking_about_an_average_that_may_lean_degrees() -> None:
    # Exact synthetic truth: what is left is the constant lean, and what a swing of 0.9 Hz averages to over the first cycles.
    found = Flight(roll=0.05, pitch=-0.03, rock_rad=0.1).found(source=AssumedLevel)
    sigma = np.array([sigma for _, _, sigma in found])
    assert (sigma > np.radians(2)).all()  # common practice: a small rotorcraft leans some degrees to hold against wind
    errors = np.array([error for time, error, _ in found if time > 3])
    np.testing.assert_allclose(errors[:, :2], np.tile([0.05, -0.03], (len(errors), 1)), atol=0.02)
    assert np.radians(2) < sigma[-1] < np.radians(10)


@pytest.mark.parametrize(("roll", "pitch"), [(0.12, 0.0), (0.0, -0.09), (-0.07, 0.15)])
def test_a_constant_tilt_is_recovered_under_rocking(roll: float, pitch: float) -> None:
    # Exact synthetic truth: gravity stands still in the frame that does not rotate. What is left is the
    # rate's curvature between samples, 0.1 rad x (2 pi 1.3 / s)^3 x (2.5 ms)^2 / 12 = 30 urad/s for part of a
    # swing.
    errors = np.array([error for _, error, _ in Flight(roll=roll, pitch=pitch, rock_rad=0.1).found()])
    np.testing.assert_allclose(errors, 0, atol=2e-5)


def test_signs_of_the_recovered_tilt() -> None:
    # Closed form: leaning right (roll > 0) brings down toward body right; nose up (pitch > 0) brings it
    # toward the tail.
    for roll, pitch in [(0.12, 0.0), (0.0, 0.12)]:
        flight = Flight(roll=roll, pitch=pitch, rock_rad=0.0, until_s=1.0)
        rotations = RotationLog(Gyro())
        tilt = InertialTilt(rotations)
        samples = gyro(flight.times, flight.rate, flight.force)
        rotations.append(samples)
        tilt.add_inertial(samples)
        tilt.advance(0.9)
        known = tilt.at(0.9)
        assert known is not None
        np.testing.assert_allclose(known.down_body[:2], [-np.sin(pitch), np.sin(roll)], atol=1e-3)


def test_a_long_acceleration_does_not_look_like_a_tilt() -> None:
    # Exact synthetic truth: 2 m/s^2 for 3 s with the speed told 30 times a second. The change of speed
    # is then taken out exactly; one sample's (2 m/s^2 x 2.5 ms over 9.8 m/s^2 x 5 s) would be 0.1 mrad.
    flight = Flight(roll=0.05, pitch=-0.1, rock_rad=0.08, accel_m_s2=2.0)
    told = np.array([error for time, error, _ in flight.found() if time > 2])
    np.testing.assert_allclose(told, 0, atol=1e-4)
    # The mutation: without the speed the mean leans by up to a third of 2 / 9.8 rad.
    untold = np.array([error for time, error, _ in flight.found(tell_velocity=False) if time > 2])
    assert np.abs(untold).max() > 0.05


@pytest.mark.parametrize("accel_m_s2", [0.0, 0.7])
def test_sigma_covers_the_error_without_speed(accel_m_s2: float) -> None:
    # A gust that changes speed by 0.7 m/s unseen, and a gyro bias of 1 mrad/s: three sigma must hold it.
    flight = Flight(roll=0.05, pitch=-0.1, rock_rad=0.08, accel_m_s2=accel_m_s2 / 3)
    for time, error, sigma in flight.found(tell_velocity=False, bias=1e-3):
        assert np.abs(error).max() < 3 * sigma, time


def test_samples_of_the_future_wait() -> None:
    # A log handed over ahead of the frames must not lean the tilt: only what lies before the frame counts.
    times = np.arange(400) * STEP_S
    force = np.where(times[:, None] < 0.3, GRAVITY, GRAVITY + np.array([5.0, 0, 0]))
    found = []
    for until_s in (1.0, 0.25):
        given = times <= until_s
        rotations = RotationLog(Gyro())
        tilt = InertialTilt(rotations)
        rotations.append(gyro(times[given]))
        tilt.add_inertial(gyro(times[given], (0, 0, 0), force[given]))
        tilt.advance(0.25)
        known = tilt.at(0.25)
        assert known is not None
        found.append(known.down_body)
    np.testing.assert_allclose(found[0], found[1], atol=1e-12)


def test_no_accelerometer_no_tilt() -> None:
    rotations = RotationLog(Gyro())
    tilt = InertialTilt(rotations)
    samples = gyro(np.arange(10) * STEP_S)
    rotations.append(samples)
    tilt.add_inertial(samples)
    tilt.advance(0.01)
    assert tilt.at(0.01) is None


def test_cells_without_a_reading_are_left_out() -> None:
    # NaN is "no reading": the tilt comes from the rest.
    rotations = RotationLog(Gyro())
    tilt = InertialTilt(rotations)
    force = np.tile(GRAVITY, (100, 1))
    force[::3] = np.nan
    samples = gyro(np.arange(100) * STEP_S, (0, 0, 0), force)
    rotations.append(samples)
    tilt.add_inertial(samples)
    tilt.advance(0.2)
    known = tilt.at(0.2)
    assert known is not None
    np.testing.assert_allclose(known.down_body, [0, 0, 1], atol=1e-12)


def test_a_stream_that_begins_with_one_sample() -> None:
    # Found by streaming sample by sample: the first one alone must neither crash nor poison what follows.
    rotations = RotationLog(Gyro())
    tilt = InertialTilt(rotations)
    for k in range(5):
        samples = gyro([k * STEP_S], (0.0, 0.0, 0.3), GRAVITY)
        rotations.append(samples)
        tilt.add_inertial(samples)
        tilt.advance(k * STEP_S)
    known = tilt.at(4 * STEP_S)
    assert known is not None
    np.testing.assert_allclose(known.down_body, [0, 0, 1], atol=1e-12)

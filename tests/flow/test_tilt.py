"""Which way is down: from a log, or assumed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow.module import Gyro
from flow.rotation import RotationLog
from flow.series import AttitudeSamples
from flow.tilt import AssumedLevel, LoggedTilt, Tilt
from tests.streams import gyro

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


def test_without_accelerometer_the_gyro_tells_the_rocking_about_an_average_that_may_lean_degrees() -> None:
    # Exact synthetic truth: what is left is the constant lean, and what a swing of 0.9 Hz averages to over the first cycles.
    times = np.arange(0, 8, STEP_S)
    mean = Rotation.from_euler("ZYX", [0.0, -0.03, 0.05])

    def level_from_body(time_s: np.ndarray) -> Rotation:
        swing = np.column_stack([np.sin(2 * np.pi * 1.3 * time_s), np.sin(2 * np.pi * 0.9 * time_s), 0 * time_s])
        return mean * Rotation.from_rotvec(0.1 * swing)

    rate = (level_from_body(times - 1e-5).inv() * level_from_body(times + 1e-5)).as_rotvec() / 2e-5
    rotations = RotationLog(Gyro())
    tilt = AssumedLevel(rotations)
    errors, frame = [], round(FRAME_S / STEP_S)
    for k in range(0, len(times) - frame, frame):
        samples = gyro(times[k : k + frame], rate[k : k + frame])
        rotations.append(samples)
        tilt.add_inertial(samples)
        now = times[k + frame - 1]
        tilt.advance(now)
        known = tilt.at(now)
        assert known is not None
        # common practice: a small rotorcraft leans some degrees to hold against wind
        assert np.radians(2) < known.sigma_rad < np.radians(10)
        down = level_from_body(np.array([now])).inv().apply([0, 0, 1.0])[0]
        if now > 3:
            errors.append(np.cross(down, known.down_body)[:2])
    np.testing.assert_allclose(errors, np.tile([0.05, -0.03], (len(errors), 1)), atol=0.02)


@pytest.mark.parametrize("hole_s", [0.05, 0.3])
def test_what_was_level_before_a_hole_is_forgotten(hole_s: float) -> None:
    # Closed form: it rolls at 0.5 rad/s for 0.2 s, 0.1 rad in all, and rests behind the hole. Short of 0.06 s the average over
    # all of the flight is still what counts, beyond it the level that is assumed anew.
    rotations = RotationLog(Gyro())
    tilt = AssumedLevel(rotations)
    for times, rate in (
        (np.arange(0, 1.0, STEP_S), 0.0),
        (np.arange(1.0, 1.2, STEP_S), 0.5),
        (np.arange(1.2 + hole_s, 1.6, STEP_S), 0.0),
    ):
        samples = gyro(times, (rate, 0.0, 0.0))
        rotations.append(samples)
        tilt.add_inertial(samples)
    tilt.advance(1.6)
    known = tilt.at(1.6)
    assert known is not None
    assert bool(abs(known.down_body[1]) < 1e-9) is (hole_s > 0.06)


def test_samples_of_the_future_wait() -> None:
    # A log handed over ahead of the frames must not lean the tilt: only what lies before the frame counts.
    times = np.arange(400) * STEP_S
    found = []
    for until_s in (1.0, 0.25):
        rotations = RotationLog(Gyro())
        tilt = AssumedLevel(rotations)
        samples = gyro(times[times <= until_s], (0.4, 0.0, 0.0))
        rotations.append(samples)
        tilt.add_inertial(samples)
        tilt.advance(0.25)
        known = tilt.at(0.25)
        assert known is not None
        found.append(known.down_body)
    np.testing.assert_allclose(found[0], found[1], atol=1e-12)


def test_no_samples_no_tilt() -> None:
    tilt = AssumedLevel(RotationLog(Gyro()))
    tilt.advance(0.1)
    assert tilt.at(0.1) is None

"""A body that vibrates: attitude, rolling rows, gyro and accelerometer against closed forms of one sine."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from flow.module import Alignment, Gyro
from flow.scene import AttitudeErrors, CameraPath, ImuErrors, Motion, Renderer, straight, vibration
from flow.scene.casting import Caster
from flow.scene.motion import STANDARD_GRAVITY_M_S2
from flow.scene.optics import RING
from flow.scene.sensors import sense_attitude, sense_turn
from tests.flow.scene.grounds import PERIOD_M, gravel, pinhole

Array = NDArray[np.float64]
AMPLITUDE_RAD = np.radians(0.1)


def shaken(frequency_hz: float, axis: int, amplitude_rad: float = AMPLITUDE_RAD, **keys: float) -> Motion:
    """Shake roll (0), pitch (1) or yaw (2) of a steady flight."""
    turn = [0.0, 0.0, 0.0]
    turn[axis] = amplitude_rad
    shaking = vibration(1, frequency_hz=frequency_hz, amplitude_rad=(turn[0], turn[1], turn[2]), phase_rad=(0, 0, 0))
    return straight(1, **({"height_m": 1.0} | keys)) + shaking


def sine(frequency_hz: float, time_s: Array, amplitude: float = AMPLITUDE_RAD) -> Array:
    return amplitude * np.sin(2 * np.pi * frequency_hz * time_s)


@pytest.mark.parametrize("frequency_hz", [90.0, 180.0])
@pytest.mark.parametrize("axis", [0, 1, 2])
def test_attitude_and_rate_are_the_sine_and_its_derivative(frequency_hz: float, axis: int) -> None:
    motion, t = shaken(frequency_hz, axis), np.linspace(0.1, 0.9, 1013)
    angles = motion.pose(t)[1].as_euler("ZYX")[:, ::-1]
    # The spline is off by 2e-8 of the amplitude, its derivative by 3e-7 of its own; knots of 10 ms would leave nothing of it.
    np.testing.assert_allclose(angles[:, axis], sine(frequency_hz, t), atol=1e-7 * AMPLITUDE_RAD)
    turn = 2 * np.pi * frequency_hz
    expected = np.zeros((len(t), 3))
    expected[:, axis] = turn * AMPLITUDE_RAD * np.cos(turn * t)
    np.testing.assert_allclose(motion.rate_body(t), expected, atol=1e-6 * turn * AMPLITUDE_RAD)


def test_the_body_origin_flies_as_before() -> None:
    calm, t = straight(1, height_m=1, speed_m_s=0.7, heading_rad=0.4), np.linspace(0.1, 0.9, 301)
    shaking = calm + vibration(1, frequency_hz=130)
    # Neither place nor level speed: roll and pitch leave the heading alone.
    np.testing.assert_allclose(shaking.pose(t)[0], calm.pose(t)[0], atol=1e-9)
    np.testing.assert_allclose(shaking.level_velocity(t), calm.level_velocity(t), atol=1e-7)
    # By default the axis goes round a cone: the lean is the same at all times.
    lean = np.arccos(shaking.pose(t)[1].as_matrix()[:, 2, 2])
    np.testing.assert_allclose(lean, 1.75e-3, rtol=1e-5)


@pytest.mark.parametrize("exposure_s", [0.0, 0.002])
def test_each_row_shifts_by_focal_length_times_the_angle_at_its_own_time(exposure_s: float) -> None:
    # From 10 m up the view is 3 degrees wide: there a roll shifts all of a row alike, to 7e-4 of it.
    size, height, readout, frequency, amplitude = 256, 10.0, 0.02, 130.0, 1.5e-4
    focal = size * height / PERIOD_M
    path = CameraPath(shaken(frequency, 0, amplitude, height_m=height), Alignment())
    calm = CameraPath(straight(1, height_m=height), Alignment())
    camera = pinhole(size, size, focal, readout)
    pictures = [
        Renderer(camera, gravel(), blur_px=0.9, exposure_s=exposure_s).picture(p, 0.5).astype(float)
        for p in (calm, path)
    ]
    row_s = 0.5 + ((np.arange(size) + 0.5) / size - 0.5) * readout
    # Right side down, the camera looks to the left and the scene moves to the right. The mean of a sine over a time T is
    # sin(pi f T) / (pi f T) of it.
    asked_px = focal * sine(frequency, row_s, amplitude) * np.sinc(frequency * exposure_s)
    found_px = asked_px + _shift_of_rows(pictures[0], pictures[1], asked_px)
    # 2.6 periods within the picture, 0.75 px high: small enough that the blur of an exposure is a shift, for where the row
    # turns back its blur is skew. Noise-free rows of 256 px of gravel scatter by some thousandths of a pixel.
    assert np.ptp(asked_px) > 1.45 * np.sinc(frequency * exposure_s)
    assert np.std(found_px - asked_px) < 0.005
    assert np.polyfit(asked_px, found_px, 1)[0] == pytest.approx(1, abs=0.004)


def _shift_of_rows(before: Array, after: Array, guess_px: Array) -> Array:
    """Find the shift of each row to the right beyond a guess, px, from the phases of its spectrum."""
    size = before.shape[1]
    spectra = [np.fft.rfft(p, axis=1)[:, 1:90] for p in (before, after)]
    f = np.arange(1, 90) / size
    # A row that moves by s multiplies its spectrum by exp(-2 pi i f s).
    cross = spectra[0] * np.conj(spectra[1]) * np.exp(-2j * np.pi * f * guess_px[:, None])
    weight = np.abs(cross)
    return np.asarray((weight * f * np.angle(cross)).sum(axis=1) / (2 * np.pi * (weight * f**2).sum(axis=1)))


def test_rows_meet_the_ground_where_a_pitching_camera_on_an_arm_looks() -> None:
    height, focal, readout, frequency, ahead = 1.2, 50.0, 0.012, 180.0, 0.1
    alignment = Alignment(camera_position_m=(ahead, 0.0, 0.0))
    path = CameraPath(shaken(frequency, 1, height_m=height), alignment)
    cast = Caster(pinhole(64, 48, focal, readout_s=readout)).cast(path, 0.5, 0.0)
    rows = np.arange(48)
    pitch = sine(frequency, 0.5 + ((rows + 0.5) / 48 - 0.5) * readout)
    # Nose up, the camera looks ahead and the arm lifts it; rows below the middle look back.
    looks = pitch - np.arctan((rows - 23.5) / focal)
    north = ahead * np.cos(pitch) + (height + ahead * np.sin(pitch)) * np.tan(looks)
    found = cast.base_m[0] + cast.ground_m[0, RING:-RING, RING + 32]
    # An instant is the mean of two moments 0.06 ms apart: 1e-3 of 2 mm; and single precision.
    np.testing.assert_allclose(found, north, atol=4e-6)
    np.testing.assert_allclose(cast.camera_m[RING:-RING, 2], -height - ahead * np.sin(pitch), atol=1e-6)


@pytest.mark.parametrize(("rate_hz", "shown_hz"), [(200.0, 70.0), (1000.0, 130.0)])
def test_a_slow_gyro_shows_the_alias(rate_hz: float, shown_hz: float) -> None:
    # 130 Hz sampled 200 times a second is 70 Hz to whoever reads the log, as strong as it was.
    log = sense_turn(
        shaken(130.0, 0), (0, 1), 0.0, Gyro(noise_rad_s_rthz=0.0), ImuErrors(rate_hz=rate_hz, accel_noise_m_s2_rthz=0.0),
        np.random.default_rng(1),
    )  # fmt: skip
    turn = 2 * np.pi * 130.0
    expected = turn * AMPLITUDE_RAD * np.cos(turn * log.time_s)
    np.testing.assert_allclose(log.rate_rad_s[:, 0], expected, atol=1e-6 * turn * AMPLITUDE_RAD)
    spectrum = np.abs(np.fft.rfft(log.rate_rad_s[:-1, 0]))  # a second: one bin a hertz
    assert spectrum.argmax() == shown_hz
    assert spectrum.max() == pytest.approx(turn * AMPLITUDE_RAD * rate_hz / 2, rel=1e-4)
    # At the body origin only gravity's direction changes in body axes: right side down pushes to the left.
    assert log.accel_m_s2 is not None
    roll = sine(130.0, log.time_s)
    np.testing.assert_allclose(log.accel_m_s2[:, 1], -STANDARD_GRAVITY_M_S2 * np.sin(roll), atol=1e-7)
    np.testing.assert_allclose(log.accel_m_s2[:, 2], -STANDARD_GRAVITY_M_S2 * np.cos(roll), atol=1e-7)


def test_an_attitude_log_holds_the_sine_at_its_stamps() -> None:
    log = sense_attitude(
        shaken(90.0, 1), (0, 1), 0.0, AttitudeErrors(rate_hz=100, noise_rad=0.0), np.random.default_rng(1)
    )
    np.testing.assert_allclose(log.pitch_rad, sine(90.0, log.time_s), atol=1e-7 * AMPLITUDE_RAD)

"""Clocks matched by turning: exact tracks of known motion, no pictures, so that every clock is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow.camera import Lens
from flow.errors import DataError
from flow.intake.axes import AS_LOGGED, R_body_log
from flow.intake.clock_fit import fit_clock
from flow.intake.clock_search import find_offset
from flow.intake.clocks import ClockMatch, match_clocks
from flow.intake.picture_rates import PictureRates
from flow.pair.picture_turn import turns_of_matches
from flow.scene.modules import preset_module
from flow.scene.motion import from_function, gusts, hand_turned, straight
from flow.series import GyroSamples
from flow.tracks import Matches
from tests.calib.turn_scenes import turned_gyro, turned_tracks

MODULE = preset_module()
VIDEO, LOG = Path("flight.mp4"), Path("log.csv")


def hovering(duration_s, seed, speed=0.5):
    return straight(duration_s, height_m=1.2, speed_m_s=speed) + gusts(duration_s, seed=seed)


def filmed(motion, *, seed=0, noise_px=0.08, every=1, module=MODULE):
    """Give what :func:`picture_rates` would make of a motion: pairs of neighbouring frames at 30 Hz."""
    pairs = turned_tracks(module, motion, seed=seed, fps=30.0, stride=1, tracks=70, noise_px=noise_px, every=every)
    turns = turns_of_matches(pairs.first_px, pairs.second_px, Lens(module.camera))
    kept = []
    for k, known in list(enumerate(pairs.known))[::2]:
        parts = (pairs.first_px[k][known], pairs.second_px[k][known], pairs.covariance_px2[k][known])
        matches = Matches(first_px=parts[0], second_px=parts[1], covariance_px2=parts[2], offered=70)
        kept.append((float(pairs.first_s[k]), float(pairs.second_s[k]), matches))
    return PictureRates(
        first_s=pairs.first_s,
        second_s=pairs.second_s,
        rate_rad_s=turns / (pairs.second_s - pairs.first_s)[:, None],
        kept=kept,
    )


def clocked(gyro, shift_s=0.0, drift=0.0, axes=AS_LOGGED, scale=1.0):
    """Give the log another clock, axes, scale."""
    turn = scale * R_body_log(axes).T
    return GyroSamples(
        time_s=gyro.time_s * (1 + drift) + shift_s,
        rate_rad_s=gyro.rate_rad_s @ turn.T,
        accel_m_s2=gyro.accel_m_s2 @ (turn / scale).T,
    )


def part(gyro, begin_s, end_s):
    rows = np.searchsorted(gyro.time_s, [begin_s, end_s])
    return gyro.part(slice(*rows))


@pytest.fixture(scope="module")
def flight():
    motion = hovering(14.0, 1)
    return filmed(motion), turned_gyro(MODULE, motion, seed=2)


@pytest.mark.parametrize("shift_s", [0.0, 37.4, -612.25])
def test_the_offset_is_found_wherever_it_is(flight, shift_s):
    picture, gyro = flight
    log = clocked(gyro, shift_s)
    coarse = find_offset(picture, log)
    true_s = shift_s + MODULE.alignment.time_offset_s
    # The grid is 20 ms: its nearest point is within half of that.
    assert coarse.offset_s == pytest.approx(true_s, abs=0.011)
    assert coarse.explained > 0.95
    assert coarse.rival_explained < 0.6
    fit = fit_clock(picture, log, MODULE, coarse.offset_s)
    assert fit.sigma_s < 1e-3  # what measure needs: 1 ms is 2 mm/s at 1 m while rocking 3 degrees at 1 Hz
    assert fit.offset_s == pytest.approx(true_s, abs=3 * fit.sigma_s)
    assert fit.drift == 0.0  # none is there


def test_a_log_that_began_in_mid_flight_still_matches(flight):
    picture, gyro = flight
    log = part(clocked(gyro, 100.0), 104.0, 112.0)
    coarse = find_offset(picture, log)
    assert coarse.offset_s == pytest.approx(100.0 + MODULE.alignment.time_offset_s, abs=0.011)
    assert coarse.overlap_s == pytest.approx(8.0, abs=0.5)


def test_drift_shows_over_minutes_and_is_taken_out():
    motion = hovering(120.0, 5)
    picture, gyro = filmed(motion, every=3), turned_gyro(MODULE, motion, seed=6)
    drift = 60e-6
    log = clocked(gyro, 12.0, drift)
    coarse = find_offset(picture, log)
    fit = fit_clock(picture, log, MODULE, coarse.offset_s)
    assert fit.drift == pytest.approx(drift, abs=3 * fit.drift_sigma)
    assert fit.drift_sigma < 10e-6  # 0.6 ms at either end
    ends = picture.middle_s[[0, -1]]
    true_s = (ends + MODULE.alignment.time_offset_s) * (1 + drift) + 12.0
    np.testing.assert_allclose(fit.gyro_time_s(ends), true_s, rtol=0, atol=1e-3)


def test_a_hand_turning_about_its_wrist_does_not_pass_for_a_late_clock():
    motion = hand_turned(15.0, seed=3, height_m=0.6)
    picture, gyro = filmed(motion), turned_gyro(MODULE, motion, seed=4)
    fit = fit_clock(picture, gyro, MODULE, MODULE.alignment.time_offset_s + 0.01)
    # Taken for a straight path between two frames, the bend of the hand's path reads as 1 ms.
    assert fit.offset_s == pytest.approx(MODULE.alignment.time_offset_s, abs=4e-4)
    assert fit.sigma_s < 1e-3


def matched(monkeypatch, picture, gyro, *, axes=AS_LOGGED, module=MODULE) -> ClockMatch:
    """Match with the picture's rates as given."""
    monkeypatch.setattr("flow.intake.clocks.picture_rates", lambda *_: picture)
    times_s = np.append(picture.first_s, picture.second_s[-1])
    return match_clocks([], times_s, gyro, module, axes=axes, video_path=VIDEO, gyro_path=LOG)


@pytest.mark.parametrize("axes", ["x=-y y=x z=z", "x=z y=y z=-x", "x=x y=-y z=-z"])
def test_axes_that_nobody_said_are_found(monkeypatch, flight, axes):
    picture, gyro = flight
    match = matched(monkeypatch, picture, clocked(gyro, 5.0, axes=axes), axes=None)
    assert match.axes == axes
    assert match.times_s[0] + MODULE.alignment.time_offset_s == pytest.approx(
        picture.first_s[0] + 5.0 + MODULE.alignment.time_offset_s, abs=1e-3
    )


def test_wrong_axes_are_refused_with_the_right_ones(monkeypatch, flight):
    picture, gyro = flight
    said = "x=y y=-x z=z"
    # Logged as 'x=-y y=x z=z' and read as said: what is body x then is minus body x.
    log = clocked(gyro, axes="x=-y y=x z=z")
    turn = R_body_log(said)
    read = GyroSamples(time_s=log.time_s, rate_rad_s=log.rate_rad_s @ turn.T, accel_m_s2=None)
    with pytest.raises(
        DataError, match=r"log.csv: with axes 'x=y y=-x z=z' it rotates about .* is it --axes 'x=-y y=x z=z'"
    ):
        matched(monkeypatch, picture, read, axes=said)


def test_a_mirrored_gyro_is_refused(monkeypatch, flight):
    picture, gyro = flight
    mirrored = GyroSamples(time_s=gyro.time_s, rate_rad_s=gyro.rate_rad_s * [1, 1, -1], accel_m_s2=None)
    with pytest.raises(DataError, match="rotates as the mirror image"):
        matched(monkeypatch, picture, mirrored)


@pytest.mark.parametrize(
    ("scale", "unit"), [(180 / np.pi, "deg/s and not rad/s"), (np.pi / 180, "rad/s and not deg/s")]
)
def test_another_unit_is_refused(monkeypatch, flight, scale, unit):
    picture, gyro = flight
    with pytest.raises(DataError, match=f"times the rate that the video shows; is it in {unit}"):
        matched(monkeypatch, picture, clocked(gyro, scale=scale))


def test_a_log_of_another_flight_is_refused(monkeypatch, flight):
    picture, _ = flight
    other = turned_gyro(MODULE, hovering(120.0, 77), seed=8)
    with pytest.raises(
        DataError, match=r"log.csv: does not rotate as the image does: even at the best offset .* is it the log"
    ):
        matched(monkeypatch, picture, other)


def test_a_motion_that_repeats_itself_is_refused(monkeypatch):
    def swinging(t):
        at_rest = np.zeros_like(t)
        angles = [0.05 * np.sin(2 * np.pi * t), 0.04 * np.cos(2 * np.pi * t), 0.03 * np.sin(2 * np.pi * t + 1)]
        return np.column_stack([at_rest, at_rest, at_rest - 1.2, *angles])

    motion = from_function(swinging, 20.0)
    picture, gyro = filmed(motion), turned_gyro(MODULE, motion, seed=2)
    with pytest.raises(
        DataError, match=r"the clock offset is not observable from this motion: offsets of .* and .* fit too much alike"
    ):
        matched(monkeypatch, picture, gyro)


def test_a_flight_without_turning_is_refused(monkeypatch):
    motion = straight(20.0, height_m=1.2, speed_m_s=0.5)
    picture, gyro = filmed(motion), turned_gyro(MODULE, motion, seed=2)
    with pytest.raises(DataError, match=r"hardly any turning to match clocks by: .* rock the craft by hand"):
        matched(monkeypatch, picture, gyro)


def test_too_little_in_common_is_refused(monkeypatch, flight):
    picture, gyro = flight
    with pytest.raises(DataError, match=r"the log 3.0 s: 6 s in common are needed"):
        matched(monkeypatch, picture, part(gyro, 5.0, 8.0))


def test_turning_about_one_axis_tells_the_clock_and_no_axes(monkeypatch):
    def yawing(t):
        at_rest, waves = np.zeros_like(t), np.random.default_rng(1).uniform(0.4, 2.5, 12)
        yaw = 0.05 * np.sin(2 * np.pi * waves * t[:, None] + np.arange(12)).sum(axis=1) / 3
        return np.column_stack([at_rest, at_rest, at_rest - 1.2, at_rest, at_rest, yaw])

    motion = from_function(yawing, 20.0)
    picture, gyro = filmed(motion), turned_gyro(MODULE, motion, seed=2)
    assert matched(monkeypatch, picture, gyro).fit.offset_s == pytest.approx(MODULE.alignment.time_offset_s, abs=1e-3)
    with pytest.raises(
        DataError, match="rotates about one axis only, from which its axes are not observable; give --axes"
    ):
        matched(monkeypatch, picture, gyro, axes=None)


def test_a_module_mounted_otherwise_is_no_wrong_axis(monkeypatch):
    tilted = Rotation.from_euler("y", 20, degrees=True) * MODULE.alignment.R_body_camera
    q = tuple(float(x) for x in tilted.as_quat(scalar_first=True))
    module = MODULE.model_copy(update={"alignment": MODULE.alignment.model_copy(update={"camera_to_body_wxyz": q})})
    motion = hovering(14.0, 1)
    # Looking ahead by 20 degrees, known to the module file: the search must take it into account.
    picture = filmed(motion, module=module)
    match = matched(monkeypatch, picture, turned_gyro(module, motion, seed=2), axes=None, module=module)
    assert match.axes == AS_LOGGED
    assert match.fit.offset_s == pytest.approx(module.alignment.time_offset_s, abs=3 * match.fit.sigma_s)

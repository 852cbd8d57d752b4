"""The recording in memory: clocks, noise, truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from flow.errors import DataError
from flow.module import Alignment, Module, Range
from flow.scene import (
    CameraPath,
    Gain,
    Renderer,
    SceneSpec,
    digitised,
    gusts,
    preset_module,
    render,
    straight,
)
from tests.flow.scene.grounds import gravel, pinhole, plain

MODULE = Module(
    camera=pinhole(64, 48, 50, readout_s=0.01),
    alignment=Alignment(camera_position_m=(0.1, 0.0, 0.0), time_offset_s=0.03),
)
SPEC = SceneSpec(
    motion=straight(1, height_m=1, speed_m_s=0.7, yaw_rate_rad_s=0.5), ground=gravel(), module=MODULE, seed=3
)


@pytest.mark.parametrize(("levels", "shot"), [(1.5, 0.5), (4.0, 0.0), (4.0, 1.0)])
def test_noise_is_as_asked(levels: float, shot: float) -> None:
    rng = np.random.default_rng(0)
    for grey in (32.0, 128.0, 200.0):
        picture = np.full((400, 400), grey, np.float32)
        found = digitised(picture, levels, shot, rng).astype(float) - grey
        # Photon variance grows with the light; rounding adds 1/12. 160000 pixels know sigma to 0.18 %.
        expected = np.sqrt(levels**2 * (1 - shot + shot * grey / 128) + 1 / 12)
        assert found.std() == pytest.approx(expected, rel=6e-3)
        assert found.mean() == pytest.approx(0, abs=4 * expected / 400)


def test_digitising_clips_and_rounds() -> None:
    picture = np.array([[-5.0, 0.4, 0.6, 254.7, 300.0]], np.float32)
    np.testing.assert_array_equal(digitised(picture, 0, 0, np.random.default_rng(0)), [[0, 0, 1, 255, 255]])


def test_frame_time_is_the_camera_clock() -> None:
    made = render(SPEC)
    # A camera whose clock is the gyro's sees at t + 0.03 what this one sees at t.
    renderer = Renderer(MODULE.camera, gravel(), exposure_s=SPEC.exposure_s, vignetting=SPEC.vignetting)
    direct = renderer.picture(CameraPath(SPEC.motion, MODULE.alignment), made.frame_times_s[7] + 0.03)
    np.testing.assert_array_equal(made.picture(7), direct)
    late = renderer.picture(CameraPath(SPEC.motion, MODULE.alignment), made.frame_times_s[7])
    assert np.abs(made.picture(7) - late).max() > 5
    frame = made.frame(7)
    assert (frame.index, frame.time_s, frame.exposure_s) == (7, made.frame_times_s[7], SPEC.exposure_s)


def test_every_row_lies_within_the_logs() -> None:
    made = render(SPEC)
    half_s = 0.005 + SPEC.exposure_s / 2
    gyro_time = made.frame_times_s + 0.03
    assert made.gyro.time_s[0] < gyro_time[0] - half_s
    assert gyro_time[-1] + half_s < made.gyro.time_s[-1]
    np.testing.assert_allclose(np.diff(made.frame_times_s), 1 / 60, atol=1e-6)
    assert len(made) > 0.85 * 60


@pytest.mark.parametrize("offset", [-4000.25, -0.5, 0.006, 12.5, 1.7e9])
def test_any_clock_offset(offset: float) -> None:
    alignment = MODULE.alignment.model_copy(update={"time_offset_s": offset})
    module = MODULE.model_copy(update={"alignment": alignment})
    made = render(replace(SPEC, module=module))
    plain_clock = render(SPEC)
    assert made.frame_times_s[0] >= 0
    # The same motion under another clock: truth and gyro shift by whole seconds, the pictures lie inside.
    shift = made.gyro.time_s[0] - plain_clock.gyro.time_s[0]
    assert shift == round(shift)
    np.testing.assert_allclose(made.gyro.rate_rad_s, plain_clock.gyro.rate_rad_s, atol=1e-12)
    gyro_time = made.frame_times_s + offset
    assert made.gyro.time_s[0] < gyro_time[0]
    assert gyro_time[-1] < made.gyro.time_s[-1]
    # 1.7e9 s in double precision is known to 2e-7 s.
    np.testing.assert_allclose(made.truth.forward_m_s[:3], plain_clock.truth.forward_m_s[:3], atol=1e-6)


def test_jittered_times_increase_and_scatter() -> None:
    spec = replace(SPEC, motion=straight(20, height_m=1), frame_jitter_s=0.002)
    times = spec.frame_times_s()
    assert (np.diff(times) > 0).all()
    # 1190 steps, each the difference of two jitters.
    assert np.diff(times).std() == pytest.approx(0.002 * np.sqrt(2), rel=0.08)
    np.testing.assert_array_equal(times, np.round(times, 6))


def test_truth_is_the_motion_of_the_body_not_of_the_camera() -> None:
    made = render(SPEC)
    truth = made.truth_at(np.array([0.4]))
    # North at 0.7 m/s, nose turned right by 0.2 rad: forward 0.7 cos, right -0.7 sin. The camera, 0.1 m ahead
    # and turning at 0.5 rad/s, moves 0.05 m/s to the right besides; the truth must not.
    assert truth.forward_m_s[0] == pytest.approx(0.7 * np.cos(0.2), abs=1e-9)
    assert truth.right_m_s[0] == pytest.approx(-0.7 * np.sin(0.2), abs=1e-9)
    assert truth.down_m_s[0] == pytest.approx(0, abs=1e-9)
    assert truth.height_m[0] == pytest.approx(1, abs=1e-12)
    at_frames = np.round(made.frame_times_s + 0.03, 9)
    assert np.isin(at_frames, made.truth.time_s).all()
    assert np.diff(made.truth.time_s).max() <= 0.005 + 1e-9


def test_frames_do_not_depend_on_the_order_of_asking() -> None:
    made = render(SPEC)
    backwards = [made.frame(k).luma for k in (5, 4, 3)]
    forwards = [frame.luma for frame in render(SPEC).frames(3, 6)]
    np.testing.assert_array_equal(backwards[::-1], forwards)
    assert not forwards[0].flags.writeable
    assert (render(replace(SPEC, seed=4)).frame(3).luma != forwards[0]).mean() > 0.5


def test_range_stamps_are_on_the_range_clock() -> None:
    module = MODULE.model_copy(update={"range": Range(time_offset_s=0.4, noise_m=0.0)})
    made = render(replace(SPEC, module=module, motion=straight(2, height_m=1, climb_m_s=1)))
    # Range time plus its offset is gyro time; climbing at 1 m/s, 0.8 m would show the wrong sign.
    np.testing.assert_allclose(made.range.range_m, 1 + made.range.time_s + 0.4, atol=1e-9)


def test_noise_is_new_in_every_frame() -> None:
    made = render(replace(SPEC, motion=straight(0.5, height_m=1), ground=plain(120), noise_levels=5.0))
    one, two = (made.frame(k).luma.astype(float) - made.picture(k) for k in (2, 3))
    # 3072 pixels: an accidental correlation of 0.018, four times that.
    assert abs(np.corrcoef(one.ravel(), two.ravel())[0, 1]) < 0.075


def test_gain_swings_the_light() -> None:
    spec = replace(SPEC, ground=plain(100), vignetting=0.0, noise_levels=0.0, gain=Gain(swing=0.2, period_s=2.0))
    made = render(spec)
    middle = int(np.argmin(np.abs(made.frame_times_s + 0.03 - 0.5)))
    assert made.picture(middle).mean() == pytest.approx(120, abs=0.1)  # a quarter of the period


def test_a_motion_into_the_ground_is_refused() -> None:
    with pytest.raises(DataError, match=r"height: the craft comes down to -?0\.\d\d m"):
        render(replace(SPEC, motion=straight(1, height_m=0.3, climb_m_s=-0.25)))
    with pytest.raises(DataError, match="start it higher"):
        render(replace(SPEC, motion=straight(8, height_m=0.2) + gusts(8, seed=1, strength=15)))


def test_presets_are_what_they_say() -> None:
    small, fisheye = preset_module("small").camera, preset_module("fisheye").camera
    assert 2 * np.degrees(np.arctan(160 / small.fx_px)) == pytest.approx(62, abs=0.01)
    assert 2 * np.degrees(200 / fisheye.fx_px) == pytest.approx(140, abs=0.01)
    assert preset_module("large").camera.width_px == 640

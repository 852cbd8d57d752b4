"""Recordings at the edge of what people have: two frames, 4K, 1000 frames a second, ten hours, a cut in the video."""

from __future__ import annotations

import pickle
from dataclasses import replace
from typing import cast

import numpy as np
import scipy.ndimage

from flow.estimator import Estimator
from flow.measure import measure
from flow.module import Module
from flow.recording import Recording
from flow.result import FrameResult
from flow.row import LevelVelocity
from tests.flow.flights import assert_honest, flight, gusty, measured
from tests.flow.test_estimator import Marked
from tests.streams import GRAVITY, ShiftedGround, grain, gyro, plain_module, ranges


def camera(width: int, height: int, focal_px: float) -> dict[str, float]:
    return {"width_px": width, "height_px": height, "fx_px": focal_px, "fy_px": focal_px,
            "cx_px": (width - 1) / 2, "cy_px": (height - 1) / 2}  # fmt: skip


def level_rows(module: Module, pictures: list[np.ndarray], frame_s: float, gyro_hz: float) -> list[FrameResult]:
    """Level flight at 1 m over what the pictures show, the gyro still."""
    estimator = Estimator(module, attitude="level", positions=False)
    end = len(pictures) * frame_s + 0.02
    estimator.add_gyro(gyro(np.arange(-0.02, end, 1 / gyro_hz)))
    estimator.add_range(ranges(np.arange(-0.02, end, 0.01), 1.0))
    results = [estimator.add_frame(k * frame_s, picture) for k, picture in enumerate(pictures)]
    return [result for result in results if result is not None]


def assert_speed(result: FrameResult, forward_m_s: float, right_m_s: float) -> None:
    """Hold a row against the closed form: pixels x height / focal length / interval; within 4 sigma, and the sigma within 3 %."""
    assert isinstance(result.row.velocity, LevelVelocity), result.row.status
    expected = np.array([forward_m_s, right_m_s, 0.0])
    sigma = result.row.velocity.sigma_m_s
    assert (np.abs(result.row.velocity.vector_m_s - expected) < 4 * sigma).all()
    assert (sigma[:2] < 0.03 * np.abs(expected[:2]).max()).all()


def test_a_4k_video() -> None:
    # 3840 x 2160, whole pixels: 6 down and 4 to the left a frame at 2000 px of focal length, 30 frames/s.
    rng = np.random.default_rng(1)
    ground = scipy.ndimage.zoom(rng.normal(128, 60, (560, 980)), 4, order=1).clip(0, 255).astype(np.uint8)
    pictures = [np.ascontiguousarray(ground[20 - 6 * k : 2180 - 6 * k, 4 * k : 3840 + 4 * k]) for k in range(4)]
    rows = level_rows(plain_module(camera=camera(3840, 2160, 2000.0)), pictures, 1 / 30, 200)
    assert_speed(rows[-1], 6 * 30 / 2000, 4 * 30 / 2000)


def test_1000_frames_a_second_and_a_gyro_at_8_khz() -> None:
    # 0.25 and 0.1 px a frame at 130 px of focal length: 1.92 and 0.77 m/s.
    shifted = ShiftedGround(grain(256), width=160, height=120)
    pictures = [shifted(0.1 * k, 0.25 * k) for k in range(60)]
    rows = level_rows(plain_module(camera=camera(160, 120, 130.0)), pictures, 1e-3, 8000)
    assert [result.row.status for result in rows[2:]] == ["ok"] * 57
    for result in rows[30:]:
        assert isinstance(result.row.velocity, LevelVelocity)
        error = result.row.velocity.vector_m_s - [250 / 130, -100 / 130, 0.0]
        assert (np.abs(error) < 4 * result.row.velocity.sigma_m_s).all()


def test_two_frames_in_all_and_one() -> None:
    flown = flight(gusty(0.6))
    pair = replace(flown, frames=flown.frames[20:22])
    found = measured(pair)
    assert found.status == ["ok"]
    assert_honest(found)
    assert list(measure(cast("Recording", replace(flown, frames=flown.frames[:1])))) == []


def test_a_scene_cut() -> None:
    """Half a second of a flight, then of other ground: nothing is said of the row across the cut."""
    flown = flight(gusty(1.2), frame_rate_hz=30)
    last = [replace(frame, luma=np.ascontiguousarray(frame.luma[::-1])) for frame in flown.frames[15:]]
    found = measured(replace(flown, frames=[*flown.frames[:15], *last]))
    assert found.status[:14] == ["ok"] * 14
    assert found.status[14] != "ok"


def test_ten_hours_in_constant_memory() -> None:
    # A second at 50 frames/s every six minutes: what an estimator holds after ten hours is what it held at first.
    camera_ = {"width_px": 160, "height_px": 120, "fx_px": 130.0, "fy_px": 130.0, "cx_px": 79.5, "cy_px": 59.5}
    estimator = Estimator(plain_module(camera=camera_), attitude="inertial", motion=Marked())
    held = []
    for burst in range(100):
        for k in range(12):
            time_s = 360.0 * burst + 0.02 * k
            estimator.add_gyro(gyro(time_s + np.arange(4) * 0.005, (0.01, -0.02, 0.0), GRAVITY))
            estimator.add_range(ranges([time_s], 1.0))
            result = estimator.add_frame(time_s, np.full((120, 160), k + burst % 200, np.uint8))
        assert result is not None and result.row.status == "ok"
        if burst in (59, 99):  # the longest of its bounded queues, of windows a second long, fills until then
            held.append(len(pickle.dumps(estimator)))
    assert held[1] < 1.05 * held[0]

"""A real camera carried by hand over printed sheets that lie creased on a floor, with its path by motion capture.

Images published with P. Chirarattananon, "A direct optic flow-based strategy for inverse flight altitude estimation with
monocular vision and IMU measurements", Bioinspiration & Biomimetics 13 (2018), made a recording of: 930 images,
320 x 240, 60 a second, rolling shutter, barrel distortion. Path, gyro, range and attitude come from a least-squares fit to
motion capture and corner tracks. The path itself errs by 4 to 5 mm/s RMS between two images, by 0.4 mm/s over longer times,
and its place by some millimetres. The images are not part of this project: GROUNDPACE_REAL names the recording's folder.
"""

from __future__ import annotations

import functools
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import numpy as np
import pandas as pd
import pytest

from flow.accuracy.reference import Reference
from flow.faults.moving_light import MovingLight
from flow.measure import measure
from flow.recording import Recording, open_recording
from flow.row import LevelVelocity
from flow.scene.encode import Encoding, write_video
from flow.series import Truth, read_truth
from flow.video import Video
from tests.flow.flights import Flight

_BESIDE = Path(__file__).parents[3] / "shared" / "real" / "carried"
FOLDER = Path(os.environ.get("GROUNDPACE_REAL", _BESIDE))

needs_carried = pytest.mark.skipif(
    not (FOLDER / "module.yaml").exists(), reason="no recording with real images: GROUNDPACE_REAL names its folder"
)


def carried(every: int = 1, h264: Path | None = None) -> Flight:
    """Give the recording with every so many of its images; through H.264, crf 23, where ``h264`` names a folder."""
    opened: Recording = open_recording(FOLDER)
    frames = [replace(frame, index=k) for k, frame in enumerate(list(opened.video())[::every])]
    if h264 is not None:
        encoding, rate = Encoding(codec="h264"), 60.0 / every
        write_video(h264 / encoding.file_name, frames, encoding, rate)
        coded = list(Video(h264 / encoding.file_name))
        frames = [
            replace(frame, luma=stored.luma, keyframe=stored.keyframe)
            for frame, stored in zip(frames, coded, strict=True)
        ]
    attitude = opened.attitude()
    assert attitude is not None
    (gyro,), (ranges,), (tilt,) = (list(log) for log in (opened.gyro(), opened.range(), attitude))
    return Flight(
        module=opened.module, frames=frames, gyro_log=gyro, range_log=ranges, attitude_log=tilt,
        truth=read_truth(FOLDER / "truth.csv"),
    )  # fmt: skip


def path(flight: Flight, start_s: float, time_s: np.ndarray) -> np.ndarray:
    """Way (N, 2) since ``start_s`` by the reference, forward and right of the heading there."""
    truth: Truth = flight.truth
    attitude = pd.read_csv(FOLDER / "attitude.csv")
    yaw = np.interp(truth.time_s, attitude.time_s, np.unwrap(attitude.yaw_rad))
    yaw -= np.interp(start_s, truth.time_s, yaw)
    forward, right = truth.forward_m_s, truth.right_m_s
    level = np.stack([forward * np.cos(yaw) - right * np.sin(yaw), forward * np.sin(yaw) + right * np.cos(yaw)])
    steps = 0.5 * (level[:, 1:] + level[:, :-1]) * np.diff(truth.time_s)
    way = np.concatenate([np.zeros((2, 1)), np.cumsum(steps, axis=1)], axis=1)
    return np.stack([np.interp(time_s, truth.time_s, w) - np.interp(start_s, truth.time_s, w) for w in way], axis=1)


@dataclass(frozen=True)
class Outcome:
    """Rows with a velocity: how many there are and of how many, their errors and sigmas (N, 3), and errors of the place."""

    rows: int
    usable: int
    error_m_s: np.ndarray
    sigma_m_s: np.ndarray
    places: int
    place_error_m: np.ndarray
    lit: int


@functools.cache
def outcome(every: int, h264: Path | None = None) -> Outcome:
    flight, lit = carried(every, h264), [0]
    find = MovingLight.find

    def watched(self: MovingLight, *pair: object) -> object:
        found = find(self, *pair)  # type: ignore[arg-type]
        lit[0] += self.moves
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(MovingLight, "find", watched)
        results = list(measure(cast("Recording", flight)))
    told = [(r, r.row.velocity) for r in results if isinstance(r.row.velocity, LevelVelocity)]
    time_s, interval_s = np.array([[r.row.time_s, r.row.interval_s] for r, _ in told]).T
    truth_m_s = Reference(flight.truth).mean_velocity_m_s(time_s, interval_s)
    positions = [r.position for r, _ in told if r.position is not None]
    start_s = time_s[0] - 0.5 * interval_s[0]
    true_m = path(flight, start_s, np.array([p.time_s for p in positions]))
    return Outcome(
        rows=len(results),
        usable=len(told),
        error_m_s=np.array([v.vector_m_s for _, v in told]) - truth_m_s,
        sigma_m_s=np.array([v.sigma_m_s for _, v in told]),
        places=len(positions),
        place_error_m=np.array([[p.forward_m, p.right_m] for p in positions]) - true_m,
        lit=lit[0],
    )

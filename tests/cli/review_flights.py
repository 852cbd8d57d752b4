"""Flights for the tests of the review page: a real recording folder whose rows are made up, minute for minute."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import numpy as np

import flow
from cli.overlay import PlayableVideo
from cli.page.review import Review
from flow.error_sources import ErrorSource
from flow.module import Module, write_module
from flow.result import FrameResult
from flow.row import LevelVelocity, NoVelocity, SpeedRow
from flow.speedlog import Summary
from flow.tracks import Matches
from tests.effects import effects_of

RATE_HZ = 60.0

WIDTH, HEIGHT = 64, 48
SPIKE_S, SPIKE_M_S = 21.05, 4.0
HOLE_S = (30.0, 33.0)


def write_recording(folder: Path, duration_s: float) -> flow.Recording:
    """Write a recording of tiny pictures, a gyro at 200 Hz and a range sensor at 20 Hz."""
    folder.mkdir(parents=True)
    times = np.arange(0, duration_s, 1 / RATE_HZ)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    with PlayableVideo(folder / "video.mp4") as video:
        for k, time in enumerate(times):
            video.write(time, (128 + 60 * np.sin(0.3 * x + 0.2 * y + 0.02 * k)).astype(np.uint8))
    gyro_s = np.arange(-0.2, duration_s + 0.2, 0.005)
    rates = 0.3 * np.sin(np.outer(gyro_s, [1.0, 1.3, 0.2]))
    _write_csv(folder / "gyro.csv", "time_s,gyro_x_rad_s,gyro_y_rad_s,gyro_z_rad_s", gyro_s, rates)
    range_s = np.arange(-0.2, duration_s + 0.2, 0.05)
    heard = ~((range_s > HOLE_S[0]) & (range_s < HOLE_S[1]))
    _write_csv(folder / "range.csv", "time_s,range_m", range_s[heard], np.full((heard.sum(), 1), 1.5))
    camera = {"width_px": WIDTH, "height_px": HEIGHT, "fx_px": 60.0, "fy_px": 60.0, "cx_px": 31.5, "cy_px": 23.5}
    write_module(folder / "module.yaml", Module.model_validate({"name": "made-up", "camera": camera}))
    return flow.open_recording(folder)


def results(recording: flow.Recording, *, points: int = 180) -> Iterator[FrameResult]:
    """Rows with everything that the page shows; one speed stands out, and some seconds have none."""
    rng = np.random.default_rng(3)
    times = recording.frames.times_s
    first = rng.uniform(2, [WIDTH - 3, HEIGHT - 3], (points, 2))
    used = np.arange(points) % 9 > 0
    shown = (ErrorSource.IMAGE, ErrorSource.HEIGHT, ErrorSource.TILT, ErrorSource.GYRO_NOISE)
    effects = effects_of({source: [2e-3, 1e-3, 3e-3] for source in shown})
    covariance = np.diag([1e-5, 8e-6, 2e-5])
    for begin, end in itertools.pairwise(times):
        middle = 0.5 * (begin + end)
        lost = HOLE_S[0] + 2.5 < middle < HOLE_S[1]
        spike = SPIKE_M_S if begin <= SPIKE_S < end else 0.0
        velocity = LevelVelocity(
            forward_m_s=float(0.5 * np.sin(0.4 * middle) + 0.005 * rng.normal() + spike),
            right_m_s=float(0.2 * np.cos(0.7 * middle) + 0.005 * rng.normal()),
            down_m_s=0.0,
            covariance_m2_s2=covariance,
        )
        matches = Matches(
            first_px=first,
            second_px=first + np.array([0.5, -0.8]),
            covariance_px2=np.zeros((points, 2, 2)),
            offered=points + 12,
        )
        row = SpeedRow(
            time_s=float(middle),
            interval_s=float(end - begin),
            velocity=NoVelocity(reason="no_height") if lost else velocity,
            height_m=None if lost else 1.5,
            height_sigma_m=None if lost else 0.004,
            tracks=0 if lost else points,
            inlier_share=None if lost else float(used.mean()),
        )
        yield FrameResult(
            row=row,
            matches=None if lost else matches,
            used=None if lost else used,
            effects_m_s=None if lost else effects,
        )


def write_review(folder: Path, duration_s: float) -> Path:
    """Write recording, page and its video; give the page."""
    recording = write_recording(folder, duration_s)
    summary = Summary()
    with Review(recording, folder / "measured") as review:
        for result in results(recording):
            summary.add(result.row)
            review.add(result)
        review.write(summary.as_dict())
    return folder / "measured" / "review.html"


def _write_csv(path: Path, header: str, time_s: np.ndarray, values: np.ndarray) -> None:
    np.savetxt(path, np.column_stack([time_s, values]), fmt="%.6f", delimiter=",", header=header, comments="")

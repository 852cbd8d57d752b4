"""The memory of a measurement does not depend on its length: no stage of the command keeps anything of a row.

A whole recording streams through the whole command, except that what the estimator says is made up (its own memory is
``tests/flow/test_estimator.py``'s) and that the logs come without a file.
"""

from __future__ import annotations

import gc
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

import cli.page.review_rows
import cli.page.review_turn
import flow
import flow.fusion.filter
import flow.fusion.rawspeed
import flow.fusion.smoother
from flow.anchoring.position import Position
from flow.anchoring.sight import Sight
from flow.module import Module
from flow.per_source import PerSource
from flow.result import FrameResult
from flow.row import LevelVelocity, NoVelocity, SpeedRow
from flow.series import GyroSamples, RangeSamples
from flow.tracks import Matches
from flow.video import Frame
from tests.cli.short_flight import measured
from tests.streams import GRAVITY, gyro, plain_module, ranges

ROWS = 1200
FRAME_S = 0.02
WIDE, HIGH = 32, 24
SPEED = np.array([0.5, 0.1, 0.0])
Said = Callable[[int], bool]


@dataclass(frozen=True)
class Frames:
    """A video of tiny pictures."""

    frame_count: int = ROWS + 1
    path: Path = Path("rec/video.mkv")
    container_times_s: None = None

    @property
    def times_s(self) -> np.ndarray:
        """Camera times."""
        return np.arange(self.frame_count) * FRAME_S

    def __iter__(self) -> Iterator[Frame]:
        for k in range(self.frame_count):
            yield Frame(index=k, time_s=k * FRAME_S, luma=np.full((HIGH, WIDE), k % 251, np.uint8), exposure_s=None)


@dataclass(frozen=True)
class Stream:
    """A recording that is nowhere: level flight at a steady speed, gyro and accelerometer at 200 Hz, range at 50 Hz."""

    with_accelerometer: bool = True
    folder: Path = Path("rec")
    frames: Frames = field(default_factory=Frames)
    module: Module = field(
        default_factory=lambda: plain_module(
            camera={"width_px": WIDE, "height_px": HIGH, "fx_px": 30.0, "fy_px": 30.0, "cx_px": 15.5, "cy_px": 11.5}
        )
    )
    module_path: Path = Path("rec/module.yaml")
    gyro_path: Path = Path("rec/gyro.csv")
    range_path: Path = Path("rec/range.csv")
    times_path: None = None
    attitude_path: None = None
    frame_count: int = ROWS + 1

    def gyro(self) -> Iterator[GyroSamples]:
        """Read the log in chunks of a quarter of a second."""
        force = GRAVITY if self.with_accelerometer else np.array([0.0, 0.0, -0.01])
        for k in range(-1, ROWS * 4 // 50 + 2):
            yield gyro((50 * k + np.arange(50)) * 0.005, (0.0, 0.0, 0.0), force)

    def range(self) -> Iterator[RangeSamples]:
        """Read the log in chunks of half a second."""
        for k in range(-1, ROWS // 25 + 2):
            yield ranges((25 * k + np.arange(25)) * FRAME_S, 1.0)


def results(stream: Stream, said: Said, watch: Callable[[Frame], None], *, positions: bool) -> Iterator[FrameResult]:
    """Give a row for each pair of frames; one with a speed where ``said``."""
    points = np.random.default_rng(2).uniform(1, [WIDE - 2, HIGH - 2], (30, 2))
    matches = Matches(
        first_px=points, second_px=points + 0.5, covariance_px2=np.tile(1e-3 * np.eye(2), (30, 1, 1)), offered=40
    )
    effects = PerSource.of(lambda source: 1e-3 * np.eye(3)[:, : source.figures])
    velocity = LevelVelocity(
        forward_m_s=SPEED[0], right_m_s=SPEED[1], down_m_s=SPEED[2], covariance_m2_s2=3e-6 * np.eye(3)
    )
    for frame in stream.frames:
        watch(frame)
        if frame.index == 0:
            continue
        row = SpeedRow(
            time_s=frame.time_s - FRAME_S / 2, interval_s=FRAME_S, height_m=1.0, height_sigma_m=0.002, tracks=30,
            velocity=velocity if said(frame.index) else NoVelocity(reason="few_tracks"), inlier_share=1.0,
        )  # fmt: skip
        sight = Sight(
            time_s=frame.time_s, anchor=frame.index // 100, way_m=frame.index % 100 * FRAME_S * np.array(SPEED),
            R_anchor_now=np.eye(3), covariance=1e-8 * np.eye(6), lasting=np.zeros((6, 6)), height_m=1.0, distance_m=1.0,
            by_slope=np.zeros((6, 2)), slope_axes=np.eye(3)[:, :2], tilt_sigma_rad=0.01,
        )  # fmt: skip
        position = Position(
            time_s=frame.time_s, forward_m=SPEED[0] * frame.time_s, right_m=SPEED[1] * frame.time_s,
            covariance_m2=1e-6 * np.eye(2), anchor=sight.anchor, sight=sight,
        )  # fmt: skip
        yield FrameResult(
            row=row,
            matches=matches,
            used=np.ones(30, bool),
            effects_m_s=effects,
            position=position if positions else None,
        )


def shorten(patched: pytest.MonkeyPatch) -> None:
    """Let everything that holds the newest few seconds, or some thousand bins, be full after a second."""
    patched.setattr(cli.page.review_rows, "_MOST_ROWS", 60)
    patched.setattr(cli.page.review_rows, "_MOST_POINTS", 600)
    patched.setattr(cli.page.review_rows, "_MOST_STRETCHES", 20)
    patched.setattr(cli.page.review_rows, "_BLOCK", 10)
    patched.setattr(cli.page.review_turn, "_MOST_BINS", 60)
    patched.setattr(flow.fusion.smoother, "_BLOCK", 40)
    patched.setattr(flow.fusion.smoother, "_BEYOND", 20)
    patched.setattr(flow.fusion.filter, "_KEPT", 50)
    patched.setattr(flow.fusion.rawspeed, "_KEPT", 50)


def grown(patched: pytest.MonkeyPatch, stream: Stream, said: Said) -> float:
    """Measure; give by how much what Python and NumPy hold grows with a row, bytes."""
    levels = np.full(ROWS, np.inf)

    def weighed(
        opened: Stream, *, positions: bool, watch: Callable[[Frame], None], **_: object
    ) -> Iterator[FrameResult]:
        for k, result in enumerate(results(opened, said, watch, positions=positions)):
            if k % 25 == 0:
                gc.collect()
                levels[k] = tracemalloc.get_traced_memory()[0]
            yield result

    shorten(patched)
    patched.setattr(flow, "open_recording", lambda *_: stream)
    patched.setattr(flow, "measure", weighed)
    gc.collect()
    gc.freeze()  # what was there before need not be looked through again
    tracemalloc.start()
    try:
        measured("rec")
    finally:
        tracemalloc.stop()
        gc.unfreeze()
    # Lowest levels: what waits for a block or a buffer to fill comes and goes.
    early, late = levels[ROWS // 5 : ROWS // 2], levels[-3 * ROWS // 10 :]
    return float(late.min() - early.min()) / (len(levels) - ROWS // 2)


@pytest.mark.parametrize(
    ("stream", "said"),
    [
        pytest.param(Stream(), lambda k: k % 100 > 40, id="fused, blind now and then"),
        pytest.param(
            Stream(with_accelerometer=False), lambda k: True, id="never fused: the accelerometer says nothing"
        ),
    ],
)
def test_nothing_is_kept_of_a_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stream: Stream, said: Said) -> None:
    # 15 to 45 bytes a row were seen: buffers at another phase, and the thousand samples of the progress bar filling up. A
    # tuple or a small array kept of each row adds 100 and more, a range reading 150: ten hours are 2.2 million rows.
    monkeypatch.chdir(tmp_path)
    assert grown(monkeypatch, stream, said) < 75

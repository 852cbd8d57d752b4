"""What the review page keeps of a measurement: rows, points and stretches, in memory that does not grow with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import nan, sqrt
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from cli.page.review_bins import Bins
from cli.page.review_path import CAUSES, Path
from cli.page.review_turn import TurnedImage, TurnLog
from flow.estimator import FrameResult
from flow.recording import Recording
from flow.row import LevelVelocity
from flow.tracks import Matches

Array: TypeAlias = NDArray[np.float64]

SPREAD = (
    "forward", "right", "down", "sigma_forward", "sigma_right", "height", "height_sigma", "tracks", "share", "seen_px",
    "turn_px", "interval", *(f"by_{cause}" for cause in CAUSES),
)  # fmt: skip
"""Channels of which a bin keeps the smallest and the largest value."""
NEWEST = (
    "end_s", "correlation", "offered", "points", "points_step_px", "path_forward", "path_right", "path_sigma_forward",
    "path_sigma_right", "path_correlation",
)  # fmt: skip
"""Channels of which a bin keeps the newest value: those that belong to one picture or one place."""

_MOST_ROWS = 40_960
_MOST_POINTS = 1_250_000  # of 5 bytes each
_POINTS_A_ROW = (24, 200)
_LOOKED_AT = 60  # points for the median image motion
_BLOCK = 256
_GRID = 2047  # 11 bits for a column or a row
_MOST_STRETCHES = 4_000


@dataclass(slots=True)
class Stretch:
    """Consecutive rows of one status."""

    begin_s: float
    end_s: float
    status: str
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """Rows in bins of ``per_bin``: (B,) each; ``low`` and ``high`` by :data:`SPREAD`, ``newest`` by :data:`NEWEST`.

    ``points`` holds five bytes for each point of each bin, see :meth:`FlightData.add`.
    """

    time_s: Array
    low: Mapping[str, Array]
    high: Mapping[str, Array]
    newest: Mapping[str, Array]
    points: bytes
    per_bin: int
    stretches: list[Stretch]


class FlightData:
    """Gathers result after result of a measurement.

    Parameters
    ----------
    recording
        What is measured: its module, its gyro log and its number of frames.
    """

    def __init__(self, recording: Recording) -> None:
        module = recording.module
        rows = max(recording.frame_count - 1, 1)
        self._per_bin = -(-rows // _MOST_ROWS)
        self._points_a_row = int(np.clip(_MOST_POINTS // -(-rows // self._per_bin), *_POINTS_A_ROW))
        self.turns = TurnLog(recording.gyro(), module.gyro.bias_rad_s)
        self._path = Path(module.gyro)
        self._image = TurnedImage(module)
        self._size_px = np.array([module.camera.width_px, module.camera.height_px], float)
        self._bins = Bins(len(SPREAD), _MOST_ROWS + 2, per_bin=self._per_bin)
        self._newest = np.empty((_MOST_ROWS + 2, len(NEWEST)), np.float64)
        self._closed = 0
        self._block = np.empty((_BLOCK, 1 + len(SPREAD)))
        self._filled = 0
        self._rows = 0
        self._last: tuple[FrameResult, float, float] | None = None
        self._points = bytearray()
        self._stretches: list[Stretch] = []
        self._bridge_s = 0.0

    def add(self, result: FrameResult) -> None:
        """Take one row with its evidence.

        A point is stored as 3 bytes, low first (column in 11 bits, row in 11 bits, "used" in one, in 1/2047 of the
        picture), and its motion as two signed bytes in steps of the row's ``points_step_px``.
        """
        row = result.row
        begin_s, end_s = row.time_s - row.interval_s / 2, row.time_s + row.interval_s / 2
        self._add_status(row.status, begin_s, end_s)
        turn = self.turns.between(begin_s, end_s)
        effects = np.array([result.effects_m_s.get(cause, _NO_EFFECT) for cause in CAUSES])[:, :2]
        self._path.advance(row, effects, float(turn[2]))
        correlation = self._add_values(result, effects, turn)
        self._rows += 1
        self._last = (result, end_s, correlation)
        if self._rows % self._per_bin == 0:
            self._close_bin()
        if self._filled == _BLOCK:
            self._flush()

    def finish(self) -> Rows:
        """Give everything gathered."""
        if self._last is not None:
            self._close_bin()
        self._flush()
        self.turns.finish()
        time_s, low, high = self._bins.finish()
        return Rows(
            time_s=time_s,
            low=dict(zip(SPREAD, low.T, strict=True)),
            high=dict(zip(SPREAD, high.T, strict=True)),
            newest=dict(zip(NEWEST, self._newest[: self._closed].T, strict=True)),
            points=bytes(self._points),
            per_bin=self._per_bin,
            stretches=self._stretches,
        )

    def _add_values(self, result: FrameResult, effects: Array, turn: Array) -> float:
        row, velocity = result.row, result.row.velocity
        if isinstance(velocity, LevelVelocity):
            covariance = velocity.covariance_m2_s2
            sigmas = (sqrt(covariance[0, 0]), sqrt(covariance[1, 1]))
            motion = (velocity.forward_m_s, velocity.right_m_s, velocity.down_m_s, *sigmas)
            correlation = float(covariance[0, 1]) / (sigmas[0] * sigmas[1] or 1.0)
            causes = np.hypot(effects[:, 0], effects[:, 1]).tolist()
        else:
            motion, correlation, causes = (nan,) * 5, nan, [nan] * len(CAUSES)
        self._block[self._filled] = (
            row.time_s,
            *motion,
            nan if row.height_m is None else row.height_m,
            nan if row.height_sigma_m is None else row.height_sigma_m,
            row.tracks,
            nan if row.inlier_share is None else row.inlier_share,
            *self._image_motion(result.matches, turn),
            row.interval_s,
            *causes,
        )
        self._filled += 1
        return correlation

    def _image_motion(self, matches: Matches | None, turn: Array) -> tuple[float, float]:
        """Median motion of the points, px, and the median of what the turn makes of it."""
        if matches is None or len(matches) == 0:
            return nan, nan
        step = -(-len(matches) // _LOOKED_AT)
        first = matches.first_px[::step]
        return _median_length(matches.second_px[::step] - first), _median_length(self._image.motion(first, turn))

    def _close_bin(self) -> None:
        assert self._last is not None
        result, end_s, correlation = self._last
        self._last = None
        count, step_px = self._add_points(result)
        offered = 0 if result.matches is None else result.matches.offered
        self._newest[self._closed] = (
            end_s, correlation, offered, count, step_px, *self._path.position_m, *self._path.spread(),
        )  # fmt: skip
        self._closed += 1

    def _add_points(self, result: FrameResult) -> tuple[int, float]:
        matches = result.matches
        if matches is None or len(matches) == 0:
            return 0, 0.0
        chosen = slice(None, None, -(-len(matches) // self._points_a_row))
        at, first = matches.second_px[chosen], matches.first_px[chosen]
        used = np.zeros(len(at), np.uint32) if result.used is None else result.used[chosen].astype(np.uint32)
        motion = at - first
        step_px = float(np.abs(motion).max()) / 127 or 1e-6
        place = (at * (_GRID / self._size_px)).astype(np.uint32)
        code = place[:, 0] | (place[:, 1] << 11) | (used << 22)
        packed = np.empty((len(at), 5), np.uint8)
        packed[:, :3] = code.astype("<u4").view(np.uint8).reshape(-1, 4)[:, :3]
        packed[:, 3:] = np.rint(motion / step_px).astype(np.int8).view(np.uint8)
        self._points += packed.tobytes()
        return len(at), step_px

    def _flush(self) -> None:
        block = self._block[: self._filled]
        if len(block):
            self._bins.add(block[:, 0], block[:, 1:])
        self._filled = 0

    def _add_status(self, status: str, begin_s: float, end_s: float) -> None:
        if self._stretches and self._stretches[-1].status == status:
            self._stretches[-1].end_s = end_s
            self._stretches[-1].rows += 1
            return
        self._stretches.append(Stretch(begin_s, end_s, status, 1))
        while len(self._stretches) > _MOST_STRETCHES:
            self._bridge_s = 2 * self._bridge_s or 0.05
            self._stretches = _bridged(self._stretches, self._bridge_s)


_NO_EFFECT = np.zeros(3)


def _bridged(stretches: list[Stretch], bridge_s: float) -> list[Stretch]:
    """Let a stretch shorter than ``bridge_s`` go into one without a speed before it: never the reverse."""
    kept: list[Stretch] = []
    for stretch in stretches:
        short = stretch.end_s - stretch.begin_s < bridge_s
        if kept and (stretch.status == kept[-1].status or (short and kept[-1].status != "ok")):
            kept[-1].end_s = stretch.end_s
            kept[-1].rows += stretch.rows
        else:
            kept.append(stretch)
    return kept


def _median_length(vectors: Array) -> float:
    lengths = np.hypot(vectors[:, 0], vectors[:, 1])
    lengths.sort()
    return float(lengths[len(lengths) // 2])

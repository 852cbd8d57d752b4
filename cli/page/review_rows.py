"""What the review page keeps of a measurement: rows, points and stretches, in memory that does not grow with it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import nan, sqrt
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from cli.page.review_bins import Bins
from cli.page.review_turn import TurnLog
from flow.accuracy.dead_reckoning import DeadReckoning
from flow.effects import NO_EFFECT, Effects, sigmas_m_s
from flow.error_sources import SOURCES, ErrorSource
from flow.pair.rotation_field import RotationField
from flow.per_source import PerSource
from flow.recording import Recording
from flow.result import FrameResult
from flow.row import LevelVelocity, SpeedRow

Array: TypeAlias = NDArray[np.float64]

SPREAD = (
    "forward", "right", "down", "sigma_forward", "sigma_right", "height", "height_sigma", "tracks", "share", "seen_px",
    "turn_px", "interval", *(f"by_{source}" for source in SOURCES),
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


@dataclass(slots=True)
class Doubted:
    """For how long the rows spoke against a figure of the module."""

    begin_s: float
    end_s: float
    source: ErrorSource


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
    doubted: list[Doubted]


class FlightData:
    """Gathers result after result of a measurement, and works on some hundred of them at a time.

    Parameters
    ----------
    recording
        What is measured: its module, its gyro log and its number of frames.
    """

    def __init__(self, recording: Recording) -> None:
        module = recording.module
        rows = max(recording.frame_count - 1, 1)
        self.per_bin = -(-rows // _MOST_ROWS)
        """Rows in each bin, which shows the points of the last of them."""
        self._points_a_row = int(np.clip(_MOST_POINTS // -(-rows // self.per_bin), *_POINTS_A_ROW))
        self.turns = TurnLog(recording.gyro(), module.gyro.bias_rad_s)
        self._path = DeadReckoning(module.gyro)
        self._image = RotationField(module)
        self._size_px = np.array([module.camera.width_px, module.camera.height_px], float)
        self._bins = Bins(len(SPREAD), _MOST_ROWS + 2, per_bin=self.per_bin)
        self._newest = np.empty((_MOST_ROWS + 2, len(NEWEST)), np.float64)
        self._closed = 0
        self._rows = 0
        self._waiting: list[FrameResult] = []
        self._points = bytearray()
        self._stretches: list[Stretch] = []
        self._bridge_s = 0.0
        self._doubted: list[Doubted] = []
        self._doubted_now: dict[ErrorSource, Doubted] = {}

    def add(self, result: FrameResult) -> None:
        """Take one row with its evidence.

        A point is stored as 3 bytes, low first (column in 11 bits, row in 11 bits, "used" in one, in 1/2047 of the
        picture), and its motion as two signed bytes in steps of the row's ``points_step_px``.
        """
        self._waiting.append(result)
        if len(self._waiting) == _BLOCK:
            self._work(last=False)

    def finish(self) -> Rows:
        """Give everything gathered."""
        if self._waiting:
            self._work(last=True)
        self.turns.finish()
        time_s, low, high = self._bins.finish()
        return Rows(
            time_s=time_s,
            low=dict(zip(SPREAD, low.T, strict=True)),
            high=dict(zip(SPREAD, high.T, strict=True)),
            newest=dict(zip(NEWEST, self._newest[: self._closed].T, strict=True)),
            points=bytes(self._points),
            per_bin=self.per_bin,
            stretches=self._stretches,
            doubted=self._doubted,
        )

    def _work(self, *, last: bool) -> None:
        results, self._waiting = self._waiting, []
        rows = [result.row for result in results]
        time_s, interval_s = (np.array([getattr(row, name) for row in rows]) for name in ("time_s", "interval_s"))
        begin_s, end_s = time_s - interval_s / 2, time_s + interval_s / 2
        for result, begin, end in zip(results, begin_s, end_s, strict=True):
            self._add_status(result.row.status, float(begin), float(end))
            self._add_doubts(result.doubted, float(begin), float(end))
        turn = self.turns.between(begin_s, end_s)
        motion = np.array([_motion(row) for row in rows])
        effects = np.array([_level_sigmas(result.effects_m_s or _NOTHING) for result in results])
        places = self._path.advance(interval_s, motion[:, :2], effects, turn[:, 2])
        told = np.array(
            [result.effects_m_s is not None for result in results]
        )  # a row that is too uncertain says of what
        by_source = np.where(told[:, None], np.linalg.norm(effects, axis=2), np.nan)
        evidence = np.array([_evidence(row) for row in rows])
        image = self._image_motion(results, turn)
        values = [motion[:, :5], evidence, image, interval_s[:, None], by_source]
        self._bins.add(time_s, np.column_stack(values))
        newest = np.column_stack(
            [end_s, motion[:, 5], np.zeros((len(rows), 3)), places.position_m, places.sigma_m, places.correlation]
        )
        for k, result in enumerate(results):
            self._rows += 1
            if self._rows % self.per_bin == 0 or (last and result is results[-1]):
                newest[k, 2:5] = self._add_points(result)
                self._newest[self._closed] = newest[k]
                self._closed += 1

    def _image_motion(self, results: list[FrameResult], turn: Array) -> Array:
        """Median motion of the points, px, and the median of what the turn makes of it; (N, 2)."""
        first = np.full((len(results), _LOOKED_AT, 2), np.nan)
        moved = np.full_like(first, np.nan)
        for k, result in enumerate(results):
            if (matches := result.matches) is not None and len(matches):
                step = -(-len(matches) // _LOOKED_AT)
                some = matches.first_px[::step]
                first[k, : len(some)] = some
                moved[k, : len(some)] = matches.second_px[::step] - some
        turned = self._image.motion(first, turn[:, None, :])
        turned[np.isnan(first)] = np.nan
        return np.column_stack([_median_length(moved), _median_length(turned)])

    def _add_points(self, result: FrameResult) -> tuple[int, int, float]:
        """Store the points; give how many were looked for, how many are stored, and the step of their motion."""
        matches = result.matches
        if matches is None or len(matches) == 0:
            return 0 if matches is None else matches.offered, 0, 0.0
        chosen = slice(None, None, -(-len(matches) // self._points_a_row))
        at = matches.second_px[chosen]
        motion = at - matches.first_px[chosen]
        step_px = float(np.abs(motion).max()) / 127 or 1e-6
        place = (at * (_GRID / self._size_px)).astype(np.uint32)
        code = place[:, 0] | (place[:, 1] << 11)
        if result.used is not None:
            code |= result.used[chosen].astype(np.uint32) << 22
        packed = np.empty((len(at), 5), np.uint8)
        packed[:, :3] = code.astype("<u4").view(np.uint8).reshape(-1, 4)[:, :3]
        packed[:, 3:] = np.rint(motion / step_px).astype(np.int8).view(np.uint8)
        self._points += packed.tobytes()
        return matches.offered, len(at), step_px

    def _add_status(self, status: str, begin_s: float, end_s: float) -> None:
        if self._stretches and self._stretches[-1].status == status:
            self._stretches[-1].end_s = end_s
            self._stretches[-1].rows += 1
            return
        self._stretches.append(Stretch(begin_s, end_s, status, 1))
        while len(self._stretches) > _MOST_STRETCHES:
            self._bridge_s = 2 * self._bridge_s or 0.05
            self._stretches = _bridged(self._stretches, self._bridge_s)

    def _add_doubts(self, doubted: Iterable[ErrorSource], begin_s: float, end_s: float) -> None:
        before, self._doubted_now = self._doubted_now, {}
        for source in doubted:
            known = before.get(source)
            if known is None:
                if len(self._doubted) == _MOST_STRETCHES:
                    continue
                known = Doubted(begin_s, end_s, source)
                self._doubted.append(known)
            known.end_s = end_s
            self._doubted_now[source] = known


_NOTHING: Effects = PerSource.of(lambda _: NO_EFFECT)


def _level_sigmas(effects: Effects) -> list[Array]:
    """One-sigma (2,) of each source, forward and right, in the order of :data:`flow.error_sources.SOURCES`."""
    return [sigma[:2] for sigma in sigmas_m_s(effects).values()]


def _motion(row: SpeedRow) -> tuple[float, ...]:
    """Velocity, the sigma of its level part and the correlation of that."""
    velocity = row.velocity
    if not isinstance(velocity, LevelVelocity):
        return (nan,) * 6
    covariance = velocity.covariance_m2_s2
    forward, right = sqrt(covariance[0, 0]), sqrt(covariance[1, 1])
    correlation = covariance[0, 1] / (forward * right or 1.0)
    return velocity.forward_m_s, velocity.right_m_s, velocity.down_m_s, forward, right, correlation


def _evidence(row: SpeedRow) -> tuple[float, ...]:
    """Height and its sigma, the number of points and the share that agrees."""
    known = (row.height_m, row.height_sigma_m, row.tracks, row.inlier_share)
    return tuple(nan if value is None else value for value in known)


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


def _median_length(vectors: Array) -> Array:
    """Median length of the vectors (N, K, 2) of each row that are known; NaN where none is."""
    lengths = np.sort(np.hypot(vectors[..., 0], vectors[..., 1]), axis=1)  # NaN come last
    known = np.isfinite(lengths).sum(axis=1)
    middle = lengths[np.arange(len(lengths)), np.maximum(known - 1, 0) // 2]
    return np.where(known > 0, middle, np.nan)
